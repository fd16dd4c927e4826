"""One command per stage: run it, first what it needs that is not fresh, and say what came out."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from washboard.cli._console import HERE, Folder, Json, Watch, answer, note, programme_folder, say, say_findings
from washboard.errors import InputError

if TYPE_CHECKING:
    from washboard.programme import Plan, StageRecord

_HELP = {
    "check": "Find and mend faults of the recordings.",
    "loads": "Spectra, rainflow, pseudo-damage, damage by band.",
    "target": "The damage per channel that the service holds.",
    "shorten": "Keep what does the damage, join it, recount.",
    "plan": "Can the rig do it, safely? Stroke, flow, tip-over.",
    "identify": "Measure the frequency responses of rig and vehicle.",
    "replicate": "Find drives whose response matches the target.",
    "endure": "Run the sequence; count and compare every pass.",
    "correlate": "How much service the running equals, how surely.",
    "report": "The report as PDF and as one HTML file.",
}

Again = Annotated[bool, typer.Option("--again", help="Run it even if nothing it depends on has changed.")]
Trust = Annotated[
    bool, typer.Option("--trust", help="Allow this programme's rig link to start its program; remembered.")
]


def register(app: typer.Typer) -> None:
    """Add a command per stage to `app`."""
    own: dict[str, Any] = {"endure": _endure, "plan": _plan}
    for name in _HELP:
        app.command(name, help=_HELP[name])(own.get(name) or _command(name))


def _command(name: str) -> Any:
    def command(folder: Folder = HERE, again: Again = False, trust: Trust = False, as_json: Json = False) -> None:
        _run(name, folder, again=again, trust=trust, as_json=as_json)

    return command


def _plan(
    folder: Folder = HERE,
    fit: Annotated[
        bool,
        typer.Option("--fit", help="Hold the description against the identified FRF; changes nothing."),
    ] = False,
    use: Annotated[
        bool,
        typer.Option(
            "--use-fit", help="Write the fitted numbers into programme.toml (the old one is kept), plan anew."
        ),
    ] = False,
    again: Again = False,
    trust: Trust = False,
    as_json: Json = False,
) -> None:
    if fit or use:
        from washboard.cli._fit import fit_description, use_fitted

        folder = programme_folder(folder)
        if fit:
            fit_description(folder, as_json=as_json and not use)
        if not use:
            return
        use_fitted(folder)
    _run("plan", folder, again=again, trust=trust, as_json=as_json)


def _endure(
    folder: Folder = HERE,
    passes: Annotated[
        int | None, typer.Option(metavar="N", min=0, help="Run at most N passes now; 0 for the rest of the test.")
    ] = None,
    begun: Annotated[
        str,
        typer.Option(
            metavar="done|not-done|abandoned",
            help="What became of a pass that was begun and not reported done (see the message that asks for it).",
        ),
    ] = "",
    by: Annotated[str, typer.Option(metavar="NAME", help="Who says so, for the journal.")] = "",
    accept: Annotated[
        bool, typer.Option("--accept-change", help="Go on although the response has changed; makes a new reference.")
    ] = False,
    again: Again = False,
    trust: Trust = False,
    as_json: Json = False,
) -> None:
    from washboard.programme import read_plan, read_record

    folder = programme_folder(folder)
    plan = read_plan(folder)
    if passes is not None:
        plan = dataclasses.replace(plan, endure=dataclasses.replace(plan.endure, passes=passes))
    if begun or accept:
        _tell_journal(folder, plan, begun, accept=accept, by=by)
    record = read_record(folder, "endure")
    unfinished = record is not None and not record.figures.get("finished", True)
    _run("endure", folder, again=again or unfinished, trust=trust, as_json=as_json, plan=plan)


def _tell_journal(folder: Path, plan: Plan, begun: str, *, accept: bool, by: str) -> None:
    """Write what a person says into the journal before the rig moves again."""
    from washboard.endure import Journal, settle

    file = folder / "journal.db"
    if not file.exists():
        raise InputError(f"{folder}: there is no journal yet, so no pass to say anything about")
    with Journal(file) as journal:
        if begun:
            entry = settle(journal, begun, by=by)
            note(f"journal: pass {entry.number} (event '{entry.event}') is '{entry.state}'")
        if accept:
            journal.accept_change(plan.endure.specimen, by=by)
            note("journal: the change is accepted; the next passes make a new reference")


#: Steps that only work on what is there: asking for one of them must not set a real rig in motion.
_AFTER_THE_RIG = ("correlate", "report")


def _refuse_to_move_the_rig(name: str, folder: Path, plan: Plan) -> None:
    from washboard.programme import all_stages, status_of

    behind = [
        entry for entry in status_of(all_stages(), folder, plan) if entry.stage in _HELP and entry.state != "fresh"
    ]
    moving = [entry for entry in behind if entry.stage in {"identify", "replicate", "endure"}]
    if moving:
        raise InputError(
            f"{name} would first run {', '.join(entry.stage for entry in moving)} and so move the rig "
            f"({moving[0].stage}: {moving[0].reason}); run 'washboard {moving[0].stage} {folder}' when the rig is ready"
        )


def _run(name: str, folder: Path, *, again: bool, trust: bool, as_json: bool, plan: Plan | None = None) -> None:
    from washboard.programme import all_stages, read_plan, read_record, run_stage, stage_named

    folder = programme_folder(folder)
    plan = plan or read_plan(folder)
    if trust:
        from washboard.programme import trust_folder

        trust_folder(folder, plan)
    if name in _AFTER_THE_RIG and plan.rig.link.kind != "virtual":
        _refuse_to_move_the_rig(name, folder, plan)
    with Watch() as watch:
        ran = run_stage(stage_named(name), all_stages(), folder, plan, progress=watch, again=again)
    record = read_record(folder, name)
    assert record is not None
    if as_json:
        answer(result(record, folder, ran))
    else:
        show(record, folder, ran)
    if record.verdict != "fine":
        raise typer.Exit(1)


def result(record: StageRecord, folder: Path, ran: tuple[StageRecord, ...]) -> dict[str, Any]:
    """What `--json` gives for a finished stage."""
    return {
        "stage": record.stage,
        "verdict": record.verdict,
        "summary": record.summary,
        "figures": record.figures,
        "findings": record.findings,
        "seconds": record.seconds,
        "ran": [entry.stage for entry in ran],
        "folder": str(folder / "stages" / record.stage),
        "files": sorted(record.outputs),
    }


def show(record: StageRecord, folder: Path, ran: tuple[StageRecord, ...]) -> None:
    """What people see of a finished stage."""
    from washboard.programme import gathered

    for entry in ran:
        if entry.stage != record.stage:
            say(f"{entry.stage}: {entry.summary} ({entry.seconds:.1f} s)")
    if not ran:
        say(f"{record.stage} is fresh: nothing it depends on has changed. --again runs it all the same.")
    say(f"{record.stage}: {record.summary}")
    say_findings(gathered(record.findings))
    say(f"  files in {folder / 'stages' / record.stage}")
