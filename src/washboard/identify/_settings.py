"""Settings of identification."""

from __future__ import annotations

from typing import Annotated, Literal

from washboard.settings import settings
from washboard.units import Unit


@settings
class IdentifySettings:
    """How the rig with its specimen is identified: `[identify]`.

    `budget_s` is the rig time it may take, 0 for the usual: 600 s for four drives, 900 s for eight. `period_s` is the
    period of the multisines (resolution 1/period), `level` the response level asked for as a share of the target's,
    and `reserve` the share of stroke, velocity and acceleration that excitation never uses. `excitation` is periodic
    (`"multisine"`, which takes least time and tells noise from distortion) or independent Gaussian noise of the same
    spectra and length (`"random"`).
    """

    budget_s: Annotated[float, Unit("s", ge=0)] = 0.0
    period_s: Annotated[float, Unit("s", gt=0)] = 16.0
    level: Annotated[float, Unit("1", gt=0, le=1)] = 0.75
    reserve: Annotated[float, Unit("1", ge=0, lt=1)] = 0.3
    realisations: int = 2
    excitation: Literal["multisine", "random"] = "multisine"
