"""Excitation signals: orthogonal, interleaved and random-phase multisines, and shaped random, all from and to rest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
import scipy.linalg
from numpy.typing import NDArray

from washboard.identify._limits import DriveLimits, rest_taper, use_of_limits

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


@dataclass(frozen=True, kw_only=True, slots=True)
class Multisine:
    """Periodic excitation of all drives in several experiments of equal length.

    Parameters
    ----------
    samples : ndarray, shape (experiment, drive, time)
        Commands from and to rest. [m or rad]
    spectrum : ndarray, shape (experiment, line, drive)
        Complex amplitudes of the lines, ``rfft(period)/n``. [m or rad]
    line_index : ndarray, shape (line,)
        Which lines of a period are excited.
    period : int
        Samples of one period.
    settle : int
        Samples before the first period that counts.
    n_periods : int
        Periods that count.
    rate_hz : float
        [Hz]
    """

    samples: Floats
    spectrum: Complexes
    line_index: NDArray[np.intp]
    period: int
    settle: int
    n_periods: int
    rate_hz: float

    @property
    def freq_hz(self) -> Floats:
        """Frequencies of the lines, shape (line,). [Hz]"""
        return np.asarray(self.line_index * (self.rate_hz / self.period))

    @property
    def duration_s(self) -> float:
        """Rig time of all experiments. [s]"""
        return float(self.samples.shape[0] * self.samples.shape[2] / self.rate_hz)


def mixing_matrix(n_drives: int) -> Complexes:
    """A square matrix T with ``T T^H = n I``: Hadamard's where `n_drives` is a power of two, else the Fourier matrix.

    Orthogonal experiments make the drives' matrix perfectly conditioned on every line (Dobrowiecki and Schoukens, IFAC
    2005).
    """
    if n_drives & (n_drives - 1) == 0:
        return np.asarray(scipy.linalg.hadamard(n_drives), dtype=np.complex128)
    k = np.arange(n_drives)
    return np.asarray(np.exp(2j * np.pi * np.outer(k, k) / n_drives))


def orthogonal_multisine(
    amplitude: Floats,
    *,
    line_index: NDArray[np.intp],
    period: int,
    rate_hz: float,
    n_periods: int,
    settle_s: float,
    taper_s: float,
    rng: np.random.Generator,
    orthogonal: bool = True,
) -> Multisine:
    """As many experiments as drives, each drive with random phases, mixed so that they are orthogonal line by line.

    Parameters
    ----------
    amplitude : ndarray, shape (drive, line)
        Peak amplitude of each cosine. [m or rad]
    orthogonal : bool
        False draws new random phases for every experiment instead.
    """
    n_drives, n_lines = amplitude.shape
    if orthogonal:
        phase = np.exp(2j * np.pi * rng.random((n_drives, n_lines)))
        mix = mixing_matrix(n_drives)
        spectrum = 0.5 * amplitude.T[None] * phase.T[None] * mix.T[:, None, :]
    else:
        phase = np.exp(2j * np.pi * rng.random((n_drives, n_lines, n_drives)))
        spectrum = 0.5 * amplitude.T[None] * phase
    return _from_spectrum(spectrum, line_index, period, rate_hz, n_periods, settle_s, taper_s)


def interleaved_multisine(
    amplitude: Floats,
    *,
    line_index: NDArray[np.intp],
    period: int,
    rate_hz: float,
    n_periods: int,
    settle_s: float,
    taper_s: float,
    rng: np.random.Generator,
) -> Multisine:
    """One experiment in which every drive has its own lines, in turn: all columns of the FRF at one go, coarsely."""
    n_drives, n_lines = amplitude.shape
    phase = np.exp(2j * np.pi * rng.random((n_drives, n_lines)))
    own = (np.arange(n_lines)[None] % n_drives) == np.arange(n_drives)[:, None]
    spectrum = (0.5 * amplitude * phase * own).T[None]
    return _from_spectrum(spectrum, line_index, period, rate_hz, n_periods, settle_s, taper_s)


def _from_spectrum(
    spectrum: Complexes,
    line_index: NDArray[np.intp],
    period: int,
    rate_hz: float,
    n_periods: int,
    settle_s: float,
    taper_s: float,
) -> Multisine:
    n_experiments, _, n_drives = spectrum.shape
    full = np.zeros((n_experiments, n_drives, period // 2 + 1), dtype=np.complex128)
    full[:, :, line_index] = spectrum.transpose(0, 2, 1)
    wave = scipy.fft.irfft(full, period) * period
    settle, ending = round(settle_s * rate_hz), round(taper_s * rate_hz)
    total = settle + n_periods * period + ending
    index = (np.arange(total) - settle) % period
    taper = np.ones(total)
    taper[: total // 2] = rest_taper(total, rate_hz, min(taper_s * 2, settle_s))[: total // 2]
    taper[total // 2 :] = rest_taper(total, rate_hz, taper_s)[total // 2 :]
    return Multisine(
        samples=wave[:, :, index] * taper,
        spectrum=spectrum,
        line_index=line_index,
        period=period,
        settle=settle,
        n_periods=n_periods,
        rate_hz=rate_hz,
    )


def within_limits(signal: Multisine, limits: DriveLimits, *, most: float) -> float:
    """The factor (1 or less) that brings every experiment to at most the share `most` of every limit."""
    largest = max(use_of_limits(experiment, signal.rate_hz, limits).largest for experiment in signal.samples)
    return min(1.0, most / largest) if largest > 0 else 1.0


def scaled(signal: Multisine, factor: float) -> Multisine:
    """The same excitation times `factor`."""
    return Multisine(
        samples=signal.samples * factor,
        spectrum=signal.spectrum * factor,
        line_index=signal.line_index,
        period=signal.period,
        settle=signal.settle,
        n_periods=signal.n_periods,
        rate_hz=signal.rate_hz,
    )


def shaped_random(
    psd: Floats, freq_hz: Floats, *, duration_s: float, rate_hz: float, taper_s: float, rng: np.random.Generator
) -> Floats:
    """Independent Gaussian drives (drive, time) with one-sided spectral densities `psd` (drive, freq) [unit2/Hz]."""
    n = scipy.fft.next_fast_len(round(duration_s * rate_hz), real=True)
    f = scipy.fft.rfftfreq(n, 1 / rate_hz)
    white = rng.standard_normal((2, psd.shape[0], f.size))
    shape = np.stack([np.interp(f, freq_hz, row, left=0.0, right=0.0) for row in psd])
    spectrum = (white[0] + 1j * white[1]) * np.sqrt(shape * rate_hz * n / 4)
    signal = scipy.fft.irfft(spectrum, n)[:, : round(duration_s * rate_hz)]
    return np.asarray(signal * rest_taper(signal.shape[1], rate_hz, taper_s))


def drive_spectrum(gain: Floats, goal: Floats, *, rounds: int = 60) -> Floats:
    """Power of independent drives whose responses together come out near a goal, line by line.

    Minimises the Kullback-Leibler distance between ``gain @ power`` and `goal` by multiplicative steps, which keep
    powers positive (Lee and Seung, NIPS 2000, with the mixing known).

    Parameters
    ----------
    gain : ndarray, shape (freq, response, drive)
        Squared magnitude of the FRF, in weighted units.
    goal : ndarray, shape (freq, response)
        Wanted power of the responses, in the same weighted units.

    Returns
    -------
    ndarray, shape (freq, drive)
    """
    tiny = np.finfo(float).tiny
    column = np.maximum(gain.sum(axis=1), tiny)
    power = np.maximum(goal.sum(axis=1, keepdims=True) / np.maximum(gain.sum(axis=(1, 2))[:, None], tiny), tiny)
    power = np.repeat(power, gain.shape[2], axis=1)
    for _round in range(rounds):
        made = np.maximum((gain @ power[:, :, None])[:, :, 0], tiny)
        power *= np.einsum("fij,fi->fj", gain, goal / made) / column
    return power
