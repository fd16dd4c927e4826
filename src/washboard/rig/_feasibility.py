"""Can the rig do it, and does the vehicle stand it: everything asked of one event before any drive exists."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from washboard.errors import InputError
from washboard.recording import Finding, Recording
from washboard.rig._demand import RigDemand, rig_demand
from washboard.rig._description import Rig, Sensor, Specimen
from washboard.rig._elements import Linearisation
from washboard.rig._findings import demand_findings, movement_findings, reach_findings
from washboard.rig._following import followed
from washboard.rig._forecast import DriveForecast, forecast_drives, played_linear, relative_motions, support_forces
from washboard.rig._linear_model import LinearModel, linear_model
from washboard.rig._stability import Movement, movement

Floats = NDArray[np.float64]

#: Friction is taken at this much less and more than the target's own level, to see how far the demand depends on it.
UNSURE: Final = (0.5, 2.0)


@dataclass(frozen=True, kw_only=True, slots=True)
class EventFeasibility:
    """What one event asks of the rig and does to the vehicle, by the linear model.

    Parameters
    ----------
    model : LinearModel
        The model it was worked out with.
    forecast : DriveForecast
        Drives that would make the target.
    demand : RigDemand
        What they ask of actuators and supply, brought inside the set limits as every drive will be.
    cost : mapping of str to float
        Per control channel, what limits take away from the response: RMS of the change over RMS in band. [-]
    spread : mapping of str to (float, float)
        Per actuator, the least and the most of its worst sustained share with other friction (`UNSURE`). [-]
    movement : Movement
        How far the vehicle moves, which wheels lift.
    findings : tuple of Finding
        Everything notable, in sentences; ``"error"`` where something does not fit.
    """

    event: str
    model: LinearModel
    forecast: DriveForecast
    demand: RigDemand
    cost: dict[str, float]
    spread: dict[str, tuple[float, float]]
    movement: Movement
    findings: tuple[Finding, ...]

    @property
    def expected(self) -> dict[str, float]:
        """Per control channel, the relative RMS error replication can be expected to end near. [-]

        What no drive makes and what limits take away, as if independent of each other.
        """
        return {name: math.hypot(beyond, self.cost[name]) for name, beyond in self.forecast.beyond.items()}

    @property
    def fits(self) -> bool:
        """Whether nothing asked is beyond what there is."""
        return not any(finding.severity == "error" for finding in self.findings)


def static_on_actuators(model: LinearModel) -> Floats:
    """Static load of the specimen on each input of the model, shape (input,). [N or N m]"""
    static = np.zeros(len(model.inputs))
    for name, place in model.moves:
        if name in model.loads.wheel_n:
            static[place] = model.loads.wheel_n[name]
        elif name == "kingpin vertical":
            static[place] = model.loads.kingpin_n
    return static


def model_at_level(
    specimen: Specimen,
    rig: Rig,
    target: Recording,
    sensors: Sequence[Sensor],
    *,
    band_hz: tuple[float, float],
    weights: Sequence[float] | None = None,
    rounds: int = 4,
) -> LinearModel:
    """The linear model with friction made linear at the level of a target (statistical linearisation, by iteration).

    Drives are forecast, the velocities over springs and tyres taken from them, friction made linear at those, and so on
    until they settle. Loud events so get less damping from friction than quiet ones.
    """
    rule = Linearisation()
    model = linear_model(specimen, rig, linearisation=rule)
    for _ in range(rounds):
        forecast = forecast_drives(target, model, sensors, band_hz=band_hz, weights=weights)
        velocities, stretches = relative_motions(model, forecast.drives, forecast.rate_hz)
        settled = rule.velocities and all(
            abs(velocities[name] / max(rule.velocities[name], 1e-9) - 1) < 0.03 for name in velocities
        )
        rule = Linearisation(velocities=velocities, stretches=stretches)
        model = linear_model(specimen, rig, linearisation=rule)
        if settled:
            break
    return model


def models_around(specimen: Specimen, rig: Rig, model: LinearModel) -> tuple[LinearModel, ...]:
    """The model with friction linear at less and at more than the level it was made for, see `UNSURE`."""
    rule = model.linearisation
    return tuple(
        linear_model(
            specimen,
            rig,
            linearisation=Linearisation(
                velocities={name: value * factor for name, value in rule.velocities.items()},
                stretches={name: value * factor for name, value in rule.stretches.items()},
            ),
        )
        for factor in UNSURE
    )


def feasibility(
    target: Recording,
    model: LinearModel,
    rig: Rig,
    sensors: Sequence[Sensor],
    *,
    band_hz: tuple[float, float],
    event: str,
    weights: Sequence[float] | None = None,
    hold: Callable[[Floats, float], Floats] | None = None,
    around: Sequence[LinearModel] = (),
) -> EventFeasibility:
    """Estimate the drives a target needs and hold them against the rig and the vehicle's stance.

    Parameters
    ----------
    target : Recording
        With all control channels.
    model : LinearModel
        Of the specimen on this rig, tyres standing.
    sensors : sequence of Sensor
        The control channels.
    band_hz : tuple
        Band of the test. [Hz]
    weights : sequence of float, optional
        Importance of each control channel, all alike unless given. [-]
    hold : callable, optional
        Brings drives (drive, time) at a sample rate [Hz] inside the set limits, as replication does.
    around : sequence of LinearModel, optional
        Other models the vehicle might be, for `EventFeasibility.spread`.

    Raises
    ------
    InputError
        The model's inputs are not the rig's actuators.
    ChannelError
        A control channel is missing or sits on no body of the specimen.
    """
    if model.inputs != tuple(actuator.name for actuator in rig.actuators):
        raise InputError("the model was made for another rig; make it with linear_model(specimen, rig)")
    forecast = forecast_drives(target, model, sensors, band_hz=band_hz, weights=weights)
    rate_hz, asked = forecast.rate_hz, forecast.drives
    held = asked if hold is None else hold(asked, rate_hz)
    forces, demand = _asked(model, rig, held, rate_hz)
    made = followed(held, rate_hz, rig, model, static=static_on_actuators(model))
    cost = _cost(model, sensors, asked, made, rate_hz, low_hz=band_hz[0], high_hz=1.2 * band_hz[1])
    moved = movement(model, rig, held, rate_hz, forces=forces)
    spread = _spread(demand, target, around, rig, sensors, band_hz=band_hz, weights=weights, hold=hold)
    findings = (
        *demand_findings(demand, rig, event=event, cost=cost, spread=spread),
        *movement_findings(moved, rig, event=event),
        *reach_findings(forecast.beyond, event=event),
    )
    return EventFeasibility(
        event=event,
        model=model,
        forecast=forecast,
        demand=demand,
        cost=cost,
        spread=spread,
        movement=moved,
        findings=findings,
    )


def _asked(model: LinearModel, rig: Rig, drives: Floats, rate_hz: float) -> tuple[Floats, RigDemand]:
    forces = support_forces(model, drives, rate_hz)
    return forces, rig_demand(drives, rate_hz, rig, static=static_on_actuators(model), dynamic=forces)


def _cost(
    model: LinearModel,
    sensors: Sequence[Sensor],
    asked: Floats,
    made: Floats,
    rate_hz: float,
    *,
    low_hz: float,
    high_hz: float,
) -> dict[str, float]:
    # Drives start from and come to rest, which is no limit's doing: the ends are left out.
    edge = min(round(rate_hz / low_hz), asked.shape[1] // 4)
    inner = slice(edge, asked.shape[1] - edge)
    whole, change = (
        played_linear(model, drives, rate_hz, sensors, high_hz=high_hz)[:, inner] for drives in (asked, made - asked)
    )
    size, lost = (np.sqrt((values**2).mean(axis=1)) for values in (whole, change))
    share = np.divide(lost, size, out=np.zeros_like(lost), where=size > 0)
    return {sensor.name: float(value) for sensor, value in zip(sensors, share, strict=True)}


def _spread(
    own: RigDemand,
    target: Recording,
    around: Sequence[LinearModel],
    rig: Rig,
    sensors: Sequence[Sensor],
    *,
    band_hz: tuple[float, float],
    weights: Sequence[float] | None,
    hold: Callable[[Floats, float], Floats] | None,
) -> dict[str, tuple[float, float]]:
    """Per actuator, the least and the most of its worst sustained share, by its own model's demand and by others."""
    found = {one.name: [max(one.sustained.values())] for one in own.actuators}
    for model in around:
        forecast = forecast_drives(target, model, sensors, band_hz=band_hz, weights=weights)
        drives = forecast.drives if hold is None else hold(forecast.drives, forecast.rate_hz)
        for one in _asked(model, rig, drives, forecast.rate_hz)[1].actuators:
            found[one.name].append(max(one.sustained.values()))
    return {name: (min(values), max(values)) for name, values in found.items()}
