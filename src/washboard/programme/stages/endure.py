"""endure: play the sequence on the rig, count every pass in the journal, hold each against its reference."""

from __future__ import annotations

import dataclasses
import functools
import shutil
from pathlib import Path
from typing import Any

import numpy as np

from washboard.endure import (
    ENDINGS,
    MEANING,
    Journal,
    PassFeatures,
    PassRecord,
    RunResult,
    Sequence,
    mixed_sequence,
    octave_bands,
    run_sequence,
)
from washboard.errors import InputError
from washboard.programme._plan import Plan
from washboard.programme._stage import Outcome, Stage, Workspace
from washboard.programme._store import load_arrays, load_table, save_arrays, save_table
from washboard.recording import Finding, Recording, band_pass, read_recording, write_recording
from washboard.report import Exhibit
from washboard.rig import RigChannels

TABLE, PASSES = "endure.json", "passes.nc"


def _reads(plan: Plan) -> Any:
    settings = dataclasses.replace(plan.endure, passes=0)
    return (settings, plan.band, tuple((c.name, c.slope) for c in plan.channel), plan.loads.slopes)


def _state(folder: Path) -> dict[str, str]:
    file = folder / "journal.db"
    if not file.exists():
        return {"journal": "absent"}
    with Journal(file) as journal:
        return {"journal": journal.fingerprint()}


def slopes_of(plan: Plan) -> tuple[float, ...]:
    """The plan's slopes and every channel's own, ascending."""
    return tuple(sorted({*plan.loads.slopes, *(channel.slope for channel in plan.channel)}))


def _run(ws: Workspace) -> Outcome:
    from washboard.programme._rig_link import open_link

    plan = ws.plan
    plays = {
        event: int(entry["plays"]) for event, entry in load_table(ws.of("shorten") / "shorten.json")["events"].items()
    }
    found = load_table(ws.of("replicate") / "replicate.json")["events"]
    drives = _drives(ws, plays, found)
    link = open_link(plan, ws.folder)
    _check_limits(drives, link.channels())
    sequence = mixed_sequence(plays, blocks=plan.endure.blocks)
    slopes, bands = slopes_of(plan), octave_bands(plan.band.low_hz, plan.band.high_hz)
    last: dict[str, Recording] = {}

    def keep(entry: PassRecord, response: Recording) -> None:
        last[entry.event] = response
        if entry.result.get("changes"):
            (ws.folder / "passes").mkdir(exist_ok=True)
            write_recording(response, ws.folder / "passes" / f"{entry.label}.nc")

    with Journal(ws.journal) as journal:
        result = run_sequence(
            link,
            journal,
            sequence,
            drives,
            plan.endure,
            slopes=slopes,
            bands_hz=bands,
            about={"rig": plan.rig.name, "vehicle": plan.programme.vehicle, "link": plan.rig.link.kind},
            command=f"washboard endure {ws.folder}",
            prepare=functools.partial(band_pass, low_hz=plan.band.low_hz, high_hz=plan.band.high_hz),
            keep=keep,
            progress=ws.progress,
        )
        passes = journal.passes(plan.endure.specimen)
    stems = {event: _stem(found[event]) for event in drives}
    responses = _keep_responses(ws, last, found, {event: drive.digest() for event, drive in drives.items()})
    table = _table(plan, sequence, drives, passes, result, responses)
    for event, stem in stems.items():
        table["events"][event]["stem"] = stem
    save_table(ws.out / TABLE, table)
    _save_passes(ws.out / PASSES, passes)
    return _outcome(table, passes, result)


def _drives(ws: Workspace, plays: dict[str, int], found: dict[str, Any]) -> dict[str, Recording]:
    drives = {}
    for event, count in plays.items():
        if count == 0:
            continue
        if event not in found or found[event]["overall"] is None:
            raise InputError(
                f"event '{event}' has no drive: the rig tripped on every play of it, or it was not replicated. Look at "
                "the findings of 'washboard replicate', or take the event out of the service"
            )
        drives[event] = read_recording(ws.of("replicate") / found[event]["drive"])
    return drives


