"""shorten: each event's laps, shortened so that every channel keeps its share of damage."""

from __future__ import annotations

import functools
from pathlib import Path
from typing import Any

import numpy as np

from washboard import units
from washboard.duty import plan_plays
from washboard.errors import DataError, InputError
from washboard.programme._laps import load_laps
from washboard.programme._plan import Plan
from washboard.programme._stage import Outcome, Stage, Workspace
from washboard.programme._store import load_arrays, load_table, save_arrays, save_table
from washboard.programme.stages.target import channel_masks
from washboard.recording import Finding, Recording, write_recording
from washboard.report import Exhibit
from washboard.settings import Progress
from washboard.shorten import (
    Shortened,
    as_recording,
    effects,
    end_to_end,
    kept_stretches,
    sequence_share,
    shares_asked,
    shorten,
    trade_off,
)

TABLE = "shorten.json"


def _reads(plan: Plan) -> Any:
    channels = tuple((channel.name, channel.role, channel.slope, channel.keep) for channel in plan.channel)
    return (channels, plan.shorten)


def _run(ws: Workspace) -> Outcome:
    plan, target = ws.plan, load_table(ws.of("target") / "target.json")
    slopes = tuple(target["slopes"])
    names = tuple(target["channels"])
    laps = load_laps(ws)
    played = [name for name, event in target["events"].items() if event["repeats"] > 0]
    if not played:
        raise DataError("the target's schedule plays no event at all; look at the target stage")
    findings = [
        Finding(kind="schedule", severity="note", text=f"'{name}' is not shortened: the schedule does without it")
        for name in target["events"]
        if name not in played
    ]
    events: dict[str, Any] = {}
    taken: set[str] = set()
    damage: list[Any] = []
    for number, name in enumerate(played):
        play = end_to_end(
            [laps[name][lap] for lap in target["events"][name]["played_laps"]], fade_s=plan.shorten.fade_s
        )
        share = shares_asked(
            np.array([plan.shorten.keep if channel.keep is None else channel.keep for channel in plan.channel]),
            play.samples,
        )
        result = _shorten_one(ws, name, play, share, slopes, (number / len(played), (number + 1) / len(played)))
        events[name] = _event_table(ws, _file_name(name, taken), play, result, target["events"][name], names, plan)
        damage.append(result.held_damage)
        findings += _doubts(name, result, names, plan)
    whole = _matrix(target["damage"], names)
    for name, plays in _plays(plan, target, events, np.stack(damage), whole, findings).items():
        events[name]["plays"] = plays
    findings += [
        Finding(
            kind="schedule",
            severity="note",
            text=f"'{name}' is left out: the other events, shortened, reach the target in less time without it",
            advice="to keep it give the event a least share of its laps, such as least = 0.1",
        )
        for name, event in events.items()
        if event["plays"] == 0
    ]
    for event in events.values():
        if event["plays"] == 0:
            (ws.out / event["file"]).unlink()
            (ws.out / f"{Path(event['file']).stem}.effects.nc").unlink()
    events = {name: event for name, event in events.items() if event["plays"] > 0}
    retained = sequence_share(
        np.stack([one for name, one in zip(played, damage, strict=True) if name in events]),
        np.array([event["plays"] for event in events.values()], np.float64),
        whole,
    )
    table = _table(plan, events, retained, target, names, slopes)
    save_table(ws.out / TABLE, table)
    return _outcome(plan, table, findings)


def _plays(
    plan: Plan, target: dict[str, Any], events: dict[str, Any], damage: Any, whole: Any, findings: list[Finding]
) -> dict[str, int]:
    """Plays of each shortened event: the schedule's, or worked out anew so that what shortening took is made up."""
    if not plan.shorten.make_up:
        return {name: int(target["events"][name]["repeats"]) for name in events}
    control, watched = channel_masks(plan)
    found = plan_plays(
        damage,
        whole,
        np.array([event["duration_s"] for event in events.values()]),
        events=tuple(events),
        channels=tuple(target["channels"]),
        slopes=tuple(target["slopes"]),
        control=control,
        watched=watched,
        under_test=target["schedule"]["under_test"],
        over_test=target["schedule"]["over_test"],
        least_plays=np.array([target["events"][name]["least_plays"] for name in events]),
    ).schedule
    findings += [
        Finding(kind="schedule", severity="warning", text=conflict.text, channel=conflict.channel)
        for conflict in found.conflicts
    ]
    return dict(zip(events, found.repeats, strict=True))


