"""Static loads of a specimen standing on level posts: statics of elastic supports, small motions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from washboard.rig._bodies import Bodies
from washboard.rig._description import Specimen
from washboard.rig._elements import dense, elements, masses
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
    """Static loads of a specimen let down, level, on posts of equal height.

    With more supports than statics can tell apart (three axles, left against right), the springs share the load as they
    deflect, from springs that all just touch.
    """
    bodies = Bodies(specimen=specimen)
    springs = elements(bodies, linearisation=None)
    stiffness = dense(tuple((element.stiffness, element.row) for element in springs), bodies.count)
    weight = np.zeros(bodies.count)
    for mass, rows in masses(bodies):
        if len(rows) == 3:
            weight -= mass * STANDARD_GRAVITY * rows[2]
    settled = np.linalg.solve(stiffness, weight)
    force = {element.name: -element.stiffness * float(element.row @ settled) for element in springs}
    mass_kg, cog_m = whole_mass(specimen)
    return StaticLoads(
        wheel_n={
            name[5:]: value for name, value in force.items() if name.startswith("tyre ") and "lateral" not in name
        },
        spring_n={name[7:]: value for name, value in force.items() if name.startswith("spring ")},
        mount_n={name[6:]: value for name, value in force.items() if name.startswith("mount ")},
        kingpin_n=force.get("kingpin vertical", 0.0),
        mass_kg=mass_kg,
        cog_m=cog_m,
    )


def whole_mass(specimen: Specimen) -> tuple[float, tuple[float, float, float]]:
    """Mass and centre of gravity of frame, parts and axles together. [kg, m]"""
    pieces = [(specimen.frame.mass_kg, specimen.frame.cog_m)]
    pieces += [(axle.mass_kg, (axle.x_m, 0.0, axle.tyre.radius_m)) for axle in specimen.axle]
    pieces += [(part.mass_kg, part.cog_m) for part in specimen.part]
    mass = sum(piece for piece, _ in pieces)
    x, y, z = (sum(piece * place[axis] for piece, place in pieces) / mass for axis in range(3))
    return mass, (x, y, z)
