"""`washboard new`: a programme folder to start from, blank or one of the examples."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from washboard.cli._console import Json, Watch, answer, say
from washboard.errors import InputError
from washboard.settings import Progress

FILE_NAME = "programme.toml"


def register(app: typer.Typer) -> None:
    """Add `new` to `app`."""
    app.command("new", help="A programme folder to start from.")(_new)


def _new(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to make; must be new or empty.")],
    example: Annotated[
        str, typer.Option("--example", metavar="NAME", help="quarry-tipper, vineyard-sprayer or timber-trailer.")
    ] = "",
    as_json: Json = False,
) -> None:
    refuse_unless_empty(folder)
    with Watch() as watch:
        write_programme(folder, example, watch("new"))
    if as_json:
        answer({"folder": str(folder), "example": example or None, "file": str(folder / FILE_NAME)})
        return
    if example:
        from washboard.programme import read_plan

        plan = read_plan(folder)
        say(f"{folder}: {plan.programme.name}, {len(plan.event)} events, {len(plan.channel)} channels")
        say(f"next: washboard check {folder}")
    else:
        say(f"{folder / FILE_NAME}: write down your channels, events and rig; every key is explained there")
        say(f"next: copy your recordings to {folder / 'recordings'}, then washboard check {folder}")


def refuse_unless_empty(folder: Path) -> None:
    """Raise InputError unless `folder` is new or empty: nothing is ever written over."""
    if folder.is_file():
        raise InputError(f"{folder} is a file; give the name of a new folder")
    if folder.is_dir() and any(folder.iterdir()):
        raise InputError(f"{folder} is not empty; give the name of a new folder, nothing is written over")


def write_programme(folder: Path, example: str, progress: Progress) -> None:
    """Write a blank programme, or an example with its recordings. Raises InputError for an unknown example."""
    from washboard.programme import new_programme

    new_programme(folder, example, progress=progress)
