"""Damage by frequency band: what remains of it when content below or above an edge is lost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washboard.errors import InputError
from washboard.loads._damage import as_slopes, pseudo_damage
from washboard.loads._samples import as_rows, check_finite

_OCTAVE = 1 / 6


@dataclass(frozen=True, kw_only=True, slots=True)
class DamageByBand:
    """Share of the damage that remains without the content above, and without that below, each edge.

    Parameters
    ----------
    edge_hz : ndarray, shape (edge,)
        [Hz]
    slopes : ndarray, shape (slope,)
        Basquin slopes. [-]
    without_above, without_below : ndarray, shape (channel, edge, slope)
        Damage of the low-passed and of the high-passed signal, as a share of `damage`. [-]
    damage : ndarray, shape (channel, slope)
        Of the whole signal.
    """

    edge_hz: NDArray[np.float64]
    slopes: NDArray[np.float64]
    without_above: NDArray[np.float64]
    without_below: NDArray[np.float64]
    damage: NDArray[np.float64]


def damage_by_band(samples: ArrayLike, rate_hz: float, edges_hz: ArrayLike, slopes: ArrayLike) -> DamageByBand:
    """Damage that remains when content above or below each edge is taken away.

    The two parts of a signal at an edge add up to the signal: zero-phase, a raised cosine a sixth of an octave wide.

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
    edges = np.atleast_1d(np.asarray(edges_hz, np.float64))
    if not ((edges > 0) & (edges < rate_hz / 2)).all():
        raise InputError(f"band edges must lie between 0 and half the sample rate ({rate_hz / 2:g} Hz)")
    powers = np.atleast_1d(as_slopes(slopes))
    whole = pseudo_damage(rows, powers)
    above = np.zeros((rows.shape[0], edges.size, powers.size))
    below = np.zeros_like(above)
    for number, row in enumerate(rows):
        _one(row, rate_hz, edges, powers, above[number], below[number])
    scale = np.where(whole > 0, whole, 1.0)[:, None, :]
    return DamageByBand(
        edge_hz=edges, slopes=powers, without_above=above / scale, without_below=below / scale, damage=whole
    )


def _one(
    row: NDArray[np.floating],
    rate_hz: float,
    edges: NDArray[np.float64],
    powers: NDArray[np.float64],
    above: NDArray[np.float64],
    below: NDArray[np.float64],
) -> None:
    from scipy import fft

    n = row.size
    # A smooth return from the last sample to the first, so that the circular transform sees no step.
    length = fft.next_fast_len(n + min(n, round(4 * rate_hz / edges.min())), real=True)
    turn = 0.5 - 0.5 * np.cos(np.pi * (np.arange(length - n) + 0.5) / (length - n))
    padded = np.concatenate([row.astype(np.float64), row[-1] + (float(row[0]) - row[-1]) * turn])
    lines = fft.rfft(padded)
    frequency = fft.rfftfreq(length, 1 / rate_hz)
    for place, edge in enumerate(edges):
        octaves = np.log2(np.maximum(frequency, 1e-12) / edge) / _OCTAVE
        keep = 0.5 - 0.5 * np.sin(np.pi * np.clip(octaves, -0.5, 0.5))
        low = fft.irfft(lines * keep, length)[:n]
        above[place] = pseudo_damage(low, powers)
        below[place] = pseudo_damage(row - low, powers)
