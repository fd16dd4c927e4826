"""The frame around every page: the programme, the job as a lane, edits not yet saved, what runs in the background."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from datetime import datetime
from typing import Any

from nicegui import run, ui
from nicegui.elements.mixins.text_element import TextElement

from washboard.errors import WashboardError
from washboard.programme import StageStatus, ask_to_stop, holder_of
from washboard.web._chart import Shelf, with_props
from washboard.web._desk import Desk, sentence
from washboard.web._jobs import Job
from washboard.web._steps import STEPS, StepPage, step_at

# Shape as well as colour tells the states apart.
_RING = '<circle cx="10" cy="10" r="7.4" fill="none" stroke="currentColor"'
_CUT = 'fill="none" stroke="var(--paper)" stroke-width="2.2"/>'
_SIGNS = {
    "fine": f'<circle cx="10" cy="10" r="8" fill="currentColor"/><path d="M6 10.5l3 3 5.5-6.5" {_CUT}',
    "look": f'<path d="M10 1.5L19 17.5H1z" fill="currentColor"/><path d="M10 7v5M10 14v2" {_CUT}',
    "stale": f'{_RING} stroke-width="2.4" stroke-dasharray="4 3"/>',
    "missing": f'{_RING} stroke-width="1.6"/>',
    "running": f'{_RING} stroke-width="2.4"/><circle cx="10" cy="10" r="3.4" fill="currentColor"/>',
    "none": '<rect x="2.5" y="2.5" width="15" height="15" rx="2" fill="currentColor"/>',
}

STATE_WORDS = {
    "fine": "done",
    "look": "needs a look",
    "stale": "out of date",
    "missing": "not done",
    "running": "running",
    "none": "",
}


def sign(state: str, size: int = 20) -> str:
    """A state as a small drawing."""
    css = {"none": "wb-quiet", "running": "s-stale"}.get(state, f"s-{state}")
    box = f'width="{size}" height="{size}" viewBox="0 0 20 20" aria-hidden="true"'
    return f'<svg class="{css}" {box}>{_SIGNS[state]}</svg>'


def state_of(status: StageStatus | None) -> str:
    """One word for a stage: fine, look, stale or missing."""
    if status is None or status.state == "missing":
        return "missing"
    if status.state == "stale" or status.record is None:
        return "stale"
    return status.record.verdict


def button(words: str, on_click: Callable[..., Any] | None = None, *, main: bool = False, kind: str = "") -> ui.button:
    """A button in the app's own look."""
    look = kind or ("wb-main-btn" if main else "")
    return ui.button(words, on_click=on_click, color=None).props("flat no-caps dense").classes(f"wb-btn {look}")


