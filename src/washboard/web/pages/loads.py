"""Loads: which events, moments, frequencies and cycles do the damage, for whatever slope is asked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from nicegui import run, ui
from numpy.typing import NDArray

from washboard.errors import WashboardError
from washboard.loads import (
    damage_by_band,
    damage_by_window,
    level_crossings,
    log_spaced,
    psd,
    pseudo_damage,
    rainflow,
    range_mean_matrix,
)
from washboard.plot import pretty_unit
from washboard.web._chart import Chart, ChartData, Line
from washboard.web._desk import Desk, sentence
from washboard.web._exhibits import show_exhibits, show_findings, table_html
from washboard.web._frame import Page, lead, words
from washboard.web._heat import Heat, HeatData
from washboard.web._laps_view import Lap, laps_of, panes_of
from washboard.web._sources import scale_between
from washboard.web._stack import Pane

#: Channels shown in one chart at most: more lines are not told apart.
MOST = 6


async def build(page: Page, query: Mapping[str, str]) -> None:
    """Draw the page."""
    lead(page)
    try:
        plan = page.desk.draft.plan()
        laps = [lap for lap in await run.io_bound(laps_of, page.desk, plan) or () if not lap.left_out]
    except WashboardError as error:
        page.notice(sentence(error), "bad")
        return
    if laps:
        await _Loads(page, laps, query).draw()
    await show_exhibits(page)
    show_findings(page)


@dataclass(frozen=True, slots=True)
class _Samples:
    """Channels of one lap in the units they are shown in."""

    names: tuple[str, ...]
    units: tuple[str, ...]
    rate_hz: float
    values: NDArray[np.float64]


def _read(desk: Desk, lap: Lap, panes: Sequence[Pane]) -> _Samples:
    recording = desk.sources.open(lap.copy or lap.original).recording
    rows = []
    for pane in panes:
        channel = recording.channel(pane.name)
        scale, zero = scale_between(channel, pane.unit)
        rows.append(np.asarray(recording.values(pane.name), dtype=np.float64) * scale + zero)
    names, units = tuple(pane.name for pane in panes), tuple(pane.unit for pane in panes)
    return _Samples(names, units, recording.rate_hz, np.nan_to_num(np.stack(rows)))


@lru_cache(maxsize=64)
def _remains(desk: Desk, lap: Lap, panes: tuple[Pane, ...], slope: float) -> tuple[Any, Any]:
    """Damage by band and along the lap: what takes longest, kept for slopes seen before."""
    held = _read(desk, lap, panes)
    edges = log_spaced(0.5, min(100.0, 0.45 * held.rate_hz), 16)
    return damage_by_band(held.values, held.rate_hz, edges, slope), _along(held, slope)


def _along(held: _Samples, slope: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    window = max(1, held.values.shape[1] // 600)
    found = damage_by_window(held.values, window, slope)
    whole = found.sum(axis=1, keepdims=True)
    time_s = (np.arange(found.shape[1]) + 1) * window / held.rate_hz
    return time_s, np.cumsum(found, axis=1) / np.where(whole > 0, whole, 1.0)


def warm_up() -> None:
    """Have everything that is compiled or imported on first use ready before somebody asks."""
    sine = np.sin(np.arange(2048) / 7.0)[None]
    held = _Samples(("sine",), ("1",), 256.0, sine)
    _along(held, 5.0)
    damage_by_band(sine, 256.0, [5.0, 20.0], 5.0)
    psd(sine, 256.0, block_s=2.0)
    pseudo_damage(sine, 5.0)
    range_mean_matrix(rainflow(sine[0]), 4, 4)


def in_parts(groups: dict[str, list[Pane]]) -> dict[str, list[Pane]]:
    """Groups of channels with no more in each than one chart tells apart."""
    parts: dict[str, list[Pane]] = {}
    for name, panes in groups.items():
        for first in range(0, len(panes), MOST):
            part = panes[first : first + MOST]
            parts[name if len(panes) <= MOST else f"{name}, {first + 1} to {first + len(part)}"] = part
    return parts


class _Loads:
    """What the page shows now."""

    def __init__(self, page: Page, laps: list[Lap], query: Mapping[str, str]) -> None:
        self.page, self.laps = page, laps
        wanted = (query.get("event", ""), query.get("lap", "1"))
        self.lap = next((lap for lap in laps if (lap.event, str(lap.number)) == wanted), laps[0])
        try:
            self.slope = min(15.0, max(1.0, float(query.get("slope", "5"))))
        except ValueError:
            self.slope = 5.0
        self.group = query.get("channels", "")
        self.groups: dict[str, list[Pane]] = {}
        self.one = query.get("channel", "")
        self.charts: dict[str, Chart] = {}
        self.heat: Heat | None = None
        self._busy = False
        self._again = False

    async def draw(self) -> None:
        """Draw controls and charts."""
        opened = await run.io_bound(self.page.desk.sources.open, self.lap.copy or self.lap.original)
        self.groups = in_parts(panes_of([opened.recording] if opened else [], self.page.desk.draft.plan()))
        if self.group not in self.groups:
            wanted = self.group or "control"
            self.group = next((name for name in self.groups if name.startswith(wanted)), next(iter(self.groups)))
        with ui.element("section").classes("wb-sheet"):
            words("h2", "One lap, channel by channel")
            with ui.element("div").classes("wb-row"):
                self._selects()
            with ui.element("div").classes("wb-row"):
                ui.label("Slope of the Basquin line").props('id="slope-label"')
                self.slider = ui.slider(min=1, max=12, step=0.5, value=self.slope, on_change=self._to_slope)
                self.slider.props('aria-labelledby="slope-label" label').style("width:320px")
                self.slope_words = ui.label(f"{self.slope:g}").style("font-weight:600; min-width:3ch")
                ui.label("Damage below follows at once; a steeper slope counts large cycles for more.").classes(
                    "wb-quiet wb-small"
                )
            self.table = ui.html("", sanitize=False)
            with ui.element("div").classes("wb-halves").style("margin-top:14px"):
                self.places = {name: ui.element("div") for name in ("along", "band", "psd", "levels", "matrix")}
            self.wait = ui.label("Counting …").classes("wb-quiet")
        ui.timer(0.01, self.refresh, once=True)

    def _selects(self) -> None:
        events = list(dict.fromkeys(lap.event for lap in self.laps))
        ui.select(events, value=self.lap.event, label="Event", on_change=self._to_event).props("outlined dense").style(
            "min-width:190px"
        )
        numbers = [lap.number for lap in self.laps if lap.event == self.lap.event]
        self.lap_pick = ui.select(numbers, value=self.lap.number, label="Lap", on_change=self._to_lap)
        self.lap_pick.props("outlined dense").style("min-width:90px")
        ui.select(list(self.groups), value=self.group, label="Channels", on_change=self._to_group).props(
            "outlined dense"
        ).style("min-width:200px")
        self.one_pick = ui.select(self._names(), value=self._one(), label="Cycles of", on_change=self._to_one)
        self.one_pick.props("outlined dense").style("min-width:220px")

    def _panes(self) -> list[Pane]:
        return self.groups[self.group]

    def _names(self) -> list[str]:
        return [pane.name for pane in self._panes()]

    def _one(self) -> str:
        names = self._names()
        if self.one not in names:
            self.one = names[0]
        return self.one

    async def refresh(self) -> None:
        """Compute and show everything for what is picked; a change during it is followed by one more."""
        if self._busy:
            self._again = True
            return
        self._busy = True
        try:
            while True:
                self._again = False
                found = await run.io_bound(self._compute)
                if self.page.gone:
                    return
                if found is not None:
                    self._show(*found)
                if not self._again:
                    break
        except WashboardError as error:
            self.page.notice(sentence(error), "bad")
        finally:
            self._busy = False
        place = {"event": self.lap.event, "lap": self.lap.number, "slope": self.slope, "channels": self.group}
        self.page.place(place | {"channel": self.one})

    def _compute(self) -> tuple[dict[str, ChartData], HeatData, list[tuple[str, str, float, float, float]]]:
        panes, slope = tuple(self._panes()), self.slope
        held = _read(self.page.desk, self.lap, panes)
        bands, (time_s, along) = _remains(self.page.desk, self.lap, panes, slope)
        spectrum = psd(held.values, held.rate_hz, block_s=min(8.0, held.values.shape[1] / held.rate_hz / 2))
        inside = (spectrum.frequency_hz > 0.2) & (spectrum.frequency_hz < 0.45 * held.rate_hz)
        levels = level_crossings(held.values / np.abs(held.values).max(axis=1, keepdims=True), np.linspace(-1, 1, 81))

        def lines(values: Any) -> list[Line]:
            return [
                Line(name=name, y=row, colour=n) for n, (name, row) in enumerate(zip(held.names, values, strict=True))
            ]

        same = len(set(held.units)) == 1
        unit = f"({pretty_unit(held.units[0])})²/Hz" if same else "(own unit)²/Hz"
        charts = {
            "along": ChartData(
                title=f"Where along the lap the damage is done, slope {slope:g}",
                x=time_s, lines=lines(along), x_label="time [s]", y_label="share of damage so far [-]",
            ),
            "band": ChartData(
                title=f"Damage left when everything above a frequency is taken away, slope {slope:g}",
                x=bands.edge_hz, lines=lines(bands.without_above[:, :, 0]), x_label="frequency [Hz]",
                y_label="share of damage left [-]", x_log=True,
            ),
            "psd": ChartData(
                title="Power spectral density", x=spectrum.frequency_hz[inside],
                lines=lines(spectrum.values[:, inside]),
                x_label="frequency [Hz]", y_label=f"PSD [{unit}]", x_log=True, y_log=True,
            ),
            "levels": ChartData(
                title="Level crossings, each channel over its own largest value", x=np.linspace(-1, 1, 81),
                lines=lines(levels.up), x_label="level over largest [-]", y_label="upward crossings [-]", y_log=True,
            ),
        }  # fmt: skip
        row = held.names.index(self._one())
        cycles = rainflow(held.values[row])
        matrix = range_mean_matrix(cycles, 40, 40)
        unit = pretty_unit(held.units[row])
        heat = HeatData(
            title=f"Rainflow cycles of {held.names[row]} (residue as half cycles)", values=matrix.counts,
            x_edges=matrix.first_edges, y_edges=matrix.second_edges,
            x_label=f"range [{unit}]", y_label=f"mean [{unit}]",
        )  # fmt: skip
        damage = pseudo_damage(held.values, slope)
        rows = [
            (name, pretty_unit(unit), float(values.std()), float(np.abs(values).max()), float(amount))
            for name, unit, values, amount in zip(held.names, held.units, held.values, damage, strict=True)
        ]
        return charts, heat, rows

    def _show(self, charts: dict[str, ChartData], heat: HeatData, rows: list[Any]) -> None:
        self.wait.set_visibility(False)
        for name, chart in charts.items():
            if name in self.charts:
                self.charts[name].show(chart)
            else:
                with self.places[name]:
                    self.charts[name] = Chart(self.page.shelf, chart, sync="loads" if name in {"band", "psd"} else "")
        if self.heat is None:
            with self.places["matrix"]:
                self.heat = Heat(self.page.shelf, heat)
        else:
            self.heat.show(heat)
        heads = ("channel", "unit", "RMS about the mean", "largest value", f"pseudo-damage, slope {self.slope:g}")
        self.table.set_content(table_html(heads, rows, "Channels of this lap"))

    async def _to_slope(self, event: Any) -> None:
        self.slope = float(event.value)
        self.slope_words.set_text(f"{self.slope:g}")
        await self.refresh()

    async def _to_event(self, event: Any) -> None:
        self.lap = next(lap for lap in self.laps if lap.event == event.value)
        numbers = [lap.number for lap in self.laps if lap.event == self.lap.event]
        self.lap_pick.set_options(numbers, value=self.lap.number)
        await self.refresh()

    async def _to_lap(self, event: Any) -> None:
        wanted = (self.lap.event, event.value)
        self.lap = next((lap for lap in self.laps if (lap.event, lap.number) == wanted), self.lap)
        await self.refresh()

    async def _to_group(self, event: Any) -> None:
        self.group = event.value
        self.one_pick.set_options(self._names(), value=self._one())
        await self.refresh()

    async def _to_one(self, event: Any) -> None:
        self.one = event.value
        await self.refresh()
