"""Sensors: from the motion and the forces of the model to what an accelerometer, gauge or transducer would give."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard import units
from washboard.errors import InputError
from washboard.recording import Channel
from washboard.rig import Sensor
from washboard.simulate._assemble import PITCH, ROLL, YAW, Array, Body, Model, X, box_inertia
from washboard.simulate._kernel import read_trace
from washboard.simulate._tables import Tables
from washboard.units import STANDARD_GRAVITY

_AXES = {"x": 0, "y": 1, "z": 2}
_TURNS = {"x": ROLL, "y": PITCH, "z": YAW}


@dataclass(frozen=True, kw_only=True, slots=True)
class SensorRows:
    """Each sensor as a linear form on a row of the kernel's trace, in SI.

    Parameters
    ----------
    rows : ndarray, shape (sensor, place)
        Weights on a row of the trace.
    offset : ndarray, shape (sensor,)
        Added to it.
    place, weight : ndarray, shape (sensor, entry)
        The weights that are not zero, and where they stand, filled up with zeros.
    """

    rows: Array
    offset: Array
    place: NDArray[np.int64]
    weight: Array

    def read(self, trace: Array) -> NDArray[np.float64]:
        """What the sensors truly see, shape (sensor, time), for a trace of shape (time, place)."""
        out = np.empty((len(self.place), len(trace)))
        read_trace(trace, self.place, self.weight, self.offset, out)
        return out


def _packed(rows: Array, offset: Array) -> SensorRows:
    where = [np.flatnonzero(row) for row in rows]
    width = max(1, *(len(places) for places in where))
    place, weight = np.zeros((len(where), width), dtype=np.int64), np.zeros((len(where), width))
    for index, places in enumerate(where):
        place[index, : len(places)] = places
        weight[index, : len(places)] = rows[index, places]
    return SensorRows(rows=rows, offset=offset, place=place, weight=weight)


class _Rows:
    """Builds one sensor's row; `put` adds weights on a named part of the trace."""

    def __init__(self, model: Model, tables: Tables) -> None:
        self.model, self.places = model, tables.places
        self.tables = tables
        self.row = np.zeros(self.places["a"].stop)
        self.offset = 0.0

    def put(self, place: str, weights: Array | float, index: int | None = None) -> None:
        at = self.places[place]
        if index is None:
            self.row[at] += weights
        else:
            self.row[at.start + index] += weights


def _missing(sensor: Sensor, what: str) -> InputError:
    return InputError(f"channel '{sensor.name}': {what}")


def _wheel(rows: _Rows, sensor: Sensor, side: int) -> int:
    for index, wheel in enumerate(rows.model.wheels):
        if rows.model.specimen.axle[wheel.axle].name == sensor.on and wheel.side == side:
            return index
    raise _missing(sensor, f"section = \"{sensor.section}\" needs on = an axle's name, not '{sensor.on}'")


def _spring(rows: _Rows, sensor: Sensor, side: int) -> int:
    _wheel(rows, sensor, side)
    names = [rows.model.specimen.axle[number].name for number in rows.model.spring_axle]
    if sensor.on not in names:
        raise _missing(sensor, f"axle '{sensor.on}' is bolted to the frame and has no spring")
    return names.index(sensor.on) + (0 if side > 0 else 1)


def _point_motion(rows: _Rows, sensor: Sensor, body: Body) -> None:
    axis = _AXES[sensor.direction[1]]
    motion = body.at(sensor.position_m)[axis]
    place = {"acceleration": "a", "velocity": "v", "displacement": "q"}[sensor.quantity]
    rows.put(place, motion)
    if sensor.quantity == "acceleration":
        # A tilted accelerometer feels its share of gravity; the 1 g of a level vertical one is taken off.
        if axis == 1:
            rows.put("q", STANDARD_GRAVITY * body.motion[ROLL])
        elif axis == 0:
            rows.put("q", -STANDARD_GRAVITY * body.motion[PITCH])


def _turn(rows: _Rows, sensor: Sensor, body: Body) -> None:
    place = {"angle": "q", "angular velocity": "v", "angular acceleration": "a"}[sensor.quantity]
    rows.put(place, body.motion[_TURNS[sensor.direction[1]]])


