"""The numbers behind a figure, as comma-separated values: what was drawn, in the order it was drawn."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

HEADS = ("panel", "drawn as", "series", "x", "y", "value")


def figure_csv(figure: Figure) -> str:
    """Every curve, marker, bar and matrix of `figure` in rows ``panel, drawn as, series, x, y, value``.

    `x` and `y` are in the units that stand on the axes, which are named with the panel; a bar has its ends in `x` and
    `value` (lying) or `y` and `value` (standing), a cell of a matrix its middle in `x` and `y`, what it holds in
    `value`.
    Where an axis has words for its places, the words are given.
    """
    stream = io.StringIO()
    writer = csv.writer(stream)
    writer.writerow(HEADS)
    for number, axes in enumerate(figure.axes, start=1):
        words = [axes.get_title(loc="left") or axes.get_title(), axes.get_xlabel(), axes.get_ylabel()]
        panel = "; ".join(" ".join(word.split()) for word in words if word) or f"panel {number}"
        for row in _rows(axes):
            writer.writerow([safe_cell(panel), *(safe_cell(cell) for cell in row)])
    return stream.getvalue()


def safe_cell(cell: Any) -> Any:
    """A cell that no table program takes for a formula."""
    return (
        f"'{cell}"
        if isinstance(cell, str) and cell.startswith(("=", "+", "-", "@", "\t", "\r")) and not _is_number(cell)
        else cell
    )


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _rows(axes: Axes) -> Iterator[tuple[Any, ...]]:
    across, up = _places(axes.xaxis), _places(axes.yaxis)
    for number, line in enumerate(axes.get_lines(), start=1):
        name = _name(line.get_label(), f"curve {number}")
        xs, ys = np.asarray(line.get_xdata(), dtype=float), np.asarray(line.get_ydata(), dtype=float)
        for x, y in zip(xs, ys, strict=True):
            yield "curve", name, across(x), up(y), ""
    for number, bars in enumerate(axes.containers, start=1):
        for bar in getattr(bars, "patches", []):
            name = _name(bars.get_label(), f"bars {number}")
            (x0, y0), width, height = bar.get_xy(), bar.get_width(), bar.get_height()
            if getattr(bars, "orientation", "vertical") == "horizontal":
                yield "bar", name, _number(x0), up(y0 + height / 2), _number(x0 + width)
            else:
                yield "bar", name, across(x0 + width / 2), _number(y0), _number(y0 + height)
    for number, drawn in enumerate(axes.collections, start=1):
        name = _name(drawn.get_label(), f"markers {number}")
        if type(drawn).__name__ == "QuadMesh":
            corners: Any = drawn.get_coordinates()  # type: ignore[attr-defined]
            middle = (corners[:-1, :-1] + corners[1:, 1:]) / 2
            values = np.ma.filled(np.ma.asarray(drawn.get_array(), dtype=float), np.nan).reshape(middle.shape[:2])
            for place, value in zip(middle.reshape(-1, 2), values.ravel(), strict=True):
                yield "cell", name, across(place[0]), up(place[1]), _number(value)
        elif type(drawn).__name__ == "PathCollection":
            for x, y in np.ma.filled(np.ma.asarray(drawn.get_offsets(), dtype=float), np.nan):
                yield "marker", name, across(x), up(y), ""
    for number, image in enumerate(axes.get_images(), start=1):
        values = np.ma.filled(np.ma.asarray(image.get_array(), dtype=float), np.nan)
        if values.ndim != 2:
            continue
        for row, line_values in enumerate(values):
            for column, value in enumerate(line_values):
                yield "cell", f"matrix {number}", across(column), up(row), _number(value)


def _name(label: object, otherwise: str) -> str:
    text = str(label)
    return otherwise if not text or text.startswith("_") else text


def _number(value: float) -> str:
    return f"{value:.9g}" if np.isfinite(value) else ""


def _places(axis: Any) -> Any:
    """Turns a place on `axis` into its words where it has some, else into a number."""
    words: dict[float, str] = {}
    if type(axis.get_major_locator()).__name__ in {"FixedLocator", "StrCategoryLocator"}:
        places = [float(at) for at in axis.get_majorticklocs()]
        said = axis.get_major_formatter().format_ticks(places)
        words = {round(at, 6): text for at, text in zip(places, said, strict=True) if text}
    return lambda value: words.get(round(float(value), 6)) or _number(float(value))
