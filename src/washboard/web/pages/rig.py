"""Rig: can rig and vehicle do it, safely; modes and drives moving; the set-up procedure to tick and print."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from nicegui import run, ui
from nicegui.element import Element

from washboard.errors import StorageError, WashboardError
from washboard.programme import FILE_NAME, Plan, load_arrays, load_table
from washboard.recording import Channel, Recording, read_recording, write_recording
from washboard.rig import Bodies, MountedPart, Rig, Specimen, body_motions, procedure
from washboard.units import convert
from washboard.web._desk import Desk, sentence
from washboard.web._exhibits import show_exhibits, show_findings, show_table
from washboard.web._frame import Page, button, lead, words
from washboard.web._plays_view import in_small
from washboard.web._sources import TRIED

_HERE = Path(__file__).parent.parent


class Moving(Element, component=_HERE / "moving.js"):  # type: ignore[call-arg]
    """The vehicle on its posts, moving."""

    def __init__(self, shape: dict[str, Any], label: str, **shown: Any) -> None:
        super().__init__()
        self._props.update({"shape": shape, "label": label, **shown})

    def show(self, **shown: Any) -> None:
        """Show another mode or drive."""
        self._props.update(shown)
        self.update()


async def build(page: Page, query: Mapping[str, str]) -> None:
    """Draw the page."""
    lead(page)
    try:
        plan = page.desk.plan()
    except WashboardError as error:
        page.notice(sentence(error), "bad")
        return
    if plan.specimen is None or not plan.rig.post:
        show_findings(page)
        await show_exhibits(page)
        return
    if page.status.get("plan") and page.status["plan"].record is not None:
        with ui.element("section").classes("wb-sheet wb-noprint"), ui.element("div").classes("wb-halves"):
            _modes(page, plan.specimen, plan.rig, query)
            _drives(page, plan, plan.specimen)
    show_findings(page)
    # The procedure stands below, to be ticked.
    await show_exhibits(
        page, without=("Setting up ", "Cautions", "Loads and heights"), wide=("The vehicle on the rig",)
    )
    _procedure(page, plan.specimen, plan.rig)


def shape_of(specimen: Specimen, rig: Rig) -> dict[str, Any]:
    """What the moving picture needs of vehicle and rig. [m]"""
    frame, dofs = specimen.frame, Bodies(specimen=specimen).names
    last = min(axle.x_m for axle in specimen.axle)
    ends = [frame.cog_m[0] - frame.size_m[0] / 2, frame.cog_m[0] + frame.size_m[0] / 2]
    ends += [axle.x_m - axle.tyre.radius_m for axle in specimen.axle]
    ends += [axle.x_m + axle.tyre.radius_m for axle in specimen.axle]
    ends += [part.cog_m[0] + side for part in specimen.part for side in (-_size(part), _size(part))]
    return {
        "frame": {
            "x": frame.cog_m[0], "z": frame.cog_m[2], "l": frame.size_m[0], "w": frame.size_m[1], "h": frame.size_m[2],
            "cy": frame.cog_m[1], "joint": frame.joint_x_m,
        },
        "axles": [
            {
                "name": a.name, "kind": a.kind, "x": a.x_m, "track": a.track_m, "r": a.tyre.radius_m,
                "last": a.x_m == last,
            }
            for a in specimen.axle
        ],
        "posts": [
            {"name": p.name, "x": p.position_m[0], "y": p.position_m[1], "last": abs(p.position_m[0] - last) < 0.6}
            for p in rig.post
        ],
        "pins": [{"x": pin.x_m, "z": pin.height_m} for pin in [specimen.kingpin] if pin is not None],
        "parts": [
            {
                "name": part.name, "x": part.cog_m[0], "y": part.cog_m[1], "z": part.cog_m[2], "size": 2 * _size(part),
                "dofs": [way for way in ("heave", "pitch") if f"{part.name} {way}" in dofs],
            }
            for part in specimen.part
        ],
        "reach": [min(ends) - 0.3, max(ends) + 0.3],
    }  # fmt: skip


def _size(part: MountedPart) -> float:
    """Half the edge of a cube of the part's mass at 250 kg per cubic metre: no outside size is known of it. [m]"""
    return 0.5 * max(0.3, float(np.cbrt(part.mass_kg / 250.0)))


