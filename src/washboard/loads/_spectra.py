"""Power spectral densities by Welch's method, with their confidence."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washboard.errors import DataError, InputError
from washboard.loads._samples import as_rows, check_finite


@dataclass(frozen=True, kw_only=True, slots=True)
class Psd:
    """One-sided power spectral densities of several channels.

    Parameters
    ----------
    frequency_hz : ndarray, shape (frequency,)
        [Hz]
    values : ndarray, shape (channel, frequency)
        [unit of the samples squared per Hz]
    averages : float
        Independent averages the estimate is worth: fewer than the blocks when they overlap.
    resolution_hz : float
        Effective noise bandwidth of a line. [Hz]
    """

    frequency_hz: NDArray[np.float64]
    values: NDArray[np.float64]
    averages: float
    resolution_hz: float

    def interval(self, confidence: float = 0.95) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Lower and upper bounds of the true density, by chi-square with two degrees of freedom per average.

        Bendat and Piersol, Random Data, ch. 8.
        """
        from scipy import stats

        free = 2 * self.averages
        low, high = (free / float(stats.chi2.ppf(p, free)) for p in (0.5 + confidence / 2, 0.5 - confidence / 2))
        return self.values * low, self.values * high

    def rms(self, low_hz: float = 0.0, high_hz: float = np.inf) -> NDArray[np.float64]:
        """Root mean square of the content from `low_hz` to `high_hz`, shape (channel,). [unit of the samples]"""
        inside = (self.frequency_hz >= low_hz) & (self.frequency_hz <= high_hz)
        return np.asarray(np.sqrt(self.values[:, inside].sum(axis=1) * (self.frequency_hz[1] - self.frequency_hz[0])))


def psd(samples: ArrayLike, rate_hz: float, *, block_s: float = 8.0, overlap: float = 0.5) -> Psd:
    """Power spectral density by Welch's method: Hann window, mean of each block removed.

    Parameters
    ----------
    samples : array_like, shape (channel, time) or (time,)
    rate_hz : float
        Sample rate. [Hz]
    block_s : float
        Length of a block; lines lie 1/block_s apart. [s]
    overlap : float
        Share by which blocks overlap. [-]

    Raises
    ------
    DataError
        The recording is shorter than a block, or has samples that are not finite.

    References
    ----------
    Welch 1967, IEEE Trans. Audio Electroacoust. 15, 70-73.
    """
    frames = _Frames(samples, rate_hz, block_s, overlap)
    total = np.zeros((frames.rows.shape[0], frames.n_lines))
    for lines in frames:
        total += (lines.real**2 + lines.imag**2).sum(axis=1)
    return Psd(
        frequency_hz=frames.frequency_hz,
        values=total * frames.scale,
        averages=frames.averages,
        resolution_hz=float(rate_hz * np.sum(frames.window**2) / np.sum(frames.window) ** 2),
    )


