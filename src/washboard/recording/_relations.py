"""How the channels of a lap move together, held against the other laps: polarity, exchanged channels, lags.

Whatever a road does to a vehicle, it does much the same in every lap: the coherency of two channels, frequency by
frequency, is the vehicle's and the road's signature. A flipped, late or exchanged channel changes all of its own and no
others. What differs from lap to lap by itself, as the phase between the left and the right of a cobbled road does,
cancels in the mean over the other laps and so counts for little.
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
_BLOCK_S = 4.0
_RATE_HZ = 100.0
_REACH_S = 0.27

SHORTEST_LAG_S = 0.010
"""Lags below this are not told from what laps differ by. [s]"""

MISFIT = 0.88
"""Two channels are exchanged where their misfit to the other laps falls below this share when they change places."""

AGREE = 0.8
"""Share of the evidence, over the other channels, that must say the same of a channel."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Relations:
    """Complex coherency of all channels of one lap, shape (channel, channel, frequency), and over how many blocks."""

    coherency: NDArray[np.complex128]
    freq_hz: NDArray[np.float64]
    n_blocks: float


def relations(lap: Recording) -> Relations:
    """The coherency between all channels of a lap from 0.7 to 25 Hz, over Hann-windowed blocks that overlap by half."""
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
    # A slow swing far stronger than the rest must not leak over it.
    part = filtered(slow.samples, slow.rate_hz, low_hz=0.5 * low_hz, high_hz=None, order=2)
    length = int(min(_BLOCK_S * slow.rate_hz, part.shape[1] / 4))
    starts = np.arange(0, part.shape[1] - length + 1, length // 2)
    window = np.hanning(length + 1)[:-1]
    freq = np.asarray(np.fft.rfftfreq(length, 1 / slow.rate_hz), dtype=np.float64)
    used = (freq >= low_hz) & (freq <= min(high_hz, 0.4 * slow.rate_hz))
    lines = np.stack([fft.rfft(part[:, at : at + length] * window, axis=1)[:, used] for at in starts])
    cross = np.einsum("bif,bjf->ijf", np.conj(lines), lines)
    power = np.sqrt(np.maximum(np.einsum("iif->if", cross).real, 0.0))
    scale = power[:, None, :] * power[None, :, :]
    # Neighbouring Hann blocks have 1/36 of their power in common.
    return Relations(
        coherency=np.where(scale > 0, cross / np.where(scale > 0, scale, 1.0), 0.0),
        freq_hz=freq[used],
        n_blocks=0.95 * len(starts),
    )


def relation_faults(laps: Sequence[Recording]) -> tuple[list[Finding], ...]:
    """Flipped, exchanged and late channels of each lap against the other laps; laps have the same channels."""
    found = _on_one_grid([relations(lap) for lap in laps])
    return tuple(
        _of_lap(found[number], [other for at, other in enumerate(found) if at != number], lap)
        for number, lap in enumerate(laps)
    )


def _on_one_grid(found: list[Relations]) -> list[Relations]:
    """Laps too short for whole blocks have other lines: all brought to the coarsest by interpolation."""
    grid = min((entry.freq_hz for entry in found), key=len)
    made = []
    for entry in found:
        if entry.freq_hz.size == grid.size and np.allclose(entry.freq_hz, grid):
            made.append(entry)
            continue
        at = np.clip(np.searchsorted(entry.freq_hz, grid), 1, entry.freq_hz.size - 1)
        part = np.clip((grid - entry.freq_hz[at - 1]) / (entry.freq_hz[at] - entry.freq_hz[at - 1]), 0.0, 1.0)
        lines = entry.coherency[:, :, at - 1] * (1 - part) + entry.coherency[:, :, at] * part
        made.append(Relations(coherency=lines, freq_hz=grid, n_blocks=entry.n_blocks))
    return made


def _of_lap(own: Relations, others: Sequence[Relations], lap: Recording) -> list[Finding]:
    shift = _shift(own, others)
    flipped = _flipped(shift, lap)
    if flipped:
        return flipped
    spread = np.median(
        [
            np.abs(_shift(other, [entry for at, entry in enumerate(others) if at != number]).lag_s)
            for number, other in enumerate(others)
        ],
        axis=0,
    )
    # A channel that only is late looks just like itself once moved, and is late alone; of two exchanged ones of a road
    # with a period one seems early, the other late.
    late = _late(shift, spread, lap, least=0.8)
    if len(late) == 1:
        return late
    return _exchanged(own, others, lap) or _late(shift, spread, lap, least=0.5)


def _evidence(coherency: NDArray[np.complex128], n_blocks: float) -> NDArray[np.float64]:
    """How much the phase of each line can say: g = c / (1 - c) of the squared coherency c, chance taken off.

    The phase of a cross spectrum over n blocks has the variance 1 / (2 n g) (Bendat and Piersol, Random Data, 4th ed.,
    2010, chapter 9, from memory).
    """
    square = np.minimum(np.abs(coherency) ** 2, 1.0)
    square = np.maximum((square - 1 / n_blocks) / (1 - 1 / n_blocks), 0.0)
    known: NDArray[np.float64] = square / (1.1 - square)
    return known


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Shift:
    """How far a channel is shifted against all others together, held against the other laps, shape (channel,).

    `likeness` is the weighted mean cosine of the phases left over at that shift, `unmoved` without a shift;
    `moved_by` and `flipped_by` are the shares of the evidence, over partners, that are for the shift and for another
    sign.
    """

    lag_s: NDArray[np.float64]
    likeness: NDArray[np.float64]
    unmoved: NDArray[np.float64]
    moved_by: NDArray[np.float64]
    flipped_by: NDArray[np.float64]


def _shift(own: Relations, others: Sequence[Relations]) -> _Shift:
    count = len(own.coherency)
    usual = np.mean([other.coherency for other in others], axis=0)
    blocks = sum(other.n_blocks for other in others)
    weight = np.sqrt(_evidence(own.coherency, own.n_blocks) * _evidence(usual, blocks))
    weight[np.arange(count), np.arange(count)] = 0.0
    turn = own.coherency * np.conj(usual)
    turn = weight * turn / np.maximum(np.abs(turn), 1e-30)
    lags = np.arange(-_REACH_S, _REACH_S + 1e-9, 0.001)
    rotation = np.exp(2j * np.pi * own.freq_hz[:, None] * lags)
    # Shape (partner, channel, lag): later by tau is a phase of -2 pi f tau against every partner.
    by_pair = (turn.reshape(count * count, -1) @ rotation).real.reshape(count, count, lags.size)
    per_pair = weight.sum(axis=2)
    total = np.maximum(per_pair.sum(axis=0), 1e-12)
    by_channel = by_pair.sum(axis=0) / total[:, None]
    zero = lags.size // 2
    at = by_channel.argmax(axis=1)
    rows = np.arange(count)
    here, none = by_pair[:, rows, at], by_pair[:, :, zero]
    gain = here - none
    moved = np.maximum(gain, 0.0).sum(axis=0) / np.maximum(np.abs(gain).sum(axis=0), 1e-12)
    flipped = np.maximum(-none, 0.0).sum(axis=0) / np.maximum(np.abs(none).sum(axis=0), 1e-12)
    return _Shift(
        lag_s=lags[at],
        likeness=by_channel[rows, at],
        unmoved=by_channel[:, zero],
        moved_by=moved,
        flipped_by=flipped,
    )


def _flipped(shift: _Shift, lap: Recording) -> list[Finding]:
    # Half a wave late looks flipped at one frequency, but then a shift explains it better.
    rows = np.flatnonzero((shift.unmoved < -0.3) & (-shift.unmoved > shift.likeness) & (shift.flipped_by > AGREE))
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


def _exchanged(own: Relations, others: Sequence[Relations], lap: Recording) -> list[Finding]:
    """Two channels whose relations with all the rest fit each other's place in the other laps much better."""
    count = len(own.coherency)
    usual = np.mean([other.coherency for other in others], axis=0)
    sharp = _sharpness(others, usual)
    as_it_is = _misfit(own.coherency, usual, sharp)
    best: tuple[float, int, int, float] | None = None
    for one in range(count):
        for two in range(one + 1, count):
            if lap.channels[one].quantity != lap.channels[two].quantity:
                continue
            pair = [one, two]
            rest = [row for row in range(count) if row not in pair]
            if not rest:
                continue
            order = np.arange(count)
            order[pair] = two, one
            swapped = own.coherency[pair][:, order][::-1]
            there = _misfit(swapped, usual[pair], sharp[pair])
            was, now = float(as_it_is[pair][:, rest].sum()), float(there[:, rest].sum())
            if now < MISFIT * was and (best is None or was - now > best[3]):
                best = (now / was, one, two, was - now)
    if best is None:
        return []
    share, one, two, _gain = best
    return [
        Finding(
            kind="swap",
            severity="error",
            channel=lap.channels[one].name,
            measured=share,
            limit=MISFIT,
            text=f"and {lap.channels[two].name} move with the other channels as each other did in the other laps "
            f"(misfit falls to {share:.0%} when they are exchanged): they are exchanged here",
            advice='mend it with [[check.repair]] do = "swap" for this lap',
        )
    ]


def _sharpness(others: Sequence[Relations], usual: NDArray[np.complex128]) -> NDArray[np.float64]:
    """One over how far the other laps scatter about their mean, smoothed over five lines, never finer than chance."""
    scatter = np.mean([np.abs(other.coherency - usual) ** 2 for other in others], axis=0)
    scatter *= len(others) / (len(others) - 1)
    wide = np.apply_along_axis(np.convolve, 2, scatter, np.ones(5) / 5, mode="same")
    chance = 1.0 / np.mean([other.n_blocks for other in others])
    made: NDArray[np.float64] = 1.0 / (wide + 0.5 * chance)
    return made


def _misfit(
    lines: NDArray[np.complex128], usual: NDArray[np.complex128], sharp: NDArray[np.float64]
) -> NDArray[np.float64]:
    made: NDArray[np.float64] = (np.abs(lines - usual) ** 2 * sharp).sum(axis=2)
    return made


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
        if shift.moved_by[row] < AGREE:
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
