"""What drives ask of each actuator, held against what it can do, instant by instant."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from washboard.rig._description import Actuator, Rig, Supply
from washboard.rig._envelope import lever_of, stall_force, velocity_at_force
from washboard.rig._forecast import derivatives
from washboard.rig._supply import SupplyDemand, supply_demand
from washboard.units import STANDARD_GRAVITY

Floats = NDArray[np.float64]
Limit = Literal["stroke", "velocity", "force", "acceleration"]
#: Shares of speed are not told apart beyond this: no speed at all is left at that load.
WORST = 10.0
#: Part of the time that single peaks last; 0.06 s in a minute.
BRIEFLY = 0.001
LIMITS: tuple[Limit, ...] = ("stroke", "velocity", "force", "acceleration")


@dataclass(frozen=True, kw_only=True, slots=True)
class ActuatorDemand:
    """What drives ask of one actuator; a share is what is asked over what there is, 1 being the limit.

    Parameters
    ----------
    stroke, velocity, acceleration : float
        Largest motion from mid stroke, speed and acceleration. [m or rad, per s, per s2]
    force_high, force_low : float
        Largest and smallest force on the rod, static load included. [N or N m]
    shares : mapping of limit to float
        Of reach; of the speed that is left at the force and pressure of that instant; of force; of acceleration.
    sustained : mapping of limit to float
        The shares that are passed for `BRIEFLY` of the time only: single peaks, which limits cut at little cost, left
        out.
    worst : str
        The limit with the largest sustained share.
    worst_s : float
        When it is reached, from the start of the drive. [s]
    beyond : float
        Share of time in which any limit is passed.
    scale_to_fit : float
        Factor on the drive with which every limit is just kept (above 1: room left).
    """

    name: str
    unit: str
    stroke: float
    velocity: float
    acceleration: float
    force_high: float
    force_low: float
    shares: dict[str, float]
    sustained: dict[str, float]
    worst: Limit
    worst_s: float
    beyond: float
    scale_to_fit: float

    @property
    def fits(self) -> bool:
        """Whether no limit is passed."""
        return max(self.shares.values()) <= 1.0

    @property
    def margin(self) -> float:
        """What is left of the tightest limit, as a share; negative where it is passed."""
        return 1.0 - max(self.shares.values())


@dataclass(frozen=True, kw_only=True, slots=True)
class RigDemand:
    """What drives ask of the whole rig."""

    actuators: tuple[ActuatorDemand, ...]
    supply: SupplyDemand
    velocity: Floats
    force: Floats


def rig_demand(drives: Floats, rate_hz: float, rig: Rig, *, static: Floats, dynamic: Floats | None = None) -> RigDemand:
    """Demand of drives on a rig: stroke, speed against force, force, acceleration, flow, pressure.

    Parameters
    ----------
    drives : ndarray, shape (drive, time)
        [m or rad]
    static : ndarray, shape (drive,)
        Static load of the specimen on each actuator. [N or N m]
    dynamic : ndarray, shape (drive, time), optional
        Its change while the drives play; a pan never pulls its wheel down, so the sum stops at 0. [N or N m]
    """
    velocity, acceleration = derivatives(drives, rate_hz)
    load = np.zeros_like(drives) if dynamic is None else dynamic
    force = np.stack(
        [rod_force(actuator, *rows) for actuator, *rows in zip(rig.actuators, static, load, acceleration, strict=True)]
    )
    supply = supply_demand(velocity, rate_hz, rig.actuators, rig.supply, force=force)
    found = tuple(
        _one(actuator, rig.supply, rate_hz, supply.pressure_pa, drive, speed, rate, rest, change)
        for actuator, drive, speed, rate, rest, change in zip(
            rig.actuators, drives, velocity, acceleration, static, load, strict=True
        )
    )
    return RigDemand(actuators=found, supply=supply, velocity=velocity, force=force)


def rod_force(actuator: Actuator, static: float, change: Floats, acceleration: Floats) -> Floats:
    """Force on the rod along the command: load, weight and inertia of the moving mass. [N or N m]"""
    lever = lever_of(actuator)
    if actuator.axis == "roll":
        return np.asarray(static + change + actuator.moving_mass_kg * lever**2 * acceleration)
    load = np.maximum(static + change, 0.0)
    return np.asarray(load + actuator.moving_mass_kg * (STANDARD_GRAVITY + acceleration))


def _one(
    actuator: Actuator,
    supply: Supply,
    rate_hz: float,
    pressure_pa: Floats,
    drive: Floats,
    velocity: Floats,
    acceleration: Floats,
    static: float,
    change: Floats,
) -> ActuatorDemand:
    lever = lever_of(actuator)
    push = np.minimum(
        np.maximum(pressure_pa - supply.return_pressure_pa, 0.0) * actuator.piston_area_m2, actuator.rated_force_n
    )

    def shares(scale: float) -> dict[str, Floats]:
        force = rod_force(actuator, static, scale * change, scale * acceleration) / lever
        speed = np.abs(scale * velocity) * lever
        room = velocity_at_force(actuator, supply, np.sign(velocity) * force, pressure_pa)
        return {
            "stroke": np.abs(scale * drive) / actuator.reach,
            "velocity": np.minimum(np.where(speed > 1e-9, speed / np.maximum(room, 1e-12), 0.0), WORST),
            "force": np.abs(force) / np.maximum(push, 1e-9),
            "acceleration": np.abs(scale * acceleration) * lever / actuator.max_acceleration_m_s2,
        }

    found = shares(1.0)
    peaks = {name: float(values.max(initial=0.0)) for name, values in found.items()}
    sustained = {
        name: float(np.quantile(values, 1 - BRIEFLY, method="higher")) if values.size else 0.0
        for name, values in found.items()
    }
    worst = max(LIMITS, key=lambda name: sustained[name])
    force = rod_force(actuator, static, change, acceleration)
    passed = np.max([values > 1.0 for values in found.values()], axis=0)
    return ActuatorDemand(
        name=actuator.name,
        unit=actuator.unit,
        stroke=float(np.abs(drive).max(initial=0.0)),
        velocity=float(np.abs(velocity).max(initial=0.0)),
        acceleration=float(np.abs(acceleration).max(initial=0.0)),
        force_high=float(force.max(initial=-np.inf)) if force.size else static,
        force_low=float(force.min(initial=np.inf)) if force.size else static,
        shares=peaks,
        sustained=sustained,
        worst=worst,
        worst_s=float(found[worst].argmax() / rate_hz) if drive.size else 0.0,
        beyond=float(passed.mean()) if passed.size else 0.0,
        scale_to_fit=_scale(shares),
    )


def _scale(shares: Callable[[float], dict[str, Floats]]) -> float:
    """The largest factor up to 10 with which nothing is passed; 0 when the static load alone is too much."""

    def fits(scale: float) -> bool:
        return all(float(values.max(initial=0.0)) <= 1.0 for values in shares(scale).values())

    low, high = 0.0, 10.0
    if not fits(1e-9):
        return 0.0
    if fits(high):
        return high
    for _ in range(14):
        middle = (low + high) / 2
        low, high = (middle, high) if fits(middle) else (low, middle)
    return low


def static_fits(actuator: Actuator, supply: Supply, static_n: float) -> bool:
    """Whether an actuator carries a static load at the lowest pressure allowed."""
    return static_n <= min(stall_force(actuator, supply, supply.lowest_pressure_pa), actuator.rated_force_n)
