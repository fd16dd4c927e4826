"""The non-linear lumped multi-body model of a specimen, assembled from its description.

Small-angle kinematics about static ride height (ISO 8855: x forward, y left, z up; roll lifts the left, pitch lowers
the front), constant mass matrix, linear couplings as matrices, everything non-linear as scalar elements along sparse
directions. Gravity enters by the second-order kinematics of the preloaded supports, so that a high centre of gravity
softens roll and pitch as it does on the posts.

Degrees of freedom: frame heave, pitch, roll of the front and the rear part, sway, yaw; per beam axle heave and roll,
per independent axle two wheels, none for an axle bolted to the frame; per part on mounts heave, roll, pitch.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.errors import InputError
from washboard.rig import STOP_HARDENING, Axle, MountedPart, Specimen
from washboard.units import STANDARD_GRAVITY

Array = NDArray[np.float64]

# Rows of a body's Jacobian: translation of its reference point, then rotation.
X, Y, Z, ROLL, PITCH, YAW = range(6)


@dataclass(frozen=True, kw_only=True, slots=True)
class Body:
    """A rigid body: its reference point [m] and the motion of it per degree of freedom, shape (6, dof)."""

    name: str
    origin_m: tuple[float, float, float]
    motion: Array

    def at(self, point_m: tuple[float, float, float]) -> Array:
        """Translation of a point fixed to the body per degree of freedom, shape (3, dof). [m/m or m/rad]"""
        rx, ry, rz = (p - o for p, o in zip(point_m, self.origin_m, strict=True))
        m = self.motion
        return np.stack(
            [
                m[X] + rz * m[PITCH] - ry * m[YAW],
                m[Y] - rz * m[ROLL] + rx * m[YAW],
                m[Z] + ry * m[ROLL] - rx * m[PITCH],
            ]
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class Wheel:
    """One wheel position: where it stands [m], its axle, the height of its hub, its static load [N]."""

    axle: int
    side: int
    x_m: float
    y_m: float
    hub_m: float
    static_n: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Model:
    """A specimen as equations of motion about static ride height.

    ``mass a + damping v + stiffness q = support^T (F_support - static) + spring^T F_spring + side^T F_side``, where the
    rows of `support` (tyres, then kingpin vertical and roll), `spring` (suspension, bump positive) and `side` (tyre
    patches, leftward motion of the patch) give the motion of each element's vehicle end per degree of freedom.
    """

    specimen: Specimen
    dofs: tuple[str, ...]
    bodies: tuple[Body, ...]
    wheels: tuple[Wheel, ...]
    mass: Array
    damping: Array
    stiffness: Array
    support: Array
    support_static: Array
    spring: Array
    spring_axle: tuple[int, ...]
    side: Array

    @property
    def n_dofs(self) -> int:
        """Number of degrees of freedom."""
        return len(self.dofs)

    def body(self, name: str, y_m: float = 0.0) -> Body:
        """The body `name`; of an independent axle the wheel on the side of `y_m`. Raises InputError."""
        found = [body for body in self.bodies if body.name == name]
        if not found:
            names = ", ".join(f"'{body}'" for body in dict.fromkeys(body.name for body in self.bodies))
            raise InputError(f"the specimen has no body '{name}'; there are {names}")
        return min(found, key=lambda body: abs(body.origin_m[1] - y_m))


def box_inertia(mass_kg: float, a_m: float, b_m: float) -> float:
    """Moment of inertia of a uniform box about the axis normal to sides `a_m` and `b_m`. [kg m2]"""
    return mass_kg * (a_m**2 + b_m**2) / 12


class _Builder:
    """Collects bodies and matrices while the description is walked through."""

    def __init__(self, specimen: Specimen, lean: tuple[float, ...]) -> None:
        self.specimen = specimen
        self.frame = specimen.frame
        self.dofs = ["heave", "pitch", "roll front", "roll rear", "sway", "yaw"]
        for axle in specimen.axle:
            self.dofs += {
                "beam": [f"{axle.name} heave", f"{axle.name} roll"],
                "independent": [f"{axle.name} left", f"{axle.name} right"],
                "rigid": [],
            }[axle.kind]
        for part in specimen.part:
            if part.mount:
                self.dofs.append(f"{part.name} heave")
                self.dofs += [f"{part.name} roll"] if _rolls(part) else []
                self.dofs += [f"{part.name} pitch"] if _pitches(part) else []
        n = len(self.dofs)
        self.mass, self.damping, self.stiffness, self.gravity = (np.zeros((n, n)) for _ in range(4))
        self.bodies: list[Body] = []
        self.masses: list[float] = []
        self.support: list[Array] = []
        self.support_static: list[float] = []
        self.spring: list[Array] = []
        self.spring_axle: list[int] = []
        self.side: list[Array] = []
        self.wheels: list[Wheel] = []
        self.axle_loads, self.kingpin_load = _static_loads(specimen)
        self.lean = lean

    def unit(self, dof: str) -> Array:
        row = np.zeros(len(self.dofs))
        row[self.dofs.index(dof)] = 1.0
        return row

    def add(self, matrix: Array, row: Array, value: float) -> None:
        matrix += value * np.outer(row, row)

    def add_body(self, body: Body, mass: float, roll: float, pitch: float, yaw: float) -> None:
        self.bodies.append(body)
        self.masses.append(mass)
        for index, value in ((X, mass), (Y, mass), (Z, mass), (ROLL, roll), (PITCH, pitch), (YAW, yaw)):
            self.add(self.mass, body.motion[index], value)

    def part_of_frame(self, x_m: float) -> Body:
        return self.bodies[0 if x_m >= self.frame.joint_x_m else 1]

    def build_frame(self) -> None:
        frame = self.frame
        length, width, height = frame.size_m
        roll = frame.roll_inertia_kg_m2 or box_inertia(frame.mass_kg, width, height)
        pitch = frame.pitch_inertia_kg_m2 or box_inertia(frame.mass_kg, length, height)
        for end, share in (("front", frame.front_share), ("rear", 1 - frame.front_share)):
            motion = np.zeros((6, len(self.dofs)))
            motion[Y], motion[Z] = self.unit("sway"), self.unit("heave")
            motion[ROLL], motion[PITCH], motion[YAW] = self.unit(f"roll {end}"), self.unit("pitch"), self.unit("yaw")
            body = Body(name=f"frame {end}", origin_m=frame.cog_m, motion=motion)
            # Pitch inertia stands for yaw too: a vehicle is long, and its description gives no yaw inertia.
            self.add_body(body, share * frame.mass_kg, share * roll, share * pitch, share * pitch)
        twist = self.unit("roll front") - self.unit("roll rear")
        self.add(self.stiffness, twist, frame.torsion_nm_rad)
        self.add(self.damping, twist, frame.torsion_damping_nms_rad)

    def build_axle(self, number: int, axle: Axle) -> None:
        frame = self.part_of_frame(axle.x_m)
        sprung = self.axle_loads[number]
        own = axle.mass_kg * STANDARD_GRAVITY
        static = [(sprung + own) * (0.5 + side * self.lean[number]) for side in (1, -1)]
        hub, cog = axle.tyre.radius_m, self.frame.cog_m[2]
        sides: list[tuple[int, Body]]
        if axle.kind == "rigid":
            motion = np.vstack([frame.at((axle.x_m, 0.0, hub)), frame.motion[ROLL:]])
            body = Body(name=axle.name, origin_m=(axle.x_m, 0.0, hub), motion=motion)
            self.add_body(body, axle.mass_kg, axle.roll_inertia_kg_m2, 0.0, axle.roll_inertia_kg_m2)
            sides = [(1, body), (-1, body)]
            for row, lever in ((frame.motion[ROLL], cog), (frame.motion[PITCH], cog - hub)):
                self.add(self.gravity, row, -(sprung + own) * lever)
            self.add(self.gravity, frame.motion[ROLL], own * (cog - hub))
            self.add(self.gravity, frame.motion[PITCH], own * (cog - hub))
        else:
            for row in (frame.motion[ROLL], frame.motion[PITCH]):
                self.add(self.gravity, row, -sprung * (cog - axle.roll_centre_m))
            sides = self.beam(axle, frame, sprung, own) if axle.kind == "beam" else self.independent(axle, frame)
            for side, body in sides:
                y = side * axle.spring_spacing_m / 2
                end = (axle.x_m, y if axle.kind == "beam" else body.origin_m[1], hub)
                self.spring.append(body.at(end)[Z] - frame.at((axle.x_m, y, hub))[Z])
                self.spring_axle.append(number)
        for (side, body), load in zip(sides, static, strict=True):
            foot = (axle.x_m, side * axle.track_m / 2, 0.0)
            self.support.append(body.at(foot)[Z])
            self.support_static.append(load)
            # An independent wheel's patch stays where the roll centre holds it, not where its rim leans to.
            height = axle.roll_centre_m if axle.kind == "independent" else 0.0
            self.side.append((frame if axle.kind == "independent" else body).at((axle.x_m, 0.0, height))[Y])
            self.wheels.append(Wheel(axle=number, side=side, x_m=foot[0], y_m=foot[1], hub_m=hub, static_n=load))

    def beam(self, axle: Axle, frame: Body, sprung: float, own: float) -> list[tuple[int, Body]]:
        hub, centre = axle.tyre.radius_m, axle.roll_centre_m
        roll = self.unit(f"{axle.name} roll")
        motion = np.zeros((6, len(self.dofs)))
        motion[Z], motion[ROLL], motion[YAW] = self.unit(f"{axle.name} heave"), roll, frame.motion[YAW]
        # The springs locate the axle, sideways and fore and aft, at its roll centre.
        held = frame.at((axle.x_m, 0.0, centre))
        motion[X], motion[Y] = held[X], held[Y] + (centre - hub) * roll
        body = Body(name=axle.name, origin_m=(axle.x_m, 0.0, hub), motion=motion)
        self.add_body(body, axle.mass_kg, axle.roll_inertia_kg_m2, 0.0, axle.roll_inertia_kg_m2)
        self.add(self.gravity, roll, -(sprung * (centre - hub) + (sprung + own) * hub))
        self.add(self.stiffness, roll - frame.motion[ROLL], axle.anti_roll_nm_rad)
        return [(1, body), (-1, body)]

    def independent(self, axle: Axle, frame: Body) -> list[tuple[int, Body]]:
        hub, half = axle.tyre.radius_m, axle.track_m / 2
        sides = []
        for side, end in ((1, "left"), (-1, "right")):
            motion = np.zeros((6, len(self.dofs)))
            held = frame.at((axle.x_m, 0.0, axle.roll_centre_m))
            motion[X], motion[Y] = held[X] - side * half * frame.motion[YAW], held[Y]
            motion[Z], motion[ROLL] = self.unit(f"{axle.name} {end}"), frame.motion[ROLL]
            motion[YAW] = frame.motion[YAW]
            body = Body(name=axle.name, origin_m=(axle.x_m, side * half, hub), motion=motion)
            self.add_body(body, axle.mass_kg / 2, 0.0, 0.0, 0.0)
            sides.append((side, body))
        across = (sides[0][1].motion[Z] - sides[1][1].motion[Z]) / axle.track_m - frame.motion[ROLL]
        self.add(self.stiffness, across, axle.anti_roll_nm_rad)
        return sides

    def build_part(self, part: MountedPart) -> None:
        frame = self.bodies[0 if part.on == "front" else 1]
        weight, cog = part.mass_kg * STANDARD_GRAVITY, self.frame.cog_m[2]
        motion = np.vstack([frame.at(part.cog_m), frame.motion[ROLL:]])
        seat = part.cog_m[2]
        if part.mount:
            seat = sum(mount.position_m[2] for mount in part.mount) / len(part.mount)
            motion[Z] = self.unit(f"{part.name} heave")
            if _rolls(part):
                motion[ROLL] = self.unit(f"{part.name} roll")
            if _pitches(part):
                motion[PITCH] = self.unit(f"{part.name} pitch")
            # Its mounts hold it sideways and fore and aft at their own height.
            held = frame.at((part.cog_m[0], part.cog_m[1], seat))
            motion[X] = held[X] + (part.cog_m[2] - seat) * motion[PITCH]
            motion[Y] = held[Y] - (part.cog_m[2] - seat) * motion[ROLL]
        body = Body(name=part.name, origin_m=part.cog_m, motion=motion)
        self.add_body(body, part.mass_kg, part.roll_inertia_kg_m2, part.pitch_inertia_kg_m2, part.pitch_inertia_kg_m2)
        for mount in part.mount:
            row = body.at(mount.position_m)[Z] - frame.at(mount.position_m)[Z]
            self.add(self.stiffness, row, mount.stiffness_n_m)
            self.add(self.damping, row, mount.damping_n_s_m)
        for turn in (ROLL, PITCH):
            self.add(self.gravity, frame.motion[turn], -weight * (seat - cog))
            self.add(self.gravity, motion[turn], -weight * (part.cog_m[2] - seat))

    def build_kingpin(self) -> None:
        pin = self.specimen.kingpin
        if pin is None:
            return
        frame = self.bodies[0]
        point = (pin.x_m, 0.0, pin.height_m)
        self.support += [frame.at(point)[Z], frame.motion[ROLL]]
        self.support_static += [self.kingpin_load, 0.0]
        lever = self.frame.cog_m[2] - pin.height_m
        for turn in (ROLL, PITCH):
            self.add(self.gravity, frame.motion[turn], -self.kingpin_load * lever)
        # The plate holds the pin sideways as firmly as it carries it.
        self.add(self.stiffness, frame.at(point)[Y], pin.stiffness_n_m)
        self.add(self.damping, frame.at(point)[Y], pin.damping_n_s_m)


def _rolls(part: MountedPart) -> bool:
    places = [mount.position_m[1] for mount in part.mount]
    return part.roll_inertia_kg_m2 > 0 and max(places) - min(places) > 0.05


def _pitches(part: MountedPart) -> bool:
    places = [mount.position_m[0] for mount in part.mount]
    return part.pitch_inertia_kg_m2 > 0 and max(places) - min(places) > 0.05


def _static_loads(specimen: Specimen) -> tuple[list[float], float]:
    """Sprung load on each axle and on the kingpin. [N]

    Two supports follow from statics. With more axles the loads are those of a rigid frame on the springs, in line along
    x; with a kingpin the axles share in proportion to their springs, as an equalised group does.
    """
    sprung = [(specimen.frame.mass_kg, specimen.frame.cog_m[0])]
    sprung += [(part.mass_kg, part.cog_m[0]) for part in specimen.part]
    weight = STANDARD_GRAVITY * sum(mass for mass, _x in sprung)
    moment = STANDARD_GRAVITY * sum(mass * x for mass, x in sprung)
    x = np.array([axle.x_m for axle in specimen.axle])
    k = np.array([axle.tyre.stiffness_n_m if axle.kind == "rigid" else axle.spring_n_m for axle in specimen.axle])
    if specimen.kingpin is not None:
        centre = float(k @ x / k.sum())
        pin = (moment - weight * centre) / (specimen.kingpin.x_m - centre)
        loads, pin_load = (weight - pin) * k / k.sum(), float(pin)
    else:
        if len(x) < 2:
            raise InputError("the specimen needs two axles, or one and a kingpin, to stand")
        system = np.array([[k.sum(), k @ x], [k @ x, k @ x**2]])
        even, slope = np.linalg.solve(system, [weight, moment])
        loads, pin_load = k * (even + slope * x), 0.0
    if loads.min() <= 0 or pin_load < 0:
        where = "the kingpin" if pin_load < 0 else f"axle '{specimen.axle[int(loads.argmin())].name}'"
        raise InputError(
            f"the specimen does not stand: {where} would carry no load; check specimen.frame.cog and the axle positions"
        )
    return [float(load) for load in loads], pin_load


def _built(specimen: Specimen, lean: tuple[float, ...]) -> _Builder:
    builder = _Builder(specimen, lean)
    builder.build_frame()
    for number, axle in enumerate(specimen.axle):
        builder.build_axle(number, axle)
    builder.build_kingpin()
    for part in specimen.part:
        builder.build_part(part)
    return builder


def _lean(level: _Builder) -> tuple[float, ...]:
    """Share of each axle's load that its left wheel carries beyond half: the level weight on linear springs."""
    specimen = level.specimen
    stiffness = level.stiffness.copy()
    pin = specimen.kingpin
    values = [specimen.axle[wheel.axle].tyre.stiffness_n_m for wheel in level.wheels]
    values += [pin.stiffness_n_m, pin.roll_stiffness_nm_rad] if pin else []
    rows = list(level.support)
    for row, number in zip(level.spring, level.spring_axle, strict=True):
        axle = specimen.axle[number]
        pressed = max(0.0, -axle.bump_gap_m)
        rows.append(row)
        values.append(axle.spring_n_m + (axle.stop_n_m * (1 + 2 * STOP_HARDENING * pressed) if pressed else 0.0))
    for row, wheel in zip(level.side, level.wheels, strict=True):
        rows.append(row)
        values.append(specimen.axle[wheel.axle].tyre.lateral_stiffness_n_m)
    for row, value in zip(rows, values, strict=True):
        level.add(stiffness, row, value)
    # A body's weight pulls along the motion of its own height, which its row of translations holds.
    weight = np.zeros(len(level.dofs))
    for body, mass in zip(level.bodies, level.masses, strict=True):
        weight -= mass * STANDARD_GRAVITY * body.motion[Z]
    settled = np.linalg.solve(stiffness, weight)
    press = [-value * float(row @ settled) for row, value in zip(level.support, values, strict=False)]
    pairs = [(press[2 * number], press[2 * number + 1]) for number in range(len(specimen.axle))]
    return tuple(left / (left + right) - 0.5 for left, right in pairs)


def assemble(specimen: Specimen) -> Model:
    """The model of `specimen` about static ride height.

    Raises
    ------
    InputError
        It does not stand on its axles.
    """
    level = _built(specimen, (0.0,) * len(specimen.axle))
    builder = _built(specimen, _lean(level))
    n = len(builder.dofs)
    return Model(
        specimen=specimen,
        dofs=tuple(builder.dofs),
        bodies=tuple(builder.bodies),
        wheels=tuple(builder.wheels),
        mass=builder.mass,
        damping=builder.damping,
        stiffness=builder.stiffness + builder.gravity,
        support=np.array(builder.support).reshape(-1, n),
        support_static=np.array(builder.support_static),
        spring=np.array(builder.spring).reshape(-1, n),
        spring_axle=tuple(builder.spring_axle),
        side=np.array(builder.side).reshape(-1, n),
    )
