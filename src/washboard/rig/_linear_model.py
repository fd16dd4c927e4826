"""The specimen on the rig as a linear model: mass, damping and stiffness matrices, modes, frequency response.

Degrees of freedom and signs: see `washboard.rig._bodies`. The equation of motion is::

    M q'' + C q' + K q = B u + D u'

with q the motions and u the inputs: height of each pan (up, m), then the kingpin's vertical height (m) and roll (rad).
Gravity acts in K: every static vertical force F on a body at height z above the point the body turns about adds
``F * (z - z0)`` to that body's roll and pitch stiffness (second-order term of the height of a tilted point; a tyre's
force keeps its point on the wheel). A frame resting on springs below its centre of gravity is so made softer.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from washboard.errors import InputError
from washboard.rig._bodies import SIDES, Bodies, Floats, pitches, rolls
from washboard.rig._description import Actuator, Rig, Sensor, Specimen
from washboard.rig._elements import Element, Linearisation, dense, elements, masses, wheel_name, wheel_names
from washboard.rig._naming import mode_names
from washboard.rig._sensing import sensor_response
from washboard.rig._statics import StaticLoads, static_loads
from washboard.units import STANDARD_GRAVITY

Complex = NDArray[np.complex128]


@dataclass(frozen=True, kw_only=True, slots=True)
class Modes:
    """Natural frequencies, damping and shapes, lowest frequency first.

    Parameters
    ----------
    freq_hz : ndarray, shape (mode,)
        Undamped natural frequency, the size of the eigenvalue over 2 pi; over-damped motions are left out. [Hz]
    damping : ndarray, shape (mode,)
        Share of critical damping. [-]
    shapes : ndarray of complex, shape (mode, dof)
        Motions of each degree of freedom, largest one 1.
    names : tuple of str
        What each mode mostly is, for example ``"roll"`` or ``"front heave"``; see `mode_names`.
    dofs : tuple of str
        Names of the degrees of freedom.
    """

    freq_hz: Floats
    damping: Floats
    shapes: Complex
    names: tuple[str, ...]
    dofs: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class LinearModel:
    """Mass, damping, stiffness and input matrices of a specimen on a rig.

    Parameters
    ----------
    mass, damping, stiffness : ndarray, shape (dof, dof)
        [kg, kg m2], [N s/m ...], [N/m ...]; see `Bodies` for the degrees of freedom.
    displacement_input, velocity_input : ndarray, shape (dof, input)
        B and D of the equation of motion.
    inputs : tuple of str
        Names of the inputs, in the order of the rig's actuators (of wheels, then kingpin, when there is no rig).
    moves : tuple of (str, int)
        Which wheel or kingpin motion each input moves.
    bodies : Bodies
        Degrees of freedom and how points move with them.
    springs : tuple of Element
        The linear elements the matrices were assembled from.
    loads : StaticLoads
        Static loads at which it was made linear.
    standing : bool
        Tyres standing on posts; else rolling.
    linearisation : Linearisation
        By which rules, and at which velocities, friction was made linear.
    """

    mass: Floats
    damping: Floats
    stiffness: Floats
    displacement_input: Floats
    velocity_input: Floats
    inputs: tuple[str, ...]
    bodies: Bodies
    springs: tuple[Element, ...]
    moves: tuple[tuple[str, int], ...]
    loads: StaticLoads
    standing: bool
    linearisation: Linearisation = field(default_factory=Linearisation)

    @property
    def dofs(self) -> tuple[str, ...]:
        """Names of the degrees of freedom."""
        return self.bodies.names

    def motions(self, freq_hz: Floats) -> Complex:
        """Motion of every degree of freedom per unit input, shape (frequency, dof, input)."""
        jw = 2j * np.pi * np.asarray(freq_hz, dtype=np.float64)[:, None, None]
        dynamic = self.stiffness + jw * self.damping + jw**2 * self.mass
        forcing = self.displacement_input + jw * self.velocity_input
        answer: Complex = np.linalg.solve(
            dynamic, np.broadcast_to(forcing, (len(freq_hz), *self.displacement_input.shape))
        )
        return answer

    def frf(self, freq_hz: Floats, sensors: Sequence[Sensor]) -> Complex:
        """Frequency response of `sensors` to the motion of the pans and the kingpin.

        Parameters
        ----------
        freq_hz : ndarray, shape (frequency,)
            [Hz]
        sensors : sequence of Sensor
            What is measured; see `sensor_response` for how each quantity is taken from the motions.

        Returns
        -------
        ndarray of complex, shape (frequency, response, drive)
            In SI units of each response per m (or rad) of each input.
        """
        freq_hz = np.atleast_1d(np.asarray(freq_hz, dtype=np.float64))
        motions = self.motions(freq_hz)
        rows = [sensor_response(self, sensor, freq_hz, motions) for sensor in sensors]
        return np.stack(rows, axis=1) if rows else np.zeros((len(freq_hz), 0, len(self.inputs)), dtype=np.complex128)

    def modes(self) -> Modes:
        """Eigenvalues and shapes of the damped system with the pans held still."""
        n = self.bodies.count
        inverse = np.linalg.inv(self.mass)
        state = np.block([[np.zeros((n, n)), np.eye(n)], [-inverse @ self.stiffness, -inverse @ self.damping]])
        values, vectors = np.linalg.eig(state)
        kept = np.flatnonzero(values.imag > 1e-6)
        kept = kept[np.argsort(np.abs(values[kept]))]
        shapes = vectors[:n, kept].T
        largest = np.abs(shapes * self._scale()).argmax(axis=1)
        shapes = shapes / shapes[np.arange(len(kept)), largest][:, None]
        return Modes(
            freq_hz=np.abs(values[kept]) / (2 * np.pi),
            damping=-values[kept].real / np.abs(values[kept]),
            shapes=shapes,
            names=mode_names(self.bodies, self.mass, shapes, self.loads.cog_m[2]),
            dofs=self.dofs,
        )

    def _scale(self) -> Floats:
        """Weight that makes metres and radians of different bodies comparable: root of each one's inertia."""
        return np.asarray(np.sqrt(np.diag(self.mass)))