def _matrix(table: dict[str, list[float]], names: tuple[str, ...]) -> Any:
    return np.array([table[name] for name in names])


def _shorten_one(
    ws: Workspace,
    name: str,
    lap: Recording,
    share: Any,
    slopes: tuple[float, ...],
    span: tuple[float, float],
) -> Shortened:
    def progress(done: float, words: str) -> None:
        ws.progress(span[0] + 0.9 * done * (span[1] - span[0]), f"{name}: {words}")

    report: Progress = progress
    try:
        return shorten(
            lap.samples,
            lap.rate_hz,
            share=share,
            slopes=slopes,
            settings=ws.plan.shorten,
            names=lap.names,
            progress=report,
        )
    except (DataError, InputError) as error:
        raise type(error)(f"event '{name}': {error}") from None


def _event_table(
    ws: Workspace,
    file: str,
    lap: Recording,
    result: Shortened,
    event: dict[str, Any],
    names: tuple[str, ...],
    plan: Plan,
) -> dict[str, Any]:
    write_recording(as_recording(result, lap, settings=plan.shorten), ws.out / file)
    curve = trade_off(result)
    slopes = tuple(sorted({*plan.loads.slopes, *(channel.slope for channel in plan.channel)}))
    stretches = kept_stretches(result, lap.samples, names=names, slopes=slopes)
    changed = effects(lap.samples, result.joined.samples, lap.rate_hz)
    save_arrays(
        ws.out / f"{Path(file).stem}.effects.nc",
        {
            "frequency": (("frequency",), changed.original_psd.frequency_hz),
            "psd_original": (("channel", "frequency"), changed.original_psd.values),
            "psd_shortened": (("channel", "frequency"), changed.shortened_psd.values),
            "level": (("channel", "level"), changed.original_levels.levels),
            "up_original": (("channel", "level"), changed.original_levels.up),
            "up_shortened": (("channel", "level"), changed.shortened_levels.up),
        },
    )
    own = [slopes.index(channel.slope) for channel in plan.channel]
    return {
        "file": file,
        "lap": event["representative"],
        "laps": event["played_laps"],
        "duration_s": result.duration_s,
        "original_s": result.original_s,
        "plays": event["repeats"],
        "windows": [
            {"start_s": part.start_s, "end_s": part.end_s, "reason": part.reason, "channel": part.channel}
            for part in stretches
        ],
        "retained": {channel: float(result.held[row, own[row]]) for row, channel in enumerate(names)},
        "retained_by_slope": {channel: result.held[row].tolist() for row, channel in enumerate(names)},
        "required": {channel: float(result.required[row, 0]) for row, channel in enumerate(names)},
        "join_damage": {channel: float(result.join_damage[row].max()) for row, channel in enumerate(names)},
        "kept_s": result.kept_s,
        "bound_s": result.bound_s,
        "relaxed_s": result.relaxed_s,
        "greedy_s": result.greedy_s,
        "proof_s": result.proof_s,
        "gap": result.gap,
        "above_bound": result.above_bound,
        "rounds": len(result.rounds),
        "mean": {channel: changed.mean[:, row].tolist() for row, channel in enumerate(names)},
        "rms": {channel: changed.rms[:, row].tolist() for row, channel in enumerate(names)},
        "extremes_kept": {channel: bool(changed.extremes_kept[row]) for row, channel in enumerate(names)},
        "trade_off": {
            "share": curve.share.tolist(),
            "time_s": curve.time_s.tolist(),
            "bound_s": curve.bound_s.tolist(),
        },
    }


def _file_name(event: str, taken: set[str]) -> str:
    plain = "".join(letter if letter.isalnum() or letter in "-_" else "-" for letter in event).strip("-") or "event"
    name, number = f"{plain}.nc", 2
    while name in taken:
        name, number = f"{plain}-{number}.nc", number + 1
    taken.add(name)
    return name


def _doubts(name: str, result: Shortened, names: tuple[str, ...], plan: Plan) -> list[Finding]:
    found: list[Finding] = []
    most, asked = result.join_damage.max(axis=1), result.required[:, 0] > 0
    found += [
        Finding(
            kind="join",
            severity="warning" if asked[row] else "note",
            text=f"{name}: joins add {most[row]:.1%} to the damage of '{names[row]}'",
            channel=names[row],
            measured=float(most[row]),
            limit=plan.shorten.join_damage,
            advice="make shorten.fade or shorten.shortest longer, or give the channel a share to keep",
        )
        for row in np.flatnonzero(most > plan.shorten.join_damage)
    ]
    if result.duration_s > 0.98 * result.original_s:
        found.append(
            Finding(
                kind="shorten",
                severity="note",
                text=f"{name}: cannot be shortened by more than 2 %: its damage is spread evenly, or the lap is short",
            )
        )
    return found


