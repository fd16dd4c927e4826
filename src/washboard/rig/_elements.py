"""Springs and dampers of a specimen as linear elements between its degrees of freedom and the rig's inputs.

An element deflects by ``e = row @ q - drive_row @ u`` and pushes back with ``k * e + c * de/dt``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from washboard.rig._bodies import SIDES, Bodies, Floats, frame_inertias
from washboard.rig._description import STOP_HARDENING, Axle, Specimen, Tyre

Friction = Literal["sliding", "stuck"]
ElementKind = Literal["tyre", "tyre lateral", "spring", "anti-roll", "mount", "torsion", "kingpin"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Linearisation:
    """How the specimen's non-linear elements are made linear.

    - Bilinear dampers: the mean of bump and rebound, which is exact for a Gaussian velocity of any level.
    - Dry friction, ``sliding``: where velocity and stretch over the element are known, Dahl's friction (1968) by
      harmonic balance at an amplitude of root 2 times the stretch: a stiffness and a damper (see `dahl`). Where they
      are not, ``c = sqrt(2 / pi) * F / sigma``, the damper of equal mean work for a Gaussian relative velocity of
      standard deviation `sigma`. ``stuck`` (amplitudes too small to slide): a leaf spring's friction is the spring
      `friction_stiffness_n_m`; a tyre's is nothing, its stiffness is already that of standing. A tyre's friction has
      the stiffness with which it slides after a fifth of the static deflection (common practice, no source).
    - Tyres that stiffen: the slope at static load, ``stiffness + 2 * stiffening * d``; standing, both times
      `standing_stiffness_ratio`.
    - Bump and rebound stops: their mean slope for a Gaussian stretch of the level where that is known, else the slope
      at rest, which is 0 unless the vehicle rests on them (`stop_stiffness`). Tyres do not lift.

    Source: statistical linearisation, for example Roberts and Spanos, Random Vibration and Statistical Linearization
    (1990), for the Gaussian rules.

    Parameters
    ----------
    friction : str
        ``"sliding"`` or ``"stuck"``.
    spring_velocity_m_s, tyre_velocity_m_s : float
        Standard deviation of the relative velocity over suspensions and over tyres. [m/s]
    velocities, stretches : mapping of str to float
        Standard deviations of relative velocity and of its integral per element name (for example ``"spring front
        left"``), where known. [m/s, m]
    """

    friction: Friction = "sliding"
    spring_velocity_m_s: float = 0.10
    tyre_velocity_m_s: float = 0.05
    velocities: dict[str, float] = field(default_factory=dict)
    stretches: dict[str, float] = field(default_factory=dict)

    def slides(self, name: str, friction_n: float, stiffness_n_m: float, usual_m_s: float) -> tuple[float, float]:
        """Equivalent stiffness and damping of sliding friction. [N/m, N s/m]"""
        if self.friction == "stuck" or friction_n == 0:
            return 0.0, 0.0
        velocity = max(self.velocities.get(name, usual_m_s), 1e-6)
        stretch = self.stretches.get(name, 0.0)
        if stretch <= 0 or stiffness_n_m <= 0:
            return 0.0, math.sqrt(2 / math.pi) * friction_n / velocity
        stiffness, quarter = dahl(friction_n, stiffness_n_m, math.sqrt(2) * stretch)
        return stiffness, quarter * stretch / velocity


def stop_stiffness(axle: Axle, stretch_m: float = 0.0) -> float:
    """Slope of the stops' force about rest, on the mean over a Gaussian stretch of a standard deviation. [N/m]

    For ``k over (1 + h over)`` beyond a gap g, with Q and phi of the normal distribution at ``z = g / sigma``:
    ``k (Q + 2 h sigma (phi - z Q))``.
    """
    total = 0.0
    for gap in (axle.bump_gap_m, axle.rebound_gap_m):
        if stretch_m > 0:
            z = gap / stretch_m
            beyond = math.erfc(z / math.sqrt(2)) / 2
            over = stretch_m * (math.exp(-z * z / 2) / math.sqrt(2 * math.pi) - z * beyond)
        else:
            beyond, over = (1.0 if gap < 0 else 0.0), max(-gap, 0.0)
        total += axle.stop_n_m * (beyond + 2 * STOP_HARDENING * over)
    return total


def dahl(friction_n: float, stiffness_n_m: float, amplitude_m: float) -> tuple[float, float]:
    """Dahl's friction ``dz/dx = k (1 - z/F sign(dx))`` under a sine, by harmonic balance.

    On the way up ``z = F - (F + z0) exp(-k (x + A) / F)`` with ``z0 = F tanh(k A / F)`` from symmetry; the parts of z
    in phase with x and with its rate, over A, are the equivalent stiffness and damping times circular frequency. [N/m]
    """
    steep = stiffness_n_m * amplitude_m / friction_n
    if steep < 1e-6:
        return stiffness_n_m, 0.0
    turn = (np.arange(200) + 0.5) / 200 * np.pi - np.pi / 2
    z = 1 - (1 + math.tanh(steep)) * np.exp(-steep * (np.sin(turn) + 1))
    scale = 2 * friction_n / (np.pi * amplitude_m) * np.pi / 200
    return float(scale * (z * np.sin(turn)).sum()), float(scale * (z * np.cos(turn)).sum())


@dataclass(frozen=True, kw_only=True, slots=True)
class Element:
    """One linear spring with damper.

    Parameters
    ----------
    name : str
        For example ``"tyre front left"`` or ``"spring rear right"``.
    row : ndarray, shape (dof,)
        Its deflection from the motions; for suspensions frame minus axle, for tyres wheel minus pan.
    inputs : mapping of str to float
        Share of each input (a wheel's or the kingpin's) that is taken off the deflection.
    stiffness, damping : float
        [N/m, N s/m] or per radian.
    rubbing : float
        The part of `damping` that stands for sliding friction.
    stop : float
        The part of `stiffness` that stands for bump and rebound stops.
    """

    name: str
    kind: ElementKind
    row: Floats
    stiffness: float
    damping: float = 0.0
    rubbing: float = 0.0
    stop: float = 0.0
    inputs: tuple[str, ...] = ()


def wheel_name(axle: Axle, side: str) -> str:
    """Name of a wheel position: the axle's name and ``left`` or ``right``."""
    return f"{axle.name} {side}"


def wheel_names(specimen: Specimen) -> tuple[str, ...]:
    """Wheel positions in the order axle 1 left, axle 1 right, axle 2 left, ..."""
    return tuple(wheel_name(axle, side) for axle in specimen.axle for side, _ in SIDES)


def tyre_deflection(tyre: Tyre, load_n: float, *, standing: bool = True) -> float:
    """Static deflection of a tyre under a load, from ``ratio * (stiffness * d + stiffening * d**2)``. [m]"""
    ratio = tyre.standing_stiffness_ratio if standing else 1.0
    force, k, s = max(load_n, 0.0) / ratio, tyre.stiffness_n_m, tyre.stiffening
    return 2 * force / (k + math.sqrt(k * k + 4 * s * force))


def tyre_stiffness(tyre: Tyre, load_n: float, *, standing: bool = True) -> float:
    """Slope of a tyre's radial force at static load. [N/m]"""
    ratio = tyre.standing_stiffness_ratio if standing else 1.0
    return ratio * (tyre.stiffness_n_m + 2 * tyre.stiffening * tyre_deflection(tyre, load_n, standing=standing))


def elements(
    bodies: Bodies,
    *,
    loads_n: dict[str, float] | None = None,
    standing: bool = True,
    linearisation: Linearisation | None = None,
) -> tuple[Element, ...]:
    """Every spring and damper of the specimen, made linear.

    Parameters
    ----------
    bodies : Bodies
        The specimen and its degrees of freedom.
    loads_n : mapping of wheel name to float, optional
        Static wheel loads at which tyres are made linear; without them, at no load. [N]
    standing : bool
        Tyres as they are on posts; else rolling.
    """
    rule = linearisation or Linearisation()
    found: list[Element] = []
    for axle in bodies.specimen.axle:
        found += _axle_elements(bodies, axle, loads_n or {}, standing, rule)
    frame = bodies.specimen.frame
    twist = bodies.row("roll front") - bodies.row("roll rear")
    found.append(
        Element(
            name="torsion",
            kind="torsion",
            row=twist,
            stiffness=frame.torsion_nm_rad,
            damping=frame.torsion_damping_nms_rad,
        )
    )
    for part in bodies.specimen.part:
        for number, mount in enumerate(part.mount, start=1):
            row = bodies.part_point(part, mount.position_m, "z") - bodies.frame_point(part.on, mount.position_m, "z")
            found.append(
                Element(
                    name=f"mount {part.name} {number}",
                    kind="mount",
                    row=row,
                    stiffness=mount.stiffness_n_m,
                    damping=mount.damping_n_s_m,
                )
            )
    return (*found, *_kingpin_elements(bodies))


def _axle_elements(
    bodies: Bodies, axle: Axle, loads_n: dict[str, float], standing: bool, rule: Linearisation
) -> list[Element]:
    found = []
    tyre, part = axle.tyre, bodies.side_of_frame(axle.x_m)
    for side, sign in SIDES:
        name = wheel_name(axle, side)
        contact = (axle.x_m, sign * axle.track_m / 2, 0.0)
        damping = tyre.standing_damping_n_s_m if standing else tyre.rolling_damping_n_s_m
        load = loads_n.get(name, 0.0)
        stiffness = tyre_stiffness(tyre, load, standing=standing)
        if standing:
            grip = 5 * tyre.standing_friction_n / max(tyre_deflection(tyre, load), 1e-6)
            more = rule.slides(f"tyre {name}", tyre.standing_friction_n, grip, rule.tyre_velocity_m_s)
            stiffness, damping = stiffness + more[0], damping + more[1]
        up, aside = bodies.axle_point(axle, contact, "z"), bodies.axle_point(axle, contact, "y")
        found.append(
            Element(name=f"tyre {name}", kind="tyre", row=up, stiffness=stiffness, damping=damping, inputs=(name,))
        )
        found.append(
            Element(
                name=f"tyre {name} lateral",
                kind="tyre lateral",
                row=aside,
                stiffness=tyre.lateral_stiffness_n_m,
                damping=tyre.lateral_damping_n_s_m,
            )
        )
    if axle.kind == "rigid":
        return found
    for side, sign in SIDES:
        name = f"spring {wheel_name(axle, side)}"
        foot = (axle.x_m, sign * axle.spring_spacing_m / 2, axle.roll_centre_m)
        row = bodies.frame_point(part, foot, "z") - bodies.axle_point(axle, foot, "z")
        stiffness, damping = axle.spring_n_m, (axle.bump_damping_n_s_m + axle.rebound_damping_n_s_m) / 2
        held, rubbing = rule.slides(name, axle.friction_n, axle.friction_stiffness_n_m, rule.spring_velocity_m_s)
        stop = stop_stiffness(axle, rule.stretches.get(name, 0.0))
        stiffness += held + stop
        if rule.friction == "stuck" and axle.friction_n > 0:
            stiffness += axle.friction_stiffness_n_m
        found.append(
            Element(
                name=name,
                kind="spring",
                row=row,
                stiffness=stiffness,
                damping=damping + rubbing,
                rubbing=rubbing,
                stop=stop,
            )
        )
    if axle.anti_roll_nm_rad > 0:
        if axle.kind == "beam":
            turn = bodies.axle_angle(axle, "x")
        else:
            turn = (bodies.row(f"{axle.name} left") - bodies.row(f"{axle.name} right")) / axle.track_m
        row = bodies.frame_angle(part, "x") - turn
        found.append(Element(name=f"anti-roll {axle.name}", kind="anti-roll", row=row, stiffness=axle.anti_roll_nm_rad))
    return found


def _kingpin_elements(bodies: Bodies) -> list[Element]:
    kingpin = bodies.specimen.kingpin
    if kingpin is None:
        return []
    point, part = (kingpin.x_m, 0.0, kingpin.height_m), bodies.side_of_frame(kingpin.x_m)
    return [
        Element(
            name="kingpin vertical",
            kind="kingpin",
            row=bodies.frame_point(part, point, "z"),
            stiffness=kingpin.stiffness_n_m,
            damping=kingpin.damping_n_s_m,
            inputs=("kingpin vertical",),
        ),
        Element(
            name="kingpin roll",
            kind="kingpin",
            row=bodies.frame_angle(part, "x"),
            stiffness=kingpin.roll_stiffness_nm_rad,
            damping=kingpin.roll_damping_nms_rad,
            inputs=("kingpin roll",),
        ),
        Element(
            name="kingpin lateral",
            kind="kingpin",
            row=bodies.frame_point(part, point, "y"),
            stiffness=kingpin.stiffness_n_m,
            damping=kingpin.damping_n_s_m,
        ),
    ]


def masses(bodies: Bodies) -> tuple[tuple[float, tuple[Floats, ...]], ...]:
    """Every mass or inertia with the rows of the motions it has: ``M = sum of m * row row^T``."""
    specimen, frame = bodies.specimen, bodies.specimen.frame
    roll, pitch = frame_inertias(specimen)
    front = frame.front_share
    found: list[tuple[float, tuple[Floats, ...]]] = [
        (frame.mass_kg, tuple(bodies.frame_point("front", frame.cog_m, axis) for axis in "xyz")),
        (roll * front, (bodies.row("roll front"),)),
        (roll * (1 - front), (bodies.row("roll rear"),)),
        (pitch, (bodies.row("pitch"),)),
        (pitch, (bodies.row("yaw"),)),
    ]
    for axle in specimen.axle:
        if axle.kind == "independent":
            for _, sign in SIDES:
                hub = (axle.x_m, sign * axle.track_m / 2, axle.tyre.radius_m)
                found.append((axle.mass_kg / 2, tuple(bodies.axle_point(axle, hub, axis) for axis in "xyz")))
            continue
        middle = (axle.x_m, 0.0, axle.tyre.radius_m)
        found.append((axle.mass_kg, tuple(bodies.axle_point(axle, middle, axis) for axis in "xyz")))
        found.append((axle.roll_inertia_kg_m2, (bodies.axle_angle(axle, "x"),)))
        found.append((axle.roll_inertia_kg_m2, (bodies.axle_angle(axle, "z"),)))
    for part in specimen.part:
        found.append((part.mass_kg, tuple(bodies.part_point(part, part.cog_m, axis) for axis in "xyz")))
        found.append((part.roll_inertia_kg_m2, (bodies.part_angle(part, "x"),)))
        found.append((part.pitch_inertia_kg_m2, (bodies.part_angle(part, "y"),)))
        found.append((part.pitch_inertia_kg_m2, (bodies.part_angle(part, "z"),)))
    return tuple(found)


def dense(pairs: tuple[tuple[float, Floats], ...], count: int) -> Floats:
    """The matrix ``sum of value * row row^T``, shape (count, count)."""
    total = np.zeros((count, count))
    for value, row in pairs:
        total += value * np.outer(row, row)
    return total
