"""Starting a programme: an empty one to fill in, or an invented example with recordings from the virtual field."""

from __future__ import annotations

import contextlib
import re
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Final

from washboard.errors import InputError, StorageError
from washboard.programme._file import FILE_NAME, parse_plan
from washboard.programme._plan import Plan
from washboard.programme._trust import made_here
from washboard.recording import Fault, plant_faults, write_recording
from washboard.settings import Progress, no_progress

#: The invented examples, the shortest first.
EXAMPLES: Final = ("quarry-tipper", "vineyard-sprayer", "timber-trailer")

_LAPS: Final = 3


@dataclass(frozen=True, kw_only=True, slots=True)
class PlantedFault:
    """A fault put into one lap of an example on purpose, for the check stage to find."""

    event: str
    lap: int
    fault: Fault
    words: str


#: What is wrong with the examples' recordings, on purpose.
PLANTED: Final[dict[str, tuple[PlantedFault, ...]]] = {
    "quarry-tipper": (
        PlantedFault(
            event="cobbled yard", lap=2, words="spikes, as from a loose connector",
            fault=Fault(kind="spike", channel="rear axle left az", level=3.0, start_s=4.0, duration_s=16.0, count=4),
        ),
        PlantedFault(
            event="washboard lane", lap=3, words="cable off for half a second",
            fault=Fault(kind="zero", channel="cab floor az", start_s=11.0, duration_s=0.5),
        ),
        PlantedFault(
            event="pothole row", lap=1, words="gauge drifting as it warms",
            fault=Fault(kind="drift", channel="front axle beam strain left", level=2.5),
        ),
        PlantedFault(
            event="kerb strikes", lap=2, words="converter range set too small",
            fault=Fault(kind="clipping", channel="frame rear right az", level=0.5),
        ),
    ),
    "vineyard-sprayer": (
        PlantedFault(
            event="farm track", lap=2, words="spikes, as from a loose connector",
            fault=Fault(kind="spike", channel="roof rear ay", level=3.0, start_s=5.0, duration_s=15.0, count=3),
        ),
        PlantedFault(
            event="vine rows", lap=3, words="cable off for a second",
            fault=Fault(kind="zero", channel="left boom az", start_s=14.0, duration_s=1.0),
        ),
        PlantedFault(
            event="furrow crossing", lap=1, words="hum of an unshielded cable",
            fault=Fault(kind="hum", channel="portal torsion strain", level=0.2),
        ),
    ),
    "timber-trailer": (
        PlantedFault(
            event="forest road", lap=2, words="gauge drifting as it warms",
            fault=Fault(kind="drift", channel="axle 2 beam strain left", level=3.0),
        ),
        PlantedFault(
            event="log landing", lap=3, words="amplifier stuck for most of a second",
            fault=Fault(kind="flat", channel="rear bunk az", start_s=9.0, duration_s=0.8),
        ),
        PlantedFault(
            event="bridge joints", lap=1, words="spikes, as from a loose connector",
            fault=Fault(kind="spike", channel="axle 3 right az", level=3.0, start_s=3.0, duration_s=18.0, count=4),
        ),
    ),
}  # fmt: skip


def example_text(example: str) -> str:
    """programme.toml of an invented example. Raises InputError."""
    if example not in EXAMPLES:
        raise InputError(f"there is no example '{example}'; there are {', '.join(EXAMPLES)}")
    source = resources.files("washboard.programme") / "examples" / f"{example}.toml"
    return source.read_text(encoding="utf-8")


def new_programme(folder: Path, example: str = "", *, progress: Progress = no_progress) -> Plan:
    """Write a programme to start from into `folder`, which must be new or empty.

    Without an example only programme.toml is written, with every key explained, for the user to fill in and to put
    recordings beside. With one, its recordings are made by the virtual field: a few laps per event as MDF4, with a few
    faults planted (`PLANTED`).

    Raises
    ------
    InputError
        No such example, or the folder holds something already.
    StorageError
        The folder cannot be written.
    Cancelled
        From `progress`.
    """
    text = example_text(example or EXAMPLES[0])
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()):
            raise InputError(f"{folder} is not empty; give a new folder, nothing is written over")
        (folder / "recordings").mkdir()
        (folder / FILE_NAME).write_text(text, encoding="utf-8")
    except FileExistsError:
        raise InputError(f"{folder} is a file; give a new folder") from None
    except OSError as error:
        raise StorageError(f"{folder} cannot be written: {error.strerror}") from None
    plan = parse_plan(text, folder / FILE_NAME)
    with contextlib.suppress(StorageError):  # without it, a command of its rig link has to be trusted by hand
        made_here(folder)
    if example:
        _record(folder, plan, example, progress)
    return plan


def _record(folder: Path, plan: Plan, example: str, progress: Progress) -> None:
    from washboard.simulate import courses, drive_lap

    assert plan.specimen is not None
    planted = {(entry.event, entry.lap): entry for entry in PLANTED.get(example, ())}
    driven = [(number, course, lap) for number, course in enumerate(courses(example)) for lap in range(1, _LAPS + 1)]
    for done, (number, course, lap) in enumerate(driven):
        progress(done / len(driven), f"driving {course.name}, lap {lap}")
        seed = plan.programme.seed + 1000 * number
        recording = drive_lap(course, plan.specimen, plan.channel, lap=lap, seed=seed)
        fault = planted.get((course.name, lap))
        if fault is not None:
            recording = plant_faults(recording, [fault.fault], seed=seed + lap)
        slug = re.sub(r"[^a-z0-9]+", "-", course.name.lower())
        write_recording(recording, folder / "recordings" / f"{slug}-lap{lap}.mf4")
    progress(1.0, "recordings written")