def _table(
    plan: Plan,
    events: dict[str, Any],
    retained: Any,
    target: dict[str, Any],
    names: tuple[str, ...],
    slopes: tuple[float, ...],
) -> dict[str, Any]:
    own = [slopes.index(channel.slope) for channel in plan.channel]
    total_s = sum(event["duration_s"] * event["plays"] for event in events.values())
    service_s = target["schedule"]["service_s"]
    return {
        "events": events,
        "total_s": total_s,
        "scheduled_s": target["schedule"]["time_s"],
        "service_s": service_s,
        "compression": service_s / total_s,
        "retained": {channel: float(retained[row, own[row]]) for row, channel in enumerate(names)},
        "retained_by_slope": {channel: retained[row].tolist() for row, channel in enumerate(names)},
        "slopes": list(slopes),
    }


def _outcome(plan: Plan, table: dict[str, Any], findings: list[Finding]) -> Outcome:
    events = table["events"].values()
    short = [
        (channel.name, name)
        for name, event in table["events"].items()
        for channel in plan.channel
        if min(event["retained_by_slope"][channel.name]) < event["required"][channel.name] - 1e-5
    ]
    for channel, name in short:
        findings.append(
            Finding(
                kind="shorten", severity="warning", text=f"{name}: '{channel}' keeps less than asked", channel=channel
            )
        )
    before, after = table["scheduled_s"] / 3600, table["total_s"] / 3600
    asked = [
        channel for channel in plan.channel if any(event["required"][channel.name] > 0 for event in events)
    ] or plan.control
    least = min(asked, key=lambda channel: table["retained"][channel.name])
    words = (
        f"{before:.3g} h of playing become {after:.3g} h ({after / before:.0%}); the whole sequence reaches "
        f"{table['retained'][least.name]:.0%} or more of target damage on every channel (least: "
        f"'{least.name}'), {table['compression']:.3g} times quicker than service; proven within "
        f"{_whole_gap(table):.1%} of the shortest choice of its windows"
    )
    bad = any(finding.severity != "note" for finding in findings)
    return Outcome(
        verdict="look" if bad else "fine",
        summary=words,
        figures={
            "rig_h": after,
            "scheduled_h": before,
            "kept_time": after / before,
            "compression": table["compression"],
            "retained_least": table["retained"][least.name],
            "gap": _whole_gap(table),
            "gap_most": max(event["gap"] for event in events),
            "join_damage": max(max(event["join_damage"].values()) for event in events),
        },
        findings=tuple(findings),
    )


def _whole_gap(table: dict[str, Any]) -> float:
    """By which share the whole sequence could at most be shorter with the same plays. [-]"""
    could = sum(max(0.0, event["kept_s"] - event["proof_s"]) * event["plays"] for event in table["events"].values())
    return float(could / sum(event["kept_s"] * event["plays"] for event in table["events"].values()))