def _modes(page: Page, specimen: Specimen, rig: Rig, query: Mapping[str, str]) -> None:
    try:
        kept = load_arrays(page.desk.folder / "stages" / "plan" / "plan.nc")
        dofs = [str(name) for name in kept["dof"]]
        modes = [
            _mode(dofs, shape, str(name), float(hz), float(damping), specimen)
            for shape, name, hz, damping in zip(
                kept["mode_shape"], kept["mode_name"], kept["mode_hz"], kept["mode_damping"], strict=True
            )
        ]
    except (StorageError, KeyError):
        return
    names = {n: mode["words"] for n, mode in enumerate(modes)}
    first = int(query["mode"]) if query.get("mode", "").isdigit() and int(query["mode"]) in names else 0
    with ui.element("div"):
        words("h2", "Modes of the vehicle standing on its posts", "wb-h2")
        picture = None

        def pick(event: Any) -> None:
            if picture is not None:
                picture.show(mode=modes[event.value])

        ui.select(names, value=first, label="Mode", on_change=pick).props("outlined dense").style(
            "max-width:420px; margin-bottom:8px"
        )
        picture = Moving(shape_of(specimen, rig), "A mode of the vehicle, moving", mode=modes[first])


def _mode(dofs: list[str], shape: Any, name: str, hz: float, damping: float, specimen: Specimen) -> dict[str, Any]:
    length, width, height = specimen.frame.size_m
    sizes = [
        abs(value)
        * (length / 2 if dof.endswith("pitch") else width / 2 if "roll" in dof else 0.0 if dof == "yaw" else 1.0)
        for dof, value in zip(dofs, shape, strict=True)
    ]
    scale = 0.09 * max(length, height) / max(max(sizes), 1e-9)
    values = {dof: [float(np.real(v)), float(np.imag(v))] for dof, v in zip(dofs, shape, strict=True)}
    return {"words": f"{name}, {hz:.2f} Hz, {damping:.0%} of critical damping", "values": values, "scale": scale}


def _drives(page: Page, plan: Plan, specimen: Specimen) -> None:
    try:
        table = load_table(page.desk.folder / "stages" / "replicate" / "replicate.json")["events"]
    except StorageError:
        return
    found: dict[str, dict[str, Any]] = {}
    for event, entry in table.items():
        file = page.desk.folder / "stages" / "replicate" / str(entry.get("drive", ""))
        if entry.get("overall") is None or not file.is_file():
            continue
        drive = read_recording(file)
        names = [actuator.name for actuator in plan.rig.actuators]
        if set(names) <= set(drive.names):
            path = file.relative_to(page.desk.folder).as_posix()
            posts = [post.name for post in plan.rig.post]
            found[event] = {
                "file": path, "duration": drive.duration_s, "names": posts, "unit": "m",
                "words": f"the drive of {event}",
            }  # fmt: skip
    if not found:
        return
    with ui.element("div"):
        words("h2", "A drive, played back", "wb-h2")

        async def pick(event: Any) -> None:
            await show(event.value)

        first = next(iter(found))
        ui.select(list(found), value=first, label="Event", on_change=pick).props("outlined dense").style(
            "max-width:420px; margin-bottom:8px"
        )
        picture = Moving(shape_of(specimen, plan.rig), "The vehicle while a drive is played", drive=found[first])
        note = ui.label(
            "Posts as commanded; axles, frame and mounted parts by the linear model at the level of this drive: an "
            "estimate in which wheels do not lift."
        ).classes("wb-quiet wb-small")

    async def show(event: str) -> None:
        picture.show(drive=found[event])
        try:
            motion = await run.io_bound(motion_file, page.desk, plan, found[event]["file"])
        except (WashboardError, OSError) as error:
            if not page.gone:
                found[event] = {**found[event], "failed": True}
                picture.show(drive=found[event])
                note.set_text(f"Posts as commanded; what the body does cannot be worked out: {sentence(error)}")
            return
        if motion is not None and not page.gone:
            found[event] = {**found[event], "motion": motion[0], "dofs": list(motion[1])}
            picture.show(drive=found[event])

    ui.timer(0.01, lambda: show(first), once=True)


