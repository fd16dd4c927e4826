"""Faults that show only between the channels of a recording: polarity, exchanged channels, a lag, a wrong unit.

Where the sensors sit tells what to expect: at low frequency a vehicle follows the ground, so its vertical accelerations
go together; what a front axle meets, a rear one meets later; left and right of an axle meet at the same time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.recording._filter import filtered
from washboard.recording._recording import Channel, Finding, Recording, spanning
from washboard.recording._resample import resample
from washboard.recording._time_faults import time_faults
from washboard.units import STANDARD_GRAVITY

_SLOW_BAND = (0.5, 2.5)
_SIDE_BAND = (0.7, 12.0)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Array:
    """Channels of one quantity and axis with known positions, signs of direction taken off."""

    rows: tuple[int, ...]
    channels: tuple[Channel, ...]
    samples: NDArray[np.float64]
    rate_hz: float
    position: NDArray[np.float64]


def array_faults(recording: Recording) -> list[Finding]:
    """Polarity, exchanged channels, lags and units that do not fit the other channels.

    Only channels with a quantity, a direction and a position take part. Recordings under 8 s, or with fewer than two
    such channels, say nothing.
    """
    found = time_faults(recording) + _implausible(recording)
    array = _vertical(recording)
    if array is None:
        return spanning(found, recording.duration_s)
    flipped = _polarity(array)
    found.extend(flipped)
    partners = _partners(array)
    found.extend(_unit_faults(array, partners))
    if not flipped:
        found.extend(_swaps(array))
        found.extend(_lags(array, partners))
    return spanning(found, recording.duration_s)


def _vertical(recording: Recording) -> _Array | None:
    """The vertical accelerations, NaN bridged, at no more than about 100 Hz."""
    rows = [
        row
        for row, channel in enumerate(recording.channels)
        if channel.quantity == "acceleration" and channel.direction in {"+z", "-z"} and channel.position_m is not None
    ]
    if len(rows) < 2 or recording.duration_s < 8:
        return None
    lines = []
    for row in rows:
        line = np.array(recording.samples[row], dtype=np.float64)
        bad = ~np.isfinite(line)
        if bad.mean() > 0.2:
            return None
        line[bad] = np.interp(np.flatnonzero(bad), np.flatnonzero(~bad), line[~bad])
        # A spike or two must not decide.
        low, high = np.quantile(line, (0.0005, 0.9995))
        line = np.clip(line, low, high)
        lines.append(line * (-1.0 if recording.channels[row].direction == "-z" else 1.0))
    channels = tuple(recording.channels[row] for row in rows)
    samples = np.stack(lines)
    samples -= samples.mean(axis=1, keepdims=True)
    slow = Recording(samples=samples, rate_hz=recording.rate_hz, channels=channels, owned=True)
    factor = max(1, int(recording.rate_hz // 100))
    if factor > 1:
        slow = resample(slow, recording.rate_hz / factor)
    return _Array(
        rows=tuple(rows),
        channels=channels,
        samples=np.asarray(slow.samples, dtype=np.float64),
        rate_hz=slow.rate_hz,
        position=np.array([channel.position_m for channel in channels]),
    )


def _correlation(array: _Array, band_hz: tuple[float, float]) -> NDArray[np.float64]:
    low, high = band_hz
    part = filtered(array.samples, array.rate_hz, low_hz=low, high_hz=min(high, 0.45 * array.rate_hz), order=2)
    scale = np.sqrt((part**2).sum(axis=1, keepdims=True))
    part = part / np.where(scale > 0, scale, 1.0)
    made: NDArray[np.float64] = part @ part.T
    return made


def _polarity(array: _Array) -> list[Finding]:
    """One channel against all the others at low frequency."""
    if len(array.channels) < 3:
        return []
    together = _correlation(array, _SLOW_BAND)
    count = len(array.channels)
    np.fill_diagonal(together, 0.0)
    mean = together.sum(axis=1) / (count - 1)
    worst = int(np.argmin(mean))
    rest = [row for row in range(count) if row != worst]
    # How well the others agree without it; on a road that only twists the vehicle they would not.
    others = together[np.ix_(rest, rest)].sum() / ((count - 1) * (count - 2))
    weakest = min(float(together[row, rest].sum()) / (count - 2) for row in rest)
    if mean[worst] > -0.25 or others < 0.3 or weakest < 0.0:
        return []
    return [
        Finding(
            kind="polarity",
            severity="warning",
            channel=array.channels[worst].name,
            measured=float(mean[worst]),
            limit=-0.25,
            text=f"moves against the other vertical accelerations below {_SLOW_BAND[1]:g} Hz (mean correlation "
            f"{mean[worst]:.2f}, that of the others {others:.2f}): its sign is wrong",
            advice='mend it with [[check.repair]] do = "flip"',
        )
    ]


def _partners(array: _Array) -> list[tuple[int, int]]:
    """Left and right of one axle or frame end: same x and height, mirrored y."""
    pairs = []
    for one in range(len(array.channels)):
        for two in range(one + 1, len(array.channels)):
            a, b = array.position[one], array.position[two]
            if abs(a[0] - b[0]) < 0.3 and abs(a[2] - b[2]) < 0.3 and abs(a[1] + b[1]) < 0.3 and abs(a[1]) > 0.1:
                pairs.append((one, two))
    return pairs


def _unit_faults(array: _Array, partners: list[tuple[int, int]]) -> list[Finding]:
    rms = array.samples.std(axis=1)
    found = []
    for one, two in partners:
        if min(rms[one], rms[two]) <= 0:
            continue
        ratio = float(rms[one] / rms[two])
        low, high = (two, one) if ratio > 1 else (one, two)
        size = max(ratio, 1 / ratio)
        meant = _likely_factor(size, 1.7)
        if meant is None:
            continue
        # Which of the two is wrong: the one further from what the rest of the vehicle does.
        rest = [rms[row] for row in range(len(rms)) if row not in {one, two}]
        middle = float(np.exp(np.mean(np.log(rest)))) if rest else 3.0
        wrong = high if abs(np.log(rms[high] / middle)) > abs(np.log(rms[low] / middle)) else low
        right = low if wrong == high else high
        found.append(_unit_finding(array.channels[wrong], float(rms[wrong] / rms[right]), array.channels[right].name))
    return found


def _likely_factor(size: float, slack: float) -> float | None:
    for factor in (STANDARD_GRAVITY, 1000.0, 1e6, 100.0):
        if factor / slack < size < factor * slack:
            return factor
    return None


def _unit_finding(channel: Channel, ratio: float, reference: str) -> Finding:
    times = f"{ratio:.3g} times" if ratio > 1 else f"1/{1 / ratio:.3g} of"
    size = max(ratio, 1 / ratio)
    words = "g taken for m/s2 or the other way round" if 4 < size < 20 else "a prefix (milli, kilo, micro) got lost"
    return Finding(
        kind="unit",
        severity="error",
        channel=channel.name,
        measured=ratio,
        text=f"its RMS is {times} that of {reference}: its unit is likely wrong ({words})",
        advice='mend it with [[check.repair]] do = "unit" and the unit the samples are really in',
    )


#: What a channel of a vehicle on a road can plausibly be, RMS about the mean, in SI. Common practice, no source.
_PLAUSIBLE = {
    "acceleration": (5e-3, 400.0),
    "displacement": (2e-5, 0.6),
    "strain": (2e-8, 6e-3),
    "force": (1.0, 5e6),
    "angle": (1e-5, 1.5),
}


def _fits(channel: Channel) -> bool:
    """Whether its unit is known and measures its quantity; what a file writes as a unit may be anything."""
    from washboard.errors import UnitError
    from washboard.units import quantity_fits

    try:
        return quantity_fits(channel.unit, channel.quantity)
    except UnitError:
        return False


def _implausible(recording: Recording) -> list[Finding]:
    from washboard.units import factor_to_si, si_unit

    found = []
    for channel, row in zip(recording.channels, recording.samples, strict=True):
        if channel.quantity not in _PLAUSIBLE or not _fits(channel):
            continue
        low, high = _PLAUSIBLE[channel.quantity]
        part = np.asarray(row[:: max(1, row.size // 100_000)], dtype=np.float64)
        part = part[np.isfinite(part)]
        if part.size < 100:
            continue
        rms = float(part.std()) * factor_to_si(channel.unit, channel.quantity)[0]
        if 0 < rms < low or rms > high:
            unit = si_unit(channel.unit, channel.quantity)
            found.append(
                Finding(
                    kind="unit",
                    severity="error",
                    channel=channel.name,
                    measured=rms,
                    limit=low if rms < low else high,
                    text=f"an RMS of {rms:.3g} {unit} is not plausible for the {channel.quantity} of a vehicle on a "
                    f"road ({low:g} to {high:g} {unit}): its unit is likely wrong",
                    advice='mend it with [[check.repair]] do = "unit" and the unit the samples are really in',
                )
            )
    return found


def _lag_of(
    one: NDArray[np.float64], two: NDArray[np.float64], rate_hz: float, most_s: float
) -> tuple[float, float, bool]:
    """How much later `two` is than `one` [s], the correlation there, and whether no other lag comes near it."""
    from scipy import fft

    size = fft.next_fast_len(2 * one.size, real=True)
    cross = fft.irfft(np.conj(fft.rfft(one, size)) * fft.rfft(two, size), size)
    reach = round(most_s * rate_hz)
    lags = np.concatenate((cross[-reach:], cross[: reach + 1]))
    lags /= np.sqrt(float(one @ one) * float(two @ two)) or 1.0
    at = int(np.argmax(lags))
    part = 0.0
    if 0 < at < lags.size - 1:
        before, here, after = lags[at - 1 : at + 2]
        bend = before - 2 * here + after
        part = float(0.5 * (before - after) / bend) if bend < 0 else 0.0
    inner = lags[1:-1]
    peaks = np.flatnonzero((inner > lags[:-2]) & (inner >= lags[2:])) + 1
    others = lags[peaks[np.abs(peaks - at) > 2]]
    # On a corrugated road every wave looks like the next: then nothing can be said.
    alone = bool(others.size == 0 or others.max() < 0.8 * lags[at])
    return (at - reach + part) / rate_hz, float(lags[at]), alone


def _lags(array: _Array, partners: list[tuple[int, int]]) -> list[Finding]:
    """Left and right of one axle meet at the same time; a difference is one of clocks or filters."""
    low, high = _SIDE_BAND
    part = filtered(array.samples, array.rate_hz, low_hz=low, high_hz=min(high, 0.45 * array.rate_hz), order=2)
    found = []
    for one, two in partners:
        lag, height, alone = _lag_of(part[one], part[two], array.rate_hz, 0.3)
        zero = float(part[one] @ part[two]) / (float(np.linalg.norm(part[one]) * np.linalg.norm(part[two])) or 1.0)
        if abs(lag) < 0.006 or height < 0.6 or zero > 0.8 * height or not alone:
            continue
        later, sooner = (two, one) if lag > 0 else (one, two)
        found.append(
            Finding(
                kind="lag",
                severity="warning",
                channel=array.channels[later].name,
                measured=abs(lag),
                limit=0.006,
                text=f"is {1000 * abs(lag):.1f} ms later than {array.channels[sooner].name} on the other side "
                f"(correlation {height:.2f} there, {zero:.2f} without the lag): two clocks, or two filters",
                advice='align them with [[check.repair]] do = "shift"',
            )
        )
    return found


def _swaps(array: _Array) -> list[Finding]:
    """Two channels that fit better in each other's place: rear ones meet the road later than front ones."""
    x = array.position[:, 0]
    y = array.position[:, 1]
    low, high = _SIDE_BAND
    part: NDArray[np.float64] = np.asarray(
        filtered(array.samples, array.rate_hz, low_hz=low, high_hz=min(high, 0.45 * array.rate_hz), order=2),
        dtype=np.float64,
    )
    order = np.argsort(-x)
    front, rear = int(order[0]), int(order[-1])
    if x[front] - x[rear] < 1.0:
        return []
    # Axles only: the lowest sensors, which meet the road first-hand.
    lowest = [row for row in range(len(x)) if array.position[row, 2] < array.position[:, 2].min() + 0.3]
    found: list[Finding] = []
    for one in lowest:
        for two in lowest:
            if x[one] - x[two] < 1.0 or abs(y[one] - y[two]) > 0.4:
                continue
            lag, height, alone = _lag_of(part[one], part[two], array.rate_hz, 4.0)
            if lag >= -0.05 or not alone:
                continue
            if height > (0.3 if _other_side_agrees(array, part, (one, two), lag) else 0.5):
                found.append(
                    Finding(
                        kind="swap",
                        severity="warning",
                        channel=array.channels[one].name,
                        measured=lag,
                        limit=0.0,
                        text=f"meets the road {-lag:.2f} s later than {array.channels[two].name} behind it "
                        f"(correlation {height:.2f}): the two are exchanged, or their positions are",
                        advice='mend it with [[check.repair]] do = "swap"',
                    )
                )
    return found


def _other_side_agrees(array: _Array, part: NDArray[np.float64], pair: tuple[int, int], lag_s: float) -> bool:
    """Whether the same two axles on the other side take as long, one way or the other: only a crossing at speed does.

    A weak peak by chance, in what the two sides' roads happen to be like, has no such twin.
    """
    position = array.position
    for first in range(len(position)):
        for second in range(len(position)):
            mirrored = all(
                np.abs(position[there] - position[here] * (1.0, -1.0, 1.0)).max() < 0.3
                for here, there in zip(pair, (first, second), strict=True)
            )
            if mirrored and abs(position[pair[0], 1]) > 0.1:
                lag, height, _alone = _lag_of(part[first], part[second], array.rate_hz, 4.0)
                return height > 0.3 and abs(abs(lag) - abs(lag_s)) < max(0.02, 0.1 * abs(lag_s))
    return False
