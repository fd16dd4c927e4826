"""What the whole vehicle does while drives are played, for looking at: every degree of freedom over time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from washboard.rig._description import Rig, Specimen
from washboard.rig._elements import Linearisation
from washboard.rig._forecast import frequency_grid, played, relative_motions
from washboard.rig._linear_model import linear_model

Floats = NDArray[np.float64]

#: Rounds of statistical linearisation; friction's level settles within a few per cent.
ROUNDS: Final = 3


@dataclass(frozen=True, kw_only=True, slots=True)
class BodyMotions:
    """Motions of a vehicle on its posts, measured from rest.

    Parameters
    ----------
    names : tuple of str
        Degrees of freedom, see `Bodies`.
    units : tuple of str
        m or rad of each.
    samples : ndarray, shape (dof, time)
        [m or rad]
    rate_hz : float
        [Hz]
    """

    names: tuple[str, ...]
    units: tuple[str, ...]
    samples: Floats
    rate_hz: float


def body_motions(specimen: Specimen, rig: Rig, drives: Floats, rate_hz: float, *, high_hz: float = 25.0) -> BodyMotions:
    """Motion of every body while drives are played, by the linear model with friction at the level of these drives.

    An estimate: wheels do not lift and stops are linear in it.

    Parameters
    ----------
    drives : ndarray, shape (drive, time)
        In the order of the rig's actuators. [m or rad]
    rate_hz : float
        [Hz]
    high_hz : float
        Motions above are left out: they are too small to be seen. [Hz]

    Raises
    ------
    InputError
        A post stands under no wheel, or a kingpin actuator has no kingpin.
    """
    model = linear_model(specimen, rig)
    for _ in range(ROUNDS):
        velocities, stretches = relative_motions(model, drives, rate_hz)
        model = linear_model(specimen, rig, linearisation=Linearisation(velocities=velocities, stretches=stretches))
    grid = frequency_grid(high_hz)
    return BodyMotions(
        names=model.bodies.names,
        units=model.bodies.units,
        samples=played(drives, rate_hz, grid, model.motions(grid)),
        rate_hz=rate_hz,
    )
