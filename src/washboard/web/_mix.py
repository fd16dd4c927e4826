"""What an edited usage mix would give, asked of the duty room with the damage the target stage counted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from washboard.duty import EventLoads, Schedule, plan_plays, target_damage, usage
from washboard.errors import InputError
from washboard.programme import Plan
from washboard.programme.stages.target import channel_masks


@dataclass(frozen=True, kw_only=True, slots=True)
class MixPreview:
    """Damage and plays for a plan that is not saved yet, beside what the target stage found.

    Parameters
    ----------
    damage_ratio : ndarray, shape (channel, slope)
        Target damage with the edits over target damage as it stands. [-]
    share : ndarray, shape (event, channel, slope)
        Of each event in the damage. [-]
    laps : ndarray, shape (event,)
        In the service.
    guarded : tuple of str
        Channels the schedule looks after, in the order of its ratios.
    """

    events: tuple[str, ...]
    channels: tuple[str, ...]
    slopes: tuple[float, ...]
    damage_ratio: NDArray[np.float64]
    share: NDArray[np.float64]
    laps: NDArray[np.float64]
    guarded: tuple[str, ...]
    schedule: Schedule


def preview(plan: Plan, table: dict[str, Any]) -> MixPreview:
    """Damage per channel and plays per event for `plan`, from the laps the target stage counted.

    Parameters
    ----------
    table : dict
        What target.json says.

    Raises
    ------
    InputError
        The mix cannot be used, or an event was not counted yet.
    """
    channels, slopes = tuple(table["channels"]), tuple(table["slopes"])
    lost = [event.name for event in plan.event if event.name not in table["events"]]
    if lost:
        raise InputError(f"event '{lost[0]}' was not counted yet; run this step")
    chosen = [table["events"][event.name] for event in plan.event]
    one = np.array([[entry["damage_per_play"][name] for name in channels] for entry in chosen])
    laps_per_play = np.array([len(entry["played_laps"]) for entry in chosen])
    mean = np.stack([_mean_lap(entry, table, channels) for entry in chosen])
    play_s = np.array([entry["duration_s"] for entry in chosen])
    lap_s = play_s / laps_per_play
    names = [event.name for event in plan.event]
    mix = usage(plan.event, plan.duty, dict(zip(names, lap_s.tolist(), strict=True)))
    loads = [
        EventLoads(name=name, damage=damage[None], duration_s=np.array([duration]))
        for name, damage, duration in zip(names, mean, lap_s, strict=True)
    ]
    monitors = tuple(channel.name for channel in plan.channel if channel.role == "monitor")
    target = target_damage(
        loads, mix, channels=channels, slopes=slopes, percentile=plan.duty.percentile, watched=monitors
    )
    control, watched = channel_masks(plan)
    plays = plan_plays(
        one,
        target.damage,
        play_s,
        events=tuple(names),
        channels=channels,
        slopes=slopes,
        control=control,
        watched=watched,
        under_test=plan.duty.under_test,
        over_test=plan.duty.over_test,
        most_plays=np.where(mix.mean_laps > 0, np.inf, 0.0),
        least_plays=np.array([event.least for event in plan.event]) * mix.mean_laps / laps_per_play,
        time_limit_s=3.0,
    )
    before = np.array([table["damage"][name] for name in channels])
    return MixPreview(
        events=tuple(names),
        channels=channels,
        slopes=slopes,
        damage_ratio=target.damage / np.where(before > 0, before, np.nan),
        share=target.share,
        laps=mix.mean_laps,
        guarded=plays.channels,
        schedule=plays.schedule,
    )


def _mean_lap(entry: dict[str, Any], table: dict[str, Any], channels: tuple[str, ...]) -> NDArray[np.float64]:
    """Mean damage of the event's laps, which the stage wrote as a share; its representative lap where it had none."""
    if not entry["service_laps"] > 0:
        return np.array([entry["damage_per_lap"][name] for name in channels])
    damage = np.array([table["damage"][name] for name in channels])
    factor = np.array([table["percentile_factor"][name] for name in channels])
    share = np.array([entry["share"][name] for name in channels])
    mean: NDArray[np.float64] = share * damage / factor / entry["service_laps"]
    return mean