def motion_file(desk: Desk, plan: Plan, drive_file: str) -> tuple[str, tuple[tuple[str, str], ...]]:
    """What all bodies do while a drive is played, in a file that can be looked at, with its names and units.

    Raises
    ------
    InputError, StorageError
        The rig and the vehicle do not fit each other, or the file cannot be written.
    """
    assert plan.specimen is not None
    drive = read_recording(desk.folder / drive_file).in_si()
    names = [actuator.name for actuator in plan.rig.actuators]
    name = f"{TRIED}/motion-{Path(drive_file).stem}.nc"
    kept = desk.folder / name
    made_from = max((desk.folder / drive_file).stat().st_mtime_ns, (desk.folder / FILE_NAME).stat().st_mtime_ns)
    if not (kept.exists() and kept.stat().st_mtime_ns > made_from):
        samples = np.asarray(drive.select(names).samples, dtype=np.float64)
        found = body_motions(plan.specimen, plan.rig, samples, drive.rate_hz)
        # Everything above 25 Hz is left out there, so fewer samples show all of it.
        every = max(1, int(drive.rate_hz // 64))
        channels = tuple(
            Channel(name=dof, unit=unit, quantity="angle" if unit == "rad" else "displacement")
            for dof, unit in zip(found.names, found.units, strict=True)
        )
        kept.parent.mkdir(parents=True, exist_ok=True)
        thin = np.ascontiguousarray(found.samples[:, ::every], dtype=np.float32)
        write_recording(
            Recording(samples=thin, rate_hz=drive.rate_hz / every, channels=channels, name="motion", owned=True), kept
        )
    shown = read_recording(kept)
    return name, tuple((channel.name, channel.unit) for channel in shown.channels)


def _procedure(page: Page, specimen: Specimen, rig: Rig) -> None:
    found = procedure(specimen, rig)
    key = f"ticks {found.title}"
    ticked: dict[str, bool] = dict(page.desk.recall(key, {}))
    count = None

    def say() -> None:
        if count is not None:
            count.set_text(f"{sum(ticked.get(step.text, False) for step in found.steps)} of {len(found.steps)} done")

    def tick(text: str, value: bool) -> None:
        ticked[text] = value
        page.desk.remember(key, dict(ticked))
        say()

    def anew() -> None:
        page.desk.remember(key, {})
        ui.navigate.reload()

    with ui.element("section").classes("wb-sheet wb-procedure"):
        words("h2", found.title)
        with ui.element("div").classes("wb-row"):
            count = ui.label("").style("font-weight:600").props('role="status"')
            ui.button("Print this list", color=None).props("flat no-caps dense").classes("wb-btn").on(
                "click", js_handler="() => window.print()"
            )
            button("Start it anew", anew)
        with ui.element("ul").classes("wb-cautions"):
            for caution in found.cautions:
                words("li", caution)
        show_table(
            ("wheel", "load at rest [kN]", "hub over pan [mm]", "tyre deflection [mm]"),
            [
                (wheel, float(convert(load, "N", "kN")), in_small(height, "m"), in_small(bent, "m"))
                for wheel, load, height, bent in found.heights
            ],
            "Heights and loads at rest",
        )
        for number, step in enumerate(found.steps, start=1):
            with ui.element("div").classes("wb-check"):
                box = ui.checkbox(f"{number}. {step.text}", value=ticked.get(step.text, False))
                box.on_value_change(lambda event, text=step.text: tick(text, bool(event.value)))
                if step.hold:
                    words("span", "hold: checked and signed by", "s-look wb-small").style("white-space:nowrap")
                    words("span", "", "sign").props('aria-hidden="true"')
    say()
