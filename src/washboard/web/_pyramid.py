"""What a screen can show of millions of samples: lowest and highest value per stretch, so that no peak is lost.

A pane is as wide as its pixels, so one stretch per pixel is enough. A long recording is read once into coarser levels
(lowest and highest of each 64 samples, and of each 1024); a short range is read straight from the samples.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Float32 = NDArray[np.float32]

#: Samples per stretch of the kept levels, finest first.
LEVELS = (64, 1024)


@dataclass(frozen=True, kw_only=True, slots=True)
class Outline:
    """One channel over one range of time.

    Parameters
    ----------
    first_s, step_s : float
        Time of the first stretch's start and length of a stretch; of the first sample and between samples where
        `whole` is true. [s]
    low, high : ndarray, shape (stretch,)
        Lowest and highest value, NaN where there is none.
    whole : bool
        Every sample is there: `low` and `high` are the same.
    """

    first_s: float
    step_s: float
    low: Float32
    high: Float32
    whole: bool


def stretches(values: NDArray[Any], edges: NDArray[np.intp]) -> tuple[Float32, Float32]:
    """Lowest and highest of `values` between each edge and the next (NaN is passed over where there is anything else).

    Parameters
    ----------
    values : ndarray, shape (time,)
        In any unit.
    edges : ndarray of int, shape (stretch + 1,)
        Rising; the last may be the length of `values`.
    """
    part = np.asarray(values[edges[0] : edges[-1]])
    starts = (edges - edges[0])[:-1]
    low, high = np.minimum.reduceat(part, starts), np.maximum.reduceat(part, starts)
    if np.isnan(low).any():
        low, high = np.fmin.reduceat(part, starts), np.fmax.reduceat(part, starts)
    return low.astype(np.float32, copy=False), high.astype(np.float32, copy=False)


class Pyramid:
    """The coarser levels of one recording, each channel's made when it is first looked at.

    Parameters
    ----------
    samples : ndarray or memmap, shape (channel, time)
        Not copied; may be larger than memory.
    rate_hz : float
        Sample rate. [Hz]
    """

    def __init__(self, samples: NDArray[Any], rate_hz: float) -> None:
        self._samples, self._rate_hz = samples, rate_hz
        self._levels: dict[int, list[tuple[Float32, Float32]]] = {}
        self._locks = [threading.Lock() for _row in range(samples.shape[0])]

    def levels(self, row: int) -> list[tuple[Float32, Float32]]:
        """Lowest and highest values of channel `row` per level; made on first use."""
        with self._locks[row]:
            if row not in self._levels:
                values, found = self._samples[row], []
                n = values.shape[0]
                low, high = stretches(values, np.append(np.arange(0, n, LEVELS[0]), n))
                found.append((low, high))
                ratio = LEVELS[1] // LEVELS[0]
                edges = np.append(np.arange(0, len(low), ratio), len(low))
                found.append((stretches(low, edges)[0], stretches(high, edges)[1]))
                self._levels[row] = found
            return self._levels[row]

    def bounds(self, row: int) -> tuple[float, float]:
        """Lowest and highest value of channel `row` over all time; (0, 0) when it holds none."""
        low, high = self.levels(row)[-1]
        if np.isnan(low).all():
            return 0.0, 0.0
        return float(np.nanmin(low)), float(np.nanmax(high))

    def outline(self, row: int, start_s: float, end_s: float, bins: int) -> Outline:
        """Channel `row` between two times in at most `bins` stretches, or every sample where there are few.

        Raises
        ------
        IndexError
            No such row.
        """
        n, rate = self._samples.shape[1], self._rate_hz
        first = max(0, int(np.floor(start_s * rate)))
        last = min(n, int(np.ceil(end_s * rate)) + 1)
        if last <= first:
            nothing = np.zeros(0, dtype=np.float32)
            return Outline(first_s=start_s, step_s=1 / rate, low=nothing, high=nothing, whole=True)
        count = last - first
        if count <= 2 * bins:
            values = np.asarray(self._samples[row, first:last], dtype=np.float32)
            return Outline(first_s=first / rate, step_s=1 / rate, low=values, high=values, whole=True)
        width = count / bins
        level = max((index for index, size in enumerate(LEVELS) if size <= width / 2), default=None)
        if level is None:
            edges = np.linspace(first, last, bins + 1).astype(np.intp)
            low, high = stretches(self._samples[row], edges)
        else:
            lows, highs = self.levels(row)[level]
            size = LEVELS[level]
            edges = np.linspace(first // size, min(len(lows), -(-last // size)), bins + 1).astype(np.intp)
            low, high = stretches(lows, edges)[0], stretches(highs, edges)[1]
            first, width = int(edges[0]) * size, (int(edges[-1]) - int(edges[0])) * size / bins
        return Outline(first_s=first / rate, step_s=width / rate, low=low, high=high, whole=False)
