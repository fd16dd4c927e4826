"""Settings of replication."""

from __future__ import annotations

from typing import Annotated

from washboard.settings import settings
from washboard.units import Unit


@settings
class ReplicateSettings:
    """How drives are found: `[replicate]`; `goal` is the relative RMS error at which an event is done."""

    goal: Annotated[float, Unit("1", gt=0)] = 0.05
    plays: int = 10
    taper_s: Annotated[float, Unit("s", gt=0)] = 3.0
