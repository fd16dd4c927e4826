"""What a sensor reads of a linear model's motions.

=====================  ===============================================================================================
quantity               reading
=====================  ===============================================================================================
acceleration           along the direction, of the point; a tilted sensor also feels gravity (as DC-coupled ones do):
                       +x adds ``-g * pitch``, +y adds ``+g * roll``
velocity               of the point
displacement           of the point against the ground; with `section` ``spring left|right``: frame minus axle at that
                       spring, positive when the suspension extends
angle, angular         rotation about the direction of the body, its rate, its acceleration
velocity, ... acc.
strain, force,         `gauge` times the section force below
moment, stress
=====================  ===============================================================================================

Section forces are changes from the static state, of the axle or frame part that `on` names:

- ``spring left``, ``spring right``: force of the suspension side in compression (spring, friction and damper) [N];
- ``axle bending``: ``(wheel load * track / 2 - spring force * spring spacing / 2)``, mean of both sides: the moment at
  the middle of a beam axle that bends its ends up, its own inertia left out [N m];
- ``frame torsion``: moment the front part puts on the rear one: stiffness and damping times (roll front - roll
  rear) [N m];
- ``frame bending``: moment at the sensor's x: supports in front of it times their distance, less the inertia of the
  frame (spread evenly over its length) and of parts in front of it; ends bent up is positive [N m].
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from washboard.errors import ChannelError
from washboard.rig._bodies import SIDES, sensor_axis
from washboard.rig._description import Axle, Sensor
from washboard.rig._elements import spring_arm, wheel_name
from washboard.units import STANDARD_GRAVITY

if TYPE_CHECKING:
    from washboard.rig._linear_model import LinearModel

Complex = NDArray[np.complex128]


def sensor_response(model: LinearModel, sensor: Sensor, freq_hz: NDArray[np.float64], motions: Complex) -> Complex:
    """Reading of a sensor per unit input, shape (frequency, input), in SI. Raises ChannelError."""
    jw = 2j * np.pi * freq_hz[:, None]
    axis, sign = sensor_axis(sensor)
    if sensor.section and sensor.quantity != "displacement":
        return sensor.gauge * section_force(model, sensor, freq_hz, motions)
    if sensor.section in ("spring left", "spring right"):
        side = sensor.section.removeprefix("spring ")
        return _follow(motions, _spring_row(model, sensor, side))
    if sensor.quantity in ("angle", "angular velocity", "angular acceleration"):
        order = ("angle", "angular velocity", "angular acceleration").index(sensor.quantity)
        return sign * jw**order * _follow(motions, model.bodies.angle(sensor.on, axis))
    if sensor.quantity in ("displacement", "velocity", "acceleration"):
        order = ("displacement", "velocity", "acceleration").index(sensor.quantity)
        reading = jw**order * _follow(motions, model.bodies.point(sensor.on, sensor.position_m, axis))
        if sensor.quantity == "acceleration" and axis in "xy":
            tilt = _follow(motions, model.bodies.angle(sensor.on, "y" if axis == "x" else "x"))
            reading = reading + (-STANDARD_GRAVITY if axis == "x" else STANDARD_GRAVITY) * tilt
        return sign * reading
    raise ChannelError(
        f"channel '{sensor.name}': the model cannot give a {sensor.quantity} without a section; set section to spring "
        "left, spring right, axle bending, frame bending or frame torsion, or use a motion quantity"
    )


def _follow(motions: Complex, row: NDArray[np.float64]) -> Complex:
    followed: Complex = np.einsum("fdu,d->fu", motions, row)
    return followed


def _axle_of(model: LinearModel, sensor: Sensor) -> Axle:
    body = model.bodies.body(sensor.on)
    if not isinstance(body, Axle):
        raise ChannelError(f"channel '{sensor.name}': section '{sensor.section}' needs on = the name of an axle")
    return body


def _spring_row(model: LinearModel, sensor: Sensor, side: str) -> NDArray[np.float64]:
    axle = _axle_of(model, sensor)
    name = f"spring {wheel_name(axle, side)}"
    for spring in model.springs:
        if spring.name == name:
            return spring.row
    raise ChannelError(f"channel '{sensor.name}': axle {axle.name} is rigid and has no springs")


def element_force(model: LinearModel, name: str, freq_hz: NDArray[np.float64], motions: Complex) -> Complex:
    """Force of an element in compression (against a positive deflection: negative), per unit input. [N or N m]"""
    jw = 2j * np.pi * freq_hz[:, None]
    spring = next(spring for spring in model.springs if spring.name == name)
    stretch = _follow(motions, spring.row)
    for name_of_input, place in model.moves:
        if name_of_input in spring.inputs:
            stretch[:, place] -= 1.0
    pushed: Complex = -(spring.stiffness + jw * spring.damping) * stretch
    return pushed


def section_force(model: LinearModel, sensor: Sensor, freq_hz: NDArray[np.float64], motions: Complex) -> Complex:
    """The section force a sensor sees per unit input, shape (frequency, input). [N or N m]"""
    if sensor.section in ("spring left", "spring right"):
        axle = _axle_of(model, sensor)
        _spring_row(model, sensor, sensor.section.removeprefix("spring "))
        name = f"spring {wheel_name(axle, sensor.section.removeprefix('spring '))}"
        return element_force(model, name, freq_hz, motions)
    if sensor.section == "axle bending":
        axle = _axle_of(model, sensor)
        if axle.kind != "beam":
            raise ChannelError(f"channel '{sensor.name}': axle {axle.name} is no beam, so it has no bending section")
        total = np.zeros((len(freq_hz), motions.shape[2]), dtype=np.complex128)
        for side, _ in SIDES:
            wheel = wheel_name(axle, side)
            total += element_force(model, f"tyre {wheel}", freq_hz, motions) * axle.track_m / 4
            total -= element_force(model, f"spring {wheel}", freq_hz, motions) * spring_arm(axle) / 2
        return total
    if sensor.section == "frame torsion":
        return -element_force(model, "torsion", freq_hz, motions)
    return _frame_bending(model, sensor, freq_hz, motions)


def _frame_bending(model: LinearModel, sensor: Sensor, freq_hz: NDArray[np.float64], motions: Complex) -> Complex:
    bodies, specimen, at = model.bodies, model.bodies.specimen, sensor.position_m[0]
    jw = 2j * np.pi * freq_hz[:, None]
    total = np.zeros((len(freq_hz), motions.shape[2]), dtype=np.complex128)
    for spring in model.springs:
        if spring.kind in ("spring", "mount") or (spring.kind == "kingpin" and spring.name == "kingpin vertical"):
            x, sign = _acts_at(model, spring.name)
            if x > at:
                total += sign * element_force(model, spring.name, freq_hz, motions) * (x - at)
    for axle in specimen.axle:
        if axle.kind == "rigid" and axle.x_m > at:
            for side, _ in SIDES:
                total += element_force(model, f"tyre {wheel_name(axle, side)}", freq_hz, motions) * (axle.x_m - at)
            middle = bodies.frame_point("front", (axle.x_m, 0.0, axle.tyre.radius_m), "z")
            total -= axle.mass_kg * jw**2 * _follow(motions, middle) * (axle.x_m - at)
    for part in specimen.part:
        if not part.mount and part.cog_m[0] > at:
            centre = bodies.part_point(part, part.cog_m, "z")
            total -= part.mass_kg * jw**2 * _follow(motions, centre) * (part.cog_m[0] - at)
    front = specimen.frame.cog_m[0] + specimen.frame.size_m[0] / 2
    reach = min(max(front - at, 0.0), specimen.frame.size_m[0])
    per_metre = specimen.frame.mass_kg / specimen.frame.size_m[0]
    # Inertia of the stretch [at, at + reach], moving with heave and pitch: integrals of (x - at) and (x - at)(x - xc).
    heave, pitch = _follow(motions, bodies.row("heave")), _follow(motions, bodies.row("pitch"))
    arm = at - specimen.frame.cog_m[0]
    moment = per_metre * (reach**2 / 2 * heave - (reach**3 / 3 + arm * reach**2 / 2) * pitch)
    bent: Complex = total - jw**2 * moment
    return bent


def _acts_at(model: LinearModel, name: str) -> tuple[float, float]:
    """Where along x an element acts on the frame, and the sign that makes its compression push the frame up."""
    specimen = model.bodies.specimen
    for axle in specimen.axle:
        if name in (f"spring {wheel_name(axle, 'left')}", f"spring {wheel_name(axle, 'right')}"):
            return axle.x_m, 1.0
    for part in specimen.part:
        for number, mount in enumerate(part.mount, start=1):
            if name == f"mount {part.name} {number}":
                return mount.position_m[0], -1.0
    assert specimen.kingpin is not None
    return specimen.kingpin.x_m, 1.0
