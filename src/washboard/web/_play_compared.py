"""Target against response of a play, and the drive it took against what the rig can do; follows a run play by play."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from nicegui import run, ui

from washboard.errors import StorageError, WashboardError
from washboard.programme import Plan, load_table
from washboard.recording import Recording, read_recording
from washboard.web._desk import Desk, sentence
from washboard.web._exhibits import table_html
from washboard.web._frame import Page, words
from washboard.web._laps_view import first_open, panes_of
from washboard.web._plays_view import SMALL, PlaySeen, PlayShown, show_play, use_of
from washboard.web._stack import Layer, Pane, Stack
from washboard.web._stack_tools import stack_tools

#: What stands for the drive that is used, among the numbers of plays.
USED = -1


class Compared:
    """One play of one event: which, its response over the target, its drive over time and against its limits."""

    def __init__(self, page: Page, plan: Plan, targets: dict[str, str], query: Mapping[str, str]) -> None:
        self.page, self.plan, self.targets = page, plan, targets
        self.event = query.get("event", "") if query.get("event", "") in targets else next(iter(targets))
        number = query.get("play", "")
        self.number = int(number) if number.isdigit() else USED
        self.seen: list[PlaySeen] = []
        self.body: ui.element | None = None
        self._busy = self._again = False
        #: Whether the play shown was picked by nobody: it is no place to come back to.
        self._followed = False

    def draw(self) -> None:
        """Draw the pickers; what they pick follows when the plays have been read."""
        with ui.element("section").classes("wb-sheet"):
            words("h2", "Target against response")
            with ui.element("div").classes("wb-row"):
                self.event_pick = ui.select(
                    list(self.targets), value=self.event, label="Event", on_change=self._to_event
                ).props("outlined dense").style("min-width:220px")  # fmt: skip
                self.play_pick = (
                    ui.select({USED: "the drive that is used"}, value=USED, label="Play", on_change=self._to_play)
                    .props("outlined dense")
                    .style("min-width:260px")
                )
                self.follow = ui.checkbox("follow the newest play while it runs", value=True)
            self.verdict = ui.label("").classes("wb-quiet")
            self.body = ui.element("div")
        if self.number == USED:
            ui.timer(0.01, self.refresh, once=True)

    async def plays(self, seen: list[PlaySeen]) -> None:
        """There are other plays now: list them, and show the newest while it is to be followed."""
        job = self.page.desk.jobs.current()
        newer = not self.seen or seen[-1].file != self.seen[-1].file
        self.seen = seen
        asked = (self.event, self.number)
        if newer and self.follow.value and job is not None and job.active and job.doing == "replicate":
            self.event, self.number, self._followed = seen[-1].event, seen[-1].number, True
        self._list()
        if (self.event, self.number) != asked or self.number != USED:
            await self.refresh()

    def _list(self) -> None:
        mine = [play for play in self.seen if play.event == self.event]
        options = {USED: "the drive that is used"} | {play.number: play.words for play in mine}
        if self.number not in options:
            self.number = USED
        self.event_pick.set_value(self.event)
        self.play_pick.set_options(options, value=self.number)

    async def _to_event(self, event: Any) -> None:
        if event.value != self.event:
            self.event, self.number, self._followed = event.value, USED, False
            self._list()
            await self.refresh()

    async def _to_play(self, event: Any) -> None:
        if event.value is not None and event.value != self.number:
            self.number, self._followed = event.value, False
            await self.refresh()

    async def refresh(self) -> None:
        """Read and draw what is picked; while that goes on, the latest wish waits."""
        if self._busy:
            self._again = True
            return
        self._busy = True
        try:
            while True:
                self._again = False
                await self._show()
                if not self._again:
                    return
        finally:
            self._busy = False

    async def _show(self) -> None:
        play = next((p for p in self.seen if p.event == self.event and p.number == self.number), None)
        try:
            if self.number == USED or play is None:
                found = await run.io_bound(used, self.page.desk, self.plan, self.event)
            else:
                found = await run.io_bound(played, self.page.desk, self.plan, play)
        except (WashboardError, OSError) as error:
            if not self.page.gone:
                self.page.notice(sentence(error), "bad")
            return
        if self.page.gone or self.body is None:
            return
        self.body.clear()
        if found is None:
            self.verdict.set_text("No drive of this event is on file yet.")
            return
        text, shown = found
        self.verdict.set_text(text)
        target = f"stages/shorten/{self.targets[self.event]}"
        layers = [Layer(file=target, label="target", colour=6)]
        if shown.response:
            layers.append(Layer(file=shown.response, label="response", colour=1, offset_s=-shown.response_lead_s))
        opened, trouble = await run.io_bound(
            first_open, self.page.desk, [*(layer.file for layer in layers), shown.drive]
        ) or ([], [])
        if trouble:
            self.page.notice(trouble[0], "bad")
            return
        with self.body:
            self._draw(layers, opened, shown)
        place = {"event": self.event, "play": None if self.number == USED or self._followed else self.number}
        self.page.place(place)

    def _draw(self, layers: list[Layer], opened: list[Recording], shown: PlayShown) -> None:
        with ui.element("div").classes("wb-key"):
            for layer in layers:
                ui.html(f'<i style="background:var(--l{layer.colour})"></i>', sanitize=False).style("display:inline")
                ui.label(layer.label)
        panes = panes_of([opened[0]], self.plan)["all in the plan"]
        stack = Stack(
            panes=panes, layers=layers, duration_s=opened[0].duration_s, pane_px=70, view_px=420,
            label=f"Target and response of {self.event}. Arrow keys move, plus and minus zoom",
        )  # fmt: skip
        stack_tools(stack)
        words("h3", "The drive, against what each actuator can do", "wb-h3").style("margin-top:14px")
        if shown.use:
            shares = ("of its reach [-]", "of its speed [-]", "of its acceleration [-]")
            heads = ("actuator", "unit", "largest", "reach", *shares)
            ui.html(table_html(heads, shown.use, "Drive against limits"), sanitize=False)
        drives = [Pane(name=c.name, unit=SMALL.get(c.unit, c.unit)) for c in opened[-1].channels]
        moves = Stack(
            panes=drives, layers=[Layer(file=shown.drive, label="drive", colour=2, offset_s=-shown.drive_lead_s)],
            duration_s=opened[0].duration_s, pane_px=70, view_px=min(300, 70 * len(drives)),
            label=f"Drive of {self.event}. Arrow keys move, plus and minus zoom",
        )  # fmt: skip
        stack_tools(moves)


def used(desk: Desk, plan: Plan, event: str) -> tuple[str, PlayShown] | None:
    """The drive that the run takes for an event and its response, with the verdict; None where there is none.

    Raises
    ------
    StorageError, FormatError
        Its files cannot be read.
    """
    try:
        entry = load_table(desk.folder / "stages" / "replicate" / "replicate.json")["events"][event]
    except (StorageError, KeyError):
        return None
    if entry["overall"] is None:
        return None
    drive = f"stages/replicate/{entry['drive']}"
    response = f"stages/replicate/{entry['response']}"
    held = read_recording(desk.folder / drive).in_si()
    shown = PlayShown(
        response=response,
        drive=drive,
        response_lead_s=0.0,
        # From rest and back to it: as long before the target as after it.
        drive_lead_s=max(0.0, (held.duration_s - read_recording(desk.folder / response).duration_s) / 2),
        use=use_of(plan, held.names, held.samples, held.rate_hz),
    )
    return str(entry["verdict"]), shown


def played(desk: Desk, plan: Plan, play: PlaySeen) -> tuple[str, PlayShown]:
    """One play by its own file. Raises StorageError, InputError."""
    shown = show_play(desk.folder, plan, play)
    if not play.error:
        return f"{play.event}, {play.words}: the rig tripped, so there is no response.", shown
    names = [channel.name for channel in plan.control]
    worst = max(range(len(names)), key=lambda n: play.error[n])
    return (
        f"{play.event}, {play.words}: relative RMS error in band "
        + ", ".join(f"{error:.1%} on {name}" for name, error in zip(names, play.error, strict=True))
        + (f"; worst is {names[worst]}." if len(names) > 1 else "."),
        shown,
    )
