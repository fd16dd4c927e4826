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
    Schedule,
    Target,
    TargetScatter,
    Usage,
    laps_needed,
    one_play,
    schedule,
    service_time_s,
    target_damage,
    target_scatter,
    usage,
)
from washboard.loads import pseudo_damage
from washboard.programme._laps import load_laps
from washboard.programme._plan import Plan
from washboard.programme._stage import Outcome, Stage, Workspace
from washboard.programme._store import load_table, save_table
from washboard.recording import Finding
from washboard.report import Exhibit

TABLE = "target.json"


def _reads(plan: Plan) -> Any:
    channels = tuple((channel.name, channel.role, channel.slope, channel.keep == 0) for channel in plan.channel)
    events = tuple((event.name, event.distance_m, event.repeats, event.share, event.least) for event in plan.event)
    return (channels, events, plan.duty, plan.loads.slopes, plan.programme.seed)


def all_slopes(plan: Plan) -> tuple[float, ...]:
    """The plan's slopes and every channel's own, ascending."""
    return tuple(sorted({*plan.loads.slopes, *(channel.slope for channel in plan.channel)}))


def guarded_channels(plan: Plan, damage: NDArray[np.float64]) -> list[int]:
    """Rows of the channels the schedule looks after: control channels, and monitors unless only watched or silent."""
    return [
        row
        for row, channel in enumerate(plan.channel)
        if channel.role == "control" or (channel.keep != 0 and bool((damage[row] > 0).all()))
    ]


def most_allowed(plan: Plan, rows: list[int]) -> NDArray[np.float64]:
    """Most test damage over target damage per channel: bounded for control channels, a monitor may have more."""
    return np.array([plan.duty.over_test if plan.channel[row].role == "control" else np.inf for row in rows])


def _run(ws: Workspace) -> Outcome:
    plan = ws.plan
    slopes = all_slopes(plan)
    laps = load_laps(ws)
    loads, rows = [], []
    for number, event in enumerate(plan.event):
        ws.progress(0.8 * number / len(plan.event), f"damage of {event.name}")
        recordings = laps[event.name]
        damage = np.stack([pseudo_damage(lap.samples, slopes) for lap in recordings])
        duration_s = np.array([lap.duration_s for lap in recordings])
        loads.append(EventLoads(name=event.name, damage=damage, duration_s=duration_s))
        rows.append(float(duration_s.mean()))
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
    guarded = guarded_channels(plan, target.damage)
    units = tuple(
        one_play(event, lap if plan.duty.laps == "typical" else None)
        for event, lap in zip(loads, target.representative, strict=True)
    )
    plays = schedule(
        np.stack([unit.damage for unit in units])[:, guarded],
        target.damage[guarded],
        np.array([unit.duration_s for unit in units]),
        events=target.events,
        channels=tuple(names[row] for row in guarded),
        slopes=slopes,
        under_test=plan.duty.under_test,
        over_test=most_allowed(plan, guarded),
        least_plays=np.array(
            [
                event.least * laps_in_service / len(unit.laps)
                for event, laps_in_service, unit in zip(plan.event, mix.mean_laps, units, strict=True)
            ]
        ),
    )
    table = _table(plan, loads, units, mix, target, scatter, enough, plays)
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
    plays: Schedule,
) -> dict[str, Any]:
    names = target.channels
    guarded = [names[row] for row in guarded_channels(plan, target.damage)]
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
                name: _test_ratio(units, plays, target, row).tolist()
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


def _test_ratio(units: tuple[OnePlay, ...], plays: Schedule, target: Target, row: int) -> NDArray[np.float64]:
    """Test damage over target damage of any channel, per slope."""
    reached = sum((n * unit.damage[row] for n, unit in zip(plays.repeats, units, strict=True)), np.zeros(1))
    return np.asarray(reached / target.damage[row], np.float64)


def _outcome(
    plan: Plan,
    mix: Usage,
    target: Target,
    scatter: TargetScatter,
    enough: LapsNeeded,
    plays: Schedule,
    table: dict[str, Any],
) -> Outcome:
    findings = [
        Finding(kind="schedule", severity="warning", text=conflict.text, channel=conflict.channel)
        for conflict in plays.conflicts
    ]
    findings += _doubts(plan, mix, target, scatter, enough, plays)
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
    return Outcome(
        verdict="look" if plays.conflicts else "fine",
        summary=words,
        figures={
            "service": mix.service,
            "rig_h": hours,
            "service_h": service_h,
            "schedule_gap": plays.gap,
            "ratio_least": float(plays.ratio.min()),
            "ratio_most": float(plays.ratio.max()),
            "uncertainty": _widest(scatter),
            "repeats": dict(zip(target.events, plays.repeats, strict=True)),
        },
        findings=tuple(findings),
    )


def _widest(scatter: TargetScatter) -> float | None:
    known = scatter.half_width[np.isfinite(scatter.half_width)]
    return float(known.max()) if known.size else None


def _doubts(
    plan: Plan, mix: Usage, target: Target, scatter: TargetScatter, enough: LapsNeeded, plays: Schedule
) -> list[Finding]:
    found = []
    if scatter.single:
        found.append(
            Finding(
                kind="laps",
                severity="note",
                text=f"one lap only of {', '.join(scatter.single)}: its scatter, and so the target's, is not known",
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
                    f"most on '{enough.channel}' at slope {enough.slope:g}"
                ),
                channel=enough.channel,
                measured=widest,
                limit=plan.duty.uncertainty,
                advice=f"laps in all that {reach} {plan.duty.uncertainty:.0%}: {', '.join(laps)}",
            )
        )
    unplayed = [name for name, n in zip(target.events, plays.repeats, strict=True) if n == 0]
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
            "target.",
            columns=(
                "channel",
                "test / target [-]",
                "hours per percent [h]",
                "hours without it [h]",
                "uncertainty of target [-]",
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
)