def _spring_section(rows: _Rows, sensor: Sensor, side: int) -> None:
    index = _spring(rows, sensor, side)
    if sensor.quantity == "displacement":
        rows.put("q", rows.model.spring[index])
    elif sensor.quantity == "velocity":
        rows.put("v", rows.model.spring[index])
    elif sensor.quantity == "force":
        rows.put("spring", 1.0, index)
    else:
        # A gauge on the leaves sees the spring and its friction, not the damper beside it.
        axle = rows.model.specimen.axle[rows.model.spring_axle[index]]
        rows.put("q", axle.spring_n_m * rows.model.spring[index])
        rows.put("spring friction", 1.0, index)


def _axle_bending(rows: _Rows, sensor: Sensor) -> None:
    side = 1 if sensor.position_m[1] >= 0 else -1
    wheel = _wheel(rows, sensor, side)
    axle = rows.model.specimen.axle[rows.model.wheels[wheel].axle]
    arm = axle.track_m / 2 - abs(sensor.position_m[1] or axle.spring_spacing_m / 2)
    # The wheel end's mass is what makes the axle's roll inertia, put at the wheels.
    end_mass = min(axle.mass_kg / 2, 2 * axle.roll_inertia_kg_m2 / axle.track_m**2)
    rows.put("support", arm, wheel)
    rows.offset -= arm * rows.model.wheels[wheel].static_n
    rows.put("a", -arm * end_mass * rows.model.support[wheel])


def _frame_bending(rows: _Rows, sensor: Sensor) -> None:
    """Moment in the frame at the sensor's x, from everything ahead of it; positive when it sags."""
    model, cut = rows.model, sensor.position_m[0]
    frame = model.specimen.frame
    beam = model.bodies[0]

    def ahead(x_m: float) -> float:
        return max(0.0, x_m - cut)

    for index, number in enumerate(model.spring_axle):
        rows.put("spring", ahead(model.specimen.axle[number].x_m), index)
    for index, wheel in enumerate(model.wheels):
        axle = model.specimen.axle[wheel.axle]
        if axle.kind == "rigid":
            rows.put("support", ahead(wheel.x_m), index)
            rows.offset -= ahead(wheel.x_m) * wheel.static_n
            rows.put("a", -ahead(wheel.x_m) * axle.mass_kg / 2 * model.support[index])
    pin = model.specimen.kingpin
    if pin is not None:
        index = len(model.wheels)
        rows.put("support", ahead(pin.x_m), index)
        rows.offset -= ahead(pin.x_m) * float(model.support_static[index])
    for part in model.specimen.part:
        body, under = model.body(part.name), model.bodies[0 if part.on == "front" else 1]
        if not part.mount:
            rows.put("a", -ahead(part.cog_m[0]) * part.mass_kg * body.motion[2])
        for mount in part.mount:
            press = under.at(mount.position_m)[2] - body.at(mount.position_m)[2]
            rows.put("q", -ahead(mount.position_m[0]) * mount.stiffness_n_m * press)
            rows.put("v", -ahead(mount.position_m[0]) * mount.damping_n_s_m * press)
    _fore_aft_couples(rows, cut)
    inertia = frame.pitch_inertia_kg_m2 or box_inertia(frame.mass_kg, frame.size_m[0], frame.size_m[2])
    # A uniform beam of the frame's mass and pitch inertia, so that the moment vanishes at both ends.
    length = math.sqrt(12 * inertia / frame.mass_kg)
    cells = np.linspace(-length / 2, length / 2, 201)
    for x in (cells[1:] + cells[:-1]) / 2 + frame.cog_m[0]:
        point = (float(x), 0.0, frame.cog_m[2])
        rows.put("a", -ahead(float(x)) * frame.mass_kg / 200 * beam.at(point)[2])


def _fore_aft_couples(rows: _Rows, cut: float) -> None:
    """What axles and parts ahead add to the sagging moment as pitching moves them fore and aft."""
    specimen, centre = rows.model.specimen, rows.model.specimen.frame.cog_m[2]
    for axle in specimen.axle:
        bodies = [body for body in rows.model.bodies if body.name == axle.name]
        held = axle.tyre.radius_m if axle.kind == "rigid" else axle.roll_centre_m
        for body in bodies if axle.x_m > cut else ():
            rows.put("a", axle.mass_kg / len(bodies) * (held - centre) * body.motion[X])
    for part in specimen.part:
        if part.cog_m[0] > cut:
            body = rows.model.body(part.name)
            seat = sum(mount.position_m[2] for mount in part.mount) / len(part.mount) if part.mount else part.cog_m[2]
            rows.put("a", part.mass_kg * (seat - centre) * body.motion[X])
            if np.array_equal(body.motion[PITCH], rows.model.bodies[0].motion[PITCH]):
                rows.put("a", part.pitch_inertia_kg_m2 * body.motion[PITCH])


