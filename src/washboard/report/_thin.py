"""Figures made light for a report: coordinates as fine as paper shows, curves without the points nobody can see."""

from __future__ import annotations

import re
from functools import lru_cache
from html import escape
from typing import Final
from xml.etree import ElementTree as ET

import numpy as np
from numpy.typing import NDArray

#: Width of a column in which a curve over an axis keeps its lowest and highest point: a sixth of a millimetre. [pt]
COLUMN_PT: Final = 0.5

#: No drawn line moves by more than this, columns aside: a thirtieth of a millimetre. [pt]
TOLERANCE_PT: Final = 0.1

#: Curves of at least so many points are thinned.
LEAST: Final = 40

F64 = NDArray[np.float64]

_SVG: Final = "{http://www.w3.org/2000/svg}"
_LINK: Final = "{http://www.w3.org/1999/xlink}href"
_NUMBER = re.compile(r"-?\d+\.\d+(?:e-?\d+)?|-?\d+")
_POINT = re.compile(r"([ML]) (-?[\d.]+(?:e-?\d+)?) (-?[\d.]+(?:e-?\d+)?)\s*")
_ONLY_LINES = re.compile(r"(?:[ML] -?[\d.]+(?:e-?\d+)? -?[\d.]+(?:e-?\d+)?\s*)+(z?)\s*\Z")
_REFERENCE = re.compile(r"#([^)\"']+)")
_TRANSLATE = re.compile(r"translate\(([^)]*)\)")
_PLACES = ("x", "y", "width", "height", "x1", "y1", "x2", "y2", "cx", "cy", "r")


@lru_cache(maxsize=128)  # of one report: the PDF and the HTML take the same figures
def thin_svg(svg: str) -> str:
    """The same figure with fewer digits, fewer points in its curves and no names nobody refers to.

    Nothing that can be seen on paper changes. What is no well-formed SVG comes back as it is.
    """
    try:
        root = ET.fromstring(svg)  # noqa: S314 - drawn by our own plotter
    except ET.ParseError:
        return svg
    used = {
        found.group(1)
        for element in root.iter()
        for name, value in element.attrib.items()
        if name == _LINK or "url(" in value
        for found in _REFERENCE.finditer(value)
    }
    links = any(_LINK in element.attrib for element in root.iter())
    spaces = ' xmlns="http://www.w3.org/2000/svg"' + (' xmlns:xlink="http://www.w3.org/1999/xlink"' if links else "")
    return _written(root, used, spaces)


def _written(element: ET.Element, used: set[str], spaces: str = "") -> str:
    """An element as text; groups without attributes give only what is in them."""
    name = element.tag.removeprefix(_SVG)
    marks = "".join(
        f' {key.replace(_LINK, "xlink:href")}="{escape(_shorter(key, value))}"'
        for key, value in element.attrib.items()
        if key != "id" or value in used
    )
    inner = escape(element.text.strip(), quote=False) if element.text and element.text.strip() else ""
    inner += "".join(_written(child, used) for child in element)
    if name == "g" and not marks:
        return inner
    return f"<{name}{spaces}{marks}>{inner}</{name}>" if inner else f"<{name}{spaces}{marks}/>"


def _shorter(key: str, value: str) -> str:
    if key == "d":
        return thin_path(value)
    if key == "style":
        return value.replace("; ", ";").replace(": ", ":")
    if key == "transform":
        return _TRANSLATE.sub(lambda found: f"translate({_rounded(found.group(1))})", value)
    return _rounded(value) if key in _PLACES else value


def _rounded(text: str, digits: int = 2) -> str:
    return _NUMBER.sub(lambda found: _short(float(found.group(0)), digits), text)


def _short(value: float, digits: int) -> str:
    text = f"{value:.{digits}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def thin_path(text: str) -> str:
    """The data of a path with fewer digits; where it is made of long runs of lines, with fewer points too."""
    closed = _ONLY_LINES.match(text)
    if closed is None or text.count("L") < LEAST:
        return " ".join(_rounded(text).split())
    parts: list[list[tuple[float, float]]] = []
    for kind, x, y in _POINT.findall(text):
        if kind == "M":
            parts.append([])
        parts[-1].append((float(x), float(y)))
    lines = "".join(_relative(_thinned(np.array(part))) for part in parts)
    return lines + closed.group(1)


def _thinned(points: F64) -> F64:
    if len(points) < LEAST:
        return points
    # Runs to the right or to the left, such as the upper and the lower side of a filled band, are thinned one by one.
    way = np.sign(np.diff(points[:, 0]))
    turns = np.flatnonzero(way[1:] * way[:-1] < 0) + 1
    runs = np.split(np.arange(len(points)), turns + 1)
    kept = np.concatenate([run[_columns(points[run])] for run in runs])
    thinned: F64 = points[kept[_needed(points[kept])]]
    return thinned


def _columns(points: F64) -> NDArray[np.intp]:
    """Indices of a run along x: its ends, and the lowest and highest point of every column of the page."""
    n = len(points)
    if n < LEAST:
        return np.arange(n)
    column = np.floor(points[:, 0] / COLUMN_PT).astype(np.int64)
    edges = np.flatnonzero(np.diff(column)) + 1
    kept = {0, n - 1}
    for first, last in zip([0, *edges.tolist()], [*edges.tolist(), n], strict=True):
        values = points[first:last, 1]
        kept |= {first + int(values.argmin()), first + int(values.argmax())}
    return np.array(sorted(kept), np.intp)


def _needed(points: F64) -> NDArray[np.bool_]:
    """Which points lie off the straight lines between the others by more than the tolerance.

    Ramer (1972) and Douglas and Peucker (1973): the point farthest from the line between two kept ones is kept as well.
    """
    kept = np.zeros(len(points), bool)
    kept[[0, -1]] = True
    open_ = [(0, len(points) - 1)]
    while open_:
        first, last = open_.pop()
        if last - first < 2:
            continue
        inner = points[first + 1 : last] - points[first]
        line = points[last] - points[first]
        length = float(line @ line)
        along = np.clip(inner @ line / length, 0, 1) if length > 0 else np.zeros(len(inner))
        distance = np.hypot(*(inner - along[:, None] * line).T)
        farthest = int(distance.argmax())
        if distance[farthest] > TOLERANCE_PT:
            middle = first + 1 + farthest
            kept[middle] = True
            open_ += [(first, middle), (middle, last)]
    return kept


def _relative(points: F64) -> str:
    """Path data of a run of lines: where it begins, then one step after another, in tenths of a point."""
    tenths = np.round(points * 10).astype(np.int64)
    steps = np.diff(tenths, axis=0)
    steps = steps[np.any(steps != 0, axis=1)]
    begin = " ".join(_short(value / 10, 1) for value in tenths[0])
    text = "".join(_step(value) for value in steps.ravel().tolist())
    return f"M{begin}l{text.strip()}" if text else f"M{begin}l0 0"


def _step(tenths: int) -> str:
    text = _short(tenths / 10, 1).replace("0.", ".") if abs(tenths) < 10 else _short(tenths / 10, 1)
    return text if text.startswith("-") else f" {text}"
