"""Power spectral densities by Welch's method, with their confidence."""

from __future__ import annotations

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
    rows = as_rows(samples, "A spectrum")
    check_finite(rows, "A spectrum")
    if not 0 <= overlap < 1:
        raise InputError(f"overlap must be from 0 up to, not including, 1, not {overlap!r}")
    block = round(block_s * rate_hz)
    if block < 4:
        raise InputError(f"a block of {block_s:g} s has only {block} samples at {rate_hz:g} Hz; make it longer")
    if rows.shape[1] < block:
        raise DataError(
            f"the recording lasts {rows.shape[1] / rate_hz:.3g} s, less than one spectral block of {block_s:g} s; "
            "shorten the block"
        )
    from scipy import fft, signal

    window = signal.windows.hann(block, sym=False)
    hop = max(1, round(block * (1 - overlap)))
    starts = np.arange(0, rows.shape[1] - block + 1, hop)
    total = np.zeros((rows.shape[0], block // 2 + 1))
    batch = max(1, 4_000_000 // (block * rows.shape[0]))
    for first in range(0, starts.size, batch):
        some = starts[first : first + batch]
        blocks = np.stack([rows[:, s : s + block] for s in some], axis=1).astype(np.float64)
        blocks -= blocks.mean(axis=2, keepdims=True)
        blocks *= window
        lines = fft.rfft(blocks, axis=2, overwrite_x=True)
        total += (lines.real**2 + lines.imag**2).sum(axis=1)
    total *= 2 / (rate_hz * np.sum(window**2) * starts.size)
    total[:, 0] /= 2
    if block % 2 == 0:
        total[:, -1] /= 2
    return Psd(
        frequency_hz=fft.rfftfreq(block, 1 / rate_hz),
        values=total,
        averages=_independent(window, hop, starts.size),
        resolution_hz=float(rate_hz * np.sum(window**2) / np.sum(window) ** 2),
    )


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
