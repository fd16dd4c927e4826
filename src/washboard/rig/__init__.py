"""Rig and specimen: what they are, whether the rig can do what the target asks, whether the vehicle stands safely.

In come the descriptions of `[rig]` and `[specimen]` and a target; out go actuator envelopes, hydraulic supply over
time, stability and clearance, the set-up procedure, and `RigLink`, the protocol of what a rig can do. Sources: H. E. Merritt,
Hydraulic Control Systems (1967), and textbook statics and dynamics, named where used.
"""

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
from washboard.rig._link import RigChannels, RigLink

__all__ = [
    "Actuator",
    "Axle",
    "Frame",
    "Kingpin",
    "Mount",
    "MountedPart",
    "Restraint",
    "Rig",
    "RigChannels",
    "RigLink",
    "RigLinkSettings",
    "Sensor",
    "Specimen",
    "Supply",
    "Tyre",
    "WheelPan",
]
