"""target: what the stated service does to each channel, and how often each event has to be played to do the same."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from washboard.duty import (
    EventLoads,
    LapsNeeded,
    OnePlay,
    PlannedPlays,
    Target,
    TargetScatter,
    Usage,
    laps_needed,
    one_play,
    plan_plays,
    service_time_s,
    target_damage,
    target_scatter,
    usage,
)
from washboard.errors import DataError
from washboard.loads import damage_by_window, damage_in_band
from washboard.programme._laps import load_laps
from washboard.programme._plan import Plan
from washboard.programme._stage import Outcome, Stage, Workspace
from washboard.programme._store import load_table, save_table
from washboard.recording import Finding, Recording
from washboard.report import Exhibit

TABLE = "target.json"


def _reads(plan: Plan) -> Any:
    channels = tuple((channel.name, channel.role, channel.slope, channel.keep == 0) for channel in plan.channel)
    events = tuple((event.name, event.distance_m, event.repeats, event.share, event.least) for event in plan.event)
    return (channels, events, plan.duty, plan.loads.slopes, plan.loads.keep, plan.band, plan.programme.seed)


def all_slopes(plan: Plan) -> tuple[float, ...]:
    """The plan's slopes and every channel's own, ascending."""
    return tuple(sorted({*plan.loads.slopes, *(channel.slope for channel in plan.channel)}))


def channel_masks(plan: Plan) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which of the plan's channels are control channels, and which are only watched."""
    control = np.array([channel.role == "control" for channel in plan.channel], bool)
    watched = np.array([channel.role != "control" and channel.keep == 0 for channel in plan.channel], bool)
    return control, watched


