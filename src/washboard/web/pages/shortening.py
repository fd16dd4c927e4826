"""Shortening: how much time for how much damage; what was kept of each event, and why."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from nicegui import run, ui

from washboard.errors import StorageError, WashboardError
from washboard.programme import load_laps, load_table
from washboard.recording import write_recording
from washboard.shorten import end_to_end
from washboard.web._chart import Chart, ChartData, Line
from washboard.web._desk import Desk, sentence
from washboard.web._exhibits import show_exhibits, show_findings, table_html
from washboard.web._frame import Page, button, lead, words
from washboard.web._laps_view import first_open, panes_of
from washboard.web._sources import TRIED
from washboard.web._stack import Layer, Mark, Stack
from washboard.web._stack_tools import stack_tools


async def build(page: Page, query: Mapping[str, str]) -> None:
    """Draw the page."""
    lead(page)
    try:
        table = load_table(page.desk.folder / "stages" / "shorten" / "shorten.json")
    except StorageError:
        return
    if table["events"]:
        await _Kept(page, table, query).draw()
    await show_exhibits(page)
    show_findings(page)


def whole_play(desk: Desk, event: str, entry: dict[str, Any]) -> str:
    """The laps of an event end to end, as they were before shortening, in a file that can be looked at."""
    laps = load_laps(desk.folder)[event]
    joined = end_to_end([laps[number] for number in entry["laps"]], fade_s=desk.plan().shorten.fade_s)
    name = f"{TRIED}/play-{Path(entry['file']).name}"
    (desk.folder / TRIED).mkdir(parents=True, exist_ok=True)
    write_recording(joined, desk.folder / name)
    return name


class _Kept:
    """One event's kept stretches, and the trade-off between time and damage."""

    def __init__(self, page: Page, table: dict[str, Any], query: Mapping[str, str]) -> None:
        self.page, self.table = page, table
        self.event = (
            query.get("event", "") if query.get("event", "") in table["events"] else next(iter(table["events"]))
        )
        self.keep = page.desk.draft.plan().shorten.keep
        self.chart: Chart | None = None

    @property
    def entry(self) -> dict[str, Any]:
        """What the stage wrote about the event shown."""
        found: dict[str, Any] = self.table["events"][self.event]
        return found

    async def draw(self) -> None:
        """Draw the trade-off, then the event with what was kept."""
        with ui.element("section").classes("wb-sheet"):
            words("h2", "Time against damage kept")
            with ui.element("div").classes("wb-halves"):
                self.curve = ui.element("div")
                with ui.element("div"):
                    ui.label("Least share of its damage that any control channel keeps in every event").props(
                        'id="keep-label"'
                    )
                    with ui.element("div").classes("wb-row"):
                        self.slider = ui.slider(min=0.5, max=1.0, step=0.01, value=self.keep, on_change=self._to_keep)
                        self.slider.props('aria-labelledby="keep-label" label').style("width:320px")
                        self.slider.on("change", self._write_keep)
                        self.keep_words = ui.label("").style("font-weight:600")
                    self.cost = ui.html("", sanitize=False)
                    ui.label(
                        "The slider, or the line in the chart, shows what another choice would cost; letting go makes "
                        "it an edit of shorten.keep."
                    ).classes("wb-quiet wb-small")
        with ui.element("section").classes("wb-sheet"):
            words("h2", "What was kept, and why")
            with ui.element("div").classes("wb-row"):
                names = list(self.table["events"])
                ui.select(names, value=self.event, label="Event", on_change=self._to_event).props(
                    "outlined dense"
                ).style("min-width:220px")
                self.summary = ui.label("").classes("wb-quiet")
            self.body = ui.element("div").classes("wb-cols")
        self._show_cost()
        self.page.on_edit(self._follow)
        await self._show_event()

    def _show_cost(self) -> None:
        share = np.array(next(iter(self.table["events"].values()))["trade_off"]["share"])
        events = self.table["events"]
        lines = [
            Line(name=name, y=np.array(entry["trade_off"]["time_s"]) / entry["original_s"], colour=n)
            for n, (name, entry) in enumerate(events.items())
        ]
        at = [float(np.interp(self.keep, share, np.asarray(line.y, dtype=np.float64))) for line in lines]
        chart = ChartData(
            title="Length left of each event for each share of damage kept",
            x=share, lines=lines, x_label="share of damage kept on every channel [-]",
            y_label="length over original [-]",
        )  # fmt: skip
        if self.chart is None:
            with self.curve:
                self.chart = Chart(
                    self.page.shelf,
                    chart,
                    height_px=260,
                    handle=self.keep,
                    on_move=lambda share: self.slider.set_value(round(share, 2)),
                    on_drop=lambda _share: self._write_keep(),
                )
        else:
            self.chart.move(self.keep)
        self.keep_words.set_text(f"{self.keep:.0%}")
        rows = [
            (name, entry["original_s"], entry["original_s"] * length, entry["plays"],
             entry["original_s"] * length * entry["plays"] / 3600)
            for (name, entry), length in zip(events.items(), at, strict=True)
        ]  # fmt: skip
        total = sum(row[4] for row in rows)
        heads = ("event", "one play [s]", "left of it, about [s]", "plays", "rig time, about [h]")
        self.cost.set_content(
            table_html(heads, rows, "Cost") + f"<p><b>{total:.3g} h</b> of rig time in all, about.</p>"
        )

    def _to_keep(self, event: Any) -> None:
        self.keep = float(event.value)
        self._show_cost()

    def _follow(self) -> None:
        """After an undo the slider says again what the file and the edits say."""
        try:
            self.slider.set_value(self.page.desk.draft.plan().shorten.keep)
        except WashboardError:
            return

    def _write_keep(self) -> None:
        self.page.edit(("shorten", "keep"), round(self.keep, 2))

    async def _to_event(self, event: Any) -> None:
        self.event = event.value
        await self._show_event()

    async def _show_event(self) -> None:
        entry = self.entry
        self.body.clear()
        self.summary.set_text(
            f"{len(entry['laps'])} laps end to end: {entry['original_s']:.1f} s become {entry['duration_s']:.1f} s, "
            f"played {entry['plays']} times; proven to be within {entry['gap']:.1%} of the shortest possible"
        )
        try:
            file = await run.io_bound(whole_play, self.page.desk, self.event, entry) or ""
            opened, trouble = await run.io_bound(first_open, self.page.desk, [file]) or ([], [])
        except WashboardError as error:
            self.page.notice(sentence(error), "bad")
            return
        for text in trouble:
            self.page.notice(text, "bad")
        panes = panes_of(opened, self.page.desk.draft.plan()).get("all in the plan", [])
        marks = [
            Mark(pane=-1, start_s=w["start_s"], end_s=w["end_s"], kind="kept", text=f"kept: {w['reason']}")
            for w in entry["windows"]
        ]
        with self.body:
            with ui.element("div"):
                stack = Stack(
                    panes=panes, layers=[Layer(file=file, label="laps", colour=0)], duration_s=entry["original_s"],
                    marks=marks, pane_px=70, view_px=420, label=f"The laps of {self.event}; kept stretches are shaded",
                )  # fmt: skip
                stack_tools(stack)
                words("h3", "Damage each channel keeps of this event", "wb-h3").style("margin-top:14px")
                rows = [
                    (name, entry["required"][name], entry["retained"][name], entry["join_damage"][name])
                    for name in entry["retained"]
                ]
                heads = ("channel", "asked [-]", "kept [-]", "added by joins [-]")
                with ui.element("div").classes("wb-scroll"):
                    ui.html(table_html(heads, rows, "Damage kept"), sanitize=False)
            with ui.element("aside"):
                words("h3", f"{len(entry['windows'])} kept stretches", "wb-h3")
                with ui.element("ul").classes("wb-findings"):
                    for window in entry["windows"]:
                        self._window(stack, window)

    def _window(self, stack: Stack, window: dict[str, Any]) -> None:
        start_s, end_s = window["start_s"], window["end_s"]
        with ui.element("li").classes("is-note"):
            words("span", f"{start_s:.1f} to {end_s:.1f} s ", "wb-kind")
            button("Show", lambda: stack.go(start_s - 1, end_s + 1), kind="wb-link")
            ui.label(window["reason"])
