"""Fatigue damage spectrum: pseudo-damage of oscillators of many natural frequencies driven by a recording."""

from __future__ import annotations

import math
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washboard.errors import DataError, InputError
from washboard.loads._damage import as_slopes, residue_damage
from washboard.loads._samples import Samples, as_rows, check_finite, processors

Response = Literal["relative", "absolute"]
"""Displacement of the mass against its base, or its absolute acceleration."""

F64 = NDArray[np.float64]

_PIECE = 1 << 16
_MARGIN = 2048
_LEAD = 128

#: Up to which share of the sample rate a natural frequency is computed at how many times the rate: the peak between
#: samples is then found to better than 0.2 % of its height.
_FACTORS = ((1 / 16, 1), (1 / 8, 2), (1 / 4, 4), (0.4, 8))


@dataclass(frozen=True, kw_only=True, slots=True)
class DamageSpectrum:
    """Damage of single oscillators on a base that moves as recorded.

    Parameters
    ----------
    frequency_hz : ndarray, shape (frequency,)
        Undamped natural frequencies. [Hz]
    q : ndarray, shape (quality,)
        Quality factors, 1 / (2 damping ratio). [-]
    slopes : ndarray, shape (slope,)
        Basquin slopes. [-]
    damage : ndarray, shape (channel, quality, frequency, slope)
        Sum of count times response range to the power of the slope, residue as half cycles.
    peak : ndarray, shape (channel, quality, frequency)
        Largest response either way (extreme response).
    response : str
        ``"relative"`` displacement or ``"absolute"`` acceleration.
    rate_factor : ndarray of int, shape (frequency,)
        How many times the sample rate was raised to find the peaks between samples.
    """

    frequency_hz: F64
    q: F64
    slopes: F64
    damage: F64
    peak: F64
    response: Response
    rate_factor: NDArray[np.int64]


def damage_spectrum(
    samples: ArrayLike,
    rate_hz: float,
    frequencies_hz: ArrayLike,
    slopes: ArrayLike,
    *,
    q: ArrayLike = 10.0,
    response: Response = "relative",
) -> DamageSpectrum:
    """Fatigue damage spectrum of base accelerations.

    The oscillators stand in equilibrium with the first sample, so a constant offset does no damage.

    Parameters
    ----------
    samples : array_like, shape (channel, time) or (time,)
        Base acceleration; another quantity gives the damage of its response, not of a structure. [m/s2]
    rate_hz : float
        Sample rate. [Hz]
    frequencies_hz : array_like, shape (frequency,)
        Natural frequencies, above 0 and up to 0.4 of the sample rate. Above a fifth of it the result is only as good as
        the recording's own anti-alias filter. [Hz]
    slopes : array_like, shape (slope,) or a number
        Basquin slopes. [-]
    q : array_like, shape (quality,) or a number
        Quality factors, above 0.5. [-]
    response : str
        ``"relative"``: displacement against the base [m], the usual choice for stress; ``"absolute"``: acceleration of
        the mass [m/s2].

    Raises
    ------
    DataError
        Samples that are not finite, or fewer than two.
    InputError
        A frequency, quality factor or word that cannot be.

    Notes
    -----
    The recording is taken as band-limited. Each oscillator is a ramp-invariant digital filter (Smallwood 1981; ISO
    18431-4), which is exact for input that is straight between samples; so the input is first lifted by the inverse of
    what straight lines lose, (sin x / x)**-2, and for natural frequencies above a sixteenth of the sample rate its rate
    is raised. Peaks between samples are the tops of parabolas.

    References
    ----------
    Smallwood 1981, Shock Vib. Bull. 51; ISO 18431-4:2007; Lalanne, Mechanical Vibration and Shock Analysis, vol. 5.
    """
    rows = as_rows(samples, "A damage spectrum")
    check_finite(rows, "A damage spectrum")
    if response not in ("relative", "absolute"):
        raise InputError(f"response is 'relative' or 'absolute', not {response!r}")
    frequencies = np.atleast_1d(np.asarray(frequencies_hz, np.float64))
    if not ((frequencies > 0) & (frequencies <= 0.4 * rate_hz)).all():
        raise InputError(f"natural frequencies lie above 0 and up to 0.4 of the sample rate, {0.4 * rate_hz:g} Hz")
    qualities = np.atleast_1d(np.asarray(q, np.float64))
    if not (qualities > 0.5).all():
        raise InputError("quality factors must be above 0.5")
    powers = np.atleast_1d(as_slopes(slopes))
    factor = np.array(
        [next(times for share, times in _FACTORS if f <= share * rate_hz * (1 + 1e-12)) for f in frequencies]
    )
    damage = np.zeros((rows.shape[0], qualities.size, frequencies.size, powers.size))
    peak = np.zeros(damage.shape[:3])
    grid = np.stack(np.meshgrid(qualities, frequencies, indexing="ij"), axis=-1).reshape(-1, 2)
    times = np.tile(factor, qualities.size)
    with ThreadPoolExecutor(processors()) as pool:
        for number, row in enumerate(rows):
            for times_rate in np.unique(times):
                chosen = np.flatnonzero(times == times_rate)
                groups = [
                    _Group(grid[chosen[first : first + 8]], rate_hz * int(times_rate), powers, response)
                    for first in range(0, chosen.size, 8)
                ]
                for piece, last in _lifted(row, int(times_rate)):
                    list(pool.map(lambda group, piece=piece, last=last: group.drive(piece, last), groups))
                found = np.concatenate([group.damage() for group in groups])
                high = np.concatenate([group.peaks for group in groups])
                damage[number].reshape(-1, powers.size)[chosen] = found[: chosen.size]
                peak[number].reshape(-1)[chosen] = high[: chosen.size]
    return DamageSpectrum(
        frequency_hz=frequencies,
        q=qualities,
        slopes=powers,
        damage=damage,
        peak=peak,
        response=response,
        rate_factor=factor.astype(np.int64),
    )


