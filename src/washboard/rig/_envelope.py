"""What one servo-hydraulic actuator can do: force against velocity, stroke, acceleration, oil column.

Source of the laws: H. E. Merritt, Hydraulic Control Systems (1967): orifice flow, the valve's load flow
``Q = Q0 * sqrt(1 - F / F_stall)``, the oil column ``4 * beta * A**2 / V``. Equal piston areas are assumed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from washboard.rig._description import Actuator, Supply

Floats = NDArray[np.floating[Any]]

#: Bulk modulus of mineral oil with a little air, in service 0.7 to 1.4 GPa (Merritt 1967). [Pa]
OIL_BULK_PA: Final = 1.2e9
#: Density of mineral oil (common practice, no source). [kg/m3]
OIL_KG_M3: Final = 850.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Envelope:
    """Limits of one actuator at a supply pressure, in its own motion: metres, or radians where it rolls the kingpin.

    Parameters
    ----------
    reach : float
        Largest motion either way from mid stroke, short of the snubbing zone. [m or rad]
    stall : float
        Force (moment) at which the full pressure is used up. [N or N m]
    rated : float
        Rated force (moment). [N or N m]
    no_load_velocity, velocity : float
        Speed without load by the valve, and the lower of it and the set limit. [m/s or rad/s]
    acceleration : float
        The lowest of the set limit and what the rated force gives the moving mass beside its static load. [m/s2 ...]
    oil_n_m : float
        Stiffness of the oil column at mid stroke, where it is softest. [N/m]
    oil_hz : float
        Natural frequency of the moving mass on it. [Hz]
    bandwidth_hz : float
        Of the closed displacement loop. [Hz]
    static : float
        Load it carries at rest: the wheel and the moving mass. [N]
    """

    name: str
    unit: str
    reach: float
    stall: float
    rated: float
    no_load_velocity: float
    velocity: float
    acceleration: float
    oil_n_m: float
    oil_hz: float
    bandwidth_hz: float
    static: float


def orifice_flow(area_m2: float, drop_pa: float, *, density_kg_m3: float = OIL_KG_M3, discharge: float = 0.61) -> float:
    """Flow through a sharp-edged orifice: ``Cd * A * sqrt(2 * dp / rho)``. [m3/s]"""
    return discharge * area_m2 * math.copysign(math.sqrt(2 * abs(drop_pa) / density_kg_m3), drop_pa)


def valve_flow(rated_flow_m3_s: float, rated_drop_pa: float, drop_pa: float) -> float:
    """Flow of a fully open valve at a pressure drop over both lands: the orifice law from its rating. [m3/s]"""
    return rated_flow_m3_s * math.sqrt(max(drop_pa, 0.0) / rated_drop_pa)


def oil_column_stiffness(actuator: Actuator, *, position: float = 0.0, bulk_pa: float = OIL_BULK_PA) -> float:
    """Stiffness of the two oil columns of an equal-area actuator. [N/m]

    Parameters
    ----------
    position : float
        Share of half the stroke from the middle, -1 to 1; in the middle this is Merritt's ``4 * beta * A**2 / V``.
    """
    half = actuator.piston_area_m2 * actuator.stroke_m / 2
    one = half * (1 + position) + actuator.dead_volume_m3
    other = half * (1 - position) + actuator.dead_volume_m3
    return bulk_pa * actuator.piston_area_m2**2 * (1 / one + 1 / other)


def oil_column_hz(
    actuator: Actuator, *, mass_kg: float | None = None, position: float = 0.0, bulk_pa: float = OIL_BULK_PA
) -> float:
    """Natural frequency of a mass on the oil column, of the moving mass unless another is given. [Hz]"""
    mass = actuator.moving_mass_kg if mass_kg is None else mass_kg
    return math.sqrt(oil_column_stiffness(actuator, position=position, bulk_pa=bulk_pa) / mass) / (2 * math.pi)


def stall_force(actuator: Actuator, supply: Supply, pressure_pa: float | None = None) -> float:
    """Force at which the whole pressure is used up: supply less return pressure times area. [N]"""
    pressure = supply.pressure_pa if pressure_pa is None else pressure_pa
    return max(pressure - supply.return_pressure_pa, 0.0) * actuator.piston_area_m2


def velocity_at_force(
    actuator: Actuator, supply: Supply, opposing_n: Floats, pressure_pa: Floats | float | None = None
) -> NDArray[np.float64]:
    """Largest piston speed against a force: ``v0 * sqrt(1 - F / F_stall)``, at most the set limit. [m/s]

    Parameters
    ----------
    opposing_n : ndarray
        Force against the motion, negative where the load helps. [N]
    pressure_pa : ndarray or float, optional
        Supply pressure at each instant, the nominal one unless given. [Pa]
    """
    pressure = np.asarray(supply.pressure_pa if pressure_pa is None else pressure_pa, dtype=np.float64)
    drop = pressure - supply.return_pressure_pa - np.asarray(opposing_n, dtype=np.float64) / actuator.piston_area_m2
    flow = actuator.rated_flow_m3_s * np.sqrt(np.maximum(drop, 0.0) / actuator.rated_drop_pa)
    return np.minimum(flow / actuator.piston_area_m2, actuator.max_velocity_m_s)


def lever_of(actuator: Actuator) -> float:
    """Metres of piston per unit of its command: 1, or the lever arm where it rolls the kingpin. [m/m or m/rad]"""
    return actuator.lever_m if actuator.axis == "roll" else 1.0


def envelope(actuator: Actuator, supply: Supply, *, static_n: float = 0.0) -> Envelope:
    """The limits of an actuator under a static load (of the specimen; its own moving mass is added)."""
    from washboard.units import STANDARD_GRAVITY

    lever = lever_of(actuator)
    carried = static_n + (actuator.moving_mass_kg * STANDARD_GRAVITY if actuator.axis == "vertical" else 0.0)
    no_load = valve_flow(
        actuator.rated_flow_m3_s, actuator.rated_drop_pa, supply.pressure_pa - supply.return_pressure_pa
    )
    no_load /= actuator.piston_area_m2
    push = min(stall_force(actuator, supply), actuator.rated_force_n)
    by_force = max(push - abs(carried), 0.0) / actuator.moving_mass_kg
    return Envelope(
        name=actuator.name,
        unit=actuator.unit,
        reach=actuator.reach,
        stall=stall_force(actuator, supply) * lever,
        rated=actuator.rated_force_n * lever,
        no_load_velocity=no_load / lever,
        velocity=min(no_load, actuator.max_velocity_m_s) / lever,
        acceleration=min(by_force, actuator.max_acceleration_m_s2) / lever,
        oil_n_m=oil_column_stiffness(actuator),
        oil_hz=oil_column_hz(actuator),
        bandwidth_hz=actuator.bandwidth_hz,
        static=carried,
    )
