"""The working copies that the check stage made: laps of each event, ready for every later stage."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from washboard.errors import DataError
from washboard.programme._stage import Workspace
from washboard.programme._store import load_table
from washboard.recording import Recording, read_recording

CHECK = "check"
TABLE = "check.json"


def lap_file(event: str, lap: int, taken: set[str]) -> str:
    """File name of a working copy: the event's name with only safe characters, and the lap counted from 1."""
    plain = "".join(letter if letter.isalnum() or letter in "-_" else "-" for letter in event).strip("-") or "event"
    name = f"{plain}-lap{lap}.nc"
    number = 2
    while name in taken:
        name = f"{plain}-{number}-lap{lap}.nc"
        number += 1
    taken.add(name)
    return name


def check_table(where: Workspace | Path) -> dict[str, Any]:
    """What check.json says. Raises StorageError when the check stage has not run."""
    folder = where.of(CHECK) if isinstance(where, Workspace) else where / "stages" / CHECK
    table: dict[str, Any] = load_table(folder / TABLE)
    return table


def load_laps(where: Workspace | Path) -> dict[str, tuple[Recording, ...]]:
    """The laps of each event that were not left out, as read-only memory maps, in the plan's order of events.

    Parameters
    ----------
    where : Workspace or Path
        A stage's workspace, or the programme folder.

    Returns
    -------
    dict of str to tuple of Recording
        SI units, the plan's channels in the plan's order, one sample rate; repaired stretches are marked by spans.

    Raises
    ------
    StorageError
        The check stage has not run, or its files are damaged.
    DataError
        An event has no lap left.
    """
    folder = where.of(CHECK) if isinstance(where, Workspace) else where / "stages" / CHECK
    laps: dict[str, tuple[Recording, ...]] = {}
    for event, entries in check_table(where)["events"].items():
        kept = tuple(read_recording(folder / entry["file"]) for entry in entries if not entry["excluded"])
        if not kept:
            raise DataError(f"event '{event}' has no lap left; see the findings of 'washboard check'")
        laps[event] = kept
    return laps
