"""Damage from a spectrum alone: what a stationary Gaussian history of that PSD would do."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washboard.errors import DataError, InputError
from washboard.loads._damage import as_slopes

F64 = NDArray[np.float64]

Method = Literal["dirlik", "tovo-benasciutti", "narrow-band"]


@dataclass(frozen=True, kw_only=True, slots=True)
class SpectralMoments:
    """Moments of a one-sided PSD over frequency in Hz (not rad/s), and what follows from them, each shape (channel,).

    Parameters
    ----------
    m0, m1, m2, m4 : ndarray
        Integral of f to the power of 0, 1, 2, 4 times the PSD. [unit squared times Hz to that power]
    """

    m0: F64
    m1: F64
    m2: F64
    m4: F64

    @property
    def rms(self) -> F64:
        """Root mean square. [unit]"""
        return np.sqrt(self.m0)

    @property
    def crossings_hz(self) -> F64:
        """Expected upward crossings of the mean per second. [Hz]"""
        return np.sqrt(self.m2 / self.m0)

    @property
    def peaks_hz(self) -> F64:
        """Expected peaks per second. [Hz]"""
        return np.sqrt(self.m4 / self.m2)

    @property
    def irregularity(self) -> F64:
        """Crossings over peaks: 1 for a narrow band. [-]"""
        return self.m2 / np.sqrt(self.m0 * self.m4)


def spectral_moments(
    frequency_hz: ArrayLike, psd: ArrayLike, *, low_hz: float = 0.0, high_hz: float = math.inf
) -> SpectralMoments:
    """Moments of one-sided PSDs, shape (channel, frequency) or (frequency,), over a band, by the trapezoidal rule."""
    frequency = np.asarray(frequency_hz, np.float64)
    values = np.atleast_2d(np.asarray(psd, np.float64))
    inside = (frequency >= low_hz) & (frequency <= high_hz)
    if inside.sum() < 2:
        raise DataError("spectral moments need at least two lines in the band")
    f, g = frequency[inside], values[:, inside]
    moment = [np.asarray(np.trapezoid(g * f**power, f, axis=1)) for power in (0, 1, 2, 4)]
    if not all((values > 0).all() for values in moment):
        raise DataError("spectral moments need a PSD with content in the band")
    return SpectralMoments(m0=moment[0], m1=moment[1], m2=moment[2], m4=moment[3])


def spectral_damage(moments: SpectralMoments, slopes: ArrayLike, *, method: Method = "dirlik") -> F64:
    """Expected pseudo-damage per second of a stationary Gaussian history, shape (channel, slope).

    Comparable with `pseudo_damage` over the duration: sum of ranges (not amplitudes) to the power of the slope.

    Parameters
    ----------
    moments : SpectralMoments
        Over frequency in Hz.
    slopes : array_like, shape (slope,)
        Basquin slopes. [-]
    method : str
        ``"narrow-band"`` is exact for a narrow band and an upper estimate otherwise; ``"dirlik"`` and
        ``"tovo-benasciutti"`` hold for wide bands.

    References
    ----------
    Miles 1954 and Bendat 1964 (narrow band); Dirlik 1985, thesis, University of Warwick; Benasciutti and Tovo 2005,
    Int. J. Fatigue 27, 867-877 (method 2).
    """
    powers = np.atleast_1d(as_slopes(slopes))[None, :]
    gamma = np.vectorize(math.gamma)
    m0, spread = moments.m0[:, None], moments.irregularity[:, None]
    narrow = moments.crossings_hz[:, None] * (2 * np.sqrt(2 * m0)) ** powers * gamma(1 + powers / 2)
    if method == "narrow-band":
        return np.asarray(narrow)
    if method == "tovo-benasciutti":
        first = moments.m1[:, None] / np.sqrt(m0 * moments.m2[:, None])
        shape = 1.112 * (1 + first * spread - (first + spread)) * np.exp(2.11 * spread) + (first - spread)
        weight = (first - spread) * shape / (spread - 1) ** 2
        return np.asarray((weight + (1 - weight) * spread ** (powers - 1)) * narrow)
    if method != "dirlik":
        raise InputError(f"method is 'dirlik', 'tovo-benasciutti' or 'narrow-band', not {method!r}")
    mean = (moments.m1 / moments.m0 * np.sqrt(moments.m2 / moments.m4))[:, None]
    d1 = 2 * (mean - spread**2) / (1 + spread**2)
    r = (spread - mean - d1**2) / (1 - spread - d1 + d1**2)
    d2 = (1 - spread - d1 + d1**2) / (1 - r)
    d3 = 1 - d1 - d2
    q = 1.25 * (spread - d3 - d2 * r) / d1
    wide = d1 * q**powers * gamma(1 + powers)
    rayleigh = np.sqrt(2) ** powers * gamma(1 + powers / 2) * (d2 * np.abs(r) ** powers + d3)
    return np.asarray(moments.peaks_hz[:, None] * (2 * np.sqrt(m0)) ** powers * (wide + rayleigh))
