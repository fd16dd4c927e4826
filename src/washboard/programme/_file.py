"""programme.toml read into a `Plan`, with every problem found and the line each stands on."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from washboard.errors import ProgrammeError
from washboard.programme._plan import Plan
from washboard.settings import Problem, SettingsError, from_table

FILE_NAME = "programme.toml"


def read_plan(folder: Path) -> Plan:
    """The plan in `folder`/programme.toml.

    Raises
    ------
    ProgrammeError
        No such file, not TOML, or wrong keys or values; the text lists every problem as ``file:line: key: problem``.
    """
    file = folder / FILE_NAME
    try:
        text = file.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise ProgrammeError(
            f"there is no {FILE_NAME} here; 'washboard new DIR --example NAME' writes one to start from", file=folder
        ) from None
    except UnicodeDecodeError:
        raise ProgrammeError("is not text in UTF-8; save it as UTF-8", file=file) from None
    except OSError as error:
        raise ProgrammeError(f"cannot be read: {error.strerror}", file=file) from None
    return parse_plan(text, file)


def parse_plan(text: str, file: Path = Path(FILE_NAME)) -> Plan:
    """The plan written in `text`; `file` is named in messages. Raises ProgrammeError."""
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        match = re.search(r"\(at line (\d+), column (\d+)\)", str(error))
        line = int(match.group(1)) if match else None
        reason = re.sub(r"\s*\(at .*\)$", "", str(error))
        raise ProgrammeError(f"is not valid TOML: {reason}", file=file, line=line) from None
    try:
        plan = from_table(Plan, table)
    except SettingsError as error:
        raise _as_programme_error(error.problems, text, file) from None
    problems = _cross_checks(plan)
    if problems:
        raise _as_programme_error(problems, text, file)
    return plan


def replace_value(table: Any, key: str, value: Any) -> None:
    """Set a key of a table that tomlkit read; the comment behind the value and the spaces before it stay."""
    import tomlkit

    old = table.get(key)
    if not isinstance(old, tomlkit.items.Item):
        table[key] = value
        return
    fresh = tomlkit.item(value)
    fresh.trivia.comment_ws, fresh.trivia.comment = old.trivia.comment_ws, old.trivia.comment
    fresh.trivia.trail = old.trivia.trail
    table[key] = fresh


def _as_programme_error(problems: tuple[Problem, ...], text: str, file: Path) -> ProgrammeError:
    lines = line_of_keys(text)
    shown = []
    for problem in problems:
        line = _line(lines, problem.path)
        key = dotted(problem.path, counted_from=1)
        shown.append(ProgrammeError(problem.text, file=file, line=line, key=key))
    first = shown[0]
    if len(shown) == 1:
        return first
    joined = ProgrammeError(first.problem, file=file, line=first.line, key=first.key)
    joined.args = ("\n".join(str(error) for error in shown),)
    return joined


def dotted(path: tuple[str | int, ...], *, counted_from: int = 0) -> str:
    """A place in the file as people write it: ``rig.post[2].stroke``."""
    text = ""
    for part in path:
        text += f"[{part + counted_from}]" if isinstance(part, int) else f".{part}" if text else part
    return text


def line_of_keys(text: str) -> dict[tuple[str | int, ...], int]:
    """Line number of every table header and key of a TOML text; arrays of tables counted from 0."""
    lines: dict[tuple[str | int, ...], int] = {}
    counts: dict[tuple[str | int, ...], int] = {}
    base: tuple[str | int, ...] = ()
    quote = ""
    for number, raw in enumerate(text.splitlines(), start=1):
        if quote:
            if quote in raw:
                quote = ""
            continue
        line = raw.strip()
        header = re.match(r"^(\[\[?)\s*([^\[\]]+?)\s*\]\]?", line)
        if header:
            parts = tuple(part.strip().strip("\"'") for part in header.group(2).split("."))
            base = ()
            for position, part in enumerate(parts):
                base = (*base, part)
                last = position == len(parts) - 1
                if header.group(1) == "[[" and last:
                    counts[base] = counts.get(base, -1) + 1
                    lines.setdefault(base, number)
                if base in counts:
                    base = (*base, counts[base])
            lines[base] = number
            continue
        key = re.match(r"^([A-Za-z0-9_\-\"'. ]+?)\s*=", line)
        if key:
            parts = tuple(part.strip().strip("\"'") for part in key.group(1).split("."))
            lines[(*base, *parts)] = number
            value = line[key.end() :]
            for mark in ('"""', "'''"):
                if value.count(mark) == 1:
                    quote = mark
    return lines


def _line(lines: dict[tuple[str | int, ...], int], path: tuple[str | int, ...]) -> int | None:
    for end in range(len(path), 0, -1):
        if path[:end] in lines:
            return lines[path[:end]]
    return None


def _cross_checks(plan: Plan) -> tuple[Problem, ...]:
    """What a single key cannot show: doubled names, units that do not fit, references to nothing."""
    from washboard import units
    from washboard.errors import UnitError

    problems: list[Problem] = []

    def doubled(kind: tuple[str, ...], entries: tuple[Any, ...]) -> None:
        seen: dict[str, int] = {}
        for index, entry in enumerate(entries):
            if entry.name in seen:
                words = f"'{entry.name}' is already the name of number {seen[entry.name] + 1}; names must differ"
                problems.append(Problem(path=(*kind, index, "name"), text=words))
            seen.setdefault(entry.name, index)

    doubled(("channel",), plan.channel)
    doubled(("event",), plan.event)
    doubled(("rig", "post"), plan.rig.actuators)
    for index, channel in enumerate(plan.channel):
        try:
            if channel.quantity not in units.QUANTITIES:
                words = f"'{channel.quantity}' is not one of: {', '.join(units.QUANTITIES)}"
                problems.append(Problem(path=("channel", index, "quantity"), text=words))
            elif not units.quantity_fits(channel.unit, channel.quantity):
                words = f"'{channel.unit}' is not a unit of {channel.quantity}"
                problems.append(Problem(path=("channel", index, "unit"), text=words))
        except UnitError as error:
            problems.append(Problem(path=("channel", index, "unit"), text=str(error)))
    if not plan.control:
        problems.append(Problem(path=("channel",), text='at least one channel needs role = "control"'))
    if not plan.event:
        problems.append(Problem(path=("event",), text="at least one event is needed"))
    if plan.band.low_hz >= plan.band.high_hz:
        problems.append(Problem(path=("band", "high"), text="must be above band.low"))
    if (plan.duty.distance_m is None) == (plan.duty.time_s is None):
        problems.append(Problem(path=("duty",), text='give either distance = "60000 km" or time = "8000 h"'))
    events = {event.name for event in plan.event}
    for index, event in enumerate(plan.event):
        if plan.duty.group:
            continue
        if (event.repeats is None) == (event.share is None):
            words = "give either repeats (laps in the stated service) or share (of its distance or time)"
            problems.append(Problem(path=("event", index), text=words))
        if event.share is not None and plan.duty.distance_m is not None and event.distance_m is None:
            words = "is needed where share is given and the service is a distance"
            problems.append(Problem(path=("event", index, "distance"), text=words))
    for index, group in enumerate(plan.duty.group):
        for name in group.share:
            if name not in events:
                words = f"there is no event '{name}'"
                problems.append(Problem(path=("duty", "group", index, "share", name), text=words))
    if plan.rig.link.kind == "virtual" and plan.specimen is None:
        problems.append(Problem(path=("specimen",), text="is needed for the virtual rig"))
    if not plan.rig.post:
        problems.append(Problem(path=("rig", "post"), text="at least one post is needed"))
    return tuple(problems)
