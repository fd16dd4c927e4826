"""`washboard status`: which stages are fresh, stale or missing, what they found, what to do next."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import typer

from washboard.cli._console import HERE, Folder, Json, answer, programme_folder, say

if TYPE_CHECKING:
    from washboard.programme import StageStatus


def register(app: typer.Typer) -> None:
    """Add `status` to `app`."""
    app.command("status", help="Fresh, stale, missing; verdicts; what to do next.")(_status)


def next_stage(found: tuple[StageStatus, ...]) -> StageStatus | None:
    """The first stage that is not fresh, or None when all are."""
    return next((entry for entry in found if entry.state != "fresh"), None)


def _status(folder: Folder = HERE, as_json: Json = False) -> None:
    from washboard.programme import all_stages, read_plan, status_of
    from washboard.report import first_sentence

    folder = programme_folder(folder)
    plan = read_plan(folder)
    found = status_of(all_stages(), folder, plan)
    following = next_stage(found)
    look = [entry for entry in found if entry.state == "fresh" and entry.record and entry.record.verdict != "fine"]
    if as_json:
        answer(
            {
                "programme": plan.programme.name,
                "stages": [_entry(entry) for entry in found],
                "next": following.stage if following else None,
            }
        )
    else:
        say(f"{plan.programme.name}" + (f": {plan.programme.vehicle}" if plan.programme.vehicle else ""))
        for entry in found:
            record = entry.record
            verdict = record.verdict if record and entry.state == "fresh" else ""
            words = entry.reason or (first_sentence(record.summary) if record else "")
            say(f"  {entry.stage:<10} {entry.state:<8} {verdict:<5} {words}")
        if look:
            say(f"look at: {', '.join(entry.stage for entry in look)}   ('washboard STAGE {folder}' says why)")
        if following:
            say(f"next: washboard {following.stage} {folder}   ({following.title})")
        else:
            say(f"everything is fresh; the report is in {folder / 'report'}")
    if look:
        raise typer.Exit(1)


def _entry(entry: StageStatus) -> dict[str, Any]:
    record = entry.record
    return {
        "stage": entry.stage,
        "title": entry.title,
        "state": entry.state,
        "reason": entry.reason,
        "verdict": record.verdict if record else None,
        "summary": record.summary if record else None,
        "started": record.started if record else None,
        "seconds": record.seconds if record else None,
    }
