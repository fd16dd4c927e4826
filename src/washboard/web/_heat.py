"""A matrix as a picture on a page, with its data behind it."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass

import numpy as np
from nicegui import ui
from numpy.typing import NDArray

from washboard.web._chart import Shelf, with_props

FONT = "ui-sans-serif, system-ui, sans-serif"

#: Colours of cividis (Nuñez, Anderton and Renslow, PLoS ONE 13(7), 2018), made for colour-blind readers; its darkest,
#: which are lost on a dark page, are left out.
CIVIDIS = ("#273e6e", "#45506c", "#5f636f", "#767676", "#908b78", "#a99f73", "#c6b667", "#e5cf52", "#fee838")


@dataclass(frozen=True, kw_only=True, slots=True)
class HeatData:
    """A matrix to show: counts of classes.

    Parameters
    ----------
    values : ndarray, shape (x, y)
        Zero is drawn as nothing.
    x_edges, y_edges : ndarray
        Class edges.
    """

    title: str
    values: NDArray[np.float64]
    x_edges: NDArray[np.float64]
    y_edges: NDArray[np.float64]
    x_label: str
    y_label: str

    def to_csv(self) -> str:
        """As comma-separated values: one row per class that is not empty."""
        stream = io.StringIO()
        writer = csv.writer(stream)
        writer.writerow([f"{self.x_label} from", "to", f"{self.y_label} from", "to", "cycles"])
        for a, b in zip(*np.nonzero(self.values), strict=True):
            edges = (self.x_edges[a], self.x_edges[a + 1], self.y_edges[b], self.y_edges[b + 1])
            writer.writerow([*(f"{edge:.6g}" for edge in edges), f"{self.values[a, b]:g}"])
        return stream.getvalue()


class Heat:
    """A matrix on a page, logarithmic colours, with its title above and its exports below."""

    def __init__(self, shelf: Shelf, heat: HeatData, *, height_px: int = 300) -> None:
        self._shelf, self._key = shelf, shelf.put(heat)
        with ui.element("figure").classes("wb-figure"):
            self._title = ui.label(heat.title).classes("wb-h3").props('role=heading aria-level="3"')
            self._picture = ui.echart(_options(heat)).style(f"height:{height_px}px")
            with_props(self._picture, role="img", aria_label=heat.title)
            with ui.element("div").classes("wb-tools wb-noprint"):
                for kind, words in (("svg", "SVG"), ("png", "PNG"), ("csv", "Data (CSV)")):
                    ui.link(words, f"/chart/{self._key}.{kind}").classes("wb-a").props("download")

    def show(self, heat: HeatData) -> None:
        """Show another matrix."""
        self._shelf.put(heat, self._key)
        self._title.set_text(heat.title)
        with_props(self._picture, aria_label=heat.title)
        self._picture.options.clear()
        self._picture.options.update(_options(heat))
        self._picture.update()


def _middles(edges: NDArray[np.float64]) -> list[str]:
    """Middles of classes in words, to a tenth of a class at the finest."""
    width = float(edges[1] - edges[0])
    digits = max(0, int(np.ceil(1 - np.log10(width)))) if width > 0 else 3
    return [f"{round(float(value), digits) + 0.0:.{digits}f}" for value in (edges[:-1] + edges[1:]) / 2]


def _options(heat: HeatData) -> dict[str, object]:
    x, y = _middles(heat.x_edges), _middles(heat.y_edges)
    cells = [[int(a), int(b), round(float(np.log10(heat.values[a, b])), 3)] for a, b in np.argwhere(heat.values > 0)]
    grey = "#7c858c"
    axis = {
        "type": "category",
        "axisLabel": {"color": grey, "hideOverlap": True, "fontFamily": FONT},
        "axisLine": {"lineStyle": {"color": grey}},
        "nameTextStyle": {"color": grey, "fontFamily": FONT},
        "nameLocation": "middle",
        "splitArea": {"show": False},
    }
    return {
        "animation": False,
        "grid": {"left": 62, "right": 84, "top": 8, "bottom": 44},
        "xAxis": {**axis, "data": x, "name": heat.x_label, "nameGap": 28},
        "yAxis": {**axis, "data": y, "name": heat.y_label, "nameGap": 46},
        "visualMap": {
            "type": "continuous", "min": min([cell[2] for cell in cells] or [0.0]),
            "max": max([cell[2] for cell in cells] or [1.0]), "right": 0, "top": "middle", "calculable": False,
            "text": ["most", "few"], "textStyle": {"color": grey, "fontFamily": FONT},
            "inRange": {"color": list(CIVIDIS)},
        },
        "series": [{"type": "heatmap", "data": cells, "progressive": 0}],
    }  # fmt: skip
