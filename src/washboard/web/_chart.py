"""Charts of the pages: lines over one axis, each with its data behind it, as SVG, PNG and CSV."""

from __future__ import annotations

import csv
import io
import itertools
from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol, TypeVar

import numpy as np
from nicegui import ui
from nicegui.element import Element
from numpy.typing import ArrayLike

_HERE = Path(__file__).parent


@dataclass(frozen=True, kw_only=True, slots=True)
class Line:
    """One line of a chart: its name, its values over the chart's axis, how it is drawn."""

    name: str
    y: ArrayLike
    colour: int = 0
    dash: str = "solid"
    points: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class ChartData:
    """Everything a chart shows; also what its export writes.

    `bands` are stretches of the x axis to shade: (from, to). `x_whole`: only whole numbers are named on the x axis.
    """

    title: str
    x: ArrayLike
    lines: Sequence[Line]
    x_label: str
    y_label: str
    x_log: bool = False
    y_log: bool = False
    x_whole: bool = False
    bands: Sequence[tuple[float, float]] = field(default_factory=tuple)

    def to_csv(self) -> str:
        """As comma-separated values, one column per line."""
        stream = io.StringIO()
        writer = csv.writer(stream)
        writer.writerow([self.x_label, *(_safe_cell(f"{line.name} ({self.y_label})") for line in self.lines)])
        columns = [np.asarray(self.x), *(np.asarray(line.y) for line in self.lines)]
        for row in itertools.zip_longest(*columns, fillvalue=""):
            writer.writerow([f"{value:.9g}" if isinstance(value, (float, np.floating)) else value for value in row])
        return stream.getvalue()


def _safe_cell(text: str) -> str:
    """A text cell that no spreadsheet takes for a formula."""
    return f"'{text}" if text.startswith(("=", "+", "-", "@", "\t", "\r")) else text


E = TypeVar("E", bound=ui.element)


def with_props(element: E, **props: str) -> E:
    """Give an element properties whose text may come from a file: as values, never as something to be parsed."""
    element._props.update({name.replace("_", "-"): text for name, text in props.items()})
    element.update()
    return element


class Exported(Protocol):
    """What can be put on the shelf: it has a title and data."""

    @property
    def title(self) -> str: ...

    def to_csv(self) -> str: ...


class Shelf:
    """The charts lately drawn, kept so that they can be exported; the oldest go first."""

    def __init__(self, most: int = 400) -> None:
        self._most = most
        self._numbers = itertools.count(1)
        self._charts: OrderedDict[str, Exported] = OrderedDict()

    def put(self, chart: Exported, key: str | None = None) -> str:
        """Keep a chart under `key` or a new one; returns the key."""
        key = key or str(next(self._numbers))
        self._charts[key] = chart
        self._charts.move_to_end(key)
        while len(self._charts) > self._most:
            self._charts.popitem(last=False)
        return key

    def get(self, key: str) -> Exported | None:
        """The chart under `key`, or None."""
        return self._charts.get(key)


def _numbers(values: ArrayLike) -> list[float | None]:
    array = np.asarray(values, dtype=np.float64)
    return [float(value) if ok else None for value, ok in zip(array, np.isfinite(array), strict=True)]


class _Lines(Element, component="chart.js", esm={"uplot": str(_HERE / "vendor" / "uplot")}):  # type: ignore[call-arg]
    """The uPlot element itself."""


class Chart:
    """A chart on a page, with its title above and its exports below.

    Parameters
    ----------
    shelf : Shelf
        Where its data is kept for export.
    chart : ChartData
        What to show.
    height_px : int
        Height of the plot.
    sync : str
        Charts of one page with the same word move their pointer together.
    handle : float, optional
        A place on the x axis that can be moved with the pointer; `on_move` and, let go, `on_drop` are told where to.
        What it sets needs a control for the keyboard beside the chart.
    """

    def __init__(
        self,
        shelf: Shelf,
        chart: ChartData,
        *,
        height_px: int = 250,
        sync: str = "",
        handle: float | None = None,
        on_move: Callable[[float], Any] | None = None,
        on_drop: Callable[[float], Any] | None = None,
    ) -> None:
        self._shelf = shelf
        self._key = shelf.put(chart)
        with ui.element("figure").classes("wb-figure"):
            self._title = ui.label(chart.title).classes("wb-h3").props('role=heading aria-level="3"')
            self._lines = _Lines()
            self._lines._props.update({"height": height_px, "sync": sync or None, "handle": handle})
            if on_move is not None:
                self._lines.on("moved", lambda event: on_move(float(event.args)))
            if on_drop is not None:
                self._lines.on("dropped", lambda event: on_drop(float(event.args)))
            with ui.element("div").classes("wb-tools wb-noprint"):
                for kind, words in (("svg", "SVG"), ("png", "PNG"), ("csv", "Data (CSV)")):
                    ui.link(words, f"/chart/{self._key}.{kind}").classes("wb-a").props("download")
                copy = ui.button("Copy", color=None).props("flat no-caps dense").classes("wb-btn wb-link")
                copy.on("click", js_handler=f'() => washboard.copy("/chart/{self._key}.svg")')
        self.show(chart)

    def move(self, handle: float) -> None:
        """Put the movable place elsewhere."""
        self._lines._props["handle"] = handle
        self._lines.update()

    def show(self, chart: ChartData) -> None:
        """Show other data."""
        self._shelf.put(chart, self._key)
        self._title.set_text(chart.title)
        props: dict[str, Any] = {
            "x": _numbers(chart.x),
            "lines": [
                {"name": ln.name, "y": _numbers(ln.y), "colour": ln.colour, "dash": ln.dash, "points": ln.points}
                for ln in chart.lines
            ],
            "xLabel": chart.x_label,
            "yLabel": chart.y_label,
            "xLog": chart.x_log,
            "yLog": chart.y_log,
            "xWhole": chart.x_whole,
            "bands": [{"from": a, "to": b} for a, b in chart.bands],
            "label": f"{chart.title}. {chart.y_label} over {chart.x_label}: {', '.join(ln.name for ln in chart.lines)}",
        }
        self._lines._props.update(props)
        self._lines.update()
