"""Target: how often each event occurs in the service, and what that does to every channel, edited in a table."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from nicegui import run, ui

from washboard.duty import EventPlan
from washboard.errors import InputError, StorageError, WashboardError
from washboard.programme import Plan, load_table
from washboard.units import format_quantity
from washboard.web._chart import with_props
from washboard.web._desk import sentence
from washboard.web._exhibits import show_exhibits, show_findings, table_html
from washboard.web._frame import Page, lead, words
from washboard.web._mix import MixPreview, preview


async def build(page: Page, _query: Mapping[str, str]) -> None:
    """Draw the page."""
    lead(page)
    try:
        plan = page.desk.draft.plan()
    except WashboardError as error:
        page.notice(sentence(error), "bad")
        return
    _Mix(page, plan).draw()
    await show_exhibits(page)
    show_findings(page)


class _Mix:
    """The usage mix as a table, with what it does beside it."""

    def __init__(self, page: Page, plan: Plan) -> None:
        self.page, self.plan = page, plan
        self.fields: dict[tuple[str, ...], ui.input] = {}
        self.shown: dict[tuple[str, ...], str] = {}

    def draw(self) -> None:
        """Draw the table, the service and the preview."""
        plan = self.plan
        with ui.element("section").classes("wb-sheet"):
            words("h2", "Usage mix: how often each event occurs in the service")
            if plan.duty.group:
                ui.label(
                    f"Shares are given for {len(plan.duty.group)} groups of users in programme.toml and edited there."
                ).classes("wb-quiet")
            with ui.element("div").classes("wb-halves"):
                with ui.element("div"):
                    self._service()
                    self._table()
                self.side = ui.element("div").props('aria-live="polite"')
        with self.side:
            self.trouble = ui.label("").classes("s-bad wb-pre")
            self.numbers = ui.html("", sanitize=False)
            self.bars = ui.html("", sanitize=False)
            self.wait = ui.label("Working out what it does …").classes("wb-quiet").props('role="status"')
        self.refresh_soon()
        self.page.on_edit(self.refresh_soon)

    def refresh_soon(self) -> None:
        """Follow an edit."""
        ui.timer(0.01, self.refresh, once=True)

    def _service(self) -> None:
        duty = self.plan.duty
        with ui.element("div").classes("wb-row"):
            if duty.distance_m is not None:
                said = self.page.desk.draft.value(("duty", "distance"))
                self._field("service", ("duty", "distance"), str(said or format_quantity(duty.distance_m, "m", "km")))
            else:
                said = self.page.desk.draft.value(("duty", "time"))
                self._field("service", ("duty", "time"), str(said or format_quantity(duty.time_s or 0.0, "s", "h")))
            self._field("least test over target", ("duty", "under_test"), f"{duty.under_test:g}", number=True)
            self._field("most test over target", ("duty", "over_test"), f"{duty.over_test:g}", number=True)

    def _table(self) -> None:
        with ui.element("table").classes("wb-table wb-edit"):
            with ui.element("thead"), ui.element("tr"):
                for head in ("event", "laps in the service", "or share of it", "distance of a lap"):
                    words("th", head).props('scope="col"')
            with ui.element("tbody"):
                for event in self.plan.event:
                    self._row(event)

    def _row(self, event: EventPlan) -> None:
        at = ("event", event.name)
        with ui.element("tr"):
            words("th", event.name).props('scope="row"').style("color:var(--ink)")
            grouped = bool(self.plan.duty.group)
            with ui.element("td"):
                repeats = "" if event.repeats is None else f"{event.repeats:g}"
                self._field(f"laps of {event.name}", (*at, "repeats"), repeats, number=True, bare=True, off=grouped)
            with ui.element("td"):
                share = "" if event.share is None else str(self.page.desk.draft.value((*at, "share")))
                self._field(f"share of {event.name}", (*at, "share"), share, bare=True, off=grouped)
            with ui.element("td"):
                ui.label("–" if event.distance_m is None else format_quantity(event.distance_m, "m"))

    def _field(
        self,
        label: str,
        key: tuple[str, ...],
        value: str,
        *,
        number: bool = False,
        bare: bool = False,
        off: bool = False,
    ) -> None:
        field = ui.input(value=value) if bare else ui.input(label, value=value)
        field.props("outlined dense")
        if bare:
            with_props(field, aria_label=label)
        if not bare:
            field.style("width:180px")
        field.set_enabled(not off)
        self.fields[key] = field
        self.shown[key] = value

        def changed() -> None:
            self._edit(key, str(field.value or "").strip(), number)

        field.on("blur", changed)
        field.on("keydown.enter", changed)

    def _edit(self, key: tuple[str, ...], text: str, number: bool) -> None:
        field = self.fields[key]
        if text == self.shown[key]:
            return
        now: Any = text or None
        if text and (number or text.replace(".", "", 1).isdigit()):
            try:
                now = float(text)
            except ValueError:
                field.props("error")
                with_props(field, error_message=f"{text} is not a number")
                return
            now = int(now) if now == int(now) else now
        held = self.page.desk.draft.value(key)
        if now == held:
            field.props(remove="error error-message")
            return
        other = {"repeats": "share", "share": "repeats"}.get(key[-1])
        draft = self.page.desk.draft
        try:
            if other and now is not None and draft.value((*key[:-1], other)) is not None:
                # Either the one or the other: both change as one edit of the user's.
                draft.set_all({(*key[:-1], other): None, key: now})
                self.fields[(*key[:-1], other)].value = ""
                self.shown[(*key[:-1], other)] = ""
            else:
                draft.set(key, now)
        except WashboardError as error:
            field.props("error").props["error-message"] = sentence(error).rpartition("programme.toml:")[2]
            field.update()
            return
        field.props(remove="error error-message")
        self.shown[key] = text
        self.page.edited()

    async def refresh(self) -> None:
        """Show what the mix as it stands, edits included, would do."""
        try:
            self.plan = self.page.desk.draft.plan()
            table = load_table(self.page.desk.folder / "stages" / "target" / "target.json")
            found = await run.io_bound(preview, self.plan, table)
        except StorageError:
            self.wait.set_visibility(False)
            self.trouble.set_text("Run this step once; then every edit shows at once what it does.")
            return
        except (WashboardError, InputError) as error:
            self.wait.set_visibility(False)
            self.trouble.set_text(sentence(error))
            return
        if self.page.gone:
            return
        self.wait.set_visibility(False)
        self.trouble.set_text("")
        if found is not None:
            self._show(found)
        self._sync()

    def _sync(self) -> None:
        """After an undo the fields say again what the file and the edits say."""
        for key, field in self.fields.items():
            held = self.page.desk.draft.value(key)
            text = "" if held is None else str(held)
            if held is not None and text != str(field.value) and f"{held}" != str(field.value):
                field.value = self.shown[key] = text

    def _show(self, found: MixPreview) -> None:
        plays = found.schedule
        rows = [
            (name, round(float(laps), 1), count)
            for name, laps, count in zip(found.events, found.laps, plays.repeats, strict=True)
        ]
        heads = ("event", "laps in the service", "plays in the test")
        hours = plays.time_s / 3600
        conflict = "".join(f"<p class='s-look'>{_text(entry.text)}</p>" for entry in plays.conflicts[:3])
        self.numbers.set_content(
            f"<p><b>{hours:.3g} h</b> of playing, before shortening.</p>{conflict}"
            + table_html(heads, rows, "Plays of each event")
        )
        own = [found.slopes.index(channel.slope) for channel in self.plan.channel]
        guarded = {name: at for at, name in enumerate(found.guarded)}
        body = ""
        for row, name in enumerate(found.channels):
            moved = float(found.damage_ratio[row, own[row]])
            reached = float(plays.ratio[guarded[name], own[row]]) if name in guarded else None
            body += (
                f'<tr><th scope="row">{_text(name)}</th><td class="n">{_times(moved)}</td>'
                f"<td>{'' if reached is None else _bar(reached, self.plan.duty.over_test)}</td></tr>"
            )
        self.bars.set_content(
            '<table class="wb-table"><thead><tr><th scope="col">channel, at its own slope</th>'
            '<th scope="col" class="n">target now over<br>when this step ran</th>'
            '<th scope="col">test over target</th></tr></thead>'
            f"<tbody>{body}</tbody></table>"
        )


def _times(ratio: float) -> str:
    return "–" if not np.isfinite(ratio) else f"{ratio:.3g}"


def _bar(ratio: float, most: float) -> str:
    width = min(150.0, 90.0 * ratio)
    over = " is-over" if ratio > most * 1.0001 else ""
    return f'<span class="wb-bar{over}" style="width:{width:.0f}px"></span>{ratio:.3g}'


def _text(text: str) -> str:
    from html import escape

    return escape(text)
