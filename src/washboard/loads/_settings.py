"""Settings of the loads stage."""

from __future__ import annotations

from typing import Annotated

from washboard.settings import settings
from washboard.units import Unit


@settings
class LoadsSettings:
    """How loads are analysed: `[loads]`.

    `slopes` are the Basquin slopes damage is computed for, so that the sensitivity of every decision to the slope is
    seen; a channel's own slope comes first in what is decided. `block_s` is the length of a spectral block.
    """

    slopes: tuple[float, ...] = (3.0, 5.0, 8.0)
    block_s: Annotated[float, Unit("s", gt=0)] = 8.0
    gate: Annotated[float, Unit("1", ge=0, lt=1)] = 0.0
