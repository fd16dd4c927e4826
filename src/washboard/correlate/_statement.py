"""The equivalence in words, for people who decide by it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.correlate._equivalence import Equivalence, Service
from washboard.errors import InputError


@dataclass(frozen=True, kw_only=True, slots=True)
class Extremes:
    """The channels that got least and most of the service, each at its own slope.

    Parameters
    ----------
    least, most : str
        Channel names.
    least_value, least_low, least_high, most_value, most_low, most_high : float
        Service of each with its interval. [m or s]
    """

    least: str
    least_value: float
    least_low: float
    least_high: float
    most: str
    most_value: float
    most_low: float
    most_high: float


def extremes(service: Service, found: Equivalence, own: Sequence[float], among: Sequence[str]) -> Extremes:
    """Who got least and most, among the channels `among`; `own` is the slope of each channel of `found`."""
    if not among:
        raise InputError("at least one channel is needed to say what the running equals")
    columns = [_column(found, slope) for slope in own]
    rows = [found.channels.index(name) for name in among]

    def at(values: NDArray[np.float64], row: int) -> float:
        return float(values[row, columns[row]])

    least = min(rows, key=lambda row: at(service.value, row))
    most = max(rows, key=lambda row: at(service.value, row))
    return Extremes(
        least=found.channels[least],
        least_value=at(service.value, least),
        least_low=at(service.low, least),
        least_high=at(service.high, least),
        most=found.channels[most],
        most_value=at(service.value, most),
        most_low=at(service.low, most),
        most_high=at(service.high, most),
    )


def _column(found: Equivalence, slope: float) -> int:
    """Column of the slope nearest to `slope`."""
    return int(np.argmin(np.abs(np.asarray(found.slopes) - slope)))


#: Share of damage outside the reproduced band from which the statement names a channel (common practice, no source).
_OUTSIDE = 0.1


def statement(
    found: Equivalence, own: Sequence[float], among: Sequence[str], outside: Mapping[str, float] | None = None
) -> str:
    """A few sentences: what has been run, what it equals on the channel that got least, and what the whole test will.

    Parameters
    ----------
    found : Equivalence
        All channels.
    own : sequence of float
        Basquin slope of each channel of `found`. [-]
    among : sequence of str
        Channels the statement is made for, normally the control channels.
    outside : mapping of str to float, optional
        Share of each channel's damage in service that lies outside the reproduced band, and so is in neither side. [-]
    """
    so_far, whole = extremes(found.done, found, own, among), extremes(found.planned, found, own, among)
    share = 100 * found.confidence
    parts = []
    if found.passes_done:
        parts.append(
            f"{found.passes_done:,} of {found.passes_planned:,} passes ({duration(found.rig_done_s)} on the rig) equal "
            f"{_amount(so_far.least_value, found.unit)} of service on the channel that got least, '{so_far.least}' "
            f"({share:.0f} % interval {_amount(so_far.least_low, found.unit)} to "
            f"{_amount(so_far.least_high, found.unit)}), and {_amount(so_far.most_value, found.unit)} on the one that "
            f"got most, '{so_far.most}'."
        )
    else:
        parts.append(f"No pass of {found.passes_planned:,} has been played yet.")
    parts.append(
        f"The whole test, {duration(found.rig_planned_s)} on the rig, will equal "
        f"{_amount(whole.least_value, found.unit)} ({_amount(whole.least_low, found.unit)} to "
        f"{_amount(whole.least_high, found.unit)}) on '{whole.least}' and "
        f"{_amount(whole.most_value, found.unit)} ({_amount(whole.most_low, found.unit)} to "
        f"{_amount(whole.most_high, found.unit)}) on '{whole.most}', where {_amount(found.service, found.unit)} were "
        f"asked for: {found.compression:.3g} times as fast as service."
    )
    lost = [(name, share) for name, share in (outside or {}).items() if name in among and share >= _OUTSIDE]
    if lost:
        name, most = max(lost, key=lambda pair: pair[1])
        others = f", and of {len(lost) - 1} other channels less," if len(lost) > 1 else ""
        parts.append(
            f"This holds inside the reproduced band: {most:.0%} of the service's damage on '{name}'{others} lies "
            "outside it and is not in the test."
        )
    if found.single:
        names = ", ".join(f"'{name}'" for name in found.single)
        parts.append(f"Recorded once only, so without a known scatter between laps: {names}.")
    return " ".join(parts)


def _amount(value: float, unit: str) -> str:
    """Three digits of an amount of service: km, or hours."""
    if unit == "m":
        return f"{_digits(value / 1000)} km"
    return f"{_digits(value / 3600)} h"


def _digits(value: float) -> str:
    if value <= 0:
        return "0"
    places = 2 - int(np.floor(np.log10(value)))
    return f"{round(value, places):,.{max(places, 0)}f}"


def duration(seconds: float) -> str:
    """A time as people say it: ``"42 min"``, ``"13 h"``, ``"5.2 days"``."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    if seconds < 5400:
        return f"{seconds / 60:.0f} min"
    if seconds < 48 * 3600:
        return f"{seconds / 3600:.3g} h"
    return f"{seconds / 86400:.3g} days"