class _Group:
    """Up to eight oscillators, counted piece by piece."""

    def __init__(self, oscillators: F64, rate_hz: float, slopes: F64, response: Response) -> None:
        from washboard.loads import _kernels

        self.size = oscillators.shape[0]
        eight = oscillators[np.minimum(np.arange(8), self.size - 1)]
        self._factors = ramp_invariant(eight[:, 1], eight[:, 0], rate_hz, response).ravel()
        self._slopes = slopes
        self._state, self._tails = np.zeros(32), np.zeros((8, 2))
        self._stacks, self._depths = np.zeros((8, 4096)), np.ones(8, np.int64)
        self._waiting = np.empty((8, _kernels.ENOUGH + _kernels.BLOCK + _kernels.SLACK))
        self._waits = np.zeros(8, np.int64)
        self._sums, self._peaks = np.zeros((8, slopes.size, 8)), np.zeros(8)

    def drive(self, piece: F64, last: bool) -> None:
        from washboard.loads import _oscillators

        self._stacks = _oscillators.count_responses(
            piece, last, self._factors, self._state, self._tails, self._stacks, self._depths, self._waiting,
            self._waits, self._slopes, self._sums, self._peaks,
        )  # fmt: skip

    @property
    def peaks(self) -> F64:
        return self._peaks[: self.size]

    def damage(self) -> F64:
        """Shape (oscillator, slope)."""
        return np.stack(
            [
                self._sums[lane].sum(axis=1)
                + residue_damage(self._stacks[lane, : self._depths[lane]], self._slopes, "half")
                for lane in range(self.size)
            ]
        )


def ramp_invariant(frequency_hz: F64, q: F64, rate_hz: float, response: Response) -> F64:
    """Coefficients b0, b1, b2, -a1, -a2 of digital oscillators, shape (5, oscillator).

    References
    ----------
    Smallwood 1981 (absolute acceleration); ISO 18431-4 (relative displacement).
    """
    turn = 2 * np.pi * frequency_hz
    step = 1 / rate_hz
    decay = np.exp(-turn * step / (2 * q))
    ratio = np.sqrt(1 - 1 / (4 * q**2))
    angle = turn * step * ratio
    cosine, sine = decay * np.cos(angle), decay * np.sin(angle)
    if response == "absolute":
        over = sine / angle
        b = (1 - over, 2 * (over - cosine), decay**2 - over)
    else:
        skew = (1 / (2 * q**2) - 1) / ratio
        scale = 1 / (turn**3 * step)
        b = (
            scale * ((1 - cosine) / q - skew * sine - turn * step),
            scale * (2 * cosine * turn * step - (1 - decay**2) / q + 2 * skew * sine),
            scale * (-(decay**2) * (turn * step + 1 / q) + cosine / q - skew * sine),
        )
    return np.stack([*b, 2 * cosine, -(decay**2)])


def _lifted(row: Samples, times: int) -> Iterator[tuple[F64, bool]]:
    """Pieces of a channel less its first sample, at `times` its rate, lifted by what straight lines lose."""
    from scipy import fft

    n = row.size
    first = float(row[0])
    lifts: dict[int, F64] = {}
    for begin in range(0, n, _PIECE):
        end = min(n, begin + _PIECE)
        left, right = max(0, begin - _MARGIN), min(n, end + _MARGIN)
        part = np.asarray(row[left:right], np.float64) - first
        # A level start and a smooth way down at the end, so that the circular transform sees no step.
        head, tail = begin - left, right - end
        pad = 2 * _MARGIN - head + (_MARGIN - tail)
        length = fft.next_fast_len(part.size + pad, real=True)
        way = np.cos(0.5 * np.pi * np.linspace(0, 1, length - part.size - 2 * _LEAD)) ** 2
        block = np.concatenate([part, part[-1] * way + part[0] * (1 - way), np.full(2 * _LEAD, part[0])])
        lines = fft.rfft(block, overwrite_x=True)
        if length not in lifts:
            lifts[length] = times / np.sinc(np.arange(lines.size) / (length * times)) ** 2
            if times > 1 and length % 2 == 0:
                lifts[length][-1] /= 2
        lines *= lifts[length]
        raised = fft.irfft(lines, length * times, overwrite_x=True)
        stop = (end - left) * times if end < n else (end - left - 1) * times + 1
        piece = raised[head * times : stop]
        # What the lift puts before the first sample is part of it.
        yield np.concatenate([raised[-_LEAD * times :], piece]) if begin == 0 else piece, end == n


def log_spaced(low_hz: float, high_hz: float, count: int) -> F64:
    """`count` frequencies evenly spaced on a logarithmic axis, both ends included. [Hz]"""
    if not 0 < low_hz < high_hz:
        raise DataError(f"frequencies must rise from above 0, not from {low_hz:g} to {high_hz:g} Hz")
    return np.exp(np.linspace(math.log(low_hz), math.log(high_hz), count))
