"""Settings of shortening."""

from __future__ import annotations

from typing import Annotated

from washboard.settings import settings
from washboard.units import Unit


@settings
class ShortenSettings:
    """How recordings are shortened: `[shorten]`; `keep` is the least share of its damage any channel keeps."""

    keep: Annotated[float, Unit("1", gt=0, le=1)] = 0.85
    window_s: Annotated[float, Unit("s", gt=0)] = 1.0
    shortest_s: Annotated[float, Unit("s", gt=0)] = 2.0
    fade_s: Annotated[float, Unit("s", gt=0)] = 0.5
    gap: Annotated[float, Unit("1", ge=0, lt=1)] = 0.01
