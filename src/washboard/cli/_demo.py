"""`washboard demo`: the whole job on an example, from field recordings to the report, on the virtual rig."""

from __future__ import annotations

import dataclasses
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from washboard.cli._console import Json, Watch, answer, say
from washboard.cli._new import FILE_NAME, refuse_unless_empty, write_programme

if TYPE_CHECKING:
    from washboard.programme import StageRecord

#: Enough for every drive to have its reference and some passes to compare with it.
PASSES = 24


def register(app: typer.Typer) -> None:
    """Add `demo` to `app`."""
    app.command("demo", help="The whole job on an example, on the virtual rig.")(_demo)


def _demo(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Where to make it.")] = Path("quarry-tipper-demo"),
    example: Annotated[str, typer.Option("--example", metavar="NAME", help="Which example.")] = "quarry-tipper",
    passes: Annotated[
        int, typer.Option(metavar="N", min=1, help="Passes of the endurance run; a test on a rig runs for days.")
    ] = PASSES,
    as_json: Json = False,
) -> None:
    from washboard.programme import STAGE_NAMES, all_stages, read_plan, read_record, run_stage

    clock = time.perf_counter()
    with Watch() as watch:
        if (folder / FILE_NAME).exists():
            if not as_json:
                say(f"going on with {folder}, which is there already")
        else:
            refuse_unless_empty(folder)
            write_programme(folder, example, watch("new"))
        plan = read_plan(folder)
        plan = dataclasses.replace(plan, endure=dataclasses.replace(plan.endure, passes=passes))
        run_stage(all_stages()[-1], all_stages(), folder, plan, progress=watch)
    records = [record for name in STAGE_NAMES if (record := read_record(folder, name))]
    if as_json:
        answer(_result(folder, records, time.perf_counter() - clock))
    else:
        _tell(folder, records, time.perf_counter() - clock)


def _result(folder: Path, records: list[StageRecord], seconds: float) -> dict[str, Any]:
    return {
        "folder": str(folder),
        "seconds": round(seconds, 1),
        "stages": {
            record.stage: {
                "verdict": record.verdict,
                "summary": record.summary,
                "figures": record.figures,
                "seconds": record.seconds,
            }
            for record in records
        },
        "report": [str(folder / "report" / name) for name in ("report.pdf", "report.html")],
    }


def _tell(folder: Path, records: list[StageRecord], seconds: float) -> None:
    say("What was found, step by step:")
    for record in records:
        mark = " " if record.verdict == "fine" else "!"
        say(f"{mark} {record.stage:<10}{record.summary}  ({record.seconds:.1f} s)")
    if any(record.verdict != "fine" for record in records):
        say("A line with ! has something to look at: 'washboard STAGE' with the folder shows it.")
    say()
    say(f"The whole job took {seconds:.0f} s. Where to look:")
    say(f"  the report           {folder / 'report' / 'report.pdf'}, or report.html beside it in any browser")
    say(f"  what may be changed  {folder / FILE_NAME}, then 'washboard status {folder}'")
    say(f"  every step's files   {folder / 'stages'}")
    say(f"  with plots to zoom   washboard serve {folder}")
