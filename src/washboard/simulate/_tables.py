"""Tables of numbers the compiled kernel works on, made from a model and, on the rig, its actuators."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.errors import InputError
from washboard.rig import STOP_HARDENING, Actuator, Rig, Tyre
from washboard.simulate import _kernel as kernel
from washboard.simulate._assemble import Array, Model

#: Bulk modulus of hydraulic oil with a little air in it. [Pa] (Merritt 1967 gives 0.7 to 1.4 GPa in service.)
OIL_PA = 1.2e9
#: Damping ratio of the piston on its oil column. [-] (common practice, no source)
OIL_DAMPING = 0.15
#: Distance a rolling tyre travels while its side force builds up. [m] (about a tyre radius: common practice, no source)
RELAXATION_M = 0.5
#: Friction of a dry road. [-] (common practice, no source)
ROAD_FRICTION = 0.75


@dataclass(frozen=True, kw_only=True, slots=True)
class Tables:
    """What `_kernel.integrate` takes, for one vehicle on posts or rolling at one speed."""

    sizes: NDArray[np.int64]
    row: Array
    matrix: Array
    tyre: Array
    spring: Array
    side: Array
    post: Array
    on_posts: bool

    @property
    def n_state(self) -> int:
        """Length of the state."""
        n, n_wheels, n_support, n_spring = (int(size) for size in self.sizes)
        return 2 * n + (n_support + n_spring + n_wheels) + (n_wheels + n_spring + n_wheels) + 4 * n_support

    @property
    def places(self) -> dict[str, slice]:
        """Where in a row of the trace things stand, by name."""
        n, n_wheels, n_support, n_spring = (int(size) for size in self.sizes)
        lengths = {
            "q": n, "v": n, "support": n_support, "spring": n_spring, "side": n_wheels, "tyre friction": n_wheels,
            "spring friction": n_spring, "side friction": n_wheels, "servo": n_support, "servo velocity": n_support,
            "base": n_support, "base velocity": n_support, "a": n,
        }  # fmt: skip
        found, start = {}, 0
        for name, length in lengths.items():
            found[name] = slice(start, start + length)
            start += length
        return found


def static_deflection(tyre: Tyre, load_n: float, *, standing: bool) -> float:
    """How far a tyre is pressed in by its static load. [m]"""
    ratio = tyre.standing_stiffness_ratio if standing else 1.0
    k, k2 = tyre.stiffness_n_m * ratio, tyre.stiffening * ratio
    if k2 == 0:
        return load_n / k
    return (-k + math.sqrt(k * k + 4 * k2 * load_n)) / (2 * k2)


def _lanes(rows: Array) -> Array:
    """Rows as columns, shape (dof, element), with columns of zeros up to a whole number of the kernel's lanes."""
    missing = -len(rows) % kernel.LANES
    return np.ascontiguousarray(np.vstack([rows, np.zeros((missing, rows.shape[1]))]).T)


def _tyre_table(model: Model, *, standing: bool) -> Array:
    table = np.zeros((len(model.support), 7))
    for index, wheel in enumerate(model.wheels):
        tyre = model.specimen.axle[wheel.axle].tyre
        ratio = tyre.standing_stiffness_ratio if standing else 1.0
        rest = static_deflection(tyre, wheel.static_n, standing=standing)
        friction = tyre.standing_friction_n if standing else 0.0
        table[index, kernel.T_K] = tyre.stiffness_n_m * ratio
        table[index, kernel.T_K2] = tyre.stiffening * ratio
        table[index, kernel.T_C] = tyre.standing_damping_n_s_m if standing else tyre.rolling_damping_n_s_m
        table[index, kernel.T_REST] = rest
        if friction > 0:
            # Slides fully after about a fifth of the static deflection.
            table[index, kernel.T_FRIC_K] = 5 * friction / rest
            table[index, kernel.T_FRIC_RATE] = 5 / rest
        # Damping fades as the patch shrinks over the last tenth of the static deflection.
        table[index, kernel.T_FULL] = 10 / rest
    pin = model.specimen.kingpin
    if pin is not None:
        vertical = len(model.wheels)
        table[vertical, [kernel.T_K, kernel.T_C]] = pin.stiffness_n_m, pin.damping_n_s_m
        table[vertical, kernel.T_REST] = model.support_static[vertical] / pin.stiffness_n_m
        table[vertical + 1, [kernel.T_K, kernel.T_C]] = pin.roll_stiffness_nm_rad, pin.roll_damping_nms_rad
    return table


def _spring_table(model: Model) -> Array:
    table = np.zeros((len(model.spring), 10))
    for index, number in enumerate(model.spring_axle):
        axle = model.specimen.axle[number]
        # Stops that are pressed in at rest push then already; forces here are changes from rest.
        pressed = max(0.0, -axle.bump_gap_m)
        table[index] = (
            axle.spring_n_m,
            axle.bump_damping_n_s_m,
            axle.rebound_damping_n_s_m,
            axle.friction_stiffness_n_m if axle.friction_n > 0 else 0.0,
            axle.friction_stiffness_n_m / axle.friction_n if axle.friction_n > 0 else 0.0,
            axle.bump_gap_m,
            axle.rebound_gap_m,
            axle.stop_n_m,
            axle.stop_n_m * STOP_HARDENING,
            axle.stop_n_m * pressed * (1 + STOP_HARDENING * pressed),
        )
    return table


