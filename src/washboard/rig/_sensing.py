"""What a sensor reads of a linear model's motions.

=====================  ===============================================================================================
quantity               reading
=====================  ===============================================================================================
acceleration           along the direction, of the point; a tilted sensor also feels gravity (as DC-coupled ones do):
                       +x adds ``-g * pitch``, +y adds ``+g * roll``
velocity               of the point
displacement           of the point against the ground; with `section` ``spring left|right`` the travel of that
                       suspension, wheel minus frame, bump positive (and its rate as a velocity)
angle, angular         rotation about the direction of the body, its rate, its acceleration
velocity, ... acc.
strain                 `gauge` times the section force below
force, moment, stress  the section force itself
=====================  ===============================================================================================

Section forces are changes from the static state, of the axle or frame part that `on` names:

- ``spring left``, ``spring right``: force of the suspension side in compression: as a force with the damper, otherwise
  (a gauge on the leaves) spring and friction alone [N];
- ``tyre left``, ``tyre right``: wheel load; ``kingpin``: its vertical load [N];
- ``axle bending``: moment that bends the ends up, at the sensor's y (0: at the spring): wheel load less the inertia of
  the wheel's end, times the arm from there to the middle of the wheel [N m];
- ``frame torsion``: stiffness and damping times (roll front - roll rear) [N m];
- ``frame bending``: moment at the sensor's x, sagging positive: supports in front of it times their distance, less the
  inertia of parts and frame in front of it; the frame as a uniform beam of its mass and pitch inertia [N m].
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from washboard.errors import ChannelError
from washboard.rig._bodies import SIDES, Bodies, frame_inertias, mount_middle, pitches, sensor_axis
from washboard.rig._description import Axle, Sensor
from washboard.rig._elements import Element, wheel_name
from washboard.units import STANDARD_GRAVITY

Complex = NDArray[np.complex128]


class Sensed(Protocol):
    """What a sensor's reading is worked out from: bodies, elements, and which wheel or pin each input moves."""

    @property
    def bodies(self) -> Bodies:
        """Degrees of freedom and how points move with them."""

    @property
    def springs(self) -> Sequence[Element]:
        """The linear elements."""

    @property
    def moves(self) -> Sequence[tuple[str, int]]:
        """Which wheel or kingpin motion each input moves."""


def sensor_response(model: Sensed, sensor: Sensor, freq_hz: NDArray[np.float64], motions: Complex) -> Complex:
    """Reading of a sensor per unit input, shape (frequency, input), in SI. Raises ChannelError."""
    jw = 2j * np.pi * freq_hz[:, None]
    axis, sign = sensor_axis(sensor)
    if sensor.section and sensor.quantity not in ("displacement", "velocity"):
        gauge = sensor.gauge if sensor.quantity == "strain" else 1.0
        return sign * gauge * section_force(model, sensor, freq_hz, motions)
    if sensor.section:
        travel = -_follow(motions, _spring_row(model, sensor, sensor.section.removeprefix("spring ")))
        return sign * travel * (jw if sensor.quantity == "velocity" else 1.0)
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


def _axle_of(model: Sensed, sensor: Sensor) -> Axle:
    body = model.bodies.body(sensor.on)
    if not isinstance(body, Axle):
        raise ChannelError(f"channel '{sensor.name}': section '{sensor.section}' needs on = the name of an axle")
    return body


def _spring_row(model: Sensed, sensor: Sensor, side: str) -> NDArray[np.float64]:
    axle = _axle_of(model, sensor)
    name = f"spring {wheel_name(axle, side)}"
    for spring in model.springs:
        if spring.name == name:
            return spring.row
    raise ChannelError(f"channel '{sensor.name}': axle {axle.name} is rigid and has no springs")


def element_force(
    model: Sensed, name: str, freq_hz: NDArray[np.float64], motions: Complex, *, damper: bool = True
) -> Complex:
    """Force of an element in compression (against a positive deflection: negative), per unit input. [N or N m]

    Without `damper`, that of the spring and its friction alone: no damper, no stops.
    """
    jw = 2j * np.pi * freq_hz[:, None]
    spring = next(spring for spring in model.springs if spring.name == name)
    stretch = _follow(motions, spring.row)
    for name_of_input, place in model.moves:
        if name_of_input in spring.inputs:
            stretch[:, place] -= 1.0
    stiffness, damping = spring.stiffness, spring.damping
    if not damper:
        stiffness, damping = stiffness - spring.stop, spring.rubbing
    pushed: Complex = -(stiffness + jw * damping) * stretch
    return pushed