def linear_model(
    specimen: Specimen,
    rig: Rig | None = None,
    *,
    standing: bool = True,
    linearisation: Linearisation | None = None,
    gravity: bool = True,
) -> LinearModel:
    """The linear model of a specimen, on a rig's posts or (without a rig) with one input per wheel.

    Parameters
    ----------
    specimen : Specimen
        The vehicle.
    rig : Rig, optional
        Its posts and kingpin actuators are matched to wheels and kingpin by position; the inputs are then the
        actuators, in their order. Wheels without a post stand on the floor.
    standing : bool
        Tyres standing (on posts) or rolling (on the road).
    linearisation : Linearisation, optional
        Rules for dampers, friction and tyres; friction slides unless said otherwise.
    gravity : bool
        Whether tilted weights soften pitch and roll.

    Raises
    ------
    InputError
        A post stands under no wheel, or a kingpin actuator has no kingpin.
    """
    bodies = Bodies(specimen=specimen)
    loads = static_loads(specimen)
    springs = elements(bodies, loads_n=dict(loads.wheel_n), standing=standing, linearisation=linearisation)
    stiffness = dense(tuple((spring.stiffness, spring.row) for spring in springs), bodies.count)
    if gravity:
        stiffness = stiffness + gravity_stiffness(bodies, loads)
    inputs, columns = _columns(specimen, rig)
    displacement, velocity = (np.zeros((bodies.count, len(inputs))) for _ in range(2))
    for spring in springs:
        for source in spring.inputs:
            for place in columns.get(source, ()):
                displacement[:, place] += spring.stiffness * spring.row
                velocity[:, place] += spring.damping * spring.row
    return LinearModel(
        mass=dense(tuple((mass, row) for mass, rows in masses(bodies) for row in rows), bodies.count),
        damping=dense(tuple((spring.damping, spring.row) for spring in springs), bodies.count),
        stiffness=stiffness,
        displacement_input=displacement,
        velocity_input=velocity,
        inputs=inputs,
        bodies=bodies,
        springs=springs,
        moves=tuple((name, place) for name, places in columns.items() for place in places),
        loads=loads,
        standing=standing,
        linearisation=linearisation or Linearisation(),
    )