class Page:
    """What a page works with: the desk, its step, how the stages stand, and ways to tell the user something."""

    def __init__(self, desk: Desk, shelf: Shelf, step: StepPage) -> None:
        self.desk, self.shelf, self.step = desk, shelf, step
        self.status: dict[str, StageStatus] = {}
        self.trouble = ""
        self._was: Job | None = None
        self._elsewhere = False
        self._late: asyncio.Future[Any] | None = None
        self._on_edit: list[Callable[[], Any]] = []
        self._on_job: list[Callable[[Job], Any]] = []
        self._said: dict[str, ui.element] = {}
        self._seen, self._drawn_edits = "", 0
        self.run_row: ui.element | None = None
        self.state_said = ""

    async def load(self, *, patience_s: float | None = None) -> None:
        """Read plan and stages; what is wrong becomes a sentence on the page.

        With `patience_s`, whether stages are up to date is shown later if finding out takes longer than that. [s]
        """
        looking = asyncio.ensure_future(run.io_bound(self.desk.status))
        try:
            if patience_s is not None:
                await asyncio.wait({looking}, timeout=patience_s)
            if looking.done() or patience_s is None:
                self.status, self.trouble = await looking or {}, ""
            else:
                # Large recordings are being read to see whether they changed: show what is known, correct it later.
                self.status, self.trouble = self.desk.records(), ""
                self._late = looking
        except Exception as error:  # noqa: BLE001 - whatever it was, the page must stand and say so
            self.status, self.trouble = {}, sentence(error)

    # -- drawing ------------------------------------------------------------------------------------------------

    def frame(self) -> ui.element:
        """Draw everything around the page; returns the element its content goes into."""
        ui.page_title(f"{self.step.title} – {self._name()}")
        self._theme = ui.dark_mode(self.desk.recall("dark"))
        ui.query("html").props('lang="en"')
        main = None
        self._brow()
        self.lane = ui.element("nav").classes("wb-lane").props('aria-label="Steps of the job"')
        self._draw_lane()
        self.notices = ui.element("div").props('aria-live="polite"')
        self._edits = ui.element("div").props('aria-live="polite"')
        main = ui.element("main").classes("wb-main").props('id="content"')
        ui.skip_link("Skip to the content", target=main)
        with ui.element("footer").classes("wb-pagefoot wb-noprint"):
            ui.html(
                "<kbd>[</kbd> step before &nbsp; <kbd>]</kbd> step after &nbsp; "
                "<kbd>Ctrl</kbd>+<kbd>Z</kbd> undo an edit",
                sanitize=False,
            )
        self._running = ui.element("aside").classes("wb-running").props('aria-label="What runs in the background"')
        self._running.set_visibility(False)
        with self._running:
            self._running_words = ui.label("").props('role="status"')
            self._bar = ui.element("progress").props('max="1" value="0" aria-label="Progress"')
            self._stop = button("Stop", self.ask_stop, kind="wb-stop")
        ui.keyboard(on_key=self._key, ignore=["input", "select", "textarea"])
        if self.trouble:
            self.notice(self.trouble, "bad")
        self._draw_edits()
        self._tick(first=True)
        ui.timer(0.5, self._tick)
        ui.timer(2.0, self._look_outside)
        self._seen = self.desk.draft.file_mark()
        if self._late is not None:
            ui.timer(0.01, self._arrived, once=True)
        return main

    async def _arrived(self) -> None:
        """What was not known when the page was drawn is known now."""
        if self._late is None:
            return
        before = {name: state_of(status) for name, status in self.status.items()}
        try:
            self.status = await self._late or {}
        except WashboardError as error:
            self.notice(sentence(error), "bad")
            return
        if self.gone:
            return
        self._redraw_state()
        mine = self.status.get(self.step.stage)
        if not self.step.stage and before != {name: state_of(status) for name, status in self.status.items()}:
            self.notice("Some steps are out of date by now.", "look", actions=(("Show it", ui.navigate.reload),))
        elif mine is not None and mine.state == "stale" and before.get(self.step.stage) != "stale":
            self.notice("What this page shows is of an earlier run; see above why.", "look")

    def _redraw_state(self) -> None:
        """The lane and the words under the headline, as things stand now."""
        self._draw_lane()
        said = _state_said(self)
        # A button somebody may be pressing is not drawn anew for nothing.
        if self.run_row is not None and not self.run_row.is_deleted and said != self.state_said:
            self.run_row.clear()
            with self.run_row:
                _state_words(self)

    def _name(self) -> str:
        try:
            return self.desk.plan().programme.name
        except WashboardError:
            return self.desk.folder.name

    def _brow(self) -> None:
        vehicle = ""
        try:
            vehicle = self.desk.plan().programme.vehicle
        except WashboardError:
            vehicle = ""
        with ui.element("header").classes("wb-brow"):
            ui.label(self._name()).classes("wb-name")
            if vehicle:
                ui.label(vehicle).classes("wb-vehicle")
            ui.element("span").classes("wb-gap")
            self._undo = button("Undo", self._undo_edit, kind="wb-link")
            self._theme_button = button("", self._next_theme, kind="wb-link")
            self._say_theme()

    def _say_theme(self) -> None:
        words = {None: "Light or dark: as the system", True: "Dark", False: "Light"}[self._theme.value]
        self._theme_button.set_text(words)

    def _next_theme(self) -> None:
        order = [None, False, True]
        self._theme.value = order[(order.index(self._theme.value) + 1) % 3]
        self.desk.remember("dark", self._theme.value)
        self._say_theme()

    def _draw_lane(self) -> None:
        job = self.desk.jobs.current()
        self.lane.clear()
        with self.lane, ui.element("ol"):
            for step in STEPS:
                state = "none" if not step.stage else state_of(self.status.get(step.stage))
                if job and job.active and job.doing == step.stage:
                    state = "running"
                target = str(self.desk.recall("at", {}).get(step.path, step.path))
                here = step.path == self.step.path
                with ui.element("li"), ui.element("a") as link:
                    with_props(link, href=target, **({"aria_current": "page"} if here else {}))
                    ui.html(sign(state), sanitize=False)
                    ui.label(step.title)
                    ui.label(STATE_WORDS[state]).classes("wb-state")

    @property
    def gone(self) -> bool:
        """Whether the user has left the page meanwhile: then there is nothing to draw on."""
        return bool(self.lane.is_deleted)

    def place(self, changes: dict[str, Any]) -> None:
        """Put what is shown into the page's address, where it can be copied and is remembered; None takes out."""
        if not self.gone:
            self.lane.client.run_javascript(f"washboard.place({json.dumps(changes)})")

    # -- telling ------------------------------------------------------------------------------------------------

    def notice(
        self, text: str, kind: str = "plain", *, actions: tuple[tuple[str, Callable[[], Any]], ...] = ()
    ) -> None:
        """A line under the lane that stays until it is closed; `kind` is plain, look or bad. Said once is enough."""
        before = self._said.get(text)
        if before is not None and not before.is_deleted:
            return
        with self.notices, ui.element("div").classes(f"wb-notice is-{kind}") as bar:
            self._said[text] = bar
            if kind == "bad":
                bar.props('role="alert"')
            ui.label(text).classes("wb-pre")
            for words, act in actions:
                button(words, act, kind="wb-link")
            button("Close", bar.delete, kind="wb-link").props('aria-label="Close this message"')

    def attempt(self, act: Callable[[], Any]) -> bool:
        """Do something that may fail; a failure becomes a notice. Returns whether it went well."""
        try:
            act()
        except (WashboardError, OSError) as error:
            self.notice(sentence(error), "bad")
            return False
        return True

    # -- edits --------------------------------------------------------------------------------------------------

    def on_edit(self, act: Callable[[], Any]) -> None:
        """Call `act` whenever an edit was made, taken back, saved, or the file changed outside."""
        self._on_edit.append(act)

    def edit(self, key: tuple[str, ...], value: Any) -> bool:
        """Edit one key of the programme file as a draft; says why where it can't be."""
        done = self.attempt(lambda: self.desk.draft.set(key, value))
        self.edited()
        return done

    def edited(self) -> None:
        """Show the edits as they stand now, here and in whatever follows them."""
        self._draw_edits()
        if self.gone:
            return
        # The button that was pressed may be gone by now; what follows hangs on something that stays.
        with self._running:
            for act in self._on_edit:
                act()

    def _draw_edits(self) -> None:
        draft = self.desk.draft
        self._drawn_edits = draft.edits_mark
        self._undo.set_enabled(draft.can_undo)
        self._edits.clear()
        if not draft.edits:
            return
        with self._edits, ui.element("div").classes("wb-notice is-look"):
            count = len(draft.edits)
            ui.label(f"{count} edit{'s' if count > 1 else ''} not saved in programme.toml:").style("font-weight:600")
            ui.label("; ".join(edit.words for edit in draft.edits[-3:]) + (" …" if count > 3 else ""))
            button("Save", self._save_edits, main=True)
            button("Undo the last", self._undo_edit)
            button("Discard all", self._discard_edits)

    async def _save_edits(self) -> None:
        if self.attempt(self._write):
            await self.load()
            self._redraw_state()
            self.notice("Saved in programme.toml, comments kept. Steps that read it are now out of date.")
        self.edited()

    def _write(self) -> None:
        """Write the edits; that the file changed by this is no news here."""
        before = self.desk.draft.file_mark()
        self.desk.draft.save()
        if before == self._seen:
            self._seen = self.desk.draft.file_mark()

    def _undo_edit(self) -> None:
        words = self.desk.draft.undo()
        ui.notify(words, position="bottom-right", color="dark")
        self.edited()

    def _discard_edits(self) -> None:
        self.desk.draft.discard()
        self.edited()

    async def _look_outside(self) -> None:
        now = self.desk.draft.file_mark()
        if now == self._seen:
            if self.desk.draft.edits_mark != self._drawn_edits:
                # Edited on another page of the same programme.
                self.edited()
            return
        self._seen = now
        await self.load()
        self._redraw_state()
        at = datetime.now().strftime("%H:%M")
        self.notice(
            f"programme.toml was changed outside at {at}. This page follows it now"
            + ("; your own edits are kept and not yet saved." if self.desk.draft.edits else "."),
            "look",
            actions=(("Reload the page", ui.navigate.reload),),
        )
        if self.trouble:
            self.notice(self.trouble, "bad")
        self.edited()

    def _key(self, event: Any) -> None:
        if event.action.keydown and event.modifiers.ctrl and event.key == "z":
            self._undo_edit()

    # -- runs in the background ---------------------------------------------------------------------------------

    def on_job(self, act: Callable[[Job], Any]) -> None:
        """Call `act` with how the background run stands, twice a second while it runs and once when it ended."""
        self._on_job.append(act)

    def start(self, stage: str, *, again: bool = False) -> None:
        """Run a stage in the background; edits are saved first, since the run reads the file."""
        if self.desk.draft.edits and not self.attempt(self._write):
            return
        self._draw_edits()
        self.attempt(lambda: self.desk.jobs.start(stage, again=again))
        self._tick()

    def ask_stop(self) -> None:
        """Ask what runs in the background to stop."""
        job = self.desk.jobs.current()
        if job is not None and job.active:
            self.desk.jobs.stop()
            self._tick()
            return
        holder = holder_of(self.desk.folder)
        if holder is None:
            self.notice("Nothing runs on this programme.", "look")
        elif self.attempt(lambda: ask_to_stop(holder)):
            self.notice(
                f"Process {holder.pid} on this computer was asked to stop. It brings the rig to rest, keeps what is "
                "finished and ends.",
                "look",
            )

    def _tick(self, *, first: bool = False) -> None:
        job = self.desk.jobs.current()
        active = job is not None and job.active
        elsewhere = None if active else holder_of(self.desk.folder)
        self._running.set_visibility(active or elsewhere is not None)
        if elsewhere is not None:
            self._running_words.set_text(
                f"Something runs that was not started here (process {elsewhere.pid}), as from the command line"
            )
            self._bar._props["value"] = None
            self._bar.update()
            self._stop.set_enabled(True)
        if self._elsewhere and elsewhere is None and not active:
            ui.timer(0.01, self._ended_elsewhere, once=True)
        self._elsewhere = elsewhere is not None
        if job is not None and active:
            title = next((step.title for step in STEPS if step.stage == job.doing), job.doing)
            stopping = self.desk.jobs.stopping()
            words = "stopping; what is finished is kept" if stopping else job.words
            self._running_words.set_text(f"{title}: {job.share:.0%}" + (f" – {words}" if words else ""))
            self._bar._props["value"] = job.share
            self._bar.update()
            self._stop.set_enabled(not stopping)
        if job is not None and (active or (self._was is not None and self._was.active)):
            for act in self._on_job:
                act(job)
        was, self._was = self._was, job
        if first or job is None:
            return
        if was is not None and was.active and not active:
            ui.timer(0.01, lambda: self._ended(job), once=True)
        elif active and (was is None or was.doing != job.doing or not was.active):
            self._draw_lane()

    async def _ended_elsewhere(self) -> None:
        await self.load()
        self._draw_lane()
        self.notice("What ran outside has ended.", actions=(("Show what is there now", ui.navigate.reload),))

    async def _ended(self, job: Job) -> None:
        await self.load()
        self._draw_lane()
        reload = (("Show it", ui.navigate.reload),)
        if job.state == "done":
            self.notice(f"Finished. {job.message}", actions=reload)
            if job.stage == self.step.stage or not self.step.stage:
                ui.navigate.reload()
        elif job.state == "stopped":
            self.notice(f"Stopped as asked. {job.message}", "look", actions=reload)
        else:
            self.notice(job.message, "bad", actions=reload)


