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


def _none(x: Array, _random: np.random.Generator, _seed: int) -> Array:
    return np.zeros((2, len(x)))


def _rocks(x: Array, random: np.random.Generator, seed: int) -> Array:
    """A haul ramp: bedded rocks here and there, one change of grade, ruts of some metres."""
    total = obstacle.slope(x, at_m=40.0, length_m=18.0, grade=0.05) - obstacle.slope(
        x, at_m=110.0, length_m=18.0, grade=0.05
    )
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


#: The events of each scenario, in the order of its programme file.
COURSES: dict[str, tuple[Course, ...]] = {
    "quarry-tipper": (
        Course(
            name="haul ramp", distance_m=180, speed_m_s=6.5, roughness_m3=class_roughness("D") / 2, obstacles=_rocks
        ),
        Course(
            name="cobbled yard", distance_m=125, speed_m_s=5.0, roughness_m3=class_roughness("C"), obstacles=_setts
        ),
        Course(
            name="washboard lane", distance_m=200, speed_m_s=8.0, roughness_m3=class_roughness("B"),
            obstacles=_corrugated,
        ),
        Course(
            name="pothole row", distance_m=130, speed_m_s=5.0, roughness_m3=class_roughness("C"), obstacles=_potholes
        ),
        Course(
            name="kerb strikes", distance_m=63, speed_m_s=2.5, roughness_m3=class_roughness("B"), obstacles=_kerbs
        ),
    ),
}  # fmt: skip


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
