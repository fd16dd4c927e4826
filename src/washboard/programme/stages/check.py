"""check: read every lap, find its faults, apply the repairs asked for, write working copies."""

from __future__ import annotations

import dataclasses
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from washboard import units
from washboard.errors import DataError, UnitError
from washboard.loads import pseudo_damage
from washboard.programme._gathered import gathered
from washboard.programme._laps import TABLE, lap_file
from washboard.programme._plan import ChannelPlan, Plan
from washboard.programme._stage import Outcome, Stage, Workspace, event_files, read_record
from washboard.programme._store import load_table, save_table
from washboard.recording import (
    Channel,
    Finding,
    Missing,
    Recording,
    RepairEffect,
    Rows,
    WorkingCopy,
    applies,
    lap_faults,
    names_in,
    open_rows,
    part_of,
    read_recording,
    repair,
    resample_file,
    rows_of,
    without_marked,
    write_recording,
    write_working_copy,
)
from washboard.report import Exhibit
from washboard.settings import Progress, no_progress


def _reads(plan: Plan) -> Any:
    return (
        plan.check,
        tuple((event.name, event.recordings) for event in plan.event),
        tuple(
            (c.name, c.quantity, c.unit, c.position_m, c.direction, c.limit, c.resolution, c.on, c.slope)
            for c in plan.channel
        ),
    )


def _run(ws: Workspace) -> Outcome:
    plan, check = ws.plan, ws.plan.check
    files = event_files(ws.folder, plan)
    rates: dict[str, float] = {}
    total = sum(len(laps) for laps in files.values())
    findings: list[Finding] = []
    repairs: list[dict[str, Any]] = []
    events: dict[str, list[dict[str, Any]]] = {}
    unusable: list[str] = []
    taken: set[str] = set()
    done = 0
    for event, laps in files.items():
        events[event] = []
        for number, file in enumerate(laps, start=1):
            ws.progress(done / total, f"{event}, lap {number} of {len(laps)}")
            name = lap_file(event, number, taken)
            copy = _working_copy(plan, file, event, number, ws.out / name, _within(ws.progress, done, total))
            reason = _left_out(check.leave_out, event, number)
            found = _mended(copy.before, copy.after) if copy.effects else copy.after
            findings.extend(_worded(found, event, number, check.accept, note=bool(reason)))
            repairs.extend(copy.effects)
            missing = _missing(copy.missing)
            original = file.relative_to(ws.folder.resolve()).as_posix()
            if missing and not reason:
                if check.unusable == "stop":
                    unusable.append(f"{ws.folder / original}: {missing}")
                reason = missing
            rates[name] = copy.header.rate_hz
            events[event].append(
                {
                    "file": name,
                    "original": original,
                    "duration_s": copy.duration_s,
                    "excluded": bool(reason),
                    "reason": reason,
                }
            )
            done += 1
    rate = check.rate_hz or max(rates.values())
    _bring_to(rate, ws.out, rates)
    if check.marked == "leave out":
        _leave_marked_out(ws.out, [entry for entries in events.values() for entry in entries])
    for event, entries in events.items():
        findings.extend(_between_laps(ws.out, event, entries, check.accept))
    _refuse_unusable(unusable, events)
    save_table(ws.out / TABLE, {"rate_hz": rate, "events": events, "repairs": repairs})
    return _outcome(events, findings, repairs, rate)


def _refuse_unusable(unusable: Sequence[str], events: dict[str, list[dict[str, Any]]]) -> None:
    if unusable:
        more = f"\n({len(unusable) - 1} more like it)" if len(unusable) > 1 else ""
        raise DataError(
            f'{unusable[0]}; bridge short stretches with [[check.repair]] do = "fill", leave the lap out with '
            f'check.leave_out, or set check.unusable = "leave out"{more}'
        )
    for event, entries in events.items():
        if all(entry["excluded"] for entry in entries):
            raise DataError(f"event '{event}' has no lap left ({entries[0]['reason']}); record it again or drop it")