def words(tag: str, text: str, css: str = "") -> TextElement:
    """Text in an HTML element of its own kind: a heading, a paragraph."""
    return TextElement(tag=tag, text=text).classes(css)


def lead(page: Page, *, whole: bool = True) -> None:
    """The head of a stage's page: what it found (its first sentence only, unless `whole`), and what runs it."""
    status = page.status.get(page.step.stage)
    record = status.record if status else None
    found = record.summary.strip() if record else ""
    first, rest = _first_sentence(found)
    with ui.element("div").classes("wb-lead"):
        words("h1", first or page.step.question)
        if rest and whole:
            words("p", rest)
        elif not found:
            words("p", "Not run yet. Running it also runs what it needs first; the page stays usable meanwhile.")
    run_row(page)


def _first_sentence(text: str) -> tuple[str, str]:
    """What a stage found, as a headline that can be read at a glance and the rest of it."""
    line, _newline, more = text.partition("\n")
    cuts = [at for mark in (". ", "; ", ", ") if 0 < (at := line.find(mark)) <= 110] if len(line) > 110 else []
    stops = [at for mark in (". ", "; ") if 0 < (at := line.find(mark)) <= 110]
    if stops or cuts:
        at = min(stops or cuts)
        tail = line[at + 2 :]
        head = line[: at + 1] if line[at] == "." else line[:at]
        return head, "\n".join(part for part in (tail[:1].upper() + tail[1:], more) if part)
    return (line, more) if len(line) <= 110 else ("", text)


