"""Settings of the loads stage."""

from __future__ import annotations

from typing import Annotated

from washboard.settings import settings
from washboard.units import Unit


@settings
class LoadsSettings:
    """How loads are analysed: `[loads]`.

    `slopes` are the Basquin slopes damage is computed for, so that the sensitivity of every decision to the slope is
    seen; a channel's own slope comes first in what is decided. `block` is the length of a spectral block. `gate` leaves
    out ranges up to this share of a channel's largest range when cycles are counted in classes. `classes` is how many
    classes a matrix has, `edges` and `frequencies` how many points damage by band and damage spectra have, `quality`
    the quality factors of the damage spectrum's oscillators. `keep` is the share of damage every channel must keep at
    either edge of the band that is recommended.
    """

    slopes: tuple[float, ...] = (3.0, 5.0, 8.0)
    block_s: Annotated[float, Unit("s", gt=0)] = 8.0
    gate: Annotated[float, Unit("1", ge=0, lt=1)] = 0.0
    classes: int = 64
    edges: int = 24
    frequencies: int = 60
    quality: tuple[float, ...] = (10.0,)
    keep: Annotated[float, Unit("1", gt=0, le=1)] = 0.95

    def __post_init__(self) -> None:
        if not self.slopes or not all(0 < slope <= 30 for slope in self.slopes):
            raise ValueError("slopes must be numbers above 0, up to 30, at least one")
        if not self.quality or not all(0.5 < q <= 1000 for q in self.quality):
            raise ValueError("quality must be numbers above 0.5, at least one")
        for name, least, most in (("classes", 4, 512), ("edges", 4, 200), ("frequencies", 4, 500)):
            if not least <= getattr(self, name) <= most:
                raise ValueError(f"{name} must be from {least} to {most}, not {getattr(self, name)}")