def _check_limits(drives: dict[str, Recording], channels: RigChannels) -> None:
    """Before the first motion, the whole sequence is held against what the rig takes."""
    limits = {channel.name: channel.limits for channel in channels.drives}
    for event, drive in drives.items():
        for channel, row in zip(drive.channels, drive.samples, strict=True):
            limit = limits.get(channel.name)
            if channel.name not in limits:
                raise InputError(f"event '{event}': its drive is for '{channel.name}', which this rig does not have")
            if limit is not None and (row.min() < limit[0] * 1.0001 or row.max() > limit[1] * 1.0001):
                raise InputError(
                    f"event '{event}': its drive asks '{channel.name}' for {row.min():.4g} to {row.max():.4g} "
                    f"{channel.unit}, beyond its {limit[0]:.4g} to {limit[1]:.4g}; run 'replicate' again for this rig"
                )


def _stem(entry: dict[str, Any]) -> str:
    """Beginning of an event's file names."""
    return str(entry["drive"]).removesuffix(".drive.nc")


def _keep_responses(
    ws: Workspace, last: dict[str, Recording], found: dict[str, Any], digests: dict[str, str]
) -> dict[str, str]:
    """The latest response of each event as a file, those of earlier calls with the same drive taken along."""
    earlier: dict[str, Any] = {}
    if (ws.of("endure") / TABLE).exists():
        earlier = load_table(ws.of("endure") / TABLE)["events"]
    files = {}
    for event, digest in digests.items():
        name = f"{_stem(found[event])}.pass.nc"
        if event in last:
            write_recording(last[event], ws.out / name)
        else:
            old = earlier.get(event, {})
            if not old.get("response") or old.get("drive") != digest:
                continue
            shutil.copyfile(ws.of("endure") / old["response"], ws.out / name)
        files[event] = name
    return files


def _table(
    plan: Plan,
    sequence: Sequence,
    drives: dict[str, Recording],
    passes: tuple[PassRecord, ...],
    result: RunResult,
    responses: dict[str, str],
) -> dict[str, Any]:
    planned = sequence.plays
    events = {}
    for event, drive in drives.items():
        digest = drive.digest()
        counted = [entry for entry in passes if entry.event == event and entry.counted and entry.drive == digest]
        events[event] = {
            "drive": digest,
            "pass_s": drive.duration_s,
            "planned": planned[event],
            "done": len(counted),
            "response": responses.get(event, ""),
        }
    return {
        "specimen": plan.endure.specimen,
        "mixing": sequence.mixing,
        "events": events,
        "reason": result.reason,
        "text": result.text,
        "statement": result.statement,
        "changes": result.changes,
        "not_counted": [
            {"number": entry.number, "event": entry.event, "state": entry.state, "at": entry.state_at}
            for entry in passes
            if not entry.counted
        ],
    }


def _save_passes(file: Path, passes: tuple[PassRecord, ...]) -> None:
    """Measures of every pass that counts; NaN where it was not measured."""
    counted = [entry for entry in passes if entry.counted]
    measured = [PassFeatures.from_table(entry.result["features"]) for entry in counted if "features" in entry.result]
    if not measured:
        return
    latest = measured[-1]
    usable = {
        entry.number: features
        for entry, features in zip([e for e in counted if "features" in e.result], measured, strict=True)
        if (features.channels, features.slopes) == (latest.channels, latest.slopes)
    }
    shape = (len(latest.channels), len(latest.slopes))
    damage = np.stack([usable[e.number].damage if e.number in usable else np.full(shape, np.nan) for e in counted])
    rms = np.stack([usable[e.number].rms if e.number in usable else np.full(shape[0], np.nan) for e in counted])
    ratio = np.stack([_ratio(entry, shape[0]) for entry in counted])
    save_arrays(
        file,
        {
            "number": (("pass",), np.array([entry.number for entry in counted])),
            "event": (("pass",), np.array([entry.event for entry in counted])),
            "drive": (("pass",), np.array([entry.drive for entry in counted])),
            "channel": (("channel",), np.array(latest.channels)),
            "slope": (("slope",), np.array(latest.slopes)),
            "damage": (("pass", "channel", "slope"), damage),
            "rms": (("pass", "channel"), rms),
            "ratio": (("pass", "channel"), ratio),
        },
    )


