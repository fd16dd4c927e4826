"""Can the rig do it, and does the vehicle stand it: everything asked of one event before any drive exists."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.errors import InputError
from washboard.recording import Finding, Recording
from washboard.rig._demand import RigDemand, rig_demand
from washboard.rig._description import Rig, Sensor, Specimen
from washboard.rig._elements import Linearisation
from washboard.rig._findings import demand_findings, movement_findings
from washboard.rig._forecast import DriveForecast, forecast_drives, relative_motions, support_forces
from washboard.rig._linear_model import LinearModel, linear_model
from washboard.rig._stability import Movement, movement

Floats = NDArray[np.float64]


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
        What they ask of actuators and supply.
    movement : Movement
        How far the vehicle moves, which wheels lift.
    findings : tuple of Finding
        Everything notable, in sentences; ``"error"`` where something does not fit.
    """

    event: str
    model: LinearModel
    forecast: DriveForecast
    demand: RigDemand
    movement: Movement
    findings: tuple[Finding, ...]

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
    rounds: int = 4,
) -> LinearModel:
    """The linear model with friction made linear at the level of a target (statistical linearisation, by iteration).

    Drives are forecast, the velocities over springs and tyres taken from them, friction made linear at those, and so on
    until they settle. Loud events so get less damping from friction than quiet ones.
    """
    rule = Linearisation()
    model = linear_model(specimen, rig, linearisation=rule)
    for _ in range(rounds):
        forecast = forecast_drives(target, model, sensors, band_hz=band_hz)
        velocities, stretches = relative_motions(model, forecast.drives, forecast.rate_hz)
        settled = rule.velocities and all(
            abs(velocities[name] / max(rule.velocities[name], 1e-9) - 1) < 0.03 for name in velocities
        )
        rule = Linearisation(velocities=velocities, stretches=stretches)
        model = linear_model(specimen, rig, linearisation=rule)
        if settled:
            break
    return model


def feasibility(
    target: Recording,
    model: LinearModel,
    rig: Rig,
    sensors: Sequence[Sensor],
    *,
    band_hz: tuple[float, float],
    event: str,
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

    Raises
    ------
    InputError
        The model's inputs are not the rig's actuators.
    ChannelError
        A control channel is missing or sits on no body of the specimen.
    """
    if model.inputs != tuple(actuator.name for actuator in rig.actuators):
        raise InputError("the model was made for another rig; make it with linear_model(specimen, rig)")
    forecast = forecast_drives(target, model, sensors, band_hz=band_hz)
    forces = support_forces(model, forecast.drives, forecast.rate_hz)
    demand = rig_demand(forecast.drives, forecast.rate_hz, rig, static=static_on_actuators(model), dynamic=forces)
    moved = movement(model, rig, forecast.drives, forecast.rate_hz, forces=forces)
    findings = (*demand_findings(demand, rig, event=event), *movement_findings(moved, rig, event=event))
    return EventFeasibility(
        event=event, model=model, forecast=forecast, demand=demand, movement=moved, findings=findings
    )
