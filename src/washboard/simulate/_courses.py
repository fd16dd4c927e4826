"""Courses of the invented scenarios: what the road of each event is made of, and how each lap of it is driven.

Every road, speed and obstacle here is invented. A lap differs from the next by its speed, by its line across the road
(other fine roughness, obstacles met a little earlier or later) and by the noise of the sensors.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from washboard.errors import InputError
from washboard.recording import Recording
from washboard.rig import Sensor, Specimen
from washboard.settings import Progress, no_progress
from washboard.simulate import _obstacles as obstacle
from washboard.simulate._assemble import Array
from washboard.simulate._field import LEAD_S, drive_over
from washboard.simulate._road import Road, class_roughness, random_road

#: Adds the heights of an event's obstacles for distances [m] and a lap's own random numbers.
Obstacles = Callable[[Array, np.random.Generator, int], Array]


@dataclass(frozen=True, kw_only=True, slots=True)
class Course:
    """One event: the ground it runs over, what lies on it, and how it is driven.

    Parameters
    ----------
    distance_m : float
        Of one lap. [m]
    speed_m_s : float
        Of the first lap; later laps are a few per cent slower or faster. [m/s]
    roughness_m3 : float
        Gd(n0) of the ground. [m3]
    obstacles : callable
        What lies on it, beyond the lead-in.
    """

    name: str
    distance_m: float
    speed_m_s: float
    roughness_m3: float
    obstacles: Obstacles
    track_m: float = 2.0


def _rocks(x: Array, random: np.random.Generator, seed: int) -> Array:
    """A haul ramp: it gets steeper and flatter again, with bedded rocks here and there."""
    steep = obstacle.slope(x, at_m=40.0, length_m=18.0, grade=0.05)
    flat = obstacle.slope(x, at_m=110.0, length_m=18.0, grade=0.05)
    return steep - flat + _bedded(x, random, seed)


def _bedded(x: Array, random: np.random.Generator, seed: int) -> Array:
    """Rocks bedded in the ground."""
    total = np.zeros((2, len(x)))
    fixed = np.random.default_rng([seed, 3])
    for at in np.cumsum(fixed.uniform(3.5, 11.0, 30)) + 4.0:
        sides = obstacle.LEFT if fixed.random() < 0.5 else obstacle.RIGHT
        height = fixed.uniform(0.025, 0.075) * random.uniform(0.8, 1.1)
        total = total + obstacle.hump(
            x, at_m=at + random.normal(0, 0.1), length_m=fixed.uniform(0.5, 1.4), height_m=height, sides=sides
        )
    return total


def _setts(x: Array, _random: np.random.Generator, seed: int) -> Array:
    return obstacle.cobbles(x, start_m=2.0, end_m=float(x[-1]), pitch_m=0.16, height_m=0.014, seed=[seed, 3])


def _corrugated(x: Array, random: np.random.Generator, seed: int) -> Array:
    return obstacle.corrugation(
        x, start_m=6.0, end_m=float(x[-1]) - 4, wave_m=0.9, height_m=0.019 * random.uniform(0.93, 1.05),
        seed=[seed, 3], shift_m=0.12,
    )  # fmt: skip


def _potholes(x: Array, random: np.random.Generator, seed: int) -> Array:
    fixed = np.random.default_rng([seed, 3])
    total = np.zeros((2, len(x)))
    for index, at in enumerate(np.cumsum(fixed.uniform(6.0, 11.0, 13)) + 6.0):
        sides = (obstacle.LEFT, obstacle.RIGHT, obstacle.BOTH)[int(fixed.choice(3, p=[0.45, 0.4, 0.15]))]
        total = total + obstacle.pothole(
            x, at_m=at + random.normal(0, 0.15), length_m=fixed.uniform(0.6, 1.1),
            depth_m=fixed.uniform(0.04, 0.075) * random.uniform(0.85, 1.05), sides=sides,
        )  # fmt: skip
        if index == 8:
            total = total + obstacle.cross_ditch(x, at_m=at + 3.5, length_m=2.2, depth_m=0.09, skew_m=0.7)
    return total


def _kerbs(x: Array, random: np.random.Generator, seed: int) -> Array:
    fixed = np.random.default_rng([seed, 3])
    total = np.zeros((2, len(x)))
    order = (obstacle.LEFT, obstacle.RIGHT, obstacle.BOTH, obstacle.LEFT, obstacle.RIGHT)
    for index, sides in enumerate(order):
        at = 7.0 + 11.0 * index + random.normal(0, 0.2)
        total = total + obstacle.kerb(
            x, at_m=at, length_m=fixed.uniform(2.0, 3.5), height_m=fixed.uniform(0.06, 0.09), sides=sides
        )
    return total


def _ruts(x: Array, random: np.random.Generator, seed: int) -> Array:
    """Soft ground with ruts and clods: long waves out of step left and right, a stone here and there."""
    total = obstacle.furrows(x, start_m=1.0, end_m=float(x[-1]), wave_m=2.3, height_m=0.028, seed=[seed, 3])
    fixed = np.random.default_rng([seed, 5])
    for at in np.cumsum(fixed.uniform(2.0, 6.0, 14)) + 2.0:
        sides = obstacle.LEFT if fixed.random() < 0.5 else obstacle.RIGHT
        total = total + obstacle.hump(
            x, at_m=at + random.normal(0, 0.05), length_m=fixed.uniform(0.3, 0.6), height_m=fixed.uniform(0.02, 0.05),
            sides=sides,
        )  # fmt: skip
    return total


def _furrows(x: Array, random: np.random.Generator, seed: int) -> Array:
    return obstacle.furrows(
        x, start_m=3.0, end_m=float(x[-1]) - 2, wave_m=0.8, height_m=0.042 * random.uniform(0.93, 1.05),
        seed=[seed, 3],
    )  # fmt: skip


def _stones(x: Array, random: np.random.Generator, seed: int) -> Array:
    fixed = np.random.default_rng([seed, 3])
    total = np.zeros((2, len(x)))
    for at in np.cumsum(fixed.uniform(1.5, 5.0, 40)) + 3.0:
        sides = obstacle.LEFT if fixed.random() < 0.5 else obstacle.RIGHT
        total = total + obstacle.hump(
            x, at_m=at + random.normal(0, 0.08), length_m=fixed.uniform(0.3, 0.7), height_m=fixed.uniform(0.015, 0.04),
            sides=sides,
        )  # fmt: skip
    return total


def _row_ends(x: Array, random: np.random.Generator, seed: int) -> Array:
    fixed = np.random.default_rng([seed, 3])
    total = np.zeros((2, len(x)))
    for at in np.cumsum(fixed.uniform(5.5, 7.5, 6)):
        total = total + obstacle.cross_ditch(
            x, at_m=at + random.normal(0, 0.1), length_m=fixed.uniform(1.2, 1.9), depth_m=fixed.uniform(0.06, 0.1),
            skew_m=fixed.uniform(-0.7, 0.7),
        )  # fmt: skip
    return total


def _banks(x: Array, random: np.random.Generator, _seed: int) -> Array:
    return obstacle.twist_humps(
        x, at_m=4.0 + random.normal(0, 0.1), pitch_m=2.3, count=19, height_m=0.08 * random.uniform(0.9, 1.05)
    )


def _landing(x: Array, random: np.random.Generator, seed: int) -> Array:
    """A log landing: roots across, stumps under one side, holes."""
    fixed = np.random.default_rng([seed, 3])
    total = np.zeros((2, len(x)))
    for index, at in enumerate(np.cumsum(fixed.uniform(4.0, 8.5, 10)) + 2.0):
        where = at + random.normal(0, 0.12)
        sides = (obstacle.LEFT, obstacle.RIGHT, obstacle.BOTH)[index % 3]
        if index % 4 == 3:
            shape = obstacle.pothole(
                x, at_m=where, length_m=fixed.uniform(0.9, 1.5), depth_m=fixed.uniform(0.05, 0.09), sides=sides
            )
        else:
            shape = obstacle.hump(
                x, at_m=where, length_m=fixed.uniform(0.7, 1.6), height_m=fixed.uniform(0.06, 0.12), sides=sides
            )
        total = total + shape
    return total


def _forest_ditches(x: Array, random: np.random.Generator, seed: int) -> Array:
    fixed = np.random.default_rng([seed, 3])
    total = np.zeros((2, len(x)))
    for at in np.cumsum(fixed.uniform(9.0, 14.0, 7)):
        total = total + obstacle.cross_ditch(
            x, at_m=at + random.normal(0, 0.15), length_m=fixed.uniform(1.8, 2.8), depth_m=fixed.uniform(0.07, 0.11),
            skew_m=fixed.uniform(-1.2, 1.2),
        )  # fmt: skip
    return total


def _slabs(x: Array, _random: np.random.Generator, seed: int) -> Array:
    """Concrete slabs that have tilted: small steps at every joint, a deeper gap now and then."""
    fixed = np.random.default_rng([seed, 3])
    total = np.zeros((2, len(x)))
    for index, at in enumerate(np.arange(6.0, float(x[-1]), 7.5)):
        height = fixed.uniform(0.004, 0.014)
        total = total + obstacle.kerb(x, at_m=at, length_m=3.6, height_m=height, sides=obstacle.BOTH)
        if index % 6 == 4:
            total = total + obstacle.pothole(
                x, at_m=at + 3.7, length_m=0.5, depth_m=fixed.uniform(0.025, 0.04), sides=obstacle.BOTH
            )
    return total


def _haul(x: Array, random: np.random.Generator, seed: int) -> Array:
    return obstacle.corrugation(
        x, start_m=6.0, end_m=float(x[-1]) - 4, wave_m=1.0, height_m=0.017 * random.uniform(0.93, 1.05),
        seed=[seed, 3], shift_m=0.15,
    )  # fmt: skip


def _course(name: str, distance_m: float, speed_m_s: float, roughness_m3: float, obstacles: Obstacles) -> Course:
    return Course(name=name, distance_m=distance_m, speed_m_s=speed_m_s, roughness_m3=roughness_m3, obstacles=obstacles)


#: The events of each scenario, in the order of its programme file.
COURSES: dict[str, tuple[Course, ...]] = {
    "quarry-tipper": (
        _course("haul ramp", 180, 6.5, class_roughness("D") / 2, _rocks),
        _course("cobbled yard", 125, 5.0, class_roughness("C"), _setts),
        _course("washboard lane", 200, 8.0, class_roughness("B"), _corrugated),
        _course("pothole row", 130, 5.0, class_roughness("C"), _potholes),
        _course("kerb strikes", 63, 2.5, class_roughness("B"), _kerbs),
    ),
    "vineyard-sprayer": (
        _course("vine rows", 48, 1.7, class_roughness("D"), _ruts),
        _course("furrow crossing", 36, 1.3, class_roughness("D"), _furrows),
        _course("farm track", 95, 3.6, class_roughness("D") / 2, _stones),
        _course("row-end ditches", 42, 1.6, class_roughness("C"), _row_ends),
        _course("bank twist", 50, 2.0, class_roughness("C"), _banks),
    ),
    "timber-trailer": (
        _course("forest road", 170, 6.0, class_roughness("D") / 2, _bedded),
        _course("log landing", 70, 2.4, class_roughness("D"), _landing),
        _course("cross ditches", 95, 3.5, class_roughness("C"), _forest_ditches),
        _course("bridge joints", 300, 12.0, class_roughness("B"), _slabs),
        _course("corrugated haul", 215, 8.0, class_roughness("B"), _haul),
    ),
}


def courses(scenario: str) -> tuple[Course, ...]:
    """The events of an invented scenario. Raises InputError."""
    if scenario not in COURSES:
        raise InputError(f"there is no scenario '{scenario}'; there are {', '.join(COURSES)}")
    return COURSES[scenario]


def course_road(course: Course, specimen: Specimen, *, lap: int, seed: int) -> Road:
    """The road of one lap: the same ground and obstacles for all laps, met on a slightly different line each time."""
    ends = [axle.x_m for axle in specimen.axle] + ([specimen.kingpin.x_m] if specimen.kingpin else [])
    lead = LEAD_S * course.speed_m_s * 1.1
    length = course.distance_m + max(ends) - min(ends) + lead
    ground = random_road(length, roughness_m3=course.roughness_m3, seed=[seed, 1], track_m=course.track_m)
    road = ground.roughened(0.35, course.roughness_m3, seed=[seed, lap, 2])
    x = road.distance_m - lead
    road = road.plus(course.obstacles(x, np.random.default_rng([seed, lap, 4]), seed))
    return Road(height_m=road.height_m, spacing_m=road.spacing_m, name=course.name)


def drive_lap(
    course: Course,
    specimen: Specimen,
    sensors: tuple[Sensor, ...],
    *,
    lap: int,
    seed: int,
    rate_hz: float = 512.0,
    progress: Progress = no_progress,
) -> Recording:
    """One lap of an event in the virtual field, lap numbers from 1; each channel in its own unit."""
    road = course_road(course, specimen, lap=lap, seed=seed)
    pace = (1.0, 0.96, 1.04, 0.98, 1.02)[(lap - 1) % 5]
    return drive_over(
        specimen,
        sensors,
        road,
        speed_m_s=course.speed_m_s * pace,
        seed=seed * 100 + lap,
        rate_hz=rate_hz,
        name=f"{course.name}, lap {lap}",
        progress=progress,
    )
