"""check: read every lap, find its faults, apply the repairs asked for, write working copies."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from washboard import units
from washboard.errors import DataError, UnitError
from washboard.loads import pseudo_damage
from washboard.programme._laps import TABLE, lap_file
from washboard.programme._plan import ChannelPlan, Plan
from washboard.programme._stage import Outcome, Stage, Workspace, event_files, read_record
from washboard.programme._store import load_table, save_table
from washboard.recording import (
    Channel,
    Finding,
    Recording,
    RepairEffect,
    applies,
    derive,
    find_faults,
    lap_faults,
    names_in,
    read_recording,
    repair,
    resample,
    write_recording,
)
from washboard.report import Exhibit


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
            done += 1
            copy = _working_copy(plan, file, event, number)
            reason = _left_out(check.leave_out, event, number)
            findings.extend(_worded(copy.findings, event, number, check.accept, note=bool(reason)))
            repairs.extend(_repair_row(effect, event, number, plan) for effect in copy.effects)
            missing = _missing(copy.recording)
            original = file.relative_to(ws.folder.resolve()).as_posix()
            if missing and not reason:
                if check.unusable == "stop":
                    unusable.append(f"{ws.folder / original}: {missing}")
                reason = missing
            name = lap_file(event, number, taken)
            write_recording(copy.recording, ws.out / name)
            rates[name] = copy.recording.rate_hz
            events[event].append(
                {
                    "file": name,
                    "original": original,
                    "duration_s": copy.recording.duration_s,
                    "excluded": bool(reason),
                    "reason": reason,
                }
            )
    rate = check.rate_hz or max(rates.values())
    _bring_to(rate, ws.out, rates)
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
    if waiting:
        first = waiting[0]
        where = f"'{first.channel}' " if first.channel else ""
        words += f"; {len(waiting)} findings need a look, first: {where}{first.text}"
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


@dataclasses.dataclass(frozen=True, kw_only=True, slots=True)
class _Copy:
    recording: Recording
    findings: tuple[Finding, ...]
    effects: tuple[RepairEffect, ...]


def _bring_to(rate: float, out: Path, rates: dict[str, float]) -> None:
    """Resample the copies of another rate; only now, so that no original is read twice to learn the highest rate."""
    for name, own in rates.items():
        if own != rate:
            write_recording(resample(read_recording(out / name), rate), out / name)


def mended_lap(plan: Plan, file: Path, event: str, lap: int, rate_hz: float) -> Recording:
    """The working copy that the check stage would make of one lap. Raises InputError, DataError."""
    copy = _working_copy(plan, file, event, lap).recording
    return copy if copy.rate_hz == rate_hz else resample(copy, rate_hz)


def _working_copy(plan: Plan, file: Path, event: str, lap: int) -> _Copy:
    described = _as_planned(plan, file, event, lap)
    derived = {entry.name for entry in plan.check.derived}
    steps = [step for step in plan.check.repair if step.do != "rename"]
    first = repair(described, [s for s in steps if s.channel not in derived], event=event, lap=lap)
    mended = derive(first.recording, plan.check.derived)
    second = repair(mended, [s for s in steps if s.channel in derived], event=event, lap=lap)
    effects = first.effects + second.effects
    wanted = [channel.name for channel in plan.channel]
    copy = second.recording.select(wanted)
    before = find_faults(described.select([name for name in wanted if name in described.names]))
    findings = _mended(before, find_faults(copy)) if effects else before
    return _Copy(recording=copy, findings=findings, effects=effects)


def _as_planned(plan: Plan, file: Path, event: str, lap: int) -> Recording:
    """The original, its channels named and described as the plan says, in SI."""
    original = read_recording(file, channels=_wanted(plan, event, lap))
    if original.duration_s < plan.check.shortest_s:
        raise DataError(
            f"{file}: is only {original.duration_s:.3g} s long, shorter than check.shortest = "
            f'"{plan.check.shortest_s:g} s"; record a longer lap, or shorten that limit'
        )
    original = original.replace(name=f"{event}, lap {lap}")
    renames = [step for step in plan.check.repair if step.do == "rename"]
    return _described(repair(original, renames, event=event, lap=lap).recording, plan, file)


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
    """The plan's word on each channel, in SI. Raises UnitError where file and plan measure different things."""
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
    return recording.replace(channels=tuple(channels)).in_si()


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
    laps = [read_recording(out / entry["file"]) for _number, entry in kept]
    for (number, _entry), faults in zip(kept, lap_faults(laps), strict=True):
        found.extend(_worded(faults, event, number, accept))
    return found


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


def _missing(recording: Recording) -> str:
    for channel, row in zip(recording.channels, recording.samples, strict=True):
        bad = ~np.isfinite(row)
        if bad.any():
            first = int(np.argmax(bad)) / recording.rate_hz
            last = (bad.size - int(np.argmax(bad[::-1]))) / recording.rate_hz
            return f"channel '{channel.name}' has {int(bad.sum())} NaN samples at {first:.2f} to {last:.2f} s"
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
        original = _as_planned(plan, files[row["event"]][row["lap"] - 1], row["event"], row["lap"])
        entry = table["events"][row["event"]][row["lap"] - 1]
        copy = read_recording(folder / "stages" / "check" / entry["file"])
        if row["channel"] not in original.names or copy.rate_hz != original.rate_hz:
            continue
        figure = fault_figure(original, copy, row["channel"], did=row["do"])
        caption = f"{row['event']}, lap {row['lap']}: as recorded and as repaired ({row['do']})."
        exhibits.append(Exhibit(title=f"Repair of {row['channel']}", caption=caption, svg=to_svg(figure)))
        shown += 1
    return tuple(exhibit for exhibit in exhibits if exhibit.svg or exhibit.rows)


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
    revision=3,
    show=_show,
)