def _show(folder: Path, plan: Plan, *, in_print: bool = False) -> tuple[Exhibit, ...]:
    """Plots and tables; in print without spectra and levels of each event, which the mean and RMS table sums up."""
    from washboard.plot import to_svg
    from washboard.plot._shorten import retained_figure, stretches_figure, trade_off_figure

    table = load_table(folder / "stages" / "shorten" / TABLE)
    names = tuple(channel.name for channel in plan.channel)
    events = table["events"]
    shown = [
        Exhibit(
            title="Shortened events",
            caption="Length before and after, plays in the test, joins, the proven distance from the shortest choice "
            "of its windows (as corrected by the recount of joined histories), the distance from a bound that knows "
            "nothing of joins, and the most damage that joins add on any channel.",
            columns=(
                "event",
                "original [s]",
                "shortened [s]",
                "plays",
                "joins",
                "gap [-]",
                "above bound [-]",
                "joins add [-]",
            ),
            rows=tuple(
                (
                    name,
                    round(event["original_s"], 2),
                    round(event["duration_s"], 2),
                    event["plays"],
                    len(event["windows"]) - 1,
                    round(event["gap"], 4),
                    round(event["above_bound"], 4),
                    round(max(event["join_damage"].values()), 4),
                )
                for name, event in events.items()
            ),
        ),
        Exhibit(
            title="Damage kept",
            caption="Share of each channel's damage that the shortened events keep, by recount, at the channel's own "
            "slope; the line is what was asked.",
            svg=to_svg(
                retained_figure(
                    np.array([[event["retained"][name] for name in names] for event in events.values()]),
                    np.array([[event["required"][name] for name in names] for event in events.values()]),
                    events=tuple(events),
                    channels=names,
                )
            ),
        ),
        Exhibit(
            title="Time against damage kept",
            caption="Length over the original for each share of damage kept on all channels alike; the circle is what "
            "was chosen.",
            svg=to_svg(
                trade_off_figure(
                    tuple(events),
                    [np.array(event["trade_off"]["share"]) for event in events.values()],
                    [np.array(event["trade_off"]["time_s"]) / event["original_s"] for event in events.values()],
                    chosen=[
                        (max(event["required"].values()), event["duration_s"] / event["original_s"])
                        for event in events.values()
                    ],
                )
            ),
        ),
        Exhibit(
            title="What was kept",
            caption="Stretches of each original that were kept.",
            svg=to_svg(
                stretches_figure(
                    tuple(events),
                    [[(part["start_s"], part["end_s"]) for part in event["windows"]] for event in events.values()],
                    [event["original_s"] for event in events.values()],
                )
            ),
        ),
        *(() if in_print else _effect_figures(folder, plan, events)),
        _effect_table(plan, events),
        Exhibit(
            title="Why each stretch was kept",
            columns=("event", "from [s]", "to [s]", "reason"),
            rows=tuple(
                (name, round(part["start_s"], 2), round(part["end_s"], 2), part["reason"])
                for name, event in events.items()
                for part in event["windows"]
            ),
            print_rows=8,
        ),
    ]
    return tuple(shown)


def _effect_figures(folder: Path, plan: Plan, events: dict[str, Any]) -> tuple[Exhibit, ...]:
    """What shortening did besides, to the channel of each event that changed most."""
    from washboard.plot import to_svg
    from washboard.plot._shorten import effects_figure

    shown = []
    for name, event in events.items():
        grown = [event["rms"][channel.name][1] / max(event["rms"][channel.name][0], 1e-300) for channel in plan.channel]
        row = int(np.argmax(np.abs(np.log(np.maximum(grown, 1e-12)))))
        channel = plan.channel[row]
        arrays = load_arrays(folder / "stages" / "shorten" / f"{Path(event['file']).stem}.effects.nc")
        spans = (event["original_s"], event["duration_s"])
        figure = effects_figure(
            arrays["frequency"],
            (arrays["psd_original"][row], arrays["psd_shortened"][row]),
            arrays["level"][row],
            (arrays["up_original"][row] / spans[0], arrays["up_shortened"][row] / spans[1]),
            channel=channel.name,
            quantity=channel.quantity,
            unit=units.si_unit(channel.unit, channel.quantity),
            band_hz=(plan.band.low_hz, plan.band.high_hz),
        )
        shown.append(
            Exhibit(
                title=f"What shortening did to {name}",
                caption="Spectrum in the band of the test and levels crossed per second, original and shortened, of "
                "the channel that changed most: calm time was taken out, so what is left is livelier.",
                svg=to_svg(figure),
            )
        )
    return tuple(shown)


def _effect_table(plan: Plan, events: dict[str, Any]) -> Exhibit:
    """What shortening did besides, to all channels."""
    return Exhibit(
        title="Mean and root mean square",
        caption="Shortened over original: root mean square about the mean, and the change of the mean over the "
        "original's root mean square; whether highest and lowest sample are still there.",
        columns=("event", "channel", "rms ratio [-]", "change of mean [-]", "extremes kept"),
        rows=tuple(
            (
                name,
                channel,
                round(rms[1] / max(rms[0], 1e-300), 3),
                round((event["mean"][channel][1] - event["mean"][channel][0]) / max(rms[0], 1e-300), 3),
                "yes" if event["extremes_kept"][channel] else "no",
            )
            for name, event in events.items()
            for channel, rms in event["rms"].items()
        ),
        print_rows=len(plan.channel),
    )


STAGE = Stage(
    name="shorten",
    title="Shortened events that keep every channel's damage",
    needs={"check": (), "target": ("target.json",)},
    reads=_reads,
    run=_run,
    show=_show,
    printed=functools.partial(_show, in_print=True),
)
