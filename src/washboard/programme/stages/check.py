"""check: read every lap, find its faults, apply the repairs asked for, write working copies."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

from washboard import units
from washboard.errors import DataError, UnitError
from washboard.programme._laps import TABLE, lap_file
from washboard.programme._plan import ChannelPlan, Plan
from washboard.programme._stage import Outcome, Stage, Workspace, event_files
from washboard.programme._store import save_table
from washboard.recording import (
    Channel,
    Finding,
    Recording,
    Repaired,
    find_faults,
    read_recording,
    repair,
    resample,
    write_recording,
)


def _reads(plan: Plan) -> Any:
    return (
        plan.check,
        tuple((event.name, event.recordings) for event in plan.event),
        tuple(
            (c.name, c.quantity, c.unit, c.position_m, c.direction, c.limit, c.resolution, c.on) for c in plan.channel
        ),
    )


def _run(ws: Workspace) -> Outcome:
    plan, check = ws.plan, ws.plan.check
    files = event_files(ws.folder, plan)
    rate = check.rate_hz or _common_rate(files)
    total = sum(len(laps) for laps in files.values())
    findings: list[Finding] = []
    events: dict[str, list[dict[str, Any]]] = {}
    unusable: list[str] = []
    taken: set[str] = set()
    done = 0
    for event, laps in files.items():
        events[event] = []
        for number, file in enumerate(laps, start=1):
            ws.progress(done / total, f"{event}, lap {number} of {len(laps)}")
            done += 1
            copy = _working_copy(plan, file, event, number, rate)
            found = [dataclasses.replace(entry, text=f"{event}, lap {number}: {entry.text}") for entry in copy.findings]
            findings.extend(_accepted(entry, check.accept) for entry in found)
            reason = _left_out(check.leave_out, event, number)
            missing = _missing(copy.recording)
            if missing and not reason:
                if check.unusable == "stop":
                    unusable.append(f"{file.relative_to(ws.folder.resolve())}: {missing}")
                reason = missing
            name = lap_file(event, number, taken)
            write_recording(copy.recording, ws.out / name)
            events[event].append(
                {
                    "file": name,
                    "original": file.relative_to(ws.folder.resolve()).as_posix(),
                    "duration_s": copy.recording.duration_s,
                    "excluded": bool(reason),
                    "reason": reason,
                }
            )
    if unusable:
        more = f"\n({len(unusable) - 1} more like it)" if len(unusable) > 1 else ""
        raise DataError(
            f'{unusable[0]}; bridge short stretches with [[check.repair]] do = "fill", leave the lap out with '
            f'check.leave_out, or set check.unusable = "leave out"{more}'
        )
    for event, entries in events.items():
        if all(entry["excluded"] for entry in entries):
            raise DataError(f"event '{event}' has no lap left ({entries[0]['reason']}); record it again or drop it")
    save_table(ws.out / TABLE, {"rate_hz": rate, "events": events})
    return _outcome(events, findings, rate)


def _outcome(events: dict[str, list[dict[str, Any]]], findings: list[Finding], rate: float) -> Outcome:
    laps = [entry for entries in events.values() for entry in entries]
    kept = [entry for entry in laps if not entry["excluded"]]
    open_ = [finding for finding in findings if finding.severity != "note"]
    words = f"{len(kept)} of {len(laps)} laps of {len(events)} events are ready at {rate:g} Hz"
    words += f"; {len(open_)} findings need a look" if open_ else "; nothing needs a look"
    return Outcome(
        verdict="look" if open_ else "fine",
        summary=words,
        figures={
            "rate_hz": rate,
            "n_laps": len(laps),
            "n_laps_kept": len(kept),
            "duration_s": sum(entry["duration_s"] for entry in kept),
            "n_findings": len(open_),
        },
        findings=tuple(findings),
    )


@dataclasses.dataclass(frozen=True, kw_only=True, slots=True)
class _Copy:
    recording: Recording
    findings: tuple[Finding, ...]
    repaired: Repaired


def _common_rate(files: dict[str, tuple[Path, ...]]) -> float:
    return max(read_recording(file).rate_hz for laps in files.values() for file in laps)


def _working_copy(plan: Plan, file: Path, event: str, lap: int, rate: float) -> _Copy:
    original = read_recording(file, channels=_wanted(plan, event, lap))
    if original.duration_s < plan.check.shortest_s:
        raise DataError(
            f"{file}: is only {original.duration_s:.3g} s long, shorter than check.shortest = "
            f'"{plan.check.shortest_s:g} s"; record a longer lap, or shorten that limit'
        )
    original = original.replace(name=f"{event}, lap {lap}")
    renames = [step for step in plan.check.repair if step.do == "rename"]
    others = [step for step in plan.check.repair if step.do != "rename"]
    named = repair(original, renames, event=event, lap=lap).recording
    described = _described(named.select([channel.name for channel in plan.channel]), plan, file)
    faults = find_faults(described)
    mended = repair(described, others, event=event, lap=lap)
    copy = mended.recording if mended.recording.rate_hz == rate else resample(mended.recording, rate)
    return _Copy(recording=copy, findings=faults, repaired=mended)


def _wanted(plan: Plan, event: str, lap: int) -> list[str]:
    """Names to read from the file: the plan's, as they were before renaming."""
    from washboard.recording._repair import applies

    before = {step.to: step.channel for step in plan.check.repair if step.do == "rename" and applies(step, event, lap)}
    return [before.get(channel.name, channel.name) for channel in plan.channel]