def _outcome(
    events: dict[str, list[dict[str, Any]]], findings: list[Finding], repairs: list[dict[str, Any]], rate: float
) -> Outcome:
    laps = [entry for entries in events.values() for entry in entries]
    kept = [entry for entry in laps if not entry["excluded"]]
    order = {"error": 0, "warning": 1, "note": 2}
    findings = sorted(findings, key=lambda finding: order[finding.severity])
    waiting = [finding for finding in findings if finding.severity != "note"]
    words = f"{len(kept)} of {len(laps)} laps of {len(events)} events are ready at {rate:g} Hz"
    if repairs:
        words += f"; {len(repairs)} repairs made on copies"
    left_out = sum(entry.get("left_out_s", 0.0) for entry in laps)
    if left_out > 0:
        words += f"; {left_out:.1f} s of marked stretches left out"
    if waiting:
        said = gathered(waiting)
        first = said[0]
        where = f"'{first.channel}' " if first.channel else ""
        all_laps = f" ({len(waiting)} over all laps)" if len(waiting) > len(said) else ""
        words += f"; {len(said)} findings need a look{all_laps}, first: {where}{first.text}"
    else:
        words += "; nothing needs a look"
    return Outcome(
        verdict="look" if waiting else "fine",
        summary=words,
        figures={
            "rate_hz": rate,
            "n_laps": len(laps),
            "n_laps_kept": len(kept),
            "duration_s": sum(entry["duration_s"] for entry in kept),
            "n_findings": len(waiting),
            "n_repairs": len(repairs),
        },
        findings=tuple(findings),
    )


def _within(progress: Progress, done: int, total: int) -> Progress:
    """Progress of one lap as part of all."""
    return lambda share, words: progress((done + 0.99 * share) / total, words)


def _bring_to(rate: float, out: Path, rates: dict[str, float]) -> None:
    """Resample the copies of another rate; only now, so that no original is read twice to learn the highest rate."""
    for name, own in rates.items():
        if own != rate:
            resample_file(out / name, rate)


def _leave_marked_out(out: Path, entries: Sequence[dict[str, Any]]) -> None:
    """Cut what is marked from the copies; a lap with nothing left is excluded."""
    for entry in entries:
        if entry["excluded"]:
            continue
        copy = read_recording(out / entry["file"])
        try:
            rest = without_marked(copy)
        except DataError as error:
            entry["excluded"], entry["reason"] = True, str(error)
            continue
        if rest is not copy:
            entry["left_out_s"] = copy.duration_s - rest.duration_s
            entry["duration_s"] = rest.duration_s
            write_recording(rest, out / entry["file"])


def mended_lap(plan: Plan, file: Path, event: str, lap: int, rate_hz: float) -> Recording:
    """The working copy that the check stage would make of one lap, in memory. Raises InputError, DataError."""
    with tempfile.TemporaryDirectory(prefix="washboard-") as folder:
        copy = Path(folder) / "lap.nc"
        _working_copy(plan, file, event, lap, copy, no_progress)
        resample_file(copy, rate_hz)
        with open_rows(copy, copy) as rows:
            samples = np.stack([rows.get(row) for row in range(rows.header.n_channels)])
            return rows.header.replace(samples=samples, owned=True)


def _working_copy(
    plan: Plan, file: Path, event: str, lap: int, out: Path, progress: Progress
) -> WorkingCopy[dict[str, Any]]:
    return write_working_copy(
        file,
        out,
        channels=_wanted(plan, event, lap),
        describe=lambda rows: _as_planned(rows, plan, file, event, lap),
        wanted=[channel.name for channel in plan.channel],
        steps=[step for step in plan.check.repair if step.do != "rename"],
        derived=plan.check.derived,
        event=event,
        lap=lap,
        effect=lambda effect: _repair_row(effect, event, lap, plan),
        progress=progress,
    )


def _as_planned(rows: Rows, plan: Plan, file: Path, event: str, lap: int) -> Recording:
    """The original's header, its channels named and described as the plan says."""
    if rows.duration_s < plan.check.shortest_s:
        raise DataError(
            f"{file}: is only {rows.duration_s:.3g} s long, shorter than check.shortest = "
            f'"{plan.check.shortest_s:g} s"; record a longer lap, or shorten that limit'
        )
    header = rows.header.replace(name=f"{event}, lap {lap}")
    renames = [step for step in plan.check.repair if step.do == "rename"]
    return _described(repair(header, renames, event=event, lap=lap).recording, plan, file)


