"""Things on a road: each a function of the distance along it that gives heights to add, shape (2, distance). [m]

Shapes and sizes are invented, of the order met on work sites and test tracks.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from washboard.simulate._assemble import Array

LEFT, RIGHT = np.array([1.0, 0.0]), np.array([0.0, 1.0])
BOTH = np.array([1.0, 1.0])


def _sides(profile: Array, sides: Array) -> NDArray[np.float64]:
    return np.asarray(sides)[:, None] * profile[None, :]


def _bell(x: Array, centre_m: float, length_m: float) -> NDArray[np.float64]:
    """A raised cosine of height 1 over `length_m`."""
    u = (x - centre_m) / length_m
    return np.where(np.abs(u) < 0.5, 0.5 + 0.5 * np.cos(2 * np.pi * np.clip(u, -0.5, 0.5)), 0.0)


def _plateau(x: Array, start_m: float, length_m: float, edge_m: float) -> NDArray[np.float64]:
    """Height 1 from start to end, with smooth edges of length `edge_m`."""
    up = np.clip((x - start_m) / edge_m, 0, 1)
    down = np.clip((start_m + length_m - x) / edge_m, 0, 1)
    rise = 0.5 - 0.5 * np.cos(np.pi * up)
    fall = 0.5 - 0.5 * np.cos(np.pi * down)
    return np.minimum(rise, fall)


def pothole(x: Array, *, at_m: float, length_m: float, depth_m: float, sides: Array) -> NDArray[np.float64]:
    """A hole with steep edges and a flat bottom."""
    return _sides(-depth_m * _plateau(x, at_m, length_m, min(0.15, length_m / 3)), sides)


def kerb(x: Array, *, at_m: float, length_m: float, height_m: float, sides: Array) -> NDArray[np.float64]:
    """A kerb stone mounted and left again after `length_m`."""
    return _sides(height_m * _plateau(x, at_m, length_m, 0.06), sides)


def hump(x: Array, *, at_m: float, length_m: float, height_m: float, sides: Array) -> NDArray[np.float64]:
    """A rounded hump, or with a negative height a dip."""
    return _sides(height_m * _bell(x, at_m, length_m), sides)


def cross_ditch(x: Array, *, at_m: float, length_m: float, depth_m: float, skew_m: float = 0.0) -> NDArray[np.float64]:
    """A ditch across the road; the right track meets it `skew_m` later."""
    left = _sides(-depth_m * _bell(x, at_m, length_m), LEFT)
    return left + _sides(-depth_m * _bell(x, at_m + skew_m, length_m), RIGHT)


def twist_humps(x: Array, *, at_m: float, pitch_m: float, count: int, height_m: float) -> NDArray[np.float64]:
    """Humps left and right in turn, `pitch_m` from one to the next: they twist the frame."""
    total = np.zeros((2, len(x)))
    for index in range(count):
        sides = LEFT if index % 2 == 0 else RIGHT
        total += hump(x, at_m=at_m + index * pitch_m, length_m=1.6 * pitch_m, height_m=height_m, sides=sides)
    return total


def corrugation(
    x: Array,
    *,
    start_m: float,
    end_m: float,
    wave_m: float,
    height_m: float,
    seed: int | list[int],
    shift_m: float = 0.0,
) -> NDArray[np.float64]:
    """Washboard waves of about `wave_m`, crest to trough `height_m`, growing and fading and never quite regular."""
    random = np.random.default_rng(seed)
    inside = _plateau(x, start_m, end_m - start_m, min(8.0, (end_m - start_m) / 3))
    knots = np.arange(x[0] - 10, x[-1] + 20, 6.0)
    total = np.zeros((2, len(x)))
    drift = np.cumsum(random.normal(0, 0.25, len(knots)))
    grow = 1 + 0.25 * random.standard_normal((2, len(knots)))
    for track in range(2):
        phase = 2 * np.pi * (x - track * shift_m) / wave_m + np.interp(x, knots, drift)
        total[track] = height_m / 2 * np.sin(phase) * np.clip(np.interp(x, knots, grow[track]), 0.3, 1.8) * inside
    return total


def cobbles(
    x: Array, *, start_m: float, end_m: float, pitch_m: float, height_m: float, seed: int | list[int]
) -> NDArray[np.float64]:
    """Setts: domed stones of about `pitch_m`, standing up to `height_m` out, some sunk or raised more."""
    random = np.random.default_rng(seed)
    total = np.zeros((2, len(x)))
    inside = _plateau(x, start_m, end_m - start_m, min(3.0, (end_m - start_m) / 3))
    for track in range(2):
        at = start_m
        edges = [at]
        while at < end_m:
            at += pitch_m * random.uniform(0.8, 1.2)
            edges.append(at)
        border = np.array(edges)
        tops = (
            height_m * (0.5 + 0.5 * random.random(len(border))) + height_m * random.standard_normal(len(border)) * 0.5
        )
        stone = np.clip(np.searchsorted(border, x) - 1, 0, len(border) - 2)
        u = np.clip((x - border[stone]) / (border[stone + 1] - border[stone]), 0, 1)
        dome = np.sqrt(np.clip(1 - (2 * u - 1) ** 2, 0, 1))
        total[track] = (tops[stone] * dome) * inside
    return total


def furrows(
    x: Array, *, start_m: float, end_m: float, wave_m: float, height_m: float, seed: int | list[int]
) -> NDArray[np.float64]:
    """Plough furrows crossed at a slant: irregular rounded waves, left and right out of step."""
    first = corrugation(
        x, start_m=start_m, end_m=end_m, wave_m=wave_m, height_m=height_m, seed=seed, shift_m=0.4 * wave_m
    )
    seeds = [*(seed if isinstance(seed, list) else [seed]), 1]
    return first + corrugation(
        x, start_m=start_m, end_m=end_m, wave_m=2.7 * wave_m, height_m=0.8 * height_m, seed=seeds, shift_m=wave_m
    )


def slope(x: Array, *, at_m: float, length_m: float, grade: float) -> NDArray[np.float64]:
    """A change of level at the head of a ramp, rounded: `grade` times `length_m` high."""
    u = np.clip((x - at_m) / length_m, 0, 1)
    return _sides(grade * length_m * (u - np.sin(2 * np.pi * u) / (2 * np.pi)), BOTH)
