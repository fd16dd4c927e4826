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