def _event_loads(name: str, recordings: tuple[Recording, ...], slopes: tuple[float, ...], block_s: float) -> EventLoads:
    damage, blocks = [], []
    for lap in recordings:
        window = min(max(2, round(block_s * lap.rate_hz)), lap.n_samples)
        pieces = damage_by_window(lap.samples, window, slopes)
        # The windows, a shorter last one included, add up to the damage of the lap.
        damage.append(pieces.sum(axis=1))
        blocks.append(pieces[:, : lap.n_samples // window].transpose(1, 0, 2))
    duration_s = np.array([lap.duration_s for lap in recordings])
    return EventLoads(name=name, damage=np.stack(damage), duration_s=duration_s, blocks=tuple(blocks))


def _in_band(recordings: tuple[Recording, ...], loads: EventLoads, plan: Plan, slopes: tuple[float, ...]) -> Any:
    """Damage of a mean lap of an event that content of the test's band alone does, shape (channel, slope)."""
    low, high = plan.band.low_hz, plan.band.high_hz
    shares = [damage_in_band(lap.samples, lap.rate_hz, low, high, slopes) for lap in recordings]
    return np.mean(np.stack(shares) * loads.damage, axis=0)


def _run(ws: Workspace) -> Outcome:
    plan = ws.plan
    slopes = all_slopes(plan)
    laps = load_laps(ws)
    loads, inside = [], []
    for number, event in enumerate(plan.event):
        ws.progress(0.8 * number / len(plan.event), f"damage of {event.name}")
        recordings = laps[event.name]
        if not recordings:
            raise DataError(
                f"event '{event.name}' has no lap left; every recording of it was excluded by the check. Record it "
                "again, mend the recording, or take the event out of programme.toml"
            )
        loads.append(_event_loads(event.name, recordings, slopes, plan.duty.block_s))
        inside.append(_in_band(recordings, loads[-1], plan, slopes))
    rows = [float(event.duration_s.mean()) for event in loads]
    names = tuple(channel.name for channel in plan.channel)
    monitors = tuple(channel.name for channel in plan.channel if channel.role == "monitor")
    mix = usage(plan.event, plan.duty, dict(zip((event.name for event in plan.event), rows, strict=True)))
    target = target_damage(loads, mix, channels=names, slopes=slopes, percentile=plan.duty.percentile, watched=monitors)
    scatter = target_scatter(loads, mix, confidence=plan.duty.confidence, seed=plan.programme.seed)
    enough = laps_needed(
        scatter,
        [event.damage.shape[0] for event in loads],
        channels=names,
        slopes=slopes,
        uncertainty=plan.duty.uncertainty,
    )
    ws.progress(0.9, "schedule")
    units = tuple(
        one_play(event, lap if plan.duty.laps == "typical" else None)
        for event, lap in zip(loads, target.representative, strict=True)
    )
    control, watched = channel_masks(plan)
    plays = plan_plays(
        np.stack([unit.damage for unit in units]),
        target.damage,
        np.array([unit.duration_s for unit in units]),
        events=target.events,
        channels=names,
        slopes=slopes,
        control=control,
        watched=watched,
        under_test=plan.duty.under_test,
        over_test=plan.duty.over_test,
        most_plays=np.where(mix.mean_laps > 0, np.inf, 0.0),
        least_plays=np.array(
            [
                event.least * laps_in_service / len(unit.laps)
                for event, laps_in_service, unit in zip(plan.event, mix.mean_laps, units, strict=True)
            ]
        ),
    )
    whole = np.einsum("e,ecs->cs", mix.mean_laps, np.stack([event.damage.mean(axis=0) for event in loads]))
    held = np.einsum("e,ecs->cs", mix.mean_laps, np.stack(inside)) / np.where(whole > 0, whole, 1.0)
    outside = np.where(whole > 0, np.clip(1 - held, 0.0, 1.0), 0.0)
    table = _table(plan, loads, units, mix, target, scatter, enough, plays)
    table["outside_band"] = {name: outside[row].tolist() for row, name in enumerate(names)}
    table["band_hz"] = [plan.band.low_hz, plan.band.high_hz]
    save_table(ws.out / TABLE, table)
    return _outcome(plan, mix, target, scatter, enough, plays, table)


def _table(
    plan: Plan,
    loads: list[EventLoads],
    units: tuple[OnePlay, ...],
    mix: Usage,
    target: Target,
    scatter: TargetScatter,
    enough: LapsNeeded,
    planned: PlannedPlays,
) -> dict[str, Any]:
    names, guarded, plays = target.channels, planned.channels, planned.schedule
    events_s = float(mix.mean_laps @ np.array([event.duration_s.mean() for event in loads]))
    events = {}
    for number, (event, spec) in enumerate(zip(loads, plan.event, strict=True)):
        lap, unit = target.representative[number], units[number]
        events[event.name] = {
            "repeats": plays.repeats[number],
            "played_laps": list(unit.laps),
            "damage_per_play": {name: unit.damage[row].tolist() for row, name in enumerate(names)},
            "least_plays": spec.least * float(mix.mean_laps[number]) / len(unit.laps),
            "service_laps": float(mix.mean_laps[number]),
            "laps": int(event.damage.shape[0]),
            "laps_enough": enough.laps[number],
            "representative": lap,
            "damage_per_lap": {name: event.damage[lap, row].tolist() for row, name in enumerate(names)},
            "share": {name: target.share[number, row].tolist() for row, name in enumerate(names)},
            "distance_m": spec.distance_m,
            "duration_s": unit.duration_s,
        }
    return {
        "channels": list(names),
        "slopes": list(target.slopes),
        "channel_slope": [channel.slope for channel in plan.channel],
        "service": mix.service,
        "damage": {name: target.damage[row].tolist() for row, name in enumerate(names)},
        "interval": {
            name: {"low": scatter.low[row].tolist(), "high": scatter.high[row].tolist()}
            for row, name in enumerate(names)
        },
        "half_width": {
            name: [None if np.isnan(value) else float(value) for value in scatter.half_width[row]]
            for row, name in enumerate(names)
        },
        "confidence": scatter.confidence,
        "laps_enough": {
            "uncertainty": enough.uncertainty,
            "channel": enough.channel,
            "laps": list(enough.path_laps),
            "half_width": list(enough.path_half_width),
        },
        "percentile": plan.duty.percentile,
        "percentile_factor": {name: target.percentile_factor[row].tolist() for row, name in enumerate(names)},
        "events": events,
        "schedule": {
            "time_s": plays.time_s,
            "bound_s": None if np.isnan(plays.bound_s) else plays.bound_s,
            "service_s": service_time_s(plan.duty, events_s),
            "events_s": events_s,
            "under_test": plan.duty.under_test,
            "over_test": plan.duty.over_test,
            "ratio": {name: plays.ratio[row].tolist() for row, name in enumerate(guarded)},
            "others_ratio": {
                name: planned.ratio[row].tolist()
                for row, name in enumerate(names)
                if name not in guarded and (target.damage[row] > 0).all()
            },
            "price_s": {name: float(plays.price_s[row]) for row, name in enumerate(guarded)},
            "without_s": {
                name: None if np.isnan(plays.without_s[row]) else float(plays.without_s[row])
                for row, name in enumerate(guarded)
            },
            "relaxed_s": None if np.isnan(plays.relaxed_s) else plays.relaxed_s,
            "conflicts": list(plays.conflicts),
        },
    }


def _outcome(
    plan: Plan,
    mix: Usage,
    target: Target,
    scatter: TargetScatter,
    enough: LapsNeeded,
    planned: PlannedPlays,
    table: dict[str, Any],
) -> Outcome:
    plays = planned.schedule
    lost = _lost_outside(plan, table)
    findings = [
        Finding(kind="schedule", severity="warning", text=conflict.text, channel=conflict.channel)
        for conflict in plays.conflicts
    ]
    findings += _band_warnings(plan, table, lost)
    findings += _doubts(plan, mix, target, scatter, enough, plays.repeats)
    hours = plays.time_s / 3600
    service_h, events_h = table["schedule"]["service_s"] / 3600, table["schedule"]["events_s"] / 3600
    if plays.conflicts:
        state = f"no schedule keeps every channel within bounds; the nearest takes {hours:.3g} h"
    else:
        state = f"{hours:.3g} h of playing do its damage within {plan.duty.under_test:g} to {plan.duty.over_test:g}"
    dear = int(np.argmax(plays.price_s))
    length = f"{service_h:,.4g} h of service, {events_h:.3g} h of it in these events"
    words = f"The target stands for {mix.service} ({length}); {state}"
    if plays.price_s[dear] > 0:
        words += f"; '{list(table['schedule']['ratio'])[dear]}' costs most"
    if lost:
        worst = max(lost, key=lambda name: lost[name])
        words += (
            f". {lost[worst]:.0%} of that damage on '{worst}'"
            + (f", and less on {_number_of(len(lost) - 1)}," if len(lost) > 1 else "")
            + f" lies outside {plan.band.low_hz:g} to {plan.band.high_hz:g} Hz and in no test of that band"
        )
    return Outcome(
        verdict="look" if plays.conflicts or lost else "fine",
        summary=words,
        figures={
            "service": mix.service,
            "rig_h": hours,
            "service_h": service_h,
            "schedule_gap": plays.gap,
            "ratio_least": float(plays.ratio.min()),
            "ratio_most": float(plays.ratio.max()),
            "uncertainty": _widest(scatter),
            "outside_band_most": max(lost.values(), default=0.0),
            "repeats": dict(zip(target.events, plays.repeats, strict=True)),
        },
        findings=tuple(findings),
    )


def _at_own_slope(plan: Plan, target: Target, scatter: TargetScatter) -> str:
    """How uncertain the targets are at the slopes the channels have of their own, in words."""
    own = [target.slopes.index(channel.slope) for channel in plan.channel]
    width = scatter.half_width[np.arange(len(own)), own]
    if not np.isfinite(width).all():
        return ""
    worst = int(np.argmax(width))
    return f"; at the channels' own slopes by up to {width[worst]:.0%} ('{target.channels[worst]}')"


def _number_of(channels: int) -> str:
    return "one more channel" if channels == 1 else f"{channels} more channels"


def _widest(scatter: TargetScatter) -> float | None:
    known = scatter.half_width[np.isfinite(scatter.half_width)]
    return float(known.max()) if known.size else None


def _lost_outside(plan: Plan, table: dict[str, Any]) -> dict[str, float]:
    """Share of damage outside the test's band, per control channel that loses more than loads.keep allows."""
    slopes = table["slopes"]
    lost = {}
    for channel in plan.control:
        share = table["outside_band"][channel.name][slopes.index(channel.slope)]
        if share > 1 - plan.loads.keep:
            lost[channel.name] = share
    return lost


def _band_warnings(plan: Plan, table: dict[str, Any], lost: dict[str, float]) -> list[Finding]:
    found = []
    slopes = table["slopes"]
    for channel in plan.control:
        if channel.name not in lost:
            continue
        share = table["outside_band"][channel.name]
        by_slope = ", ".join(f"{value:.0%} at slope {slope:g}" for slope, value in zip(slopes, share, strict=True))
        found.append(
            Finding(
                kind="band",
                severity="warning",
                text=f"of the target damage of '{channel.name}' {by_slope} comes only with content outside "
                f"{plan.band.low_hz:g} to {plan.band.high_hz:g} Hz: no drive of that band does it",
                channel=channel.name,
                measured=lost[channel.name],
                limit=1 - plan.loads.keep,
                advice="widen [band] where the rig can follow, or read every equivalence as one of the band alone",
            )
        )
    return found


def _doubts(
    plan: Plan, mix: Usage, target: Target, scatter: TargetScatter, enough: LapsNeeded, repeats: tuple[int, ...]
) -> list[Finding]:
    found = []
    if scatter.single:
        unknown = bool(np.isnan(scatter.half_width).any())
        words = "its scatter, and so the target's, is not known" if unknown else "its scatter is that of its pieces"
        found.append(
            Finding(
                kind="laps",
                severity="note",
                text=f"one lap only of {', '.join(scatter.single)}: {words}"
                + ("" if unknown else "; how one lap differs from the next is not in the uncertainty"),
                advice="record at least three laps of each event",
            )
        )
    widest = _widest(scatter)
    if widest is not None and widest > plan.duty.uncertainty:
        laps = [f"{need} of {name}" for name, need in zip(target.events, enough.laps, strict=True)]
        reach = "would bring it down to" if enough.reached else "would not even bring it down to"
        found.append(
            Finding(
                kind="laps",
                severity="note",
                text=(
                    f"target damage is uncertain by {widest:.0%} either way (confidence {scatter.confidence:.0%}), "
                    f"most on '{enough.channel}' at slope {enough.slope:g}{_at_own_slope(plan, target, scatter)}"
                ),
                channel=enough.channel,
                measured=widest,
                limit=plan.duty.uncertainty,
                advice=f"laps in all that {reach} {plan.duty.uncertainty:.0%}: {', '.join(laps)}",
            )
        )
    idle = [name for name, n in zip(target.events, mix.mean_laps, strict=True) if n == 0]
    found += [
        Finding(kind="schedule", severity="note", text=f"'{name}' is not played: it does not occur in the service")
        for name in idle
    ]
    unplayed = [name for name, n in zip(target.events, repeats, strict=True) if n == 0 and name not in idle]
    found += [
        Finding(
            kind="schedule",
            severity="note",
            text=f"'{name}' is not played: the schedule reaches the target on every channel without it",
            advice="to keep it in the test give the event a least share of its laps, such as least = 0.1",
        )
        for name in unplayed
    ]
    for name, covered in zip(mix.groups, mix.covered, strict=True):
        if np.isfinite(covered) and covered < 0.999:
            found.append(
                Finding(
                    kind="usage",
                    severity="note",
                    text=f"the events make up {covered:.1%} of the service of {name}; the rest is taken as harmless",
                )
            )
    return found


def _show(folder: Path, plan: Plan) -> tuple[Exhibit, ...]:
    from washboard.plot import to_svg
    from washboard.plot._duty import ratio_figure, share_figure

    table = load_table(folder / "stages" / "target" / TABLE)
    slopes, plan_s = table["slopes"], table["schedule"]
    own = {channel.name: slopes.index(channel.slope) for channel in plan.channel}
    control = {channel.name for channel in plan.control}
    rows = tuple(
        (
            name,
            round(event["service_laps"], 1),
            event["repeats"],
            len(event["played_laps"]),
            round(event["repeats"] * event["duration_s"] / 3600, 2),
            event["laps"],
            event["laps_enough"],
        )
        for name, event in table["events"].items()
    )
    names = tuple(plan_s["ratio"])
    ratio = np.array([plan_s["ratio"][name] for name in names])
    share = np.array([[event["share"][name][own[name]] for name in names] for event in table["events"].values()])
    price = tuple(
        (
            name,
            round(plan_s["ratio"][name][own[name]], 3),
            round(plan_s["price_s"][name] / 3600, 3),
            None if plan_s["without_s"][name] is None else round(plan_s["without_s"][name] / 3600, 2),
            None if table["half_width"][name][own[name]] is None else round(table["half_width"][name][own[name]], 3),
            round(table["outside_band"][name][own[name]], 3),
        )
        for name in names
    )
    return (
        Exhibit(
            title="Schedule",
            caption=f"Laps in {table['service']} of service and plays in the test, with laps recorded and laps that "
            f"would make the target as certain as asked.",
            columns=(
                "event",
                "laps in service",
                "plays",
                "laps in a play",
                "rig time [h]",
                "laps recorded",
                "laps enough",
            ),
            rows=rows,
        ),
        Exhibit(
            title="Test against target",
            caption="Damage of the test over damage of the service, per channel, for each slope; the band is what the "
            "programme allows. Monitor channels (in brackets) may have more.",
            svg=to_svg(
                ratio_figure(
                    ratio,
                    channels=names,
                    slopes=tuple(slopes),
                    under=plan_s["under_test"],
                    over=plan_s["over_test"],
                    bounded=np.array([name in control for name in names]),
                )
            ),
        ),
        Exhibit(
            title="Where the damage comes from",
            caption="Share of each event in the damage of the service, at each channel's own slope.",
            svg=to_svg(share_figure(share, events=tuple(table["events"]), channels=names)),
        ),
        *_laps_exhibit(table),
        Exhibit(
            title="What each channel costs",
            caption="At its own slope: test over target; rig time for one percent more of the channel's damage; rig "
            f"time of the schedule without the channel (with all: {_hours(plan_s['relaxed_s'])}); uncertainty of its "
            f"target; share of it outside {table['band_hz'][0]:g} to {table['band_hz'][1]:g} Hz, which no test in that "
            "band does.",
            columns=(
                "channel",
                "test / target [-]",
                "hours per percent [h]",
                "hours without it [h]",
                "uncertainty of target [-]",
                "outside the band [-]",
            ),
            rows=price,
        ),
    )


def _laps_exhibit(table: dict[str, Any]) -> tuple[Exhibit, ...]:
    """How certain the target gets with more laps; nothing where it is certain enough already."""
    from washboard.plot import to_svg
    from washboard.plot._duty import laps_figure

    enough = table["laps_enough"]
    if len(enough["laps"]) < 2:
        return ()
    figure = laps_figure(
        np.array(enough["half_width"]),
        np.array(enough["laps"]),
        wanted=enough["uncertainty"],
        confidence=table["confidence"],
        channel=enough["channel"],
    )
    return (
        Exhibit(
            title="How many laps are enough",
            caption="Uncertainty of the least certain channel's target against laps of all events together, each next "
            "lap driven where it helps most, scatter between laps taken as seen.",
            svg=to_svg(figure),
        ),
    )


def _hours(seconds: float | None) -> str:
    return "none within bounds" if seconds is None else f"{seconds / 3600:.3g} h"


STAGE = Stage(
    name="target",
    title="Damage of the service, and plays of each event that do the same",
    needs={"check": ()},
    reads=_reads,
    run=_run,
    show=_show,
    revision=2,
)
