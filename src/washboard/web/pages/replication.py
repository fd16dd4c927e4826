"""Replication: what can be reached, weights of channels, the iteration as it goes, target against response."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from nicegui import run, ui

from washboard.errors import StorageError, WashboardError
from washboard.identify import limits_of
from washboard.programme import FRF_FILE, Plan, load_frf, load_table
from washboard.recording import read_recording, resample
from washboard.replicate import Forecast, ReplicateSettings, forecast, make_problem, overall_error, prepare_target
from washboard.web._chart import Chart, ChartData, Line, with_props
from washboard.web._desk import Desk, sentence
from washboard.web._exhibits import show_exhibits, show_findings, table_html
from washboard.web._frame import Page, button, lead, words
from washboard.web._play_compared import Compared
from washboard.web._plays_view import SMALL, PlaySeen, in_small, plays_seen


async def build(page: Page, query: Mapping[str, str]) -> None:
    """Draw the page."""
    lead(page)
    try:
        plan = page.desk.draft.plan()
        shortened = load_table(page.desk.folder / "stages" / "shorten" / "shorten.json")["events"]
    except StorageError:
        # A run may be making the targets right now; then the page fills when they are there.
        target = page.desk.folder / "stages" / "shorten" / "shorten.json"
        page.on_job(lambda _job: ui.navigate.reload() if target.exists() and not page.gone else None)
        return
    except WashboardError as error:
        page.notice(sentence(error), "bad")
        return
    if not shortened:
        return
    event = query.get("event", "") if query.get("event", "") in shortened else next(iter(shortened))
    await _Weights(page, plan, shortened, event).draw()
    targets = {name: str(entry["file"]) for name, entry in shortened.items()}
    compared = Compared(page, plan, targets, query)
    _Live(page, plan, targets, compared.plays).draw()
    compared.draw()
    await show_exhibits(page)
    show_findings(page)


def reach(desk: Desk, plan: Plan, entry: dict[str, Any]) -> Forecast:
    """What the drives could make of an event's target with the plan's weights. Raises StorageError, DataError."""
    from washboard.recording import Channel

    frf = load_frf(desk.folder / "stages" / "identify" / FRF_FILE)
    names = tuple(channel.name for channel in plan.control)
    actuators = plan.rig.actuators
    channels = tuple(Channel(name=one.name, unit=one.unit, limits=(-one.reach, one.reach)) for one in actuators)
    limits = limits_of(actuators, channels).scaled(1 - plan.replicate.reserve)
    target = read_recording(desk.folder / "stages" / "shorten" / entry["file"]).in_si()
    rate_hz = plan.rig.link.rate_hz
    at_rate = resample(target, rate_hz)
    prepared = prepare_target(
        np.asarray(at_rate.select(names).samples, dtype=float), rate_hz, names=names,
        band_hz=(plan.band.low_hz, plan.band.high_hz), taper_s=plan.replicate.taper_s,
    )  # fmt: skip
    return forecast(make_problem(prepared, frf.pick(names), limits=limits, importance=np.array(plan.weights)))


class _Weights:
    """Importance of each control channel, with the error that can be reached with it."""

    def __init__(self, page: Page, plan: Plan, shortened: dict[str, Any], event: str) -> None:
        self.page, self.plan, self.shortened, self.event = page, plan, shortened, event
        self.fields: dict[str, ui.number] = {}
        self.singular: Chart | None = None

    async def draw(self) -> None:
        """Draw the fields and the forecast."""
        with ui.element("section").classes("wb-sheet"):
            words("h2", "What can be reached, and how much each control channel counts")
            with ui.element("div").classes("wb-halves"):
                with ui.element("table").classes("wb-table wb-edit"):
                    with ui.element("thead"), ui.element("tr"):
                        for head in ("control channel", "weight"):
                            words("th", head).props('scope="col"')
                    with ui.element("tbody"):
                        for channel in self.plan.control:
                            self._row(channel.name, channel.weight)
                with ui.element("div").props('aria-live="polite"'):
                    ui.select(
                        list(self.shortened), value=self.event, label="Forecast for event", on_change=self._to_event
                    ).props("outlined dense").style("max-width:280px")
                    self.said = ui.html("", sanitize=False)
                    self.place = ui.element("div")
        self.page.on_edit(lambda: ui.timer(0.01, self.refresh, once=True))
        ui.timer(0.01, self.refresh, once=True)

    def _row(self, name: str, weight: float) -> None:
        with ui.element("tr"):
            words("th", name).props('scope="row"')
            with ui.element("td"):
                field = ui.number(value=weight, min=0, max=10, step=0.1).props("outlined dense")
                with_props(field, aria_label=f"weight of {name}")
                field.on("blur", lambda: self._edit(name))
                field.on("keydown.enter", lambda: self._edit(name))
                self.fields[name] = field

    def _edit(self, name: str) -> None:
        value = self.fields[name].value
        held = next(channel.weight for channel in self.page.desk.draft.plan().control if channel.name == name)
        if value is not None and float(value) != held:
            self.page.edit(("channel", name, "weight"), float(value))

    async def _to_event(self, event: Any) -> None:
        self.event = event.value
        await self.refresh()

    async def refresh(self) -> None:
        """Forecast with the weights as they stand."""
        try:
            self.plan = self.page.desk.draft.plan()
            found = await run.io_bound(reach, self.page.desk, self.plan, self.shortened[self.event])
        except WashboardError as error:
            self.said.set_content("")
            self.page.notice(sentence(error), "look")
            return
        if found is None or self.page.gone:
            return
        rows = [
            (name, float(found.outside[n]), float(found.distortion[n]), float(found.noise[n]))
            for n, name in enumerate(found.names)
        ]
        heads = ("channel", "no drive makes [-]", "non-linear at first [-]", "never repeats [-]")
        self.said.set_content(
            table_html(heads, rows, "Forecast")
            + f"<p class='wb-quiet wb-small'>Shares of the target's RMS. Over all channels {found.overall:.1%} is out "
            f"of reach of these drives; a linear rig would use {found.use.largest:.0%} of the tightest limit.</p>"
        )
        chart = ChartData(
            title="Singular values of the weighted FRF: a small one marks a motion the drives hardly make",
            x=found.freq_hz,
            lines=[
                # Seven colours, then the same dashed.
                Line(name=f"{n + 1}", y=row, colour=n % 7, dash="dash" if n >= 7 else "solid")
                for n, row in enumerate(found.singular.T)
            ],
            x_label="frequency [Hz]", y_label="singular value [-]", x_log=True, y_log=True,
        )  # fmt: skip
        if self.singular is None:
            with self.place:
                self.singular = Chart(self.page.shelf, chart, height_px=200)
        else:
            self.singular.show(chart)


class _Live:
    """Plays of the latest replication, growing while it runs."""

    def __init__(self, page: Page, plan: Plan, targets: dict[str, str], tell: Callable[[list[PlaySeen]], Any]) -> None:
        self.page, self.plan, self.targets, self.tell = page, plan, targets, tell
        self.chart: Chart | None = None
        self.mark: list[str] | None = None
        self.busy = False
        self.seen: list[PlaySeen] = []

    def draw(self) -> None:
        """Draw the table and the chart."""
        with ui.element("section").classes("wb-sheet").props('aria-live="polite"'):
            words("h2", "The iteration, play by play")
            self.note = ui.label("Reading the plays …").classes("wb-quiet")
            with ui.element("div").classes("wb-halves"):
                self.place = ui.element("div")
                self.choices = ui.element("div")
            with ui.element("div").classes("wb-scroll").props('tabindex="0"'):
                self.table = ui.html("", sanitize=False)
        self.page.on_edit(self._choose)
        ui.timer(0.01, self.look, once=True)
        self.page.on_job(lambda _job: ui.timer(0.01, self.look, once=True))

    async def look(self) -> None:
        """Read what plays there are now."""
        if self.busy:
            return
        self.busy = True
        try:
            seen = await run.io_bound(plays_seen, self.page.desk.folder, self.plan, self.targets) or []
        except (WashboardError, OSError):
            return
        finally:
            self.busy = False
        mark = [play.file for play in seen]
        if self.page.gone or mark == self.mark:
            return
        self.mark = mark
        if not seen:
            self.note.set_text("No play yet.")
            return
        self._show(seen)
        await self.tell(seen)

    def _show(self, seen: list[PlaySeen]) -> None:
        self.note.set_text(f"{len(seen)} plays of run {seen[-1].run.removeprefix('replicate-')}")
        names = [channel.name for channel in self.plan.control]
        self.seen = seen
        self._choose()
        units = [_unit_of(self.plan, drive) for drive in seen[-1].drives]
        scales = [in_small(1.0, unit) for unit in units]
        rows = [
            (
                play.event,
                play.words,
                *(play.error or [None] * len(names)),
                *(value * scale for value, scale in zip(play.largest, scales, strict=False)),
            )
            for play in reversed(seen)
        ]
        heads = (
            "event",
            "play",
            *(f"{name} error [-]" for name in names),
            *(f"{drive} [{SMALL[unit]}]" for drive, unit in zip(seen[-1].drives, units, strict=True)),
        )
        self.table.set_content(table_html(heads, rows, "Plays"))
        events = list(dict.fromkeys(play.event for play in seen))
        most = max(play.number for play in seen)
        lines = []
        for n, event in enumerate(events):
            y = np.full(most, np.nan)
            for play in seen:
                if play.event == event and play.number and play.error:
                    y[play.number - 1] = overall_error(np.array(play.error), np.array(self.plan.weights))
            lines.append(Line(name=event, y=y, colour=n))
        chart = ChartData(
            title="Relative RMS error over the control channels, by play", x=np.arange(1, most + 1), lines=lines,
            x_label="play", y_label="relative RMS error [-]", y_log=True, x_whole=True,
        )  # fmt: skip
        if self.chart is None:
            with self.place:
                self.chart = Chart(self.page.shelf, chart)
        else:
            self.chart.show(chart)

    def _choose(self) -> None:
        """Which play of each event is used, how many there may be, and going on with that."""
        settings = self._settings()
        if settings is None or not self.seen:
            return
        self.choices.clear()
        with self.choices:
            words("h3", "Which play is used, and how far to go on", "wb-h3")
            with ui.element("div").classes("wb-row"):
                for event in dict.fromkeys(play.event for play in self.seen):
                    options = {0: "the best play"}
                    for play in self.seen:
                        if play.event == event and play.number:
                            options[play.number] = f"play {play.number}, {_overall(play, self.plan)}"
                    kept = settings.keep.get(event, 0)
                    options.setdefault(kept, f"play {kept}, not made")
                    ui.select(
                        options,
                        value=kept,
                        label=event,
                        on_change=lambda chosen, event=event: self._keep(event, chosen),
                    ).props("outlined dense").style("min-width:190px")
            with ui.element("div").classes("wb-row"):
                self._number("plays of an event at most", "plays", settings.plays, 1.0)
                self._number("goal, relative RMS error", "goal", settings.goal, 0.01)
                button("Go on with these", lambda: self.page.start("replicate"), main=True)
            ui.label(
                "Every play is kept on file, also when it is stopped. Going on takes the plays made so far from there "
                "and moves the rig only for new ones, and once for a chosen play to see whether it repeats. What is "
                "chosen here stands in programme.toml under [replicate]."
            ).classes("wb-quiet wb-small")

    def _settings(self) -> ReplicateSettings | None:
        try:
            return self.page.desk.draft.plan().replicate
        except WashboardError:
            return None

    def _keep(self, event: str, chosen: Any) -> None:
        settings = self._settings()
        if settings is not None and int(chosen.value) != settings.keep.get(event, 0):
            self.page.edit(("replicate", "keep", event), int(chosen.value) or None)

    def _number(self, label: str, key: str, value: float, step: float) -> None:
        field = ui.number(label, value=value, min=step, step=step).props("outlined dense").style("width:190px")

        def edit() -> None:
            now = field.value
            if now is not None and now != value:
                self.page.edit(("replicate", key), int(now) if key == "plays" else float(now))

        field.on("blur", edit)
        field.on("keydown.enter", edit)


def _unit_of(plan: Plan, drive: str) -> str:
    return next((one.unit for one in plan.rig.actuators if one.name == drive), "m")


def _overall(play: PlaySeen, plan: Plan) -> str:
    if not play.error:
        return "the rig tripped"
    return f"error {overall_error(np.array(play.error), np.array(plan.weights)):.1%}"
