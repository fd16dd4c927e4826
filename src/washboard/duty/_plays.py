"""Plays: the schedule for the channels it has to look after, with each one's own bounds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.duty._schedule import Schedule, schedule


@dataclass(frozen=True, kw_only=True, slots=True)
class PlannedPlays:
    """A schedule and which channels it looks after.

    Parameters
    ----------
    rows : tuple of int
        Channels the schedule looks after, in the order of its ratios.
    channels : tuple of str
        Their names.
    ratio : ndarray, shape (channel, slope)
        Test damage over target damage of every channel, looked after or not; NaN where the target is zero. [-]
    schedule : Schedule
        Plays of each event.
    """

    rows: tuple[int, ...]
    channels: tuple[str, ...]
    ratio: NDArray[np.float64]
    schedule: Schedule


def plan_plays(
    play_damage: NDArray[np.float64],
    target: NDArray[np.float64],
    play_s: NDArray[np.float64],
    *,
    events: tuple[str, ...],
    channels: tuple[str, ...],
    slopes: tuple[float, ...],
    control: NDArray[np.bool_],
    watched: NDArray[np.bool_],
    under_test: float,
    over_test: float,
    least_plays: NDArray[np.float64] | None = None,
    most_plays: NDArray[np.float64] | None = None,
    time_limit_s: float = 20.0,
) -> PlannedPlays:
    """Plays of each event in least rig time for all channels that matter.

    Control channels are held within both bounds. Monitor channels have to reach the lower one and may have more, since
    a monitor is not what the drive is made for; those that are only watched, or have no damage at all, are left alone.

    Parameters
    ----------
    play_damage : ndarray, shape (event, channel, slope)
        Damage of one play.
    target : ndarray, shape (channel, slope)
        Damage of the whole service.
    play_s : ndarray, shape (event,)
        Length of one play. [s]
    control, watched : ndarray of bool, shape (channel,)
        Which channels are control channels; which are monitors that are only watched.
    under_test, over_test : float
        Bounds of test damage over target damage. [-]
    least_plays : ndarray, shape (event,), optional
        No event is played less often than this.
    most_plays : ndarray, shape (event,), optional
        Nor more often: 0 for an event that does not occur in the service.

    Raises
    ------
    InputError
        As `schedule`.
    """
    kept = control | (~watched & (target > 0).all(axis=1))
    rows = np.flatnonzero(kept)
    found = schedule(
        play_damage[:, rows],
        target[rows],
        play_s,
        events=events,
        channels=tuple(channels[row] for row in rows),
        slopes=slopes,
        under_test=under_test,
        over_test=np.where(control[rows], over_test, np.inf),
        least_plays=least_plays,
        most_plays=most_plays,
        time_limit_s=time_limit_s,
    )
    reached = np.einsum("e,ecs->cs", np.array(found.repeats, np.float64), play_damage)
    return PlannedPlays(
        rows=tuple(int(row) for row in rows),
        channels=tuple(channels[row] for row in rows),
        ratio=reached / np.where(target > 0, target, np.nan),
        schedule=found,
    )
