"""Damage by frequency band: what remains of it when content below or above an edge is lost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washboard.errors import InputError
from washboard.loads._damage import as_slopes, pseudo_damage
from washboard.loads._samples import Samples, as_rows, check_finite, each_row

F64 = NDArray[np.float64]

_OCTAVES = 1 / 6


@dataclass(frozen=True, kw_only=True, slots=True)
class DamageByBand:
    """Share of the damage that remains without the content above, and without that below, each edge.

    Parameters
    ----------
    edge_hz : ndarray, shape (edge,)
        Ascending. [Hz]
    slopes : ndarray, shape (slope,)
        Basquin slopes. [-]
    without_above, without_below : ndarray, shape (channel, edge, slope)
        Damage of the low-passed and of the high-passed signal, as a share of `damage`; the two need not add up to 1,
        and either may exceed 1 where the parts cancel in the whole. [-]
    damage : ndarray, shape (channel, slope)
        Of the whole signal.
    """

    edge_hz: F64
    slopes: F64
    without_above: F64
    without_below: F64
    damage: F64


def damage_by_band(samples: ArrayLike, rate_hz: float, edges_hz: ArrayLike, slopes: ArrayLike) -> DamageByBand:
    """Damage that remains when content above or below each edge is taken away, recounted each time.

    The two parts of a signal at an edge add up to the signal: zero phase, the gain falling as a raised cosine over a
    sixth of an octave about the edge.

    Parameters
    ----------
    samples : array_like, shape (channel, time) or (time,)
    rate_hz : float
        Sample rate. [Hz]
    edges_hz : array_like, shape (edge,)
        Above 0, below half the sample rate. [Hz]
    slopes : array_like, shape (slope,) or a number
        Basquin slopes. [-]

    Raises
    ------
    DataError
        Samples that are not finite.
    InputError
        An edge outside the band of the samples.
    """
    rows = as_rows(samples, "Damage by band")
    check_finite(rows, "Damage by band")
    edges = np.sort(np.atleast_1d(np.asarray(edges_hz, np.float64)))
    if not ((edges > 0) & (edges < rate_hz / 2)).all():
        raise InputError(f"band edges must lie between 0 and half the sample rate ({rate_hz / 2:g} Hz)")
    powers = np.atleast_1d(as_slopes(slopes))
    above = np.zeros((rows.shape[0], edges.size, powers.size))
    below = np.zeros_like(above)
    whole = np.zeros((rows.shape[0], powers.size))

    def one(number: int) -> None:
        parts = _Lines(rows[number], rate_hz, float(edges[0]))
        whole[number] = pseudo_damage(parts.values, powers)
        for place, edge in enumerate(edges):
            low = parts.below(float(edge))
            above[number, place] = pseudo_damage(low, powers)
            np.subtract(parts.values, low, out=low)
            below[number, place] = pseudo_damage(low, powers)

    each_row(one, rows.shape[0], rows.size * edges.size)
    scale = np.where(whole > 0, whole, 1.0)[:, None, :]
    return DamageByBand(
        edge_hz=edges, slopes=powers, without_above=above / scale, without_below=below / scale, damage=whole
    )


def damage_in_band(samples: ArrayLike, rate_hz: float, low_hz: float, high_hz: float, slopes: ArrayLike) -> F64:
    """Share of the damage that remains of the content from `low_hz` to `high_hz` alone, shape (channel, slope). [-]

    Edges and errors as for `damage_by_band`.
    """
    rows = as_rows(samples, "Damage in a band")
    check_finite(rows, "Damage in a band")
    if not 0 < low_hz < high_hz:
        raise InputError(f"a band runs from above 0 upwards, not from {low_hz:g} to {high_hz:g} Hz")
    powers = np.atleast_1d(as_slopes(slopes))
    kept = np.zeros((rows.shape[0], powers.size))

    def one(number: int) -> None:
        parts = _Lines(rows[number], rate_hz, low_hz)
        inside = parts.below(high_hz) if high_hz < rate_hz / 2 else parts.values.copy()
        inside -= parts.below(low_hz)
        whole = pseudo_damage(parts.values, powers)
        kept[number] = pseudo_damage(inside, powers) / np.where(whole > 0, whole, 1.0)

    each_row(one, rows.shape[0], rows.size * 4)
    return kept


class _Lines:
    """Spectral lines of a whole channel, to take it apart at any edge.

    The parts are float32: shares of damage need no more than their seven digits, and transforms take half the time.
    """

    def __init__(self, row: Samples, rate_hz: float, lowest_hz: float) -> None:
        from scipy import fft

        n = row.size
        # About the first sample, so that a large offset does not cost digits.
        self.values = np.subtract(row, row[0], dtype=np.float64).astype(np.float32)
        # A smooth return from the last sample to the first, so that the circular transform sees no step.
        self._length = fft.next_fast_len(n + min(n, round(2 * rate_hz / lowest_hz)), real=True)
        turn = 0.5 - 0.5 * np.cos(np.pi * (np.arange(self._length - n) + 0.5) / (self._length - n))
        last = self.values[-1]
        padded = np.concatenate([self.values, (last * (1 - turn)).astype(np.float32)])
        self._lines: NDArray[np.complex64] = fft.rfft(padded, overwrite_x=True)
        self._step = rate_hz / self._length

    def below(self, edge_hz: float) -> NDArray[np.float32]:
        """Content below an edge, shape (time,)."""
        from scipy import fft

        first = min(int(edge_hz * 2 ** (-_OCTAVES / 2) / self._step) + 1, self._lines.size)
        last = min(int(edge_hz * 2 ** (_OCTAVES / 2) / self._step) + 1, self._lines.size)
        octaves = np.log2(np.arange(first, last) * self._step / edge_hz) / _OCTAVES
        kept = self._lines[:last].copy()
        kept[first:] *= (0.5 - 0.5 * np.sin(np.pi * np.clip(octaves, -0.5, 0.5))).astype(np.float32)
        low: NDArray[np.float32] = fft.irfft(kept, self._length)[: self.values.size]
        return low


@dataclass(frozen=True, kw_only=True, slots=True)
class ReproducedBand:
    """The band a test should reproduce, why, and what it costs.

    Parameters
    ----------
    low_hz, high_hz : float
        Recommended. [Hz]
    low_channel, high_channel : str
        The channel that decides either edge.
    wanted_low_hz : float
        Where the lower edge would be if the rig could go as low as the damage does. [Hz]
    cost : ndarray, shape (channel,)
        Share of damage that each channel loses at the two edges together. [-]
    keep : float
        Share each channel was to keep at either edge. [-]
    text : str
        The reason in a sentence.
    """

    low_hz: float
    high_hz: float
    low_channel: str
    high_channel: str
    wanted_low_hz: float
    cost: F64
    keep: float
    text: str


def recommended_band(
    by_band: DamageByBand,
    channels: tuple[str, ...],
    slopes: ArrayLike,
    *,
    keep: float = 0.98,
    rig_low_hz: float = 0.0,
    rig_high_hz: float = np.inf,
) -> ReproducedBand:
    """The narrowest band in which every channel keeps its damage, as far as the rig can go.

    Parameters
    ----------
    by_band : DamageByBand
        Of the whole programme, or of its most damaging event.
    channels : tuple of str
        Names, in the order of `by_band`.
    slopes : array_like, shape (channel,)
        Each channel's own slope, one of those of `by_band`. [-]
    keep : float
        Share of damage each channel must keep at either edge alone. [-]
    rig_low_hz, rig_high_hz : float
        Lowest and highest frequency the rig can control. [Hz]
    """
    own = np.broadcast_to(np.asarray(slopes, np.float64), (len(channels),))
    column = np.array([int(np.argmin(np.abs(by_band.slopes - slope))) for slope in own])
    rows = np.arange(len(channels))
    low_curve = by_band.without_below[rows, :, column]
    high_curve = by_band.without_above[rows, :, column]
    edges = by_band.edge_hz
    lows = np.array([_last(edges, curve >= keep) for curve in low_curve])
    highs = np.array([_first(edges, curve >= keep) for curve in high_curve])
    wanted_low, wanted_high = float(lows.min()), float(highs.max())
    low, high = max(wanted_low, rig_low_hz), min(wanted_high, rig_high_hz)
    lost = np.array(
        [
            max(0.0, 1 - float(np.interp(np.log(low), np.log(edges), under)))
            + max(0.0, 1 - float(np.interp(np.log(high), np.log(edges), over)))
            for under, over in zip(low_curve, high_curve, strict=True)
        ]
    )
    low_channel, high_channel = channels[int(lows.argmin())], channels[int(highs.argmax())]
    text = (
        f"From {low:.3g} to {high:.3g} Hz every channel keeps {keep:.0%} of its damage at either edge; '{low_channel}' "
        f"needs the lower edge and '{high_channel}' the upper one"
    )
    if low > wanted_low or high < wanted_high:
        worst = int(lost.argmax())
        ends = [f"from {low:.3g} Hz on, where the rig's band begins"] if low > wanted_low else []
        ends += [f"up to {high:.3g} Hz, where the rig's band ends"] if high < wanted_high else []
        text = (
            f"The damage asks for {wanted_low:.3g} to {wanted_high:.3g} Hz; {' and '.join(ends)}, "
            f"'{channels[worst]}' loses about {lost[worst]:.0%} of its damage"
        )
    return ReproducedBand(
        low_hz=low,
        high_hz=high,
        low_channel=low_channel,
        high_channel=high_channel,
        wanted_low_hz=wanted_low,
        cost=lost,
        keep=keep,
        text=text + ".",
    )


def _last(edges: F64, fine: NDArray[np.bool_]) -> float:
    """The last edge up to which all are fine; the first edge where none is."""
    bad = np.flatnonzero(~fine)
    return float(edges[max(bad[0] - 1, 0)] if bad.size else edges[-1])


def _first(edges: F64, fine: NDArray[np.bool_]) -> float:
    """The first edge from which all are fine; the last edge where none is."""
    bad = np.flatnonzero(~fine)
    return float(edges[min(bad[-1] + 1, edges.size - 1)] if bad.size else edges[0])
