"""Laps as the pages show them: which files belong to a lap, its channels with their units, its explained stretches."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from washboard import units
from washboard.errors import StorageError, UnitError, WashboardError
from washboard.programme import Plan, StageRecord, event_files, load_table
from washboard.recording import Finding, Recording
from washboard.web._desk import Desk
from washboard.web._stack import Mark, Pane


@dataclass(frozen=True, kw_only=True, slots=True)
class Lap:
    """One lap of an event: the file as recorded and, once checked, its working copy; both within the folder."""

    event: str
    number: int
    original: str
    copy: str = ""
    left_out: str = ""

    @property
    def words(self) -> str:
        """Its name on the page."""
        return f"{self.event}, lap {self.number}"


def laps_of(desk: Desk, plan: Plan) -> tuple[Lap, ...]:
    """Every lap of every event. Raises InputError."""
    try:
        table: dict[str, Any] = load_table(desk.folder / "stages" / "check" / "check.json")["events"]
    except StorageError:
        table = {}
    found = []
    for event in plan.event:
        if event.name in table:
            for number, entry in enumerate(table[event.name], start=1):
                found.append(
                    Lap(
                        event=event.name,
                        number=number,
                        original=entry["original"],
                        copy=f"stages/check/{entry['file']}",
                        left_out=entry["reason"] if entry["excluded"] else "",
                    )
                )
            continue
        files = event_files(desk.folder, plan)[event.name]
        for number, file in enumerate(files, start=1):
            original = file.relative_to(desk.folder).as_posix()
            found.append(Lap(event=event.name, number=number, original=original))
    return tuple(found)


def recording_files(folder: Path) -> list[str]:
    """Every recording a user may look at: those in recordings/, and the time histories stages made."""
    from washboard.web._sources import ENDINGS

    root = folder.resolve()
    found = [path for path in sorted((root / "recordings").rglob("*")) if path.suffix.lower() in ENDINGS]
    for stage in ("shorten", "replicate"):
        found += sorted((root / "stages" / stage).glob("*.nc"))
    return [path.relative_to(root).as_posix() for path in found if path.is_file() and not path.name.startswith(".")]


def panes_of(recordings: list[Recording], plan: Plan | None) -> dict[str, list[Pane]]:
    """Channels of some recordings in groups: the plan's by part and by quantity, then what else was recorded."""
    held = {channel.name: channel for recording in reversed(recordings) for channel in recording.channels}
    groups: dict[str, list[Pane]] = {}
    planned = plan.channel if plan else ()
    for channel in planned:
        if channel.name not in held:
            continue
        place = "" if channel.position_m == (0.0, 0.0, 0.0) else f"at {channel.position_m} m, {channel.direction}"
        unit = (
            channel.unit if _fits(held[channel.name].unit, channel.unit, channel.quantity) else held[channel.name].unit
        )
        pane = Pane(name=channel.name, unit=unit, description=f"{channel.name}, {channel.quantity} {place}".strip())
        for group in ("all in the plan", f"{channel.role} channels", channel.quantity):
            groups.setdefault(group, []).append(pane)
    names = {channel.name for channel in planned}
    rest = [Pane(name=c.name, unit=c.unit, description=c.description) for c in held.values() if c.name not in names]
    if rest:
        groups["others recorded" if planned else "all"] = rest
    return groups


def _fits(unit: str, wanted: str, quantity: str) -> bool:
    try:
        units.convert(1.0, unit, wanted, quantity=quantity)
    except UnitError:
        return False
    return True


def findings_of(record: StageRecord | None, lap: Lap) -> list[Finding]:
    """What the check found in one lap."""
    prefix = f"{lap.words}: "
    return [finding for finding in (record.findings if record else ()) if finding.text.startswith(prefix)]


def marks_of(findings: list[Finding], recordings: list[Recording], panes: list[Pane]) -> list[Mark]:
    """Findings and marked spans as stretches of the stack."""
    index = {pane.name: number for number, pane in enumerate(panes)}
    marks = []
    for finding in findings:
        if finding.start_s is None or (finding.channel and finding.channel not in index):
            continue
        end_s = finding.end_s if finding.end_s is not None else finding.start_s
        text = f"{finding.kind}: {finding.text}" + (f"\n{finding.advice}" if finding.advice else "")
        pane = index.get(finding.channel, -1)
        marks.append(Mark(pane=pane, start_s=finding.start_s, end_s=end_s, kind="fault", text=text))
    for recording in recordings:
        for span in recording.spans:
            if span.channel and span.channel not in index:
                continue
            pane = index.get(span.channel, -1)
            text = f"{span.kind}" + (f": {span.note}" if span.note else "")
            marks.append(Mark(pane=pane, start_s=span.start_s, end_s=span.end_s, kind=span.kind, text=text))
    return marks[:2000]


def try_repairs(desk: Desk, lap: Lap) -> str:
    """The lap as the check would leave it with the edits made here, written beside the programme; returns its file.

    Raises
    ------
    InputError, DataError
        From the repair.
    """
    from washboard.programme.stages.check import mended_lap
    from washboard.recording import write_recording
    from washboard.web._sources import TRIED

    plan = desk.draft.plan()
    table = load_table(desk.folder / "stages" / "check" / "check.json")
    made = mended_lap(plan, desk.folder / lap.original, lap.event, lap.number, table["rate_hz"])
    name = f"{TRIED}/{Path(lap.copy).name}"
    (desk.folder / TRIED).mkdir(parents=True, exist_ok=True)
    write_recording(made, desk.folder / name)
    return name


def first_open(desk: Desk, files: list[str]) -> tuple[list[Recording], list[str]]:
    """The recordings in `files` that can be read, and sentences about those that cannot."""
    opened, trouble = [], []
    for file in files:
        try:
            opened.append(desk.sources.open(file).recording)
        except WashboardError as error:
            trouble.append(str(error))
    return opened, trouble
