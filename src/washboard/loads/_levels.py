"""Level crossings, peaks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washboard.errors import DataError, InputError
from washboard.loads._samples import as_rows, check_finite


@dataclass(frozen=True, kw_only=True, slots=True)
class LevelCrossings:
    """How often each level is crossed.

    Parameters
    ----------
    levels : ndarray, shape (level,) or (channel, level)
        Ascending. [unit of the samples]
    up, down : ndarray of int, shape (channel, level)
        Crossings with positive and with negative slope. A sample that lies on a level counts as above it.
    reference : float
        Level from which `astm` tells above from below. [unit of the samples]
    """

    levels: NDArray[np.float64]
    up: NDArray[np.int64]
    down: NDArray[np.int64]
    reference: float

    @property
    def astm(self) -> NDArray[np.int64]:
        """Upward crossings at `reference` and above, downward ones below it, (channel, level) (ASTM E1049 5.1)."""
        return np.where(self.levels >= self.reference, self.up, self.down)


def level_crossings(samples: ArrayLike, levels: ArrayLike | int = 64, *, reference: float = 0.0) -> LevelCrossings:
    """Count the crossings of levels.

    Parameters
    ----------
    samples : array_like, shape (channel, time) or (time,)
    levels : array_like of float, or int
        Levels of all channels (ascending), or how many to space evenly between each channel's extremes.
    reference : float
        See `LevelCrossings`.

    Raises
    ------
    DataError
        Samples that are not finite, or fewer than two.

    References
    ----------
    ASTM E1049-85, clause 5.1.
    """
    rows = as_rows(samples, "Counting level crossings")
    check_finite(rows, "Counting level crossings")
    if isinstance(levels, (int, np.integer)):
        if levels < 1:
            raise InputError(f"at least one level is needed, not {levels}")
        low, high = rows.min(axis=1).astype(np.float64), rows.max(axis=1).astype(np.float64)
        grid = low[:, None] + (high - low)[:, None] * (np.arange(levels) + 0.5) / levels
    else:
        grid = np.asarray(levels, np.float64)
        if grid.ndim != 1 or grid.size == 0 or not (np.diff(grid) > 0).all():
            raise InputError("levels must be one row of ascending numbers")
    n = grid.shape[-1]
    up = np.zeros((rows.shape[0], n), np.int64)
    down = np.zeros_like(up)
    for number, row in enumerate(rows):
        if not row.size:
            raise DataError("no samples")
        own = grid[number] if grid.ndim == 2 else grid
        # Rank r: how many levels are at or below the sample; a step from rank a to b > a crosses levels a .. b-1.
        rank = np.searchsorted(own, row, side="right")
        before, after = rank[:-1], rank[1:]
        for total, rising in ((up[number], after > before), (down[number], after < before)):
            low_rank = np.minimum(before, after)[rising]
            high_rank = np.maximum(before, after)[rising]
            edges = np.bincount(low_rank, minlength=n + 1) - np.bincount(high_rank, minlength=n + 1)
            total[:] = np.cumsum(edges)[:n]
    return LevelCrossings(levels=grid, up=up, down=down, reference=reference)
