"""Bodies of a specimen and how each moves with the model's degrees of freedom.

Conventions (ISO 8855): x forward, y left, z up, origin on the ground under the middle of the first axle. All motions
are small, absolute (against the ground) and measured from rest at static ride height.

==================  =====  ===========================================================================================
name                unit   meaning
==================  =====  ===========================================================================================
heave               m      vertical motion of the frame at its centre of gravity, up
pitch               rad    both frame parts, about +y: nose down; z at x is ``heave - (x - xc) * pitch``
roll front          rad    front frame part, about +x: left side up; z at y is ``heave + (y - yc) * roll``
roll rear           rad    rear frame part; the two turn against each other about the fore-aft line through the frame's
                           centre of gravity, against the torsion stiffness
sway                m      lateral motion of both frame parts at the height of the frame's centre of gravity, to the
                           left; y at height z is ``sway - (z - zc) * roll``
yaw                 rad    both frame parts, about +z: front to the left; adds ``(x - xc) * yaw`` sideways
<axle> heave        m      beam axle: vertical motion of its middle
<axle> roll         rad    beam axle: about +x; wheel centre left is ``heave + track / 2 * roll``
<axle> left, right  m      independent axle: vertical motion of each wheel
<part> heave        m      mounted part: vertical motion of its centre of gravity
<part> roll         rad    only with a roll inertia and mounts on two different y; otherwise it rolls with the frame
<part> pitch        rad    only with a pitch inertia and mounts on two different x; otherwise it pitches with the frame
==================  =====  ===========================================================================================

Pitching moves points fore and aft by ``(z - zc) * pitch``: the wheels roll freely, so no fore-aft force acts and the
frame's centre of gravity stays where it is; axles are carried along fore and aft at their roll centre. A suspension's
springs act at the height of the roll centre, where frame and axle move sideways together; so a beam axle's point at
height z is sideways at ``y of the frame at the roll centre - (z - roll centre) * axle roll``, and the wheels of an
independent axle move sideways with the frame at its roll centre without tilting. A mounted part follows the frame
sideways at the mean height of its mounts. A part without mounts is bolted on; a rigid axle is bolted to the frame part
it stands under (the front part when ``x >= joint_x``).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from washboard.errors import ChannelError, InputError
from washboard.rig._description import Axle, MountedPart, Sensor, Specimen

Floats = NDArray[np.float64]
Side = Literal["left", "right"]
SIDES: tuple[tuple[Side, float], ...] = (("left", 1.0), ("right", -1.0))


@dataclass(frozen=True, kw_only=True)
class Bodies:
    """The degrees of freedom of a specimen, and rows that turn them into the motion of any point.

    Every method returns a row over the degrees of freedom: its product with the motions is the motion asked for.
    """

    specimen: Specimen

    @cached_property
    def names(self) -> tuple[str, ...]:
        """Names of the degrees of freedom, in order (see the module's table)."""
        names = ["heave", "pitch", "roll front", "roll rear", "sway", "yaw"]
        for axle in self.specimen.axle:
            if axle.kind == "beam":
                names += [f"{axle.name} heave", f"{axle.name} roll"]
            elif axle.kind == "independent":
                names += [f"{axle.name} left", f"{axle.name} right"]
        for part in self.specimen.part:
            if part.mount:
                names.append(f"{part.name} heave")
            if rolls(part):
                names.append(f"{part.name} roll")
            if pitches(part):
                names.append(f"{part.name} pitch")
        if len(set(names)) < len(names):
            doubled = next(name for name in names if names.count(name) > 1)
            raise InputError(f"[specimen]: two axles or parts share a name ('{doubled}' comes twice); rename one")
        return tuple(names)

    @cached_property
    def units(self) -> tuple[str, ...]:
        """Unit of each degree of freedom: m or rad."""
        return tuple(
            "rad" if name.split()[-1] in {"roll", "pitch", "yaw"} or "roll " in name else "m" for name in self.names
        )

    @property
    def count(self) -> int:
        """Number of degrees of freedom."""
        return len(self.names)

    def row(self, name: str) -> Floats:
        """The row that is the degree of freedom `name` itself."""
        row = np.zeros(self.count)
        row[self.names.index(name)] = 1.0
        return row

    def side_of_frame(self, x_m: float) -> Literal["front", "rear"]:
        """Which frame part stands at `x_m`."""
        return "front" if x_m >= self.specimen.frame.joint_x_m else "rear"

    def frame_angle(self, part: str, axis: str) -> Floats:
        """Rotation of the frame part about an axis."""
        return self.row({"x": f"roll {part}", "y": "pitch", "z": "yaw"}[axis])

    def frame_point(self, part: str, point: tuple[float, float, float], axis: str) -> Floats:
        """Motion along `axis` of a point fixed to the frame part ``"front"`` or ``"rear"``."""
        xc, yc, zc = self.specimen.frame.cog_m
        x, y, z = point
        if axis == "x":
            return (z - zc) * self.row("pitch") - (y - yc) * self.row("yaw")
        if axis == "y":
            return self.row("sway") - (z - zc) * self.row(f"roll {part}") + (x - xc) * self.frame_angle(part, "z")
        return self.row("heave") - (x - xc) * self.row("pitch") + (y - yc) * self.row(f"roll {part}")

    def axle_angle(self, axle: Axle, axis: str) -> Floats:
        """Rotation of the axle; wheels of an independent one do not turn."""
        part = self.side_of_frame(axle.x_m)
        if axle.kind == "rigid":
            return self.frame_angle(part, axis)
        if axis == "z":
            return self.frame_angle(part, "z")
        if axle.kind == "beam" and axis == "x":
            return self.row(f"{axle.name} roll")
        return np.zeros(self.count)

    def axle_point(self, axle: Axle, point: tuple[float, float, float], axis: str) -> Floats:
        """Motion along `axis` of a point fixed to the axle (independent: to the wheel on that side)."""
        part = self.side_of_frame(axle.x_m)
        if axle.kind == "rigid":
            return self.frame_point(part, point, axis)
        joint = (axle.x_m, 0.0, axle.roll_centre_m)
        if axis == "x":
            return self.frame_point(part, joint, "x") - point[1] * self.frame_angle(part, "z")
        if axis == "y":
            return self.frame_point(part, joint, "y") - (point[2] - axle.roll_centre_m) * self.axle_angle(axle, "x")
        if axle.kind == "independent":
            return self.row(f"{axle.name} {'left' if point[1] >= 0 else 'right'}")
        return self.row(f"{axle.name} heave") + point[1] * self.row(f"{axle.name} roll")

    def part_angle(self, part: MountedPart, axis: str) -> Floats:
        """Rotation of a mounted part."""
        if axis == "x" and rolls(part):
            return self.row(f"{part.name} roll")
        if axis == "y" and pitches(part):
            return self.row(f"{part.name} pitch")
        return self.frame_angle(part.on, axis)

    def part_point(self, part: MountedPart, point: tuple[float, float, float], axis: str) -> Floats:
        """Motion along `axis` of a point fixed to a mounted part."""
        if not part.mount:
            return self.frame_point(part.on, point, axis)
        if axis == "z":
            dx, dy = point[0] - part.cog_m[0], point[1] - part.cog_m[1]
            roll, pitch = self.part_angle(part, "x"), self.part_angle(part, "y")
            return self.row(f"{part.name} heave") - dx * pitch + dy * roll
        middle = mount_middle(part)
        rise = point[2] - middle[2]
        foot = self.frame_point(part.on, (point[0], point[1], middle[2]), axis)
        if axis == "x":
            return foot + rise * self.part_angle(part, "y")
        return foot - rise * self.part_angle(part, "x")

    def body(self, on: str) -> Axle | MountedPart | Literal["front", "rear"]:
        """The body that a sensor's `on` names; raises ChannelError."""
        if on in ("frame front", "frame rear", "frame"):
            return "rear" if on == "frame rear" else "front"
        for axle in self.specimen.axle:
            if axle.name == on:
                return axle
        for part in self.specimen.part:
            if part.name == on:
                return part
        known = [
            "frame front",
            "frame rear",
            *(a.name for a in self.specimen.axle),
            *(p.name for p in self.specimen.part),
        ]
        raise ChannelError(f"on = '{on}' is no body of the specimen; there are: {', '.join(known)}")

    def point(self, on: str, point: tuple[float, float, float], axis: str) -> Floats:
        """Motion along `axis` of a point on the body that `on` names."""
        body = self.body(on)
        if isinstance(body, str):
            return self.frame_point(body, point, axis)
        return self.axle_point(body, point, axis) if isinstance(body, Axle) else self.part_point(body, point, axis)

    def angle(self, on: str, axis: str) -> Floats:
        """Rotation about `axis` of the body that `on` names."""
        body = self.body(on)
        if isinstance(body, str):
            return self.frame_angle(body, axis)
        return self.axle_angle(body, axis) if isinstance(body, Axle) else self.part_angle(body, axis)


def rolls(part: MountedPart) -> bool:
    """Whether a mounted part rolls on its own."""
    return part.roll_inertia_kg_m2 > 0 and len({mount.position_m[1] for mount in part.mount}) > 1


def pitches(part: MountedPart) -> bool:
    """Whether a mounted part pitches on its own."""
    return part.pitch_inertia_kg_m2 > 0 and len({mount.position_m[0] for mount in part.mount}) > 1


def mount_middle(part: MountedPart) -> tuple[float, float, float]:
    """Mean position of a part's mounts. [m]"""
    positions = np.array([mount.position_m for mount in part.mount])
    x, y, z = positions.mean(axis=0)
    return float(x), float(y), float(z)


def frame_inertias(specimen: Specimen) -> tuple[float, float]:
    """Roll and pitch inertia of the frame about its centre of gravity; where 0, that of a box of its outside size.

    A homogeneous box: I = m (a^2 + b^2) / 12. The pitch inertia stands for that in yaw too: a vehicle is long. [kg m2]
    """
    frame = specimen.frame
    length, width, height = frame.size_m
    roll = frame.roll_inertia_kg_m2 or frame.mass_kg * (width**2 + height**2) / 12
    pitch = frame.pitch_inertia_kg_m2 or frame.mass_kg * (length**2 + height**2) / 12
    return roll, pitch


def sensor_axis(sensor: Sensor) -> tuple[str, float]:
    """Axis and sign of a sensor's direction."""
    return sensor.direction[1], -1.0 if sensor.direction[0] == "-" else 1.0
