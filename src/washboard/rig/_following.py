"""What becomes of drives that ask more than an actuator can give: it follows as fast and as far as it can.

The piston goes after its command; per sample it moves at most as far as the speed allows that is left against the load
of that moment (orifice law, see `velocity_at_force`), and never beyond its reach. Loads follow from the motion that is
really made, so both are worked out in turn.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from washboard.rig._demand import rod_force
from washboard.rig._description import Actuator, Rig
from washboard.rig._envelope import lever_of, velocity_at_force
from washboard.rig._forecast import derivatives, support_forces
from washboard.rig._linear_model import LinearModel

Floats = NDArray[np.float64]

#: Turns of motion from loads and loads from motion at most; the last ones change nothing to speak of.
ROUNDS: Final = 3


def followed(drives: Floats, rate_hz: float, rig: Rig, model: LinearModel, *, static: Floats) -> Floats:
    """The motion that actuators make of drives, shape (drive, time). [m or rad]

    Parameters
    ----------
    drives : ndarray, shape (drive, time)
        Asked for. [m or rad]
    static : ndarray, shape (drive,)
        Static load of the specimen on each actuator. [N or N m]
    """
    made = drives
    for _ in range(ROUNDS):
        change = support_forces(model, made, rate_hz)
        acceleration = derivatives(made, rate_hz)[1]
        before = made
        made = np.stack(
            [
                _follow(actuator, rig, rate_hz, drive, rod_force(actuator, float(rest), load, rise))
                for actuator, drive, rest, load, rise in zip(
                    rig.actuators, drives, static, change, acceleration, strict=True
                )
            ]
        )
        if np.array_equal(made, before):
            break  # the same motion gives the same loads again
    return made


def _follow(actuator: Actuator, rig: Rig, rate_hz: float, drive: Floats, force: Floats) -> Floats:
    lever = lever_of(actuator)
    # Pushing up against the load, and letting it down.
    up = velocity_at_force(actuator, rig.supply, force / lever) / lever / rate_hz
    down = velocity_at_force(actuator, rig.supply, -force / lever) / lever / rate_hz
    wanted = np.clip(drive, -actuator.reach, actuator.reach)
    step = np.diff(wanted, prepend=wanted[:1])
    if np.all((step <= up) & (-step <= down)):
        return wanted
    made, place = np.empty_like(wanted), float(wanted[0]) if wanted.size else 0.0
    for index, (goal, most, least) in enumerate(zip(wanted.tolist(), up.tolist(), down.tolist(), strict=True)):
        place += min(max(goal - place, -least), most)
        made[index] = place
    return made
