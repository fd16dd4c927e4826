"""Recordings: look at every channel, see what is wrong with it and why, mend it, compare laps and files."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from nicegui import run, ui

from washboard.errors import WashboardError
from washboard.recording import Finding, Recording
from washboard.web._desk import sentence
from washboard.web._exhibits import show_exhibits
from washboard.web._frame import Page, button, lead, words
from washboard.web._laps_view import (
    Lap,
    findings_of,
    first_open,
    laps_of,
    marks_of,
    panes_of,
    recording_files,
    try_repairs,
)
from washboard.web._stack import Layer, Pane, Stack
from washboard.web._stack_tools import stack_tools

DRAWN = {"copy": "as mended", "original": "as recorded", "both": "before and after"}
HEIGHTS = {"low": 46, "middle": 92, "tall": 190}
#: Repairs a finding of this kind is answered with: the words of `[[check.repair]]`.
ANSWERS = {
    "spike": "despike",
    "nan": "fill",
    "zero": "fill",
    "flat": "fill",
    "gap": "fill",
    "drift": "drift",
    "offset": "offset",
    "polarity": "flip",
    "hum": "hum",
}


async def build(page: Page, query: Mapping[str, str]) -> None:
    """Draw the page."""
    lead(page)
    try:
        plan = page.desk.draft.plan()
        laps = await run.io_bound(laps_of, page.desk, plan) or ()
    except WashboardError as error:
        page.notice(sentence(error), "bad")
        return
    if not laps:
        return
    view = _View(page, laps, query)
    await view.draw()
    await show_exhibits(page)


class _View:
    """What the page shows now, and the ways to show something else."""

    def __init__(self, page: Page, laps: tuple[Lap, ...], query: Mapping[str, str]) -> None:
        self.page, self.laps = page, laps
        wanted = (query.get("event", ""), query.get("lap", "1"))
        self.lap = next((lap for lap in laps if (lap.event, str(lap.number)) == wanted), laps[0])
        self.drawn = query.get("draw", "copy") if query.get("draw") in DRAWN else "copy"
        self.overlay = query.get("laps") == "all"
        self.other = query.get("with", "")
        self.group = query.get("channels", "")
        self.height = query.get("height", "middle") if query.get("height") in HEIGHTS else "middle"
        self.start_s, self.end_s = _float(query.get("from")), _float(query.get("to"))
        self.tried = ""
        self.recordings: list[Recording] = []
        self.groups: dict[str, list[Pane]] = {}
        self.stack: Stack | None = None

    # -- what to draw -------------------------------------------------------------------------------------------

    def layers(self) -> list[Layer]:
        """Recordings to draw over one another."""
        lap = self.lap
        copy = lap.copy or lap.original
        if self.tried:
            return [
                Layer(file=copy, label=f"{lap.words}, as it is", colour=6),
                Layer(file=self.tried, label="as it would be with the edits", colour=2),
            ]
        if self.overlay:
            same = [entry for entry in self.laps if entry.event == lap.event]
            return [
                Layer(file=(entry.copy or entry.original), label=f"lap {entry.number}", colour=number)
                for number, entry in enumerate(same[:7])
            ]
        layers = []
        if self.drawn in {"original", "both"} or not lap.copy:
            layers.append(Layer(file=lap.original, label=f"{lap.words}, as recorded", colour=6 if lap.copy else 0))
        if lap.copy and self.drawn in {"copy", "both"}:
            layers.append(Layer(file=lap.copy, label=f"{lap.words}, as mended", colour=0))
        if self.other:
            layers.append(Layer(file=self.other, label=self.other, colour=1))
        return layers

    def findings(self) -> list[Finding]:
        """What the check found in this lap."""
        status = self.page.status.get("check")
        return findings_of(status.record if status else None, self.lap)

    def _panes(self) -> list[Pane]:
        if self.group not in self.groups:
            self.group = next(iter(self.groups), "")
        return self.groups.get(self.group, [])

    def _marks(self) -> list[Any]:
        shown = [] if self.overlay or self.other else self.recordings
        return marks_of(self.findings(), shown, self._panes())

    async def _read(self) -> tuple[list[Layer], float]:
        layers = self.layers()
        opened = await run.io_bound(first_open, self.page.desk, [layer.file for layer in layers])
        self.recordings, trouble = opened or ([], [])
        for text in trouble:
            self.page.notice(text, "bad")
        try:
            plan = self.page.desk.draft.plan()
        except WashboardError:
            plan = None
        self.groups = panes_of(self.recordings, plan)
        ends = [recording.duration_s for recording in self.recordings]
        return layers, max(ends, default=1.0)

    # -- drawing ------------------------------------------------------------------------------------------------

    async def draw(self) -> None:
        """Draw the controls, the stack and what was found."""
        with ui.element("section").classes("wb-sheet"):
            self._controls()
            layers, duration_s = await self._read()
            with ui.element("div").classes("wb-row"):
                self.picks = ui.element("div").classes("wb-pick").props('role="group" aria-label="Channels"')
            self._draw_picks()
            self.key = ui.element("div").classes("wb-key")
            with ui.element("div").classes("wb-cols"):
                with ui.element("div"):
                    self.stack = Stack(
                        panes=self._panes(),
                        layers=layers,
                        duration_s=duration_s,
                        start_s=self.start_s,
                        end_s=self.end_s,
                        marks=self._marks(),
                        pane_px=HEIGHTS[self.height],
                        view_px=self._view_px(),
                        label=f"Time histories of {self.lap.words}. Arrow keys move, plus and minus zoom",
                        remember=True,
                        on_pick=self._picked,
                    )
                    self.stack.on("trouble", lambda event: self.page.notice(str(event.args), "bad"))
                    stack_tools(self.stack, holds=True)
                self.side = ui.element("aside").props('aria-label="What was found"')
            self._draw_key(layers)
            self._draw_side()
        self.page.on_edit(self._forget_trial)

    def _controls(self) -> None:
        events = list(dict.fromkeys(lap.event for lap in self.laps))
        with ui.element("div").classes("wb-row"):
            ui.select(events, value=self.lap.event, label="Event", on_change=self._to_event).props(
                "outlined dense"
            ).style("min-width:200px")
            self._lap_pick = ui.select(self._lap_numbers(), value=self.lap.number, label="Lap", on_change=self._to_lap)
            self._lap_pick.props("outlined dense").style("min-width:90px")
            ui.select(DRAWN, value=self.drawn, label="Drawn", on_change=self._to_drawn).props("outlined dense").style(
                "min-width:170px"
            )
            ui.checkbox("all laps over one another", value=self.overlay, on_change=self._to_overlay)
            files = {"": "nothing"} | {file: file for file in recording_files(self.page.desk.folder)}
            if self.other and self.other not in files:
                self.other = ""
            ui.select(files, value=self.other, label="Compare with", on_change=self._to_other).props(
                "outlined dense"
            ).style("min-width:240px")
            ui.select(list(HEIGHTS), value=self.height, label="Height", on_change=self._to_height).props(
                "outlined dense"
            ).style("min-width:100px")

    def _lap_numbers(self) -> list[int]:
        return [lap.number for lap in self.laps if lap.event == self.lap.event]

    def _view_px(self) -> int:
        return max(HEIGHTS[self.height], min(620, HEIGHTS[self.height] * max(1, len(self._panes()))))

    def _draw_picks(self) -> None:
        self.picks.clear()
        self._panes()
        with self.picks:
            for group, panes in self.groups.items():
                pick = ui.button(f"{group} ({len(panes)})", color=None).props("flat no-caps dense")
                pick.classes("is-on" if group == self.group else "")
                pick.props(f'aria-pressed="{"true" if group == self.group else "false"}"')
                pick.on_click(lambda group=group: self._to_group(group))

    def _draw_key(self, layers: list[Layer]) -> None:
        self.key.clear()
        with self.key:
            for layer in layers:
                ui.html(f'<i style="background:var(--l{layer.colour % 7})"></i>', sanitize=False).style(
                    "display:inline"
                )
                ui.label(layer.label)
            if self.lap.left_out:
                ui.label(f"This lap is left out: {self.lap.left_out}").classes("s-look")

    def _draw_side(self) -> None:
        self.side.clear()
        found = self.findings()
        with self.side:
            words("h2", f"Found in {self.lap.words}: {len(found) or 'nothing'}", "wb-h2")
            status = self.page.status.get("check")
            if status is None or status.record is None:
                ui.label("Not checked yet: run this step to have faults found.").classes("wb-quiet")
            with ui.element("ul").classes("wb-findings"):
                for finding in found:
                    self._draw_finding(finding)
            with ui.element("div").classes("wb-row"):
                if self.lap.copy:
                    button("Try the repairs on this lap", self._try)
                    out = self._left_out()
                    button("Take this lap back in" if out else "Leave this lap out", self._leave_out)

    def _draw_finding(self, finding: Finding) -> None:
        text = finding.text.removeprefix(f"{self.lap.words}: ")
        with ui.element("li").classes(f"is-{finding.severity}"):
            words("span", f"{finding.kind}", "wb-kind")
            if finding.channel:
                words("span", f" on {finding.channel}")
            ui.label(text)
            if finding.advice:
                ui.label(finding.advice).classes("wb-quiet wb-small")
            with ui.element("div").classes("wb-tools"):
                if finding.start_s is not None:
                    button("Show", lambda: self._show(finding), kind="wb-link")
                if finding.kind in ANSWERS and finding.channel and finding.severity != "note":
                    button(f"Mend: {ANSWERS[finding.kind]}", lambda: self._mend(finding), kind="wb-link")
                if finding.severity != "note":
                    button("Accept as it is", lambda: self._accept(finding), kind="wb-link")

    # -- acting -------------------------------------------------------------------------------------------------

    def _show(self, finding: Finding) -> None:
        if self.stack is None or finding.start_s is None:
            return
        if finding.channel not in {pane.name for pane in self._panes()}:
            self.group = "all in the plan"
            self._draw_picks()
            self.stack.show(panes=self._panes(), marks=self._marks(), view_px=self._view_px())
        index = next((n for n, pane in enumerate(self._panes()) if pane.name == finding.channel), -1)
        end_s = finding.end_s if finding.end_s is not None else finding.start_s
        room = max(0.5, (end_s - finding.start_s) * 0.5)
        self.stack.go(finding.start_s - room, end_s + room, index)

    def _picked(self, number: int) -> None:
        marks = self._marks()
        if number < len(marks):
            ui.notify(marks[number].text, position="bottom-left", color="dark", multi_line=True)

    def _mend(self, finding: Finding) -> None:
        held = self._value(("check", "repair"))
        step = {
            "do": ANSWERS[finding.kind],
            "channel": finding.channel,
            "event": self.lap.event,
            "lap": self.lap.number,
        }
        if self.page.edit(("check", "repair"), [*held, step]):
            ui.notify("Added to the edits. Try it on this lap, then save and run the check again.", color="dark")

    def _accept(self, finding: Finding) -> None:
        held = self._value(("check", "accept"))
        name = f"{finding.kind}: {finding.channel}" if finding.channel else finding.kind
        if name not in held:
            self.page.edit(("check", "accept"), [*held, name])

    def _left_out(self) -> bool:
        return f"{self.lap.event} {self.lap.number}" in self._value(("check", "leave_out"))

    def _leave_out(self) -> None:
        held, name = self._value(("check", "leave_out")), f"{self.lap.event} {self.lap.number}"
        self.page.edit(("check", "leave_out"), [n for n in held if n != name] if name in held else [*held, name])
        self._draw_side()

    def _value(self, key: tuple[str, ...]) -> list[Any]:
        return self.page.desk.draft.value(key) or []

    async def _try(self) -> None:
        self.key.clear()
        with self.key:
            ui.label("Mending a copy of this lap …").classes("wb-quiet").props('role="status"')
        try:
            self.tried = await run.io_bound(try_repairs, self.page.desk, self.lap) or ""
        except (WashboardError, OSError) as error:
            self.page.notice(sentence(error), "bad")
        if not self.page.gone:
            await self._redraw()

    def _forget_trial(self) -> None:
        if self.tried:
            self.tried = ""
            ui.timer(0.01, self._redraw, once=True)

    # -- showing something else ---------------------------------------------------------------------------------

    async def _redraw(self) -> None:
        layers, duration_s = await self._read()
        self._draw_picks()
        self._draw_key(layers)
        if self.stack is not None:
            self.stack.show(
                panes=self._panes(),
                layers=layers,
                marks=self._marks(),
                duration_s=duration_s,
                pane_px=HEIGHTS[self.height],
                view_px=self._view_px(),
            )
        self._draw_side()
        self._place()

    def _place(self) -> None:
        place = {
            "event": self.lap.event,
            "lap": self.lap.number,
            "draw": None if self.drawn == "copy" else self.drawn,
            "laps": "all" if self.overlay else None,
            "with": self.other or None,
            "channels": None if self.group == next(iter(self.groups), "") else self.group,
            "height": None if self.height == "middle" else self.height,
        }
        self.page.place(place)

    async def _to_event(self, event: Any) -> None:
        self.lap = next(lap for lap in self.laps if lap.event == event.value)
        self.tried = ""
        self._lap_pick.set_options(self._lap_numbers(), value=self.lap.number)
        await self._redraw()

    async def _to_lap(self, event: Any) -> None:
        wanted = (self.lap.event, event.value)
        self.lap = next((lap for lap in self.laps if (lap.event, lap.number) == wanted), self.lap)
        self.tried = ""
        await self._redraw()

    async def _to_drawn(self, event: Any) -> None:
        self.drawn, self.tried = event.value, ""
        await self._redraw()

    async def _to_overlay(self, event: Any) -> None:
        self.overlay = bool(event.value)
        await self._redraw()

    async def _to_other(self, event: Any) -> None:
        self.other = event.value or ""
        await self._redraw()

    async def _to_height(self, event: Any) -> None:
        self.height = event.value
        await self._redraw()

    async def _to_group(self, group: str) -> None:
        self.group = group
        await self._redraw()


def _float(text: str | None) -> float | None:
    try:
        value = float(text) if text else None
    except ValueError:
        return None
    return value if value is None or abs(value) < 1e9 else None
