"""Run: passes as they are counted, whether anything has changed, what people saw, and the stop button."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import quote

import numpy as np
from nicegui import events, run, ui

from washboard.endure import Journal, PassRecord, settle
from washboard.errors import StorageError, WashboardError
from washboard.programme import Plan, load_table
from washboard.web._chart import Chart, ChartData, Line, with_props
from washboard.web._desk import sentence
from washboard.web._exhibits import show_exhibits, show_findings, table_html
from washboard.web._frame import Page, button, lead, words
from washboard.web._log import MOST_BYTES, LogEntry, add_entry, picture_ending, read_log

#: What a person can say about a pass of which nothing is known.
ANSWERS = {
    "done": "It was played to the end",
    "not-done": "The rig did not move",
    "abandoned": "In part, or unknown",
}

#: Passes listed; all of them count and are in the chart.
LISTED = 60


async def build(page: Page, _query: Mapping[str, str]) -> None:
    """Draw the page."""
    lead(page)
    try:
        plan = page.desk.plan()
    except WashboardError as error:
        page.notice(sentence(error), "bad")
        return
    watch = _Watch(page, plan)
    watch.draw()
    _Log(page, watch).draw()
    await show_exhibits(page)
    show_findings(page)


class _Watch:
    """The journal as it grows."""

    def __init__(self, page: Page, plan: Plan) -> None:
        self.page, self.plan = page, plan
        self.specimen = plan.endure.specimen
        self.trend: Chart | None = None
        self.mark = ""
        self.last = 0
        self.busy = False

    def draw(self) -> None:
        """Draw what the journal says, and the buttons of the run."""
        with ui.element("section").classes("wb-sheet"):
            words("h2", "The run")
            ui.label(
                "Stopping here ends the pass and brings the posts to rest through the rig's link. It does not replace "
                "the emergency stop of the rig, nor the people licensed for its hydraulics."
            ).classes("wb-quiet wb-small")
            with ui.element("div").classes("wb-row"):
                button("Stop the run", self.page.ask_stop, kind="wb-stop")
                button("Go on with the run", lambda: self.page.start("endure", again=True), main=True)
                self.state = ui.label("").style("font-weight:600").props('role="status"')
            self.open = ui.element("div")
            self.alarm = ui.element("div").props('role="alert"')
            with ui.element("div").classes("wb-halves"):
                self.progress = ui.html("", sanitize=False)
                self.place = ui.element("div")
            words("h3", f"The last passes, {LISTED} of them at most", "wb-h3")
            with ui.element("div").classes("wb-scroll"):
                self.table = ui.html("<p class='wb-quiet'>No pass yet.</p>", sanitize=False)
        ui.timer(0.01, self.look, once=True)
        ui.timer(1.5, self.look)

    async def look(self) -> None:
        """Read the journal; draw it again when it says something else."""
        job = self.page.desk.jobs.current()
        running = job is not None and job.active and job.doing == "endure"
        self.state.set_text(f"running: {job.words}" if running and job else "not running")
        if self.busy or not (self.page.desk.folder / "journal.db").exists():
            return
        self.busy = True
        try:
            passes = await run.io_bound(self._read) or ()
        except WashboardError as error:
            self.page.notice(sentence(error), "bad")
            return
        finally:
            self.busy = False
        if self.page.gone:
            return
        mark = f"{len(passes)}:{[entry.state for entry in passes[-3:]]}:{running}"
        if mark != self.mark:
            self.mark = mark
            self._show(passes, running)

    def _read(self) -> tuple[PassRecord, ...]:
        with Journal(self.page.desk.folder / "journal.db") as journal:
            return journal.passes(self.specimen)

    def _show(self, passes: tuple[PassRecord, ...], running: bool) -> None:
        self.last = passes[-1].number if passes else 0
        self._show_open([] if running else [entry for entry in passes if entry.state in {"begun", "unclear"}])
        self._show_progress(passes)
        self._show_trend(passes)
        rows = [
            (entry.number, entry.event, entry.begun_at[:19].replace("T", " "), entry.state, _off(entry), entry.note)
            for entry in reversed(passes[-LISTED:])
        ]
        heads = ("pass", "event", "begun (UTC)", "state", "largest change of a channel [-]", "note")
        self.table.set_content(table_html(heads, rows, "Passes"))

    def _show_open(self, waiting: list[PassRecord]) -> None:
        self.open.clear()
        if not waiting:
            return
        entry = waiting[0]
        with self.open, ui.element("div").classes("wb-notice is-bad"):
            ui.label(
                f"Pass {entry.number} ({entry.event}) was begun at {entry.begun_at[:19].replace('T', ' ')} and nothing "
                "says how far it came. Look at the rig's own log, then say so; the rig does not move before."
            )
            for answer, said in ANSWERS.items():
                button(said, lambda answer=answer: self._settle(answer))

    def _settle(self, answer: str) -> None:
        def act() -> None:
            with Journal(self.page.desk.folder / "journal.db") as journal:
                settle(journal, answer, by="web app")

        if self.page.attempt(act):
            self.mark = ""

    def _show_progress(self, passes: tuple[PassRecord, ...]) -> None:
        done: dict[str, int] = {}
        drives = self._drives()
        for entry in passes:
            # A pass of an earlier drive stays in the journal; it is no pass of the present sequence.
            if entry.counted and drives.get(entry.event, entry.drive) == entry.drive:
                done[entry.event] = done.get(entry.event, 0) + 1
        planned, length = self._planned()
        rows: list[tuple[Any, ...]] = []
        for event in [*planned, *(name for name in done if name not in planned)]:
            left = max(0, planned.get(event, 0) - done.get(event, 0))
            rows.append((event, done.get(event, 0), planned.get(event), left * length.get(event, 0.0) / 3600))
        total, counted = sum(planned.values()), sum(min(done.get(e, 0), n) for e, n in planned.items())
        share = counted / total if total else 0.0
        self.progress.set_content(
            f"<p><b>{counted} of {total} passes</b> ({share:.1%}); states: "
            f"{', '.join(f'{n} {state}' for state, n in _states(passes).items())}.</p>"
            + table_html(("event", "passes counted", "planned", "left, about [h]"), rows, "Progress")
        )
        changed = [entry for entry in passes if entry.result.get("changes")]
        self.alarm.clear()
        if changed:
            latest = changed[-1]
            with self.alarm, ui.element("div").classes("wb-notice is-look"):
                ui.label(f"A change was seen in pass {latest.number} ({latest.event}): {_change_words(latest)}")
                button("Accept it: next passes make a new reference", self._accept)

    def _accept(self) -> None:
        def act() -> None:
            with Journal(self.page.desk.folder / "journal.db") as journal:
                journal.accept_change(self.specimen, by="web app", note="accepted on the run page")

        if self.page.attempt(act):
            self.page.notice("Accepted; the next passes make a new reference. Write down why in the log below.")

    def _drives(self) -> dict[str, str]:
        """Digest of the present drive of each event, as far as it was played."""
        try:
            entries = load_table(self.page.desk.folder / "stages" / "endure" / "endure.json")["events"]
        except StorageError:
            return {}
        return {name: str(entry["drive"]) for name, entry in entries.items()}

    def _planned(self) -> tuple[dict[str, int], dict[str, float]]:
        try:
            entries = load_table(self.page.desk.folder / "stages" / "shorten" / "shorten.json")["events"]
        except StorageError:
            return {}, {}
        return {name: int(e["plays"]) for name, e in entries.items()}, {
            n: float(e["duration_s"]) for n, e in entries.items()
        }

    def _show_trend(self, passes: tuple[PassRecord, ...]) -> None:
        measured = [entry for entry in passes if entry.result.get("ratio")]
        if not measured:
            return
        names = list(measured[-1].result["features"]["channels"])
        ratio = np.full((len(measured), len(names)), np.nan)
        for row, entry in enumerate(measured):
            values = np.asarray(entry.result["ratio"], dtype=float)
            if values.shape[0] == len(names):
                # The first of a channel's features is its RMS.
                ratio[row] = values[:, 0]
        spread = np.nan_to_num(np.abs(ratio - 1)).max(axis=0)
        most = np.argsort(-spread)[:6]
        chart = ChartData(
            title="RMS of each pass over its reference, the six channels that moved most",
            x=[entry.number for entry in measured],
            lines=[Line(name=names[row], y=ratio[:, row], colour=n) for n, row in enumerate(most)],
            x_label="pass", y_label="ratio [-]", x_whole=True,
        )  # fmt: skip
        if self.trend is None:
            with self.place:
                self.trend = Chart(self.page.shelf, chart)
        else:
            self.trend.show(chart)


def _off(entry: PassRecord) -> float | None:
    ratio = entry.result.get("ratio")
    return float(np.nan_to_num(np.abs(np.asarray(ratio, dtype=float) - 1)).max()) if ratio else None


def _change_words(entry: PassRecord) -> str:
    found = entry.result["changes"][:4]
    return "; ".join(str(one.get("text") or one.get("channel")) if isinstance(one, dict) else str(one) for one in found)


def _states(passes: tuple[PassRecord, ...]) -> dict[str, int]:
    found: dict[str, int] = {}
    for entry in passes:
        found[entry.state] = found.get(entry.state, 0) + 1
    return found or {"none": 0}


class _Log:
    """What people saw."""

    def __init__(self, page: Page, watch: _Watch) -> None:
        self.page, self.watch = page, watch
        self.photo: bytes | None = None

    def draw(self) -> None:
        """Draw the form and the entries."""
        with ui.element("section").classes("wb-sheet"):
            words("h2", "Log of what was seen")
            with ui.element("div").classes("wb-cols"):
                self.entries = ui.element("div")
                with ui.element("div").classes("wb-form"):
                    self.by = ui.input("Who", value=self.page.desk.recall("by", "")).props("outlined dense")
                    self.text = ui.textarea("What was seen").props("outlined dense autogrow")
                    ui.label(f"Photo, PNG or JPEG, {MOST_BYTES // 1_000_000} MB at most").classes("wb-quiet wb-small")
                    self.upload = ui.upload(
                        on_upload=self._took, label="Choose a picture", auto_upload=True, max_files=1,
                        max_file_size=MOST_BYTES,
                        on_rejected=lambda _event: self.page.notice("The photo is too large or not a picture.", "bad"),
                    )  # fmt: skip
                    self.upload.props('accept=".png,.jpg,.jpeg" flat bordered aria-label="Photo"')
                    self.upload.style("max-width:320px")
                    self.took = ui.label("").classes("wb-quiet wb-small")
                    with ui.element("div").classes("wb-row"):
                        button("Add to the log", self._add, main=True)
        self._list()

    async def _took(self, event: events.UploadEventArguments) -> None:
        content = await event.file.read()
        if self.page.attempt(lambda: picture_ending(content)):
            self.photo = content
            self.took.set_text(f"photo ready, {len(content) / 1e6:.2f} MB")
        self.upload.reset()

    def _add(self) -> None:
        by, text = str(self.by.value or ""), str(self.text.value or "")

        def act() -> None:
            add_entry(self.page.desk.folder, by=by, after_pass=self.watch.last, text=text, photo=self.photo)

        if self.page.attempt(act):
            self.page.desk.remember("by", by)
            self.photo = None
            self.text.value = ""
            self.took.set_text("")
            self._list()

    def _list(self) -> None:
        self.entries.clear()
        found = read_log(self.page.desk.folder)
        with self.entries:
            if not found:
                ui.label("Nothing written yet.").classes("wb-quiet")
            with ui.element("ul").classes("wb-findings"):
                for entry in reversed(found[-100:]):
                    self._entry(entry)

    def _entry(self, entry: LogEntry) -> None:
        with ui.element("li").classes("is-note"):
            who = f" by {entry.by}" if entry.by else ""
            words("span", f"{entry.at[:16].replace('T', ' ')} UTC{who}, after pass {entry.after_pass}", "wb-kind")
            ui.label(entry.text).classes("wb-pre")
            if entry.photo:
                with with_props(ui.element("a"), href=f"/file/{quote(entry.photo)}", target="_blank"):
                    image = ui.element("img").style("max-width:280px; max-height:200px")
                    image._props.update({"src": f"/file/{quote(entry.photo)}", "alt": f"Photo: {entry.text[:80]}"})
