"""The hydraulic supply over a drive: flow asked for, what the pump gives, how far accumulators empty, pressure, heat.

The pump holds the set pressure as long as it can; what is asked beyond its flow comes out of the accumulators, whose
gas follows ``p * V**n = const`` (textbook thermodynamics; n = 1.4 for fast changes of nitrogen, 1 for slow ones), and
is given back as soon as less is asked. Pressure sags for all actuators together.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from washboard.rig._description import Actuator, Supply
from washboard.rig._envelope import lever_of

Floats = NDArray[np.float64]

ATMOSPHERE_PA: Final = 101_325.0
GAS_EXPONENT: Final = 1.4


@dataclass(frozen=True, kw_only=True, slots=True)
class SupplyDemand:
    """What drives ask of the supply, and what happens to its pressure.

    Parameters
    ----------
    flow_m3_s, pressure_pa : ndarray, shape (time,)
        Flow asked for with leakage [m3/s], and pressure at the valves [Pa].
    mean_flow_m3_s, peak_flow_m3_s : float
        [m3/s]
    flow_share : float
        Mean flow over the pump's flow; above 1 the drive cannot be played again and again.
    oil_used_m3, oil_held_m3 : float
        Most oil that is out of the accumulators, and what they hold between set and lowest pressure. [m3]
    lowest_pa : float
        Lowest pressure; 0 where the accumulators run empty. [Pa]
    power_w, to_specimen_w, heat_w : float
        Mean hydraulic power of the pump, mean power the pistons give to pans and specimen, and the rest, which heats
        the oil and is the least a cooler must take. [W]
    """

    flow_m3_s: Floats
    pressure_pa: Floats
    mean_flow_m3_s: float
    peak_flow_m3_s: float
    flow_share: float
    oil_used_m3: float
    oil_held_m3: float
    lowest_pa: float
    power_w: float
    to_specimen_w: float
    heat_w: float


def gas_volume(volume_m3: float, precharge_pa: float, pressure_pa: float, *, exponent: float = GAS_EXPONENT) -> float:
    """Volume the gas of an accumulator takes at a pressure, from its precharge. Absolute pressures. [m3]"""
    return volume_m3 * float((precharge_pa / max(pressure_pa, precharge_pa)) ** (1 / exponent))


def accumulator_size(
    oil_m3: float, *, precharge_pa: float, lowest_pa: float, highest_pa: float, exponent: float = GAS_EXPONENT
) -> float:
    """Gas volume an accumulator needs to give `oil_m3` between two absolute pressures. [m3]"""
    held = (precharge_pa / lowest_pa) ** (1 / exponent) - (precharge_pa / highest_pa) ** (1 / exponent)
    return oil_m3 / float(held)


def usable_oil(supply: Supply, *, exponent: float = GAS_EXPONENT) -> float:
    """Oil the accumulators give between set and lowest pressure. [m3]"""
    volume, precharge = supply.accumulator_volume_m3, supply.precharge_pa + ATMOSPHERE_PA
    low, high = (
        gas_volume(volume, precharge, pressure + ATMOSPHERE_PA, exponent=exponent)
        for pressure in (supply.lowest_pressure_pa, supply.pressure_pa)
    )
    return max(low - high, 0.0)


def supply_demand(
    velocity: Floats,
    rate_hz: float,
    actuators: tuple[Actuator, ...],
    supply: Supply,
    *,
    force: Floats | None = None,
    exponent: float = GAS_EXPONENT,
) -> SupplyDemand:
    """Flow, pressure, power and heat while drives are played over and over.

    Parameters
    ----------
    velocity : ndarray, shape (drive, time)
        Of each actuator's command. [m/s or rad/s]
    force : ndarray, shape (drive, time), optional
        Force each actuator gives along its command, for the power that leaves the oil. [N or N m]
    """
    areas = np.array([actuator.piston_area_m2 * lever_of(actuator) for actuator in actuators])
    asked = areas @ np.abs(velocity)
    leak = supply.leakage * supply.pump_flow_m3_s
    flow = asked + leak
    # Oil missing from the accumulators: what was asked beyond the pump since they were last full. The drive is taken
    # twice in a row, so that the second round starts as the first one ends.
    excess = np.tile((flow - supply.pump_flow_m3_s) / rate_hz, 2)
    running = np.cumsum(excess)
    missing = (running - np.minimum(np.minimum.accumulate(running), 0.0))[len(flow) :]
    pressure = _pressure(supply, missing, exponent)
    mean = float(flow.mean())
    given = min(mean, supply.pump_flow_m3_s)
    power = given * supply.pressure_pa
    useful = 0.0 if force is None else float((np.asarray(force) * velocity).mean(axis=1).sum())
    return SupplyDemand(
        flow_m3_s=flow,
        pressure_pa=pressure,
        mean_flow_m3_s=mean,
        peak_flow_m3_s=float(flow.max(initial=0.0)),
        flow_share=mean / supply.pump_flow_m3_s,
        oil_used_m3=float(missing.max(initial=0.0)),
        oil_held_m3=usable_oil(supply, exponent=exponent),
        lowest_pa=float(pressure.min(initial=supply.pressure_pa)),
        power_w=power,
        to_specimen_w=useful,
        heat_w=power - useful,
    )


def _pressure(supply: Supply, missing_m3: Floats, exponent: float) -> Floats:
    """Pressure with some oil missing; once all oil is out, none."""
    volume, precharge = supply.accumulator_volume_m3, supply.precharge_pa + ATMOSPHERE_PA
    if volume <= 0:
        return np.where(missing_m3 > 1e-12, 0.0, supply.pressure_pa)
    full = gas_volume(volume, precharge, supply.pressure_pa + ATMOSPHERE_PA, exponent=exponent)
    gas = full + missing_m3
    pressure = (supply.pressure_pa + ATMOSPHERE_PA) * (full / gas) ** exponent - ATMOSPHERE_PA
    return np.asarray(np.where(gas <= volume, pressure, 0.0))