class _Frames:
    """Spectral lines of windowed blocks, a few blocks at a time: arrays of shape (channel, block, line)."""

    def __init__(self, samples: ArrayLike, rate_hz: float, block_s: float, overlap: float) -> None:
        from scipy import fft, signal

        self.rows = as_rows(samples, "A spectrum")
        check_finite(self.rows, "A spectrum")
        if not 0 <= overlap < 1:
            raise InputError(f"overlap must be from 0 up to, not including, 1, not {overlap!r}")
        block = round(block_s * rate_hz)
        if block < 4:
            raise InputError(f"a block of {block_s:g} s has only {block} samples at {rate_hz:g} Hz; make it longer")
        if self.rows.shape[1] < block:
            raise DataError(
                f"the recording lasts {self.rows.shape[1] / rate_hz:.3g} s, less than one spectral block of "
                f"{block_s:g} s; shorten the block"
            )
        self.window = signal.windows.hann(block, sym=False)
        hop = max(1, round(block * (1 - overlap)))
        self._starts = np.arange(0, self.rows.shape[1] - block + 1, hop)
        self.n_lines = block // 2 + 1
        self.frequency_hz = fft.rfftfreq(block, 1 / rate_hz)
        self.averages = _independent(self.window, hop, self._starts.size)
        self.scale = np.full(self.n_lines, 2 / (rate_hz * np.sum(self.window**2) * self._starts.size))
        self.scale[0] /= 2
        if block % 2 == 0:
            self.scale[-1] /= 2

    def __iter__(self) -> Iterator[NDArray[np.complex128]]:
        from scipy import fft

        block = self.window.size
        batch = max(1, 4_000_000 // (block * self.rows.shape[0]))
        for first in range(0, self._starts.size, batch):
            some = self._starts[first : first + batch]
            blocks = np.stack([self.rows[:, s : s + block] for s in some], axis=1).astype(np.float64)
            blocks -= blocks.mean(axis=2, keepdims=True)
            blocks *= self.window
            yield fft.rfft(blocks, axis=2, overwrite_x=True)


def _independent(window: NDArray[np.float64], hop: int, blocks: int) -> float:
    """Number of independent averages that `blocks` overlapping ones are worth (Welch 1967)."""
    correlation = 0.0
    for step in range(1, blocks):
        shift = step * hop
        if shift >= window.size:
            break
        rho = float(np.sum(window[shift:] * window[:-shift]) / np.sum(window**2)) ** 2
        correlation += 2 * rho * (blocks - step) / blocks
    return blocks / (1 + correlation)


@dataclass(frozen=True, kw_only=True, slots=True)
class CrossSpectra:
    """Cross-spectral densities of all pairs of channels.

    Parameters
    ----------
    frequency_hz : ndarray, shape (frequency,)
        [Hz]
    values : ndarray of complex, shape (frequency, channel, channel)
        Entry [f, i, j] is the mean of X_i(f) times the conjugate of X_j(f): its phase is that by which i leads j.
        [units of the two samples per Hz]
    averages : float
        Independent averages the estimate is worth.
    """

    frequency_hz: NDArray[np.float64]
    values: NDArray[np.complex128]
    averages: float

    @property
    def coherence(self) -> NDArray[np.float64]:
        """Ordinary coherence of all pairs, shape (frequency, channel, channel). [-]"""
        power = np.einsum("fii->fi", self.values).real
        scale = power[:, :, None] * power[:, None, :]
        return np.abs(self.values) ** 2 / np.where(scale > 0, scale, 1.0)

    def coherence_by_chance(self, confidence: float = 0.95) -> float:
        """Coherence that two unrelated records stay below with this confidence (Carter 1987, Proc. IEEE 75). [-]"""
        return float(1 - (1 - confidence) ** (1 / max(self.averages - 1, 1e-9)))

    def coherence_interval(self, confidence: float = 0.95) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Lower and upper bounds of the coherence, by Fisher's transform (Bendat and Piersol, Random Data, ch. 9)."""
        from scipy import stats

        root = np.clip(np.sqrt(self.coherence), 0.0, 1 - 1e-12)
        half = float(stats.norm.ppf(0.5 + confidence / 2)) / np.sqrt(max(2 * self.averages - 2, 1e-9))
        centre = np.arctanh(root)
        return np.tanh(np.maximum(centre - half, 0.0)) ** 2, np.tanh(centre + half) ** 2


def cross_spectra(samples: ArrayLike, rate_hz: float, *, block_s: float = 8.0, overlap: float = 0.5) -> CrossSpectra:
    """Cross-spectral densities of all pairs of channels; blocks, window and errors as for `psd`.

    The diagonal is the one-sided PSD.
    """
    frames = _Frames(samples, rate_hz, block_s, overlap)
    total = np.zeros((frames.n_lines, frames.rows.shape[0], frames.rows.shape[0]), np.complex128)
    for lines in frames:
        by_line = lines.transpose(2, 0, 1)
        total += by_line @ by_line.conj().transpose(0, 2, 1)
    total *= frames.scale[:, None, None]
    return CrossSpectra(frequency_hz=frames.frequency_hz, values=total, averages=frames.averages)
