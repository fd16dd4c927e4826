"""Figures made light for a report: coordinates of a hundredth of a point, curves no finer than paper shows."""

from __future__ import annotations

import re
from itertools import pairwise
from typing import Final

#: Width of a column in which a curve keeps its first, lowest, highest and last point: an eighth of a millimetre. [pt]
COLUMN_PT: Final = 0.35

_PATH = re.compile(r'(?<= d=")([^"]*)(?=")')
_NUMBER = re.compile(r"-?\d+\.\d{3,}")
_POINTS = re.compile(r"[ML] (-?[\d.]+) (-?[\d.]+)\s*")
_ONLY_LINES = re.compile(r"(?:[ML] -?[\d.]+ -?[\d.]+\s*)+\Z")


def thin_svg(svg: str) -> str:
    """The same figure with fewer digits and, in curves over an axis, fewer points; nothing that can be seen changes."""
    return _PATH.sub(lambda found: _path(found.group(0)), svg)


def _path(text: str) -> str:
    text = _NUMBER.sub(lambda number: f"{float(number.group(0)):.2f}".rstrip("0").rstrip("."), text)
    if text.count("L") < 200 or text.count("M") != 1 or not _ONLY_LINES.match(text):
        return text
    points = [(float(x), float(y)) for x, y in _POINTS.findall(text)]
    if any(after[0] < before[0] for before, after in pairwise(points)):
        return text
    kept: list[tuple[float, float]] = []
    column: list[tuple[float, float]] = []
    for point in points:
        if column and point[0] - column[0][0] > COLUMN_PT:
            kept += _column(column)
            column = []
        column.append(point)
    kept += _column(column)
    return "M " + "\nL ".join(f"{x:g} {y:g}" for x, y in kept)


def _column(points: list[tuple[float, float]]) -> list[tuple[float, float]]:
    if len(points) <= 4:
        return points
    marks = {
        0,
        min(range(len(points)), key=lambda index: points[index][1]),
        max(range(len(points)), key=lambda index: points[index][1]),
        len(points) - 1,
    }
    return [points[index] for index in sorted(marks)]
