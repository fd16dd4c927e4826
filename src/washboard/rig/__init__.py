"""Rig and specimen: what they are, whether the rig can do what the target asks, whether the vehicle stands safely.

In come the descriptions of `[rig]` and `[specimen]` and a target; out go actuator envelopes, hydraulic supply over
time, stability and clearance, the set-up procedure, and `RigLink`, the protocol of what a rig can do. Sources:
H. E. Merritt, Hydraulic Control Systems (1967), and textbook statics and dynamics, named where used.
"""

from washboard.rig._bodies import Bodies
from washboard.rig._command_link import CommandLink
from washboard.rig._controllable import Controllable, body_candidates, controllable
from washboard.rig._demand import ActuatorDemand, RigDemand, rig_demand
from washboard.rig._description import (
    STOP_HARDENING,
    Actuator,
    Axle,
    Frame,
    Kingpin,
    Mount,
    MountedPart,
    Restraint,
    Rig,
    RigLinkSettings,
    Sensor,
    Specimen,
    Supply,
    Tyre,
    WheelPan,
)
from washboard.rig._elements import Linearisation, dahl, wheel_names
from washboard.rig._envelope import (
    Envelope,
    envelope,
    oil_column_hz,
    oil_column_stiffness,
    orifice_flow,
    stall_force,
    valve_flow,
    velocity_at_force,
)
from washboard.rig._exchange import read_response, response_channels
from washboard.rig._feasibility import (
    EventFeasibility,
    feasibility,
    model_at_level,
    models_around,
    static_on_actuators,
)
from washboard.rig._findings import (
    controllable_findings,
    demand_findings,
    movement_findings,
    share_words,
    stance_findings,
)
from washboard.rig._fit import (
    NEAR,
    FittedParameter,
    ModelFit,
    Parameter,
    fit_model,
    post_response,
    usual_parameters,
    value_at,
)
from washboard.rig._folder_link import FolderLink
from washboard.rig._forecast import DriveForecast, forecast_drives, played_linear, relative_motions, support_forces
from washboard.rig._incomplete import DummyEffect, dummy_effect, with_dummies
from washboard.rig._instrumentation import InstrumentationPlan, ProposedSensor, instrumentation
from washboard.rig._linear_model import LinearModel, Modes, linear_model, wheel_of_posts
from washboard.rig._link import RigChannels, RigLink
from washboard.rig._plausible import plausibility
from washboard.rig._playback import BodyMotions, body_motions
from washboard.rig._procedure import Procedure, ProcedureStep, procedure
from washboard.rig._stability import BodyMode, Movement, Stance, movement, pan_room, stance
from washboard.rig._statics import StaticLoads, static_loads
from washboard.rig._supply import SupplyDemand, accumulator_size, supply_demand, usable_oil

__all__ = [
    "NEAR",
    "STOP_HARDENING",
    "Actuator",
    "ActuatorDemand",
    "Axle",
    "Bodies",
    "BodyMode",
    "BodyMotions",
    "CommandLink",
    "Controllable",
    "DriveForecast",
    "DummyEffect",
    "Envelope",
    "EventFeasibility",
    "FittedParameter",
    "FolderLink",
    "Frame",
    "InstrumentationPlan",
    "Kingpin",
    "LinearModel",
    "Linearisation",
    "ModelFit",
    "Modes",
    "Mount",
    "MountedPart",
    "Movement",
    "Parameter",
    "Procedure",
    "ProcedureStep",
    "ProposedSensor",
    "Restraint",
    "Rig",
    "RigChannels",
    "RigDemand",
    "RigLink",
    "RigLinkSettings",
    "Sensor",
    "Specimen",
    "Stance",
    "StaticLoads",
    "Supply",
    "SupplyDemand",
    "Tyre",
    "WheelPan",
    "accumulator_size",
    "body_candidates",
    "body_motions",
    "controllable",
    "controllable_findings",
    "dahl",
    "demand_findings",
    "dummy_effect",
    "envelope",
    "feasibility",
    "fit_model",
    "forecast_drives",
    "instrumentation",
    "linear_model",
    "model_at_level",
    "models_around",
    "movement",
    "movement_findings",
    "oil_column_hz",
    "oil_column_stiffness",
    "orifice_flow",
    "pan_room",
    "plausibility",
    "played_linear",
    "post_response",
    "procedure",
    "read_response",
    "relative_motions",
    "response_channels",
    "rig_demand",
    "share_words",
    "stall_force",
    "stance",
    "stance_findings",
    "static_loads",
    "static_on_actuators",
    "supply_demand",
    "support_forces",
    "usable_oil",
    "usual_parameters",
    "value_at",
    "valve_flow",
    "velocity_at_force",
    "wheel_names",
    "wheel_of_posts",
    "with_dummies",
]