def gravity_stiffness(bodies: Bodies, loads: StaticLoads) -> Floats:
    """What static forces on tilted bodies add to the stiffness matrix, shape (dof, dof)."""
    specimen, count = bodies.specimen, bodies.count
    zc = specimen.frame.cog_m[2]
    pairs: list[tuple[float, Floats]] = []

    def on_frame(part: str, force_up_n: float, height_m: float) -> None:
        pairs.extend((force_up_n * (height_m - zc), bodies.frame_angle(part, axis)) for axis in "xy")

    for axle in specimen.axle:
        part, radius = bodies.side_of_frame(axle.x_m), axle.tyre.radius_m
        for side, _ in SIDES:
            wheel = wheel_name(axle, side)
            if axle.kind == "rigid":
                # Rolling freely, the ground force stays under the hub when pitching; rolling sideways it acts below.
                force = loads.wheel_n[wheel]
                pairs.append((force * (radius - zc), bodies.frame_angle(part, "y")))
                pairs.append((force * (0.0 - zc), bodies.frame_angle(part, "x")))
                continue
            on_frame(part, loads.spring_n[wheel], axle.roll_centre_m)
            if axle.kind == "beam":
                moment = -loads.spring_n[wheel] * (axle.roll_centre_m - radius) - loads.wheel_n[wheel] * radius
                pairs.append((moment, bodies.axle_angle(axle, "x")))
        if axle.kind == "rigid":
            on_frame(part, -axle.mass_kg * STANDARD_GRAVITY, radius)
    for piece in specimen.part:
        if not piece.mount:
            on_frame(piece.on, -piece.mass_kg * STANDARD_GRAVITY, piece.cog_m[2])
            continue
        for number, mount in enumerate(piece.mount, start=1):
            load = loads.mount_n[f"{piece.name} {number}"]
            on_frame(piece.on, -load, mount.position_m[2])
            for axis in "xy":
                own = rolls(piece) if axis == "x" else pitches(piece)
                row = bodies.part_angle(piece, axis) if own else bodies.frame_angle(piece.on, axis)
                pairs.append((load * (mount.position_m[2] - piece.cog_m[2]), row))
    if specimen.kingpin is not None:
        on_frame(bodies.side_of_frame(specimen.kingpin.x_m), loads.kingpin_n, specimen.kingpin.height_m)
    return dense(tuple(pairs), count)


def _columns(specimen: Specimen, rig: Rig | None) -> tuple[tuple[str, ...], dict[str, tuple[int, ...]]]:
    """Names of the inputs and, for each wheel and kingpin motion, the input that moves it."""
    if rig is None:
        names = list(wheel_names(specimen))
        if specimen.kingpin is not None:
            names += ["kingpin vertical", "kingpin roll"]
        return tuple(names), {name: (place,) for place, name in enumerate(names)}
    under = wheel_of_posts(specimen, rig)
    columns: dict[str, tuple[int, ...]] = {wheel: (place,) for place, wheel in enumerate(under)}
    for place, actuator in enumerate(rig.kingpin, start=len(rig.post)):
        if specimen.kingpin is None:
            raise InputError(f"rig.kingpin '{actuator.name}': the specimen has no kingpin; add [specimen.kingpin]")
        columns[f"kingpin {actuator.axis}"] = (place,)
    return tuple(actuator.name for actuator in rig.actuators), columns


def wheel_of_posts(specimen: Specimen, rig: Rig) -> tuple[str, ...]:
    """The wheel position over each post, matched by position.

    Raises
    ------
    InputError
        A post is more than half a metre from every wheel, or two posts are under one wheel.
    """
    places = {
        wheel_name(axle, side): (axle.x_m, sign * axle.track_m / 2) for axle in specimen.axle for side, sign in SIDES
    }
    found: list[str] = []
    for post in rig.post:
        wheel = min(places, key=lambda name: _apart(places[name], post))
        apart = _apart(places[wheel], post)
        if apart > 0.5:
            raise InputError(
                f"rig.post '{post.name}' at x {post.position_m[0]:g} m, y {post.position_m[1]:g} m stands "
                f"{apart:.2f} m from the nearest wheel ({wheel}); move the post or correct the axle's x or track"
            )
        if wheel in found:
            raise InputError(f"rig.post '{post.name}' and another post are both nearest to the wheel {wheel}")
        found.append(wheel)
    return tuple(found)


def _apart(place: tuple[float, float], post: Actuator) -> float:
    return float(np.hypot(place[0] - post.position_m[0], place[1] - post.position_m[1]))


def with_matrices(model: LinearModel, **changes: Floats) -> LinearModel:
    """A copy of the model with some matrices replaced."""
    return dataclasses.replace(model, **changes)  # type: ignore[arg-type]
