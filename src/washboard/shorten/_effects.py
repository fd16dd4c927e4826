"""Effects: what shortening did to a recording besides its damage."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.errors import DataError
from washboard.loads import LevelCrossings, Psd, level_crossings, psd
from washboard.recording import Samples

_LEVELS = 64


@dataclass(frozen=True, kw_only=True, slots=True)
class Effects:
    """Original against shortened, per channel.

    Parameters
    ----------
    original_psd, shortened_psd : Psd
        Power spectral densities; shortened ones lie higher where calm stretches were left out.
    original_levels, shortened_levels : LevelCrossings
        Crossings of the same levels, spaced over the original's range.
    mean, rms, largest, smallest : ndarray, shape (2, channel)
        Mean, root mean square about it, highest and lowest sample: original, then shortened. [unit of the channel]
    duration_s : ndarray, shape (2,)
        Length of the original and of the shortened recording. [s]
    """

    original_psd: Psd
    shortened_psd: Psd
    original_levels: LevelCrossings
    shortened_levels: LevelCrossings
    mean: NDArray[np.float64]
    rms: NDArray[np.float64]
    largest: NDArray[np.float64]
    smallest: NDArray[np.float64]
    duration_s: NDArray[np.float64]

    @property
    def extremes_kept(self) -> NDArray[np.bool_]:
        """Whether a channel's highest and lowest samples are still there, shape (channel,)."""
        near = 1e-6 * np.maximum(self.largest[0] - self.smallest[0], 1e-300)
        kept: NDArray[np.bool_] = (np.abs(self.largest[1] - self.largest[0]) <= near) & (
            np.abs(self.smallest[1] - self.smallest[0]) <= near
        )
        return kept


def effects(original: Samples, shortened: Samples, rate_hz: float, *, block_s: float = 4.0) -> Effects:
    """Compare a shortened recording with its original.

    Parameters
    ----------
    original, shortened : ndarray, shape (channel, time)
    block_s : float
        Length of a spectral block; halved until it fits the shorter recording. [s]

    Raises
    ------
    DataError
        Different numbers of channels.
    """
    if original.shape[0] != shortened.shape[0]:
        raise DataError(f"{original.shape[0]} channels cannot be compared with {shortened.shape[0]}")
    while block_s * rate_hz > shortened.shape[1]:
        block_s /= 2
    low = original.min(axis=1).astype(np.float64)
    high = original.max(axis=1).astype(np.float64)
    pairs = (original, shortened)
    levels = [_levels(samples, low, high) for samples in pairs]
    return Effects(
        original_psd=psd(original, rate_hz, block_s=block_s),
        shortened_psd=psd(shortened, rate_hz, block_s=block_s),
        original_levels=levels[0],
        shortened_levels=levels[1],
        mean=np.array([[row.mean(dtype=np.float64) for row in samples] for samples in pairs]),
        rms=np.array([[row.std(dtype=np.float64) for row in samples] for samples in pairs]),
        largest=np.array([[float(row.max()) for row in samples] for samples in pairs]),
        smallest=np.array([[float(row.min()) for row in samples] for samples in pairs]),
        duration_s=np.array([samples.shape[1] / rate_hz for samples in pairs]),
    )


def _levels(samples: Samples, low: NDArray[np.float64], high: NDArray[np.float64]) -> LevelCrossings:
    """Crossings of levels spaced over each channel's range in the original."""
    width = np.where(high > low, high - low, 1.0)
    grid = low[:, None] + width[:, None] * (np.arange(_LEVELS) + 0.5) / _LEVELS
    counted = [level_crossings(row[None], own) for row, own in zip(samples, grid, strict=True)]
    return LevelCrossings(
        levels=grid,
        up=np.concatenate([one.up for one in counted]),
        down=np.concatenate([one.down for one in counted]),
        reference=0.0,
    )
