"""Settings of identification."""

from __future__ import annotations

from typing import Annotated

from washboard.settings import settings
from washboard.units import Unit


@settings
class IdentifySettings:
    """How the rig with its specimen is identified: `[identify]`."""

    budget_s: Annotated[float, Unit("s", gt=0)] = 600.0
    period_s: Annotated[float, Unit("s", gt=0)] = 16.0
    level: Annotated[float, Unit("1", gt=0, le=1)] = 0.5