def section_force(model: Sensed, sensor: Sensor, freq_hz: NDArray[np.float64], motions: Complex) -> Complex:
    """The section force a sensor sees per unit input, shape (frequency, input). [N or N m]"""
    where, _, side = sensor.section.partition(" ")
    if where == "spring":
        _spring_row(model, sensor, side)
        name = f"spring {wheel_name(_axle_of(model, sensor), side)}"
        return element_force(model, name, freq_hz, motions, damper=sensor.quantity == "force")
    if where == "tyre":
        return element_force(model, f"tyre {wheel_name(_axle_of(model, sensor), side)}", freq_hz, motions)
    if where == "kingpin":
        if model.bodies.specimen.kingpin is None:
            raise ChannelError(f"channel '{sensor.name}': section 'kingpin', but the specimen has none")
        return element_force(model, "kingpin vertical", freq_hz, motions)
    if sensor.section == "axle bending":
        return _axle_bending(model, sensor, freq_hz, motions)
    if sensor.section == "frame torsion":
        return -element_force(model, "torsion", freq_hz, motions)
    return _frame_bending(model, sensor, freq_hz, motions)


def _axle_bending(model: Sensed, sensor: Sensor, freq_hz: NDArray[np.float64], motions: Complex) -> Complex:
    axle = _axle_of(model, sensor)
    y = sensor.position_m[1]
    side, sign = ("left", 1.0) if y >= 0 else ("right", -1.0)
    arm = axle.track_m / 2 - abs(y or axle.spring_spacing_m / 2)
    # Masses at the two wheels that make the axle's roll inertia.
    end_kg = min(axle.mass_kg / 2, 2 * axle.roll_inertia_kg_m2 / axle.track_m**2)
    rise = _follow(motions, model.bodies.axle_point(axle, (axle.x_m, sign * axle.track_m / 2, 0.0), "z"))
    inertia = -((2 * np.pi * freq_hz[:, None]) ** 2) * end_kg * rise
    load = element_force(model, f"tyre {wheel_name(axle, side)}", freq_hz, motions)
    bent: Complex = arm * (load - inertia)
    return bent


def _frame_bending(model: Sensed, sensor: Sensor, freq_hz: NDArray[np.float64], motions: Complex) -> Complex:
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
    total += _fore_aft_couples(model, at, freq_hz, motions)
    # A uniform beam of the frame's mass and pitch inertia, so that the moment vanishes at both ends.
    length = float(np.sqrt(12 * frame_inertias(specimen)[1] / specimen.frame.mass_kg))
    reach = min(max(specimen.frame.cog_m[0] + length / 2 - at, 0.0), length)
    start = specimen.frame.cog_m[0] + length / 2 - reach
    per_metre = specimen.frame.mass_kg / length
    # Inertia of the stretch from `start` on, moving with heave and pitch: integrals of (x - at) and (x - at)(x - xc).
    heave, pitch = _follow(motions, bodies.row("heave")), _follow(motions, bodies.row("pitch"))
    ahead, arm = start - at, start - specimen.frame.cog_m[0]
    lever = reach**2 / 2 + ahead * reach
    square = reach**3 / 3 + (ahead + arm) * reach**2 / 2 + ahead * arm * reach
    moment = per_metre * (lever * heave - square * pitch)
    bent: Complex = total - jw**2 * moment
    return bent


def _fore_aft_couples(
    model: Sensed, at: float, freq_hz: NDArray[np.float64], motions: Complex
) -> Complex | NDArray[np.float64]:
    """What axles and parts ahead of `at` add to the sagging moment as pitching moves them fore and aft."""
    bodies, specimen = model.bodies, model.bodies.specimen
    jw2 = (2j * np.pi * freq_hz[:, None]) ** 2
    zc = specimen.frame.cog_m[2]
    total = np.zeros((len(freq_hz), motions.shape[2]), dtype=np.complex128)
    for axle in specimen.axle:
        if axle.x_m > at:
            held = axle.tyre.radius_m if axle.kind == "rigid" else axle.roll_centre_m
            carried = _follow(motions, bodies.axle_point(axle, (axle.x_m, 0.0, axle.tyre.radius_m), "x"))
            total += axle.mass_kg * (held - zc) * jw2 * carried
    for part in specimen.part:
        if part.cog_m[0] > at:
            held = mount_middle(part)[2] if part.mount else part.cog_m[2]
            total += part.mass_kg * (held - zc) * jw2 * _follow(motions, bodies.part_point(part, part.cog_m, "x"))
            if not pitches(part):
                total += part.pitch_inertia_kg_m2 * jw2 * _follow(motions, bodies.part_angle(part, "y"))
    return total


def _acts_at(model: Sensed, name: str) -> tuple[float, float]:
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
