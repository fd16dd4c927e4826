"""Rig and specimen: what they are, whether the rig can do what the target asks, whether the vehicle stands safely.

In come the descriptions of `[rig]` and `[specimen]` and a target; out go actuator envelopes, hydraulic supply over
time, stability and clearance, the set-up procedure, and `RigLink`, the protocol of what a rig can do. Sources:
H. E. Merritt, Hydraulic Control Systems (1967), and textbook statics and dynamics, named where used.
"""

from washboard.rig._command_link import CommandLink
from washboard.rig._description import (
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
from washboard.rig._elements import Linearisation
from washboard.rig._exchange import read_response, response_channels
from washboard.rig._folder_link import FolderLink
from washboard.rig._linear_model import LinearModel, Modes, linear_model, wheel_of_posts
from washboard.rig._link import RigChannels, RigLink
from washboard.rig._statics import StaticLoads, static_loads

__all__ = [
    "Actuator",
    "Axle",
    "CommandLink",
    "FolderLink",
    "Frame",
    "Kingpin",
    "LinearModel",
    "Linearisation",
    "Modes",
    "Mount",
    "MountedPart",
    "Restraint",
    "Rig",
    "RigChannels",
    "RigLink",
    "RigLinkSettings",
    "Sensor",
    "Specimen",
    "StaticLoads",
    "Supply",
    "Tyre",
    "WheelPan",
    "linear_model",
    "read_response",
    "response_channels",
    "static_loads",
    "wheel_of_posts",
]
