"""Settings of the endurance run."""

from __future__ import annotations

from typing import Annotated

from washboard.settings import settings
from washboard.units import Unit


@settings
class EndureSettings:
    """How the sequence is run and watched: `[endure]`; `passes` limits how many passes one call runs, 0 for all."""

    passes: int = 0
    reference_passes: int = 3
    tolerance: Annotated[float, Unit("1", gt=0)] = 0.1