def _mended(before: tuple[Finding, ...], after: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """What is still wrong in the copy, and as notes what was and is no more."""
    still = {(finding.kind, finding.channel) for finding in after}
    gone = [
        dataclasses.replace(finding, severity="note", text=f"{finding.text} (mended in the copy)", advice="")
        for finding in before
        if (finding.kind, finding.channel) not in still
    ]
    return after + tuple(gone)


def _wanted(plan: Plan, event: str, lap: int) -> list[str]:
    """Names to read from the file: the plan's and those that derived channels need, as they were before renaming."""
    derived = {entry.name for entry in plan.check.derived}
    names = [channel.name for channel in plan.channel if channel.name not in derived]
    for entry in plan.check.derived:
        names.extend(name for name in names_in(entry) if name not in names and name not in derived and name != "pi")
    before = {step.to: step.channel for step in plan.check.repair if step.do == "rename" and applies(step, event, lap)}
    return [before.get(name, name) for name in names]


def _described(recording: Recording, plan: Plan, file: Path) -> Recording:
    """The plan's word on each channel. Raises UnitError where file and plan measure different things."""
    planned = {channel.name: channel for channel in plan.channel}
    channels = []
    for measured in recording.channels:
        channel = planned.get(measured.name)
        try:
            channels.append(measured if channel is None else _channel(measured, channel, file))
            units.si_unit(measured.unit, measured.quantity)
        except UnitError as error:
            if str(file) in str(error):
                raise
            raise UnitError(f"{file}: channel '{measured.name}': {error}") from None
    return recording.replace(channels=tuple(channels))


def _channel(measured: Channel, channel: ChannelPlan, file: Path) -> Channel:
    unit = measured.unit if measured.unit.strip() not in {"", "-", "1"} else channel.unit
    if not units.quantity_fits(unit, channel.quantity):
        raise UnitError(
            f"{file}: channel '{channel.name}' is in '{unit}', which is no unit of {channel.quantity}; correct its "
            "quantity and unit in programme.toml, or the file"
        )
    limits = measured.limits
    if channel.limit is not None:
        # The plan's limit is in the plan's unit; the channel's must be in the file's.
        scale, offset = units.factor_to_si(channel.unit, channel.quantity)
        back, shift = units.factor_to_si(unit, channel.quantity)
        edge = abs((channel.limit * scale + offset - shift) / back)
        limits = (-edge, edge)
    return Channel(
        name=channel.name,
        unit=unit,
        quantity=channel.quantity,
        position_m=channel.position_m,
        direction=channel.direction,
        limits=limits,
        description=measured.description,
    )


def _between_laps(out: Path, event: str, entries: Sequence[dict[str, Any]], accept: tuple[str, ...]) -> list[Finding]:
    kept = [(number, entry) for number, entry in enumerate(entries, start=1) if not entry["excluded"]]
    found: list[Finding] = []
    if len(kept) < 3:
        return []
    laps = [_compared(out / entry["file"]) for _number, entry in kept]
    for (number, _entry), faults in zip(kept, lap_faults(laps), strict=True):
        found.extend(_worded(faults, event, number, accept))
    return found


def _compared(file: Path) -> Recording:
    with open_rows(file, file) as rows:
        return part_of(rows)


def _repair_row(effect: RepairEffect, event: str, lap: int, plan: Plan) -> dict[str, Any]:
    slope = next((c.slope for c in plan.channel if c.name == effect.channel.name), 5.0)
    before, after = (
        float(pseudo_damage(samples, slope)) if np.isfinite(samples).all() else None
        for samples in (effect.before, effect.after)
    )
    return {
        "event": event,
        "lap": lap,
        "do": effect.step.do,
        "channel": effect.channel.name,
        "n_samples": effect.n_samples,
        "slope": slope,
        "damage_before": before,
        "damage_after": after,
    }


def _missing(missing: Sequence[Missing]) -> str:
    for gap in missing:
        return f"channel '{gap.channel}' has {gap.count} NaN samples at {gap.start_s:.2f} to {gap.end_s:.2f} s"
    return ""


def _left_out(leave_out: tuple[str, ...], event: str, lap: int) -> str:
    return "left out by check.leave_out" if {event, f"{event} {lap}"} & set(leave_out) else ""


def _worded(
    findings: Sequence[Finding], event: str, lap: int, accept: tuple[str, ...], *, note: bool = False
) -> list[Finding]:
    """Findings that say which lap they are of; notes where they are accepted, or the lap is left out."""
    found = []
    for finding in findings:
        accepted = note or bool({finding.kind, f"{finding.kind}: {finding.channel}"} & set(accept))
        severity = "note" if accepted else finding.severity
        found.append(dataclasses.replace(finding, severity=severity, text=f"{event}, lap {lap}: {finding.text}"))
    return found


def _show(folder: Path, plan: Plan) -> tuple[Exhibit, ...]:
    from washboard.plot import to_svg
    from washboard.plot._recording import fault_figure

    record = read_record(folder, "check")
    if record is None:
        return ()
    table = load_table(folder / "stages" / "check" / TABLE)
    exhibits = [_findings_table(record.findings), _repairs_table(table["repairs"])]
    shown = 0
    files = event_files(folder, plan)
    for row in table["repairs"]:
        if row["do"] not in {"despike", "fill", "drift", "offset", "hum", "filter"} or shown >= 4:
            continue
        original = _original(plan, files[row["event"]][row["lap"] - 1], row)
        entry = table["events"][row["event"]][row["lap"] - 1]
        copy = read_recording(folder / "stages" / "check" / entry["file"])
        if original is None or copy.rate_hz != original.rate_hz:
            continue
        figure = fault_figure(original, copy, row["channel"], did=row["do"])
        caption = f"{row['event']}, lap {row['lap']}: as recorded and as repaired ({row['do']})."
        exhibits.append(Exhibit(title=f"Repair of {row['channel']}", caption=caption, svg=to_svg(figure)))
        shown += 1
    return tuple(exhibit for exhibit in exhibits if exhibit.svg or exhibit.rows)


def _original(plan: Plan, file: Path, row: dict[str, Any]) -> Recording | None:
    """The one channel of the original that a repair changed, in SI; None for a derived one."""
    wanted = _wanted(plan, row["event"], row["lap"])
    before = [step for step in plan.check.repair if step.do == "rename" and step.to == row["channel"]]
    name = next((s.channel for s in before if applies(s, row["event"], row["lap"])), row["channel"])
    if name not in wanted:
        return None
    one = rows_of(read_recording(file, channels=[name]))
    renamed = [dataclasses.replace(c, name=row["channel"]) for c in one.header.channels]
    described = _described(one.header.replace(channels=tuple(renamed)), plan, file)
    return described.replace(samples=one.get(0)[None]).in_si()


def _findings_table(findings: Sequence[Finding]) -> Exhibit:
    return Exhibit(
        title="Faults found",
        caption="Everything found in the recordings; notes are mended, accepted, or in laps that are left out.",
        columns=("severity", "kind", "channel", "from [s]", "to [s]", "finding", "advice"),
        rows=tuple((f.severity, f.kind, f.channel, f.start_s, f.end_s, f.text, f.advice) for f in findings),
    )


def _repairs_table(repairs: Sequence[dict[str, Any]]) -> Exhibit:
    rows = []
    for row in repairs:
        before, after = row["damage_before"], row["damage_after"]
        ratio = None if not before or after is None else after / before
        rows.append((row["event"], row["lap"], row["do"], row["channel"], row["n_samples"], row["slope"], ratio))
    return Exhibit(
        title="Repairs and what they do to damage",
        caption="Pseudo-damage after over before each repair at the channel's slope; a repair far from 1 matters. "
        "Empty where samples were missing before.",
        columns=("event", "lap", "repair", "channel", "samples changed", "slope", "damage after / before"),
        rows=tuple(rows),
    )


STAGE = Stage(
    name="check",
    title="Find and mend faults of the recordings",
    needs={},
    reads=_reads,
    run=_run,
    recordings=True,
    revision=5,
    show=_show,
)
