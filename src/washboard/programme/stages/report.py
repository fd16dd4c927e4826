"""report: the whole job on paper, as PDF and as one HTML file."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from pathlib import Path
from typing import Any

from washboard import __version__
from washboard.duty import service_text
from washboard.programme._plan import Plan
from washboard.programme._stage import Outcome, Stage, StageRecord, Workspace, read_record
from washboard.programme._stages import STAGE_NAMES, stage_named
from washboard.programme._store import load_table
from washboard.recording import write_whole
from washboard.report import Chapter, Document, Provenance, html, pdf

NAMES = ("report.pdf", "report.html")

#: Everything before it; their records are read through `Stage.state`, since figures and findings stand in them.
_BEFORE = tuple(name for name in STAGE_NAMES if name != "report")


def _reads(plan: Plan) -> Any:
    # How many passes one call runs is no part of what the report says.
    return dataclasses.replace(plan, endure=dataclasses.replace(plan.endure, passes=0))


def _run(ws: Workspace) -> Outcome:
    records = [record for name in _BEFORE if (record := read_record(ws.folder, name)) is not None]
    chapters = []
    for number, record in enumerate(records):
        ws.progress(0.9 * number / len(records), f"figures of {record.stage}")
        chapters.append(_chapter(ws, record))
    picture = next((one for part in chapters if part.name == "correlate" for one in part.exhibits if one.svg), None)
    # The figure on the first page does not come again in its chapter.
    chapters = [
        dataclasses.replace(part, exhibits=tuple(one for one in part.exhibits if one is not picture))
        for part in chapters
    ]
    ws.progress(0.9, "setting the pages")
    document = Document(
        title=ws.plan.programme.name,
        facts=_facts(ws.plan, records),
        statement=str(load_table(ws.of("correlate") / "correlate.json")["statement"]),
        chapters=tuple(chapters),
        provenance=tuple(_provenance(record) for record in records),
        recordings=_recordings(records),
        picture=picture,
    )
    made = {"report.pdf": pdf(document), "report.html": html(document).encode()}
    folder = ws.folder / "report"
    for name, content in made.items():
        write_whole(ws.out / name, content)
        write_whole(folder / name, content)
    look = [record.stage for record in records if record.verdict != "fine"]
    words = f"{len(chapters)} chapters with {sum(len(chapter.exhibits) for chapter in chapters)} figures and tables"
    words += f", as PDF and HTML in {folder}"
    if look:
        words += f"; look at {', '.join(look)}"
    return Outcome(
        verdict="fine",
        summary=words,
        figures={name.replace(".", "_") + "_bytes": len(content) for name, content in made.items()},
    )


def _chapter(ws: Workspace, record: StageRecord) -> Chapter:
    stage = stage_named(record.stage)
    printed = stage.printed or stage.show
    return Chapter(
        name=record.stage,
        title=stage.title,
        verdict=record.verdict,
        summary=record.summary,
        findings=record.findings,
        exhibits=printed(ws.folder, ws.plan) if printed else (),
    )


def _facts(plan: Plan, records: list[StageRecord]) -> dict[str, str]:
    link = {"virtual": "virtual rig (computed, no hardware)", "command": "rig behind a program", "folder": "rig"}
    facts = {
        "Vehicle": plan.programme.vehicle,
        "Specimen": plan.endure.specimen,
        "Rig": f"{plan.rig.name or 'unnamed'}, {len(plan.rig.actuators)} actuators; {link[plan.rig.link.kind]}",
        "Service": service_text(plan.duty),
        "Band": f"{plan.band.low_hz:g} to {plan.band.high_hz:g} Hz",
        "Channels": f"{len(plan.control)} control, {len(plan.channel) - len(plan.control)} monitor",
        "Last step": records[-1].started.replace("T", " ").replace("+00:00", " UTC") if records else "",
        "Made by": f"Washboard {__version__}",
        "Notes": plan.programme.notes,
    }
    return {name: text for name, text in facts.items() if text}


def _digest(value: Any) -> str:
    return hashlib.sha256(json.dumps(value, sort_keys=True, default=str).encode()).hexdigest()


def _provenance(record: StageRecord) -> Provenance:
    return Provenance(
        stage=record.stage,
        version=record.version,
        started=record.started,
        seconds=record.seconds,
        settings=_digest(record.settings),
        inputs=_digest(dict(record.inputs)),
        outputs=_digest(dict(record.outputs)),
    )


def _recordings(records: list[StageRecord]) -> tuple[tuple[str, str], ...]:
    """Originals with their digests, as the check stage read them."""
    inputs = next((record.inputs for record in records if record.stage == "check"), {})
    return tuple((name.split(": ", 1)[1], digest) for name, digest in inputs.items() if ": " in name)


def _state(folder: Path) -> dict[str, str]:
    """Digest of what the report prints of each record: verdict, words and findings, which are no files."""
    found = {}
    for name in _BEFORE:
        record = read_record(folder, name)
        found[f"{name} record"] = (
            "absent"
            if record is None
            else _digest([record.verdict, record.summary, [repr(finding) for finding in record.findings]])
        )
    found["report folder"] = _digest(
        [hashlib.sha256((folder / "report" / name).read_bytes()).hexdigest() if _there(folder, name) else "absent"
         for name in NAMES]
    )  # fmt: skip
    return found


def _there(folder: Path, name: str) -> bool:
    return (folder / "report" / name).is_file()


STAGE = Stage(
    name="report",
    title="The whole job on paper",
    needs=dict.fromkeys(_BEFORE, ()),
    reads=_reads,
    run=_run,
    state=_state,
    revision=3,
)
