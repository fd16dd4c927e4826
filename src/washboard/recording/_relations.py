"""How the channels of a lap move together, held against the other laps: polarity, exchanged channels, lags.

Whatever a road does to a vehicle, it does much the same in every lap: the cross-correlation functions between channels
are the vehicle's and the road's signature. A flipped, late or exchanged channel changes all of its own and no others.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.recording._filter import filtered
from washboard.recording._recording import Finding, Recording
from washboard.recording._resample import resample

_BAND_HZ = (0.7, 25.0)
_REACH_S = 0.4
_RATE_HZ = 100.0

SHORTEST_LAG_S = 0.008
"""Lags below this are not told from what laps differ by. [s]"""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Relations:
    """Normalised cross-correlation functions of one lap, shape (channel, channel, lag), lag zero in the middle."""

    functions: NDArray[np.float32]
    rate_hz: float


def relations(lap: Recording) -> Relations:
    """The cross-correlation functions between all channels of a lap, over lags up to 0.4 s, from 0.7 to 25 Hz."""
    from scipy import fft

    samples = np.array(lap.samples, dtype=np.float64)
    for line in samples:
        bad = ~np.isfinite(line)
        if bad.any() and not bad.all():
            line[bad] = np.interp(np.flatnonzero(bad), np.flatnonzero(~bad), line[~bad])
        elif bad.all():
            line[:] = 0.0
        low, high = np.quantile(line, (0.0005, 0.9995))
        np.clip(line, low, high, out=line)
    samples -= samples.mean(axis=1, keepdims=True)
    slow = lap.replace(samples=samples, owned=True)
    factor = max(1, int(lap.rate_hz // _RATE_HZ))
    if factor > 1:
        slow = resample(slow, lap.rate_hz / factor)
    low_hz, high_hz = _BAND_HZ
    part = filtered(slow.samples, slow.rate_hz, low_hz=low_hz, high_hz=min(high_hz, 0.4 * slow.rate_hz), order=2)
    norm = np.sqrt((part**2).sum(axis=1, keepdims=True))
    lines = fft.rfft(part / np.where(norm > 0, norm, 1.0), fft.next_fast_len(2 * part.shape[1], real=True), axis=1)
    size = fft.next_fast_len(2 * part.shape[1], real=True)
    reach = round(_REACH_S * slow.rate_hz)
    functions = np.empty((len(part), len(part), 2 * reach + 1), dtype=np.float32)
    for row, line in enumerate(lines):
        cross = fft.irfft(np.conj(line) * lines, size, axis=1)
        functions[row] = np.concatenate((cross[:, -reach:], cross[:, : reach + 1]), axis=1)
    return Relations(functions=functions, rate_hz=slow.rate_hz)


def relation_faults(laps: Sequence[Recording]) -> tuple[list[Finding], ...]:
    """Flipped, exchanged and late channels of each lap against the other laps; laps have the same channels."""
    found = [relations(lap) for lap in laps]
    return tuple(
        _of_lap(found[number], [other for at, other in enumerate(found) if at != number], lap)
        for number, lap in enumerate(laps)
    )


def _of_lap(own: Relations, others: Sequence[Relations], lap: Recording) -> list[Finding]:
    usual = np.median(np.stack([other.functions for other in others]), axis=0)
    shift = _shift(own.functions, usual, own.rate_hz)
    flipped = _flipped(shift, lap)
    if flipped:
        return flipped
    spread = np.median([np.abs(_shift(other.functions, usual, own.rate_hz).lag_s) for other in others], axis=0)
    # A channel that only is late looks just like itself once moved; an exchanged one does not.
    return (
        _late(shift, spread, lap, least=0.85)
        or _exchanged(own.functions, usual, [other.functions for other in others], lap)
        or _late(shift, spread, lap, least=0.6)
    )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Shift:
    """How far a channel's functions with all others together are shifted against the usual ones, shape (channel,).

    `likeness` is their correlation at that shift, `unmoved` without a shift.
    """

    lag_s: NDArray[np.float64]
    likeness: NDArray[np.float64]
    unmoved: NDArray[np.float64]


def _shift(own: NDArray[np.float32], usual: NDArray[np.float32], rate_hz: float) -> _Shift:
    from scipy import fft

    count, length = len(own), own.shape[2]
    size = fft.next_fast_len(2 * length, real=True)
    off = (~np.eye(count, dtype=bool))[:, :, None]
    # Summed over partners: strong relations count for much, weak ones for little.
    spectrum = (np.conj(fft.rfft(usual, size, axis=2)) * fft.rfft(own, size, axis=2) * off).sum(axis=0)
    cross = fft.irfft(spectrum, size, axis=1)
    reach = length // 3
    part = np.concatenate((cross[:, -reach:], cross[:, : reach + 1]), axis=1).astype(np.float64)
    energy = ((own.astype(np.float64) ** 2) * off).sum(axis=(0, 2)) * ((usual.astype(np.float64) ** 2) * off).sum(
        axis=(0, 2)
    )
    part /= np.maximum(np.sqrt(energy), 1e-12)[:, None]
    rows = np.arange(count)
    at = np.clip(part.argmax(axis=1), 1, 2 * reach - 1)
    before, here, after = part[rows, at - 1], part[rows, at], part[rows, at + 1]
    bend = before - 2 * here + after
    fine = np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, 1.0), 0.0)
    return _Shift(lag_s=(at - reach + np.clip(fine, -0.5, 0.5)) / rate_hz, likeness=here, unmoved=part[:, reach])


def _flipped(shift: _Shift, lap: Recording) -> list[Finding]:
    # Half a wave late looks flipped at one frequency, but then a shift explains it better.
    rows = np.flatnonzero((shift.unmoved < -0.3) & (-shift.unmoved > shift.likeness))
    found = [
        Finding(
            kind="polarity",
            severity="error",
            channel=lap.channels[row].name,
            measured=float(shift.unmoved[row]),
            limit=-0.3,
            text=f"moves against the other channels where in the other laps it moves with them (likeness "
            f"{shift.unmoved[row]:.2f}, 1 where nothing is wrong): its sign is changed in this lap",
            advice='mend it with [[check.repair]] do = "flip" for this lap',
        )
        for row in rows
    ]
    return found if len(found) <= max(1, lap.n_channels // 3) else []


def _exchanged(
    own: NDArray[np.float32], usual: NDArray[np.float32], others: Sequence[NDArray[np.float32]], lap: Recording
) -> list[Finding]:
    count = len(own)
    distance = ((own - usual) ** 2).sum(axis=2)
    # What laps differ by when nothing is wrong.
    common = np.median(np.stack([((other - usual) ** 2).sum(axis=2) for other in others]), axis=0)
    best: tuple[float, int, int, float] | None = None
    for one in range(count):
        for two in range(one + 1, count):
            if lap.channels[one].quantity != lap.channels[two].quantity:
                continue
            rest = [row for row in range(count) if row not in {one, two}]
            if not rest:
                continue
            here = float(distance[one, rest].sum() + distance[two, rest].sum() + distance[one, two])
            there = float(
                ((own[one, rest] - usual[two, rest]) ** 2).sum()
                + ((own[two, rest] - usual[one, rest]) ** 2).sum()
                + ((own[one, two] - usual[two, one]) ** 2).sum()
            )
            normal = float(common[one, rest].sum() + common[two, rest].sum() + common[one, two])
            gain = here - there
            if there < 0.6 * here and here > 2.0 * normal and (best is None or gain > best[3]):
                best = (there / here, one, two, gain)
    if best is None:
        return []
    share, one, two, _gain = best
    return [
        Finding(
            kind="swap",
            severity="error",
            channel=lap.channels[one].name,
            measured=share,
            limit=0.6,
            text=f"and {lap.channels[two].name} move with the other channels as each other did in the other laps "
            f"(misfit falls to {share:.0%} when they are exchanged): they are exchanged here",
            advice='mend it with [[check.repair]] do = "swap" for this lap',
        )
    ]


def _late(shift: _Shift, spread: NDArray[np.float64], lap: Recording, *, least: float) -> list[Finding]:
    found = []
    for row, channel in enumerate(lap.channels):
        lag, limit = float(shift.lag_s[row]), max(SHORTEST_LAG_S, 4 * float(spread[row]))
        twin = _other_side(lap, row)
        # Both wheels of an axle late alike: the vehicle came slower, its clocks are right.
        if twin is not None and lag * shift.lag_s[twin] > 0 and abs(shift.lag_s[twin]) > 0.4 * abs(lag):
            continue
        if abs(lag) < limit or shift.likeness[row] < least or shift.likeness[row] < shift.unmoved[row] + 0.04:
            continue
        words = "later" if lag > 0 else "earlier"
        found.append(
            Finding(
                kind="lag",
                severity="warning",
                channel=channel.name,
                measured=lag,
                limit=limit,
                text=f"comes {1000 * abs(lag):.1f} ms {words} against the other channels than in the other laps "
                f"(likeness {shift.likeness[row]:.2f} when moved, {shift.unmoved[row]:.2f} as it is): two clocks, or a "
                "filter",
                advice='move it with [[check.repair]] do = "shift"',
            )
        )
    return found if len(found) <= max(1, lap.n_channels // 3) else []


def _other_side(lap: Recording, row: int) -> int | None:
    """The channel that measures the same on the other side of the vehicle, where the positions tell."""
    own = lap.channels[row]
    if own.position_m is None or abs(own.position_m[1]) < 0.1:
        return None
    place = np.array(own.position_m) * (1.0, -1.0, 1.0)
    for other, channel in enumerate(lap.channels):
        if (
            channel.position_m is not None
            and (channel.quantity, channel.direction) == (own.quantity, own.direction)
            and np.abs(np.array(channel.position_m) - place).max() < 0.3
        ):
            return other
    return None
