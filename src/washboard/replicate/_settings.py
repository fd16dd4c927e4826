"""Settings of replication."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from typing import Annotated

from washboard.settings import settings
from washboard.units import Unit


@settings
class ReplicateSettings:
    """How drives are found: `[replicate]`.

    `goal` is the relative RMS error at which an event is done, `plays` how often the rig may play an event's drive,
    `first_level` the share of the target asked for in the first play, `reserve` the share of stroke, velocity and
    acceleration never used, `taper_s` the run-in and run-out before and after the target, `confirm` whether the drive
    found is played once more to see what repeats. `grms_db` and `asd_db` are the user's own tolerances on the global
    RMS and spectral errors (no standard states numbers), 0 for none. `keep` names, per event, the play whose drive is
    to be used instead of the best one (`[replicate.keep]`).
    """

    goal: Annotated[float, Unit("1", gt=0)] = 0.05
    plays: int = 10
    taper_s: Annotated[float, Unit("s", gt=0)] = 3.0
    first_level: Annotated[float, Unit("1", gt=0, le=1)] = 0.5
    reserve: Annotated[float, Unit("1", ge=0, lt=1)] = 0.05
    confirm: bool = True
    grms_db: Annotated[float, Unit("1", ge=0)] = 0.0
    asd_db: Annotated[float, Unit("1", ge=0)] = 0.0
    keep: Mapping[str, int] = field(default_factory=dict)
