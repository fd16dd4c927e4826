"""Does the vehicle stand safely on the posts: loads, tilt, rigid-body modes, wheels that lift, room in the pans.

Sources: textbook statics of a body on springs; the static stability factor T / (2 h) (NHTSA); everything that depends
on stiffness comes from the linear model, gravity included.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.rig._bodies import SIDES
from washboard.rig._description import Axle, Rig, Sensor, Specimen
from washboard.rig._elements import Linearisation, tyre_deflection, wheel_name
from washboard.rig._forecast import played_linear
from washboard.rig._linear_model import LinearModel, linear_model
from washboard.rig._naming import RIGID, likeness
from washboard.rig._sensing import element_force
from washboard.rig._statics import StaticLoads, static_loads

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class BodyMode:
    """A rigid-body mode standing on the posts, next to rolling on the road."""

    name: str
    standing_hz: float
    standing_damping: float
    rolling_hz: float
    rolling_damping: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Stance:
    """How the vehicle stands, before anything moves.

    Parameters
    ----------
    loads : StaticLoads
        Wheel loads, kingpin load, mass and centre of gravity.
    stability_factor : float
        Mean track over twice the height of the centre of gravity. [-]
    tip_side_rad, tip_forward_rad, tip_back_rad : float
        Tilt at which a rigid vehicle tips sideways (see `tip_sideways`), over its first axle (or kingpin), over its
        last. [rad]
    stiffness_ratio : float
        Roll stiffness of springs and tyres over what gravity takes away, both about the ground; under 1 it falls over
        by itself, under 3 it sways much. [-]
    side_lift_m : float
        Height difference between all left and all right posts at which the first wheel lifts, slowly done. [m]
    twist_lift_m : float
        The same with the first axle one way and the last one the other. [m]
    modes : tuple of BodyMode
        Bounce, pitch, roll, sway and yaw.
    """

    loads: StaticLoads
    stability_factor: float
    tip_side_rad: float
    tip_forward_rad: float
    tip_back_rad: float
    stiffness_ratio: float
    side_lift_m: float
    twist_lift_m: float
    modes: tuple[BodyMode, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Movement:
    """How far the vehicle moves while drives play, by the linear model.

    Parameters
    ----------
    roll_rad, pitch_rad : float
        Largest tilt of the frame. [rad]
    lift_off : mapping of wheel name to float
        Share of time without load under the wheel.
    least_load : mapping of wheel name to float
        Smallest load over the static one (at 0 it lifts).
    side_m, fore_aft_m : mapping of wheel name to float
        Largest motion of the wheel over its pan. [m]
    side_room_m, fore_aft_room_m : mapping of wheel name to float
        Room between tyre and rim of the pan at rest, at the height of the rim. [m]
    corner_m : float
        Largest motion of a corner of the frame relative to the floor, which restraints must leave free. [m]
    """

    roll_rad: float
    pitch_rad: float
    lift_off: dict[str, float]
    least_load: dict[str, float]
    side_m: dict[str, float]
    fore_aft_m: dict[str, float]
    side_room_m: dict[str, float]
    fore_aft_room_m: dict[str, float]
    corner_m: float


def stance(specimen: Specimen, rig: Rig | None = None, *, linearisation: Linearisation | None = None) -> Stance:
    """Statics and rigid-body modes of a specimen standing on posts.

    Raises
    ------
    InputError
        It does not stand, or posts and wheels do not match.
    """
    loads = static_loads(specimen)
    model = linear_model(specimen, rig, linearisation=linearisation)
    wheels = linear_model(specimen, linearisation=linearisation)
    x, _, height = loads.cog_m
    track = float(np.mean([axle.track_m for axle in specimen.axle]))
    ends = [axle.x_m for axle in specimen.axle]
    first = max(ends) if specimen.kingpin is None else max(*ends, specimen.kingpin.x_m)
    without = linear_model(specimen, linearisation=linearisation, gravity=False)
    return Stance(
        loads=loads,
        stability_factor=track / (2 * height),
        tip_side_rad=tip_sideways(specimen, height),
        tip_forward_rad=math.atan(max(first - x, 0.0) / height),
        tip_back_rad=math.atan(max(x - min(ends), 0.0) / height),
        stiffness_ratio=_roll_ratio(wheels, without),
        side_lift_m=_lift(wheels, tuple(sign for _ in specimen.axle for _, sign in SIDES)),
        twist_lift_m=_lift(wheels, _twist(specimen)),
        modes=body_modes(model, linear_model(specimen, rig, standing=False, linearisation=linearisation)),
    )


def tip_sideways(specimen: Specimen, height_m: float) -> float:
    """Tilt at which a rigid vehicle tips over its narrowest axle's wheels. [rad]

    `height_m` is that of the centre of gravity. With tracks that differ it is the cautious angle: a rigid vehicle tips
    over the line through its outer wheels, which lies somewhat further out.
    """
    return math.atan(min(axle.track_m for axle in specimen.axle) / 2 / height_m)


def body_modes(standing: LinearModel, rolling: LinearModel) -> tuple[BodyMode, ...]:
    """Modes in which the frame moves most, with the mode of the nearest shape on rolling tyres beside each."""
    still, moving = standing.modes(), rolling.modes()
    found = []
    for index, name in enumerate(still.names):
        if name not in RIGID:
            continue
        twin = int(np.argmax([likeness(standing.mass, still.shapes[index], other) for other in moving.shapes]))
        found.append(
            BodyMode(
                name=name,
                standing_hz=float(still.freq_hz[index]),
                standing_damping=float(still.damping[index]),
                rolling_hz=float(moving.freq_hz[twin]),
                rolling_damping=float(moving.damping[twin]),
            )
        )
    return tuple(found)


def _roll_ratio(model: LinearModel, without: LinearModel) -> float:
    """Stiffness against rolling about the ground over the part that gravity takes away.

    Both frame parts turn together, everything else takes the place that costs least: the stiffness matrix reduced to
    that one motion (static condensation).
    """
    stiff, soft = (_condensed(each) for each in (without, model))
    taken = stiff - soft
    return stiff / taken if taken > 0 else math.inf


def _condensed(model: LinearModel) -> float:
    front, rear = model.dofs.index("roll front"), model.dofs.index("roll rear")
    n = len(model.dofs)
    others = [index for index in range(n) if index not in (front, rear)]
    turn = np.zeros((n, 1 + len(others)))
    turn[[front, rear], 0] = 1.0
    turn[others, np.arange(1, 1 + len(others))] = 1.0
    reduced = turn.T @ model.stiffness @ turn
    inner = reduced[1:, 1:]
    return float(reduced[0, 0] - reduced[0, 1:] @ np.linalg.solve(inner, reduced[1:, 0]))


def _twist(specimen: Specimen) -> tuple[float, ...]:
    last = len(specimen.axle) - 1
    ends = {0: 1.0, last: -1.0} if last > 0 else {0: 1.0}
    return tuple(ends.get(number, 0.0) * sign for number, _ in enumerate(specimen.axle) for _, sign in SIDES)


def _lift(model: LinearModel, pattern: tuple[float, ...]) -> float:
    """Height difference, slowly made in a pattern of posts (+1 up, -1 down), at which the first wheel lifts. [m]"""
    heights = np.array([*pattern, *([0.0] * (len(model.inputs) - len(pattern)))]) / 2
    slow = np.array([1e-3])
    motions = model.motions(slow)
    reach = math.inf
    for wheel, load in model.loads.wheel_n.items():
        change = float((element_force(model, f"tyre {wheel}", slow, motions)[0] @ heights).real)
        if change < -1e-6:
            reach = min(reach, load / -change)
    return reach


def movement(model: LinearModel, rig: Rig, drives: Floats, rate_hz: float, *, forces: Floats) -> Movement:
    """Tilt, lift-off, motion in the pans and of the frame's corners while drives play.

    Parameters
    ----------
    drives, forces : ndarray, shape (drive, time)
        Drives [m or rad], and the change of load on each (see `support_forces`) [N or N m].
    """
    specimen = model.bodies.specimen
    sensors = _tilt_sensors()
    corners = _corner_sensors(specimen)
    wheels = _wheel_sensors(specimen, rig)
    moved = played_linear(model, drives, rate_hz, [*sensors, *corners, *wheels])
    peak = np.abs(moved).max(axis=1)
    corner = moved[len(sensors) : len(sensors) + len(corners)].reshape(-1, 3, moved.shape[1])
    at = len(sensors) + len(corners)
    sideways: dict[str, float] = {}
    fore_aft: dict[str, float] = {}
    side_room: dict[str, float] = {}
    fore_room: dict[str, float] = {}
    lift: dict[str, float] = {}
    least: dict[str, float] = {}
    for number, (axle, wheel) in enumerate(_wheels(specimen)):
        sideways[wheel], fore_aft[wheel] = float(peak[at + 2 * number]), float(peak[at + 2 * number + 1])
        side_room[wheel], fore_room[wheel] = pan_room(axle, rig, model.loads.wheel_n[wheel])
    for (wheel, place), load in ((move, model.loads.wheel_n.get(move[0])) for move in model.moves):
        if load is not None:
            total = load + forces[place]
            lift[wheel], least[wheel] = float((total <= 0).mean()), float(total.min() / load)
    return Movement(
        roll_rad=float(peak[:2].max()),
        pitch_rad=float(peak[2]),
        lift_off=lift,
        least_load=least,
        side_m=sideways,
        fore_aft_m=fore_aft,
        side_room_m=side_room,
        fore_aft_room_m=fore_room,
        corner_m=float(np.sqrt((corner**2).sum(axis=1)).max()),
    )


def pan_room(axle: Axle, rig: Rig, load_n: float) -> tuple[float, float]:
    """Room for a tyre in its pan, sideways and fore and aft, standing in its middle. [m]

    Fore and aft at the height of the rim: the tyre there reaches half a chord either way, ``sqrt(2 R h - h^2)`` with h
    the rim's height above the flattened tread.
    """
    tyre, pan = axle.tyre, rig.pan
    rise = pan.rim_m + tyre_deflection(tyre, load_n)
    rise = min(rise, tyre.radius_m)
    chord = math.sqrt(max(2 * tyre.radius_m * rise - rise**2, 0.0))
    return (pan.width_m - tyre.width_m) / 2, pan.length_m / 2 - chord


def _wheels(specimen: Specimen) -> list[tuple[Axle, str]]:
    return [(axle, wheel_name(axle, side)) for axle in specimen.axle for side, _ in SIDES]


def _tilt_sensors() -> list[Sensor]:
    return [
        Sensor(name="roll front", quantity="angle", unit="rad", direction="+x"),
        Sensor(name="roll rear", quantity="angle", unit="rad", direction="+x", on="frame rear"),
        Sensor(name="pitch", quantity="angle", unit="rad", direction="+y"),
    ]


def _corner_sensors(specimen: Specimen) -> list[Sensor]:
    """The four lower corners of the frame, each along x, y and z."""
    (xc, yc, zc), (length, width, height) = specimen.frame.cog_m, specimen.frame.size_m
    places = [
        (part, (xc + end * length / 2, yc + side * width / 2, zc - height / 2))
        for part, end in (("frame front", 1), ("frame rear", -1))
        for side in (1, -1)
    ]
    return [
        Sensor(name="corner", quantity="displacement", unit="m", on=part, position_m=place, direction=direction)
        for part, place in places
        for direction in ("+x", "+y", "+z")
    ]


def _wheel_sensors(specimen: Specimen, rig: Rig) -> list[Sensor]:
    """Each wheel sideways at the rim's height and fore and aft at the hub."""
    found = []
    for axle in specimen.axle:
        for _, sign in SIDES:
            foot = (axle.x_m, sign * axle.track_m / 2, rig.pan.rim_m)
            hub = (axle.x_m, sign * axle.track_m / 2, axle.tyre.radius_m)
            found.append(
                Sensor(name="side", quantity="displacement", unit="m", on=axle.name, position_m=foot, direction="+y")
            )
            found.append(
                Sensor(name="fore", quantity="displacement", unit="m", on=axle.name, position_m=hub, direction="+x")
            )
    return found