def _side_table(model: Model, *, friction: float, speed_m_s: float) -> Array:
    table = np.zeros((len(model.wheels), 6))
    for index, wheel in enumerate(model.wheels):
        tyre = model.specimen.axle[wheel.axle].tyre
        table[index] = (
            tyre.lateral_stiffness_n_m,
            tyre.lateral_damping_n_s_m,
            friction,
            # An unloaded patch slides at once; the floor keeps the slip rate within what a step resolves.
            0.02 * friction * wheel.static_n + 20.0,
            speed_m_s / RELAXATION_M,
            2 / wheel.static_n,
        )
    return table


def oil_column_n_m(actuator: Actuator) -> float:
    """Stiffness of an actuator's oil at mid stroke: ``4 beta A^2 / V``, both chambers and lines. [N/m]

    Source: H. E. Merritt, Hydraulic Control Systems (1967).
    """
    volume = actuator.piston_area_m2 * actuator.stroke_m + 2 * actuator.dead_volume_m3
    return 4 * OIL_PA * actuator.piston_area_m2**2 / volume


def _post_row(actuator: Actuator, rig: Rig, static_n: float) -> tuple[float, ...]:
    lever = actuator.lever_m if actuator.axis == "roll" else 1.0
    omega = 2 * math.pi * actuator.bandwidth_hz
    # Position loop around a first-order valve, tuned to a Butterworth of the stated bandwidth.
    lag = math.sqrt(2) * omega
    pressure = rig.supply.pressure_pa - rig.supply.return_pressure_pa
    stall = pressure * actuator.piston_area_m2
    no_load = actuator.rated_flow_m3_s * math.sqrt(pressure / actuator.rated_drop_pa) / actuator.piston_area_m2
    oil, mass = oil_column_n_m(actuator), actuator.moving_mass_kg
    force = min(stall, actuator.rated_force_n)
    if abs(static_n) / lever > 0.8 * force:
        raise InputError(
            f"actuator '{actuator.name}' has {force / 1e3:.0f} kN but stands under {static_n / 1e3:.0f} kN at rest; "
            "it needs a larger rated_force or piston_area"
        )
    return (
        omega * omega / lag,
        lag,
        actuator.max_acceleration_m_s2 / lever,
        actuator.max_velocity_m_s / lever,
        no_load / lever,
        force * lever,
        oil * lever**2,
        2 * OIL_DAMPING * math.sqrt(oil * mass) * lever**2,
        1 / (mass * lever**2),
        static_n,
        1 / (force * lever),
    )


def _equations(model: Model) -> Array:
    """Accelerations as a matrix on [q, v, support, spring, side forces], last column constant."""
    right = np.hstack([
        -model.stiffness,
        -model.damping,
        model.support.T,
        -model.spring.T,
        -model.side.T,
        -(model.support.T @ model.support_static)[:, None],
    ])  # fmt: skip
    return np.ascontiguousarray(np.linalg.solve(model.mass, right))


def _tables(model: Model, *, rig: Rig | None, speed_m_s: float) -> Tables:
    standing = rig is not None
    friction = rig.pan.friction if rig is not None else ROAD_FRICTION
    post = np.ones((len(model.support), 11))
    if rig is not None:
        post = np.array([_post_row(a, rig, load) for a, load in zip(rig.actuators, model.support_static, strict=True)])
    return Tables(
        sizes=np.array([model.n_dofs, len(model.wheels), len(model.support), len(model.spring)], dtype=np.int64),
        row=_lanes(np.vstack([model.support, model.spring, model.side])),
        matrix=_equations(model),
        tyre=_tyre_table(model, standing=standing),
        spring=_spring_table(model),
        side=_side_table(model, friction=friction, speed_m_s=speed_m_s),
        post=post,
        on_posts=standing,
    )


def tables_on_posts(model: Model, rig: Rig) -> Tables:
    """Tables of the vehicle standing on the actuators of `rig`, one per wheel (and two at a kingpin).

    Raises
    ------
    InputError
        The actuators do not match the wheels, or cannot carry them.
    """
    kinds = ["vertical"] * len(model.wheels) + (["vertical", "roll"] if model.specimen.kingpin else [])
    have = [actuator.axis for actuator in rig.actuators]
    if have != kinds:
        pin = ", then a vertical and a roll actuator at the kingpin" if model.specimen.kingpin else ""
        raise InputError(
            f"the specimen stands on {len(model.wheels)} wheels, so the rig needs {len(model.wheels)} posts (axle 1 "
            f"left, axle 1 right, axle 2 left, ...){pin}; it has {len(rig.post)} posts and {len(rig.kingpin)} kingpin "
            "actuators"
        )
    return _tables(model, rig=rig, speed_m_s=0.0)


def tables_on_road(model: Model, *, speed_m_s: float) -> Tables:
    """Tables of the vehicle rolling at `speed_m_s`; its supports move as the road under them does."""
    return _tables(model, rig=None, speed_m_s=speed_m_s)