def _described(recording: Recording, plan: Plan, file: Path) -> Recording:
    """The plan's word on each channel, in SI. Raises UnitError where file and plan measure different things."""
    channels = []
    for measured, channel in zip(recording.channels, plan.channel, strict=True):
        unit = measured.unit if measured.unit.strip() not in {"", "-", "1"} else channel.unit
        try:
            fits = units.quantity_fits(unit, channel.quantity)
        except UnitError as error:
            raise UnitError(f"{file}: channel '{channel.name}': {error}") from None
        if not fits:
            raise UnitError(
                f"{file}: channel '{channel.name}' is in '{unit}', which is no unit of {channel.quantity}; correct its "
                "quantity and unit in programme.toml, or the file"
            )
        channels.append(_channel(measured, channel, unit))
    return recording.replace(channels=tuple(channels)).in_si()


def _channel(measured: Channel, channel: ChannelPlan, unit: str) -> Channel:
    limits = measured.limits
    if channel.limit is not None:
        # The plan's limit is in the plan's unit; the channel's must be in the file's.
        scale, offset = units.factor_to_si(channel.unit, channel.quantity)
        back, shift = units.factor_to_si(unit, channel.quantity)
        edge = (channel.limit * scale + offset - shift) / back
        limits = (-abs(edge), abs(edge))
    return Channel(
        name=channel.name,
        unit=unit,
        quantity=channel.quantity,
        position_m=channel.position_m,
        direction=channel.direction,
        limits=limits,
        description=measured.description,
    )


def _missing(recording: Recording) -> str:
    import numpy as np

    for channel, row in zip(recording.channels, recording.samples, strict=True):
        bad = ~np.isfinite(row)
        if bad.any():
            first = int(np.argmax(bad)) / recording.rate_hz
            last = (bad.size - int(np.argmax(bad[::-1]))) / recording.rate_hz
            return f"channel '{channel.name}' has {int(bad.sum())} NaN samples at {first:.2f} to {last:.2f} s"
    return ""


def _left_out(leave_out: tuple[str, ...], event: str, lap: int) -> str:
    return "left out by check.leave_out" if {event, f"{event} {lap}"} & set(leave_out) else ""


def _accepted(finding: Finding, accept: tuple[str, ...]) -> Finding:
    if {finding.kind, f"{finding.kind}: {finding.channel}"} & set(accept):
        return dataclasses.replace(finding, severity="note")
    return finding


STAGE = Stage(
    name="check",
    title="Find and mend faults of the recordings",
    needs={},
    reads=_reads,
    run=_run,
    recordings=True,
)
