"""Usage: how many laps of each event the stated service holds, for each group of users."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.duty._settings import DutySettings, EventPlan
from washboard.errors import InputError
from washboard.units import format_quantity

_SUM_TOLERANCE = 1e-3


@dataclass(frozen=True, kw_only=True, slots=True)
class Usage:
    """The usage mix in laps.

    Parameters
    ----------
    events, groups : tuple of str
        Names; one group called ``"all users"`` when none are given.
    laps : ndarray, shape (group, event)
        Laps of each event in the service of one user of the group. [-]
    weights : ndarray, shape (group,)
        Share of each group among all users; sums to 1. [-]
    service : str
        The service in words, for example ``"60000 km"``.
    covered : ndarray, shape (group,)
        Share of the service that the events make up; NaN where laps were counted and the rest is not known. [-]
    """

    events: tuple[str, ...]
    groups: tuple[str, ...]
    laps: NDArray[np.float64]
    weights: NDArray[np.float64]
    service: str
    covered: NDArray[np.float64]

    @property
    def mean_laps(self) -> NDArray[np.float64]:
        """Laps of each event for the average user, shape (event,). [-]"""
        mean: NDArray[np.float64] = self.weights @ self.laps
        return mean


def service_length(duty: DutySettings) -> tuple[float, bool]:
    """Length of the service and whether it is a distance [m] or a time [s]. Raises InputError when neither is given."""
    years = 1.0 if duty.years is None else duty.years
    if duty.distance_m is not None:
        return duty.distance_m * years, True
    if duty.time_s is not None:
        return duty.time_s * years, False
    raise InputError('duty: give the service as distance = "60000 km" or time = "8000 h"')


def service_time_s(duty: DutySettings, events_s: float) -> float:
    """Time the stated service takes: as stated, or its distance at its speed, or that of the events alone. [s]

    Parameters
    ----------
    events_s : float
        Time of all laps in the service, the least it can be. [s]
    """
    length, is_distance = service_length(duty)
    stated = length if not is_distance else length / duty.speed_m_s if duty.speed_m_s else events_s
    return max(stated, events_s)


def service_text(duty: DutySettings) -> str:
    """The service in words: ``"60000 km"``, ``"8000 h"``, ``"10 years of 1200 h"``."""
    length, is_distance = service_length(duty)
    if duty.years is not None:
        once = length / duty.years
        part = format_quantity(once, "m", "km", digits=6) if is_distance else format_quantity(once, "s", "h", digits=6)
        return f"{duty.years:g} years of {part}"
    return format_quantity(length, "m", "km", digits=6) if is_distance else format_quantity(length, "s", "h", digits=6)


def usage(events: tuple[EventPlan, ...], duty: DutySettings, lap_s: Mapping[str, float]) -> Usage:
    """Laps of each event in the stated service.

    Parameters
    ----------
    events : tuple of EventPlan
        As planned: repeats or share, and the distance of one lap where shares are of a distance.
    duty : DutySettings
        Service and groups of users. Groups replace what the events say themselves.
    lap_s : mapping of event name to float
        Mean length of one lap. [s]

    Raises
    ------
    InputError
        Shares of more than the whole, an event without what its share needs, no event used at all.
    """
    length, is_distance = service_length(duty)
    per_lap = np.array([_lap_length(event, is_distance, lap_s) for event in events])
    if duty.group:
        shares = np.array([[group.share.get(event.name, 0.0) for event in events] for group in duty.group])
        weights = np.array([group.weight for group in duty.group], np.float64)
        if weights.sum() <= 0:
            raise InputError("duty: the groups' weights are all zero; give at least one group a weight")
        laps = _laps_of_shares(shares, length, per_lap, events)
        names = tuple(group.name for group in duty.group)
        covered = shares.sum(axis=1)
    else:
        shares = np.array([[0.0 if event.share is None else event.share for event in events]])
        counted = np.array([0.0 if event.repeats is None else event.repeats for event in events])
        laps = _laps_of_shares(shares, length, per_lap, events) + counted
        names, weights = ("all users",), np.ones(1)
        known = np.isfinite(per_lap) | (counted == 0)
        used = float(np.sum(np.where(counted > 0, counted * np.nan_to_num(per_lap), 0.0)) / length + shares.sum())
        covered = np.array([used if known.all() else np.nan])
    for name, share in zip(names, shares.sum(axis=1), strict=True):
        if share > 1 + _SUM_TOLERANCE:
            raise InputError(
                f"duty: the shares of {name} add up to {share:.1%}, more than the whole service; lower them to 100 %"
            )
    if not np.any(laps > 0):
        raise InputError("duty: no event occurs in the service; give at least one event repeats or a share above 0")
    return Usage(
        events=tuple(event.name for event in events),
        groups=names,
        laps=laps,
        weights=weights / weights.sum(),
        service=service_text(duty),
        covered=covered,
    )


def _lap_length(event: EventPlan, is_distance: bool, lap_s: Mapping[str, float]) -> float:
    if is_distance:
        return np.nan if event.distance_m is None else event.distance_m
    return lap_s[event.name]


def _laps_of_shares(
    shares: NDArray[np.float64], length: float, per_lap: NDArray[np.float64], events: tuple[EventPlan, ...]
) -> NDArray[np.float64]:
    for column, event in enumerate(events):
        if np.isnan(per_lap[column]) and np.any(shares[:, column] > 0):
            raise InputError(
                f"event '{event.name}': its share is of a distance, so the distance of one lap is needed; "
                'give distance = "1.2 km"'
            )
    laps: NDArray[np.float64] = np.where(shares > 0, shares * length / np.where(np.isnan(per_lap), 1.0, per_lap), 0.0)
    return laps
