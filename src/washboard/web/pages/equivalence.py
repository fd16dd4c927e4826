"""Equivalence: laboratory against field, and what the running is worth in service."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from nicegui import run, ui

from washboard.errors import StorageError, WashboardError
from washboard.programme import load_table
from washboard.web._exhibits import show_exhibits, show_findings
from washboard.web._frame import Page, lead, words
from washboard.web._laps_view import first_open, panes_of
from washboard.web._stack import Layer, Stack
from washboard.web._stack_tools import stack_tools


async def build(page: Page, query: Mapping[str, str]) -> None:
    """Draw the page."""
    try:
        statement = str(load_table(page.desk.folder / "stages" / "correlate" / "correlate.json")["statement"])
    except (StorageError, KeyError, TypeError):
        statement = ""
    lead(page, whole=not statement)
    if statement:
        with ui.element("section").classes("wb-sheet"):
            words("h2", "The statement")
            words("p", statement, "wb-pre").style("max-width:90ch; font-size:16px")
    await show_exhibits(page)
    await _Compared(page, query).draw()
    show_findings(page)


class _Compared:
    """The latest pass of an event against its target, over time."""

    def __init__(self, page: Page, query: Mapping[str, str]) -> None:
        self.page, self.event = page, query.get("event", "")
        self.pairs: dict[str, tuple[str, str]] = {}

    async def draw(self) -> None:
        """Draw the picker and the stack."""
        root = self.page.desk.folder / "stages"
        try:
            endured = load_table(root / "endure" / "endure.json")["events"]
            replicated = load_table(root / "replicate" / "replicate.json")["events"]
            shortened = load_table(root / "shorten" / "shorten.json")["events"]
        except StorageError:
            return
        for name in endured:
            if name in shortened and name in replicated:
                pair = (f"stages/shorten/{shortened[name]['file']}", f"stages/replicate/{replicated[name]['response']}")
                self.pairs[name] = pair
        if not self.pairs:
            return
        self.event = self.event if self.event in self.pairs else next(iter(self.pairs))
        with ui.element("section").classes("wb-sheet"):
            words("h2", "Field and laboratory over time")
            ui.select(list(self.pairs), value=self.event, label="Event", on_change=self._to_event).props(
                "outlined dense"
            ).style("max-width:280px")
            self.body = ui.element("div")
        await self._show()

    async def _to_event(self, event: Any) -> None:
        self.event = event.value
        await self._show()

    async def _show(self) -> None:
        field, laboratory = self.pairs[self.event]
        try:
            opened, trouble = await run.io_bound(first_open, self.page.desk, [field, laboratory]) or ([], [])
        except WashboardError:
            return
        self.body.clear()
        if trouble:
            self.page.notice(trouble[0], "bad")
            return
        layers = [Layer(file=field, label="field", colour=0), Layer(file=laboratory, label="laboratory", colour=1)]
        panes = panes_of(opened, self.page.desk.plan())["all in the plan"]
        with self.body:
            with ui.element("div").classes("wb-key"):
                for layer in layers:
                    ui.html(f'<i style="background:var(--l{layer.colour})"></i>', sanitize=False).style(
                        "display:inline"
                    )
                    ui.label(layer.label)
            stack = Stack(
                panes=panes, layers=layers, duration_s=opened[0].duration_s, pane_px=70, view_px=420,
                label=f"Field and laboratory, {self.event}",
            )  # fmt: skip
            stack_tools(stack)
