"""Programme: where the test stands, and what is next."""

from __future__ import annotations

from collections.abc import Mapping

from nicegui import ui

from washboard.errors import WashboardError
from washboard.units import format_quantity
from washboard.web._desk import sentence
from washboard.web._exhibits import finding_words, show_table
from washboard.web._frame import STATE_WORDS, Page, button, sign, state_of, words
from washboard.web._steps import STEPS, StepPage


def next_step(page: Page) -> StepPage | None:
    """The first step of the job that is not up to date, or None."""
    steps = [step for step in STEPS if step.stage]
    return next((step for step in steps if state_of(page.status.get(step.stage)) in {"missing", "stale"}), None)


async def build(page: Page, _query: Mapping[str, str]) -> None:
    """Draw the page."""
    try:
        page.desk.plan()
    except WashboardError as error:
        page.notice(sentence(error), "bad")
        with ui.element("div").classes("wb-lead"):
            words("h1", "This programme cannot be read yet")
            words("p", "Put right what stands above; this page follows the file by itself.")
        page.on_edit(lambda: _follow(page))
        return
    ahead = next_step(page)
    looks = [step for step in STEPS if step.stage and state_of(page.status.get(step.stage)) == "look"]
    with ui.element("div").classes("wb-lead"):
        words("h1", _headline(ahead, looks))
        if ahead is not None:
            status = page.status.get(ahead.stage)
            words("p", f"{ahead.question} ({status.title}; {status.reason})" if status else ahead.question)
    with ui.element("div").classes("wb-row"):
        if ahead is not None:
            stage = ahead.stage
            button(f"Run {ahead.title}", lambda: page.start(stage), main=True)
            button("Run everything up to the report", lambda: page.start("report"))
        else:
            button("Open the report", lambda: ui.navigate.to("/report"), main=True)
    with ui.element("section").classes("wb-sheet"):
        words("h2", "The steps, and what each found")
        with ui.element("table").classes("wb-steps"), ui.element("tbody"):
            for step in STEPS:
                if step.stage:
                    _row(page, step)
    _plan(page)


def _follow(page: Page) -> None:
    """As soon as the file can be read again, show what it says."""
    try:
        page.desk.plan()
    except WashboardError:
        return
    ui.navigate.reload()


def _headline(ahead: StepPage | None, looks: list[StepPage]) -> str:
    if ahead is None and not looks:
        return "Every step is done."
    if ahead is None:
        return f"Every step is done; {', '.join(step.title for step in looks)} needs a look."
    note = f" Before that, look at: {', '.join(step.title for step in looks)}." if looks else ""
    return f"Next: {ahead.title}.{note}"


def _row(page: Page, step: StepPage) -> None:
    status = page.status.get(step.stage)
    state = state_of(status)
    with ui.element("tr"):
        with ui.element("td"):
            ui.link(step.title, step.path).classes("wb-a")
        with ui.element("td").classes(f"wb-st s-{state}"):
            ui.html(f"{sign(state, 16)}", sanitize=False).style("display:inline-block;vertical-align:-3px")
            words("span", f" {STATE_WORDS[state]}")
        with ui.element("td"):
            if status is not None and status.record is not None:
                ui.label(status.record.summary).classes("wb-pre")
                serious = [finding for finding in status.record.findings if finding.severity != "note"]
                for finding in serious[:3]:
                    ui.label(finding_words(finding)).classes("wb-small s-look")
                if len(serious) > 3:
                    ui.link(f"{len(serious) - 3} more", step.path).classes("wb-a wb-small")
            else:
                ui.label(step.question).classes("wb-quiet")
            if state == "stale" and status is not None:
                ui.label(status.reason).classes("wb-quiet wb-small")
        with ui.element("td").style("text-align:right; width:130px"):
            stage = step.stage
            words_ = "Run again" if state in {"fine", "look"} else "Run"
            again = state in {"fine", "look"}
            button(words_, lambda: page.start(stage, again=again)).props(f'aria-label="{words_}: {step.title}"')


def _plan(page: Page) -> None:
    try:
        plan = page.desk.plan()
    except WashboardError:
        return
    service = (
        format_quantity(plan.duty.distance_m, "m", "km", digits=6)
        if plan.duty.distance_m is not None
        else format_quantity(plan.duty.time_s or 0.0, "s", "h", digits=6)
    )
    with ui.element("section").classes("wb-sheet"):
        words("h2", "What the programme file says")
        with ui.element("div").classes("wb-halves"):
            with ui.element("div"):
                rows = (
                    ("service the test stands for", service),
                    ("band", f"{plan.band.low_hz:g} to {plan.band.high_hz:g} Hz"),
                    ("rig", plan.rig.name or "not named"),
                    ("actuators", ", ".join(actuator.name for actuator in plan.rig.actuators)),
                    ("reached through", plan.rig.link.kind),
                    ("specimen", plan.specimen.name if plan.specimen else "not described"),
                    ("folder", str(page.desk.folder)),
                )
                show_table(("", ""), rows, "Programme")
                if plan.programme.notes:
                    ui.label(plan.programme.notes).classes("wb-quiet wb-pre")
            with ui.element("div"):
                show_table(
                    ("event", "recordings", "laps in the service", "distance of a lap"),
                    [
                        (
                            event.name,
                            ", ".join(event.recordings),
                            event.repeats if event.repeats is not None else f"{(event.share or 0):.1%} of it",
                            format_quantity(event.distance_m, "m") if event.distance_m else None,
                        )
                        for event in plan.event
                    ],
                    "Events",
                )