def run_row(page: Page) -> None:
    """Buttons that run the page's stage, with the words why it should be."""
    page.run_row = ui.element("div").classes("wb-row wb-noprint")
    with page.run_row:
        _state_words(page)


def _state_said(page: Page) -> str:
    status = page.status.get(page.step.stage)
    said = STATE_WORDS[state_of(status)]
    if status and status.state == "stale" and status.reason:
        return f"{said}: {status.reason}"
    if status and status.record:
        when = status.record.started[:16].replace("T", " at ")
        return f"{said}, in {status.record.seconds:.3g} s on {when} UTC"
    return said


def _state_words(page: Page) -> None:
    stage, page.state_said = page.step.stage, _state_said(page)
    state = state_of(page.status.get(stage))
    ui.html(sign(state, 18), sanitize=False)
    ui.label(page.state_said).classes(f"s-{state}").props('role="status"')
    if state in {"fine", "look"}:
        button("Run again", lambda: page.start(stage, again=True))
    else:
        button("Run this step", lambda: page.start(stage), main=True)


def step_foot(step: StepPage) -> None:
    """Links to the step before and the step after."""
    at = STEPS.index(step_at(step.path))
    with ui.element("div").classes("wb-step-foot wb-noprint"):
        if at > 0:
            ui.link(f"Before: {STEPS[at - 1].title}", STEPS[at - 1].path).classes("wb-a")
        else:
            ui.label("")
        if at < len(STEPS) - 1:
            ui.link(f"Next: {STEPS[at + 1].title}. {STEPS[at + 1].question}", STEPS[at + 1].path).classes("wb-a")