def _section(rows: _Rows, sensor: Sensor) -> None:
    frame = rows.model.specimen.frame
    match sensor.section:
        case "spring left":
            _spring_section(rows, sensor, 1)
        case "spring right":
            _spring_section(rows, sensor, -1)
        case "tyre left" | "tyre right":
            wheel = _wheel(rows, sensor, 1 if sensor.section == "tyre left" else -1)
            rows.put("support", 1.0, wheel)
            rows.offset -= rows.model.wheels[wheel].static_n
        case "kingpin":
            if rows.model.specimen.kingpin is None:
                raise _missing(sensor, "the specimen has no kingpin")
            rows.put("support", 1.0, len(rows.model.wheels))
            rows.offset -= float(rows.model.support_static[len(rows.model.wheels)])
        case "axle bending":
            _axle_bending(rows, sensor)
        case "frame bending":
            _frame_bending(rows, sensor)
        case _:
            twist = rows.model.bodies[0].motion[ROLL] - rows.model.bodies[1].motion[ROLL]
            rows.put("q", frame.torsion_nm_rad * twist)
            rows.put("v", frame.torsion_damping_nms_rad * twist)


def sensor_rows(model: Model, tables: Tables, sensors: tuple[Sensor, ...]) -> SensorRows:
    """What each sensor reads, in SI, as a linear form on the kernel's trace.

    Accelerometers, velocities and displacements are absolute motions of a point from static ride height; a spring's
    displacement is its travel, bump positive; strains, forces and moments are changes from the static state.

    Raises
    ------
    InputError
        A sensor sits on no body of the specimen, or cannot measure its quantity there.
    """
    made = []
    for sensor in sensors:
        rows = _Rows(model, tables)
        if sensor.section:
            _section(rows, sensor)
        else:
            body = model.body(sensor.on, sensor.position_m[1])
            if sensor.quantity in {"acceleration", "velocity", "displacement"}:
                _point_motion(rows, sensor, body)
            elif sensor.quantity in {"angle", "angular velocity", "angular acceleration"}:
                _turn(rows, sensor, body)
            else:
                raise _missing(sensor, f'a {sensor.quantity} needs a section, such as section = "axle bending"')
        sign = -1.0 if sensor.direction[0] == "-" else 1.0
        if sensor.quantity == "strain":
            sign *= sensor.gauge
        made.append((sign * rows.row, sign * rows.offset))
    return _packed(np.array([row for row, _o in made]), np.array([offset for _r, offset in made]))


def sensor_channel(sensor: Sensor, *, si: bool) -> Channel:
    """The channel a sensor makes, in SI or in its own unit."""
    unit = units.si_unit(sensor.unit, sensor.quantity) if si else sensor.unit
    scale = units.factor_to_si(sensor.unit, sensor.quantity)[0] if si else 1.0
    limits = None if sensor.limit is None else (-sensor.limit * scale, sensor.limit * scale)
    return Channel(
        name=sensor.name,
        unit=unit,
        quantity=sensor.quantity,
        position_m=sensor.position_m,
        direction=sensor.direction,
        limits=limits,
        description=sensor.section,
    )


def measure(true_si: Array, sensors: tuple[Sensor, ...], *, seed: int | list[int], si: bool) -> NDArray[np.float64]:
    """What the sensors give for the true values: noise, range and resolution, each in the sensor's own unit.

    Parameters
    ----------
    true_si : ndarray, shape (sensor, time)
        Values in SI.
    seed : int or list of int
        Of the noise.
    si : bool
        Give the result in SI rather than in each sensor's unit.
    """
    random = np.random.default_rng(seed)
    out = np.empty_like(true_si)
    for index, sensor in enumerate(sensors):
        scale, offset = units.factor_to_si(sensor.unit, sensor.quantity)
        value = (true_si[index] - offset) / scale
        if sensor.noise > 0:
            value = value + sensor.noise * random.standard_normal(value.shape)
        if sensor.resolution > 0:
            value = np.round(value / sensor.resolution) * sensor.resolution
        if sensor.limit is not None:
            value = np.clip(value, -sensor.limit, sensor.limit)
        out[index] = value * scale + offset if si else value
    return out
