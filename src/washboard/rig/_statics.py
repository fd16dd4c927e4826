"""Static loads of a specimen standing on level posts: statics of elastic supports, small motions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from washboard.errors import InputError
from washboard.rig._bodies import SIDES, Bodies
from washboard.rig._description import Specimen
from washboard.rig._elements import dense, elements, masses, wheel_name
from washboard.units import STANDARD_GRAVITY


@dataclass(frozen=True, kw_only=True, slots=True)
class StaticLoads:
    """What the specimen rests on, standing level at ride height.

    Parameters
    ----------
    wheel_n : mapping of wheel name to float
        Load under each wheel position, in the order axle 1 left, axle 1 right, ... [N]
    spring_n : mapping of str to float
        Load each suspension side carries (``"front left"``); none for rigid axles. [N]
    mount_n : mapping of str to float
        Load on each mount of a mounted part (``"cab 1"``). [N]
    kingpin_n : float
        Load on the kingpin, 0 without one. [N]
    mass_kg : float
        Of the whole specimen. [kg]
    cog_m : tuple of three floats
        Centre of gravity of the whole specimen. [m]
    """

    wheel_n: Mapping[str, float]
    spring_n: Mapping[str, float]
    mount_n: Mapping[str, float]
    kingpin_n: float
    mass_kg: float
    cog_m: tuple[float, float, float]


def static_loads(specimen: Specimen) -> StaticLoads:
    """Static loads of a specimen standing level on posts of equal height.

    Two axles, or an equalised group of axles and a kingpin (which share in proportion to their springs), follow from
    statics. More axles without a kingpin carry what a stiff frame on their springs puts on them. Left and right share
    as the springs, the frame's torsion and the anti-roll bars deflect.

    Raises
    ------
    InputError
        It would tip: an axle or the kingpin would have to be pulled down.
    """
    bodies = Bodies(specimen=specimen)
    springs = elements(bodies)
    stiffness = dense(tuple((spring.stiffness, spring.row) for spring in springs), bodies.count)
    weight = np.zeros(bodies.count)
    for mass, rows in masses(bodies):
        if len(rows) > 1:
            weight -= mass * STANDARD_GRAVITY * rows[-1]
    settled = np.linalg.solve(stiffness, weight)
    elastic = {spring.name: -spring.stiffness * float(spring.row @ settled) for spring in springs}
    sprung, kingpin_n = axle_loads(specimen)
    wheel_n: dict[str, float] = {}
    spring_n: dict[str, float] = {}
    for axle, load in zip(specimen.axle, sprung, strict=True):
        own = axle.mass_kg * STANDARD_GRAVITY
        for share_of, total, into in (("tyre", load + own, wheel_n), ("spring", load, spring_n)):
            if share_of == "spring" and axle.kind == "rigid":
                continue
            pair = [elastic[f"{share_of} {wheel_name(axle, side)}"] for side, _ in SIDES]
            for (side, _), part in zip(SIDES, pair, strict=True):
                into[wheel_name(axle, side)] = total * part / sum(pair)
    mass_kg, cog_m = whole_mass(specimen)
    return StaticLoads(
        wheel_n=wheel_n,
        spring_n=spring_n,
        mount_n={name[6:]: value for name, value in elastic.items() if name.startswith("mount ")},
        kingpin_n=kingpin_n,
        mass_kg=mass_kg,
        cog_m=cog_m,
    )


def axle_loads(specimen: Specimen) -> tuple[tuple[float, ...], float]:
    """Sprung load on each axle, and load on the kingpin. [N] Raises InputError when it would tip."""
    pieces = [(specimen.frame.mass_kg, specimen.frame.cog_m[0])]
    pieces += [(part.mass_kg, part.cog_m[0]) for part in specimen.part]
    weight = STANDARD_GRAVITY * sum(mass for mass, _ in pieces)
    moment = STANDARD_GRAVITY * sum(mass * x for mass, x in pieces)
    x = np.array([axle.x_m for axle in specimen.axle])
    k = np.array([axle.tyre.stiffness_n_m if axle.kind == "rigid" else axle.spring_n_m for axle in specimen.axle])
    kingpin_n = 0.0
    if specimen.kingpin is not None:
        centre = float(k @ x / k.sum())
        kingpin_n = float((moment - weight * centre) / (specimen.kingpin.x_m - centre))
        loads = (weight - kingpin_n) * k / k.sum()
    elif len(x) < 2:
        raise InputError(
            "[specimen]: stands on two axles or more, or on one and a kingpin; add the one that is missing"
        )
    else:
        moments = np.array([[k.sum(), k @ x], [k @ x, k @ x**2]])
        sink, slope = np.linalg.solve(moments, [weight, moment])
        loads = k * (sink + slope * x)
    if loads.min() <= 0 or kingpin_n < 0:
        where = "the kingpin" if kingpin_n < 0 else f"axle '{specimen.axle[int(loads.argmin())].name}'"
        raise InputError(
            f"[specimen]: does not stand, {where} would have to be pulled down; check frame.cog, masses and "
            "axle positions"
        )
    return tuple(float(load) for load in loads), kingpin_n


def whole_mass(specimen: Specimen) -> tuple[float, tuple[float, float, float]]:
    """Mass and centre of gravity of frame, parts and axles together. [kg, m]"""
    pieces = [(specimen.frame.mass_kg, specimen.frame.cog_m)]
    pieces += [(axle.mass_kg, (axle.x_m, 0.0, axle.tyre.radius_m)) for axle in specimen.axle]
    pieces += [(part.mass_kg, part.cog_m) for part in specimen.part]
    mass = sum(piece for piece, _ in pieces)
    x, y, z = (sum(piece * place[axis] for piece, place in pieces) / mass for axis in range(3))
    return mass, (x, y, z)