def _ratio(entry: PassRecord, n_channels: int) -> Any:
    """RMS over that of the reference, NaN for a pass that was not compared."""
    ratio = entry.result.get("ratio") or []
    if len(ratio) != n_channels:
        return np.full(n_channels, np.nan)
    return np.array([row[0] for row in ratio])


def _outcome(table: dict[str, Any], passes: tuple[PassRecord, ...], result: RunResult) -> Outcome:
    findings = [
        Finding(
            kind="pass",
            severity="note" if entry["state"] == "not done" else "warning",
            text=f"pass {entry['number']} of {entry['event']} does not count: {MEANING[entry['state']]}",
            advice="" if entry["state"] == "not done" else "look at the vehicle before going on",
        )
        for entry in table["not_counted"]
    ]
    findings += [
        Finding(
            kind="change",
            severity="warning",
            channel=change.channel,
            text=f"amplitude is {change.ratio:.0%} of its reference ({change.feature})",
            measured=change.ratio,
            limit=change.limit,
            advice="inspect before going on; accept it with --accept-change when its cause is known",
        )
        for change in result.changes
    ]
    drives = {entry["drive"] for entry in table["events"].values()}
    counted = [entry for entry in passes if entry.counted and entry.drive in drives]
    odd = [entry for entry in counted if entry.result.get("changes")]
    compared = sum(1 for entry in counted if entry.result.get("part") == "compared")
    words = (
        f"{result.done:,} of {result.planned:,} passes done, {result.played:,} of them now; {ENDINGS[result.reason]}. "
        f"{compared:,} passes were held against their reference, {len(odd)} departed from it. {result.statement}"
    )
    return Outcome(
        verdict="look" if any(finding.severity != "note" for finding in findings) else "fine",
        summary=words,
        figures={
            "passes_done": result.done,
            "passes_planned": result.planned,
            "played_now": result.played,
            "compared": compared,
            "departed": len(odd),
            "reason": result.reason,
            "finished": result.done >= result.planned,
        },
        findings=tuple(findings),
    )


def _show(folder: Path, plan: Plan) -> tuple[Exhibit, ...]:
    from washboard.plot import to_svg
    from washboard.plot._endure import progress_figure, trend_figure

    out = folder / "stages" / "endure"
    table = load_table(out / TABLE)
    events = table["events"]
    shown = [
        Exhibit(
            title="Passes",
            caption=f"Passes counted and planned, specimen {table['specimen']}. Order: {table['mixing']}.",
            svg=to_svg(
                progress_figure(
                    {event: entry["done"] for event, entry in events.items()},
                    {event: entry["planned"] for event, entry in events.items()},
                )
            ),
        )
    ]
    if (out / PASSES).exists():
        arrays = load_arrays(out / PASSES)
        kept = ~np.isnan(arrays["ratio"]).any(axis=1)
        if kept.any():
            shown.append(
                Exhibit(
                    title="Each pass against its reference",
                    caption="RMS value of every channel over that of the first passes of the same drive; shaded: the "
                    f"tolerance. {table['statement']}",
                    svg=to_svg(
                        trend_figure(
                            arrays["number"][kept],
                            arrays["ratio"][kept],
                            [str(name) for name in arrays["channel"]],
                            tolerance=plan.endure.tolerance,
                            changed=tuple(change["channel"] for change in table["changes"]),
                        )
                    ),
                )
            )
    if table["not_counted"]:
        shown.append(
            Exhibit(
                title="Passes that do not count",
                caption="They moved the specimen, or may have; they are on record and not in the equivalence.",
                columns=("pass", "event", "what became of it", "when"),
                rows=tuple(
                    (entry["number"], entry["event"], MEANING[entry["state"]], entry["at"])
                    for entry in table["not_counted"]
                ),
            )
        )
    return tuple(shown)


STAGE = Stage(
    name="endure",
    title="Run the sequence and watch every pass",
    needs={"shorten": ("shorten.json",), "replicate": ("replicate.json", "*.drive.nc")},
    reads=_reads,
    run=_run,
    state=_state,
    show=_show,
)
