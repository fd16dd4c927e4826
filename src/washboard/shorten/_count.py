"""Count: damage by stretches of any length, each cycle half in the stretch of either of its turning points."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from washboard.loads import rainflow
from washboard.recording import Samples


def damage_by_stretch(samples: Samples, edges: NDArray[np.int64], slopes: tuple[float, ...]) -> NDArray[np.float64]:
    """Pseudo-damage of each stretch ``edges[k]`` to ``edges[k + 1]``; the sum over stretches is that of the whole.

    Cycles are counted over the whole, with half cycles for the residue (ASTM E1049-85), so slow cycles are not lost.

    Parameters
    ----------
    samples : ndarray, shape (channel, time)
    edges : ndarray of int, shape (stretch + 1,)
        Ascending, from 0 to the number of samples.
    slopes : tuple of float
        Basquin slopes. [-]

    Returns
    -------
    ndarray, shape (channel, stretch, slope)
    """
    count = len(edges) - 1
    # Which stretch each sample lies in: one gather per turning point instead of a search.
    stretch = np.repeat(np.arange(count, dtype=np.int32), np.diff(edges))

    def one(row: NDArray[np.floating]) -> NDArray[np.float64]:
        cycles = rainflow(row)
        ranges, first, last = cycles.range, stretch[cycles.start_index], stretch[cycles.end_index]
        found = np.empty((count, len(slopes)))
        with np.errstate(divide="ignore"):
            logs = np.log(ranges)
        for place, slope in enumerate(slopes):
            half = 0.5 * cycles.count * np.exp(slope * logs)
            found[:, place] = np.bincount(first, half, count) + np.bincount(last, half, count)
        return found

    rows = list(samples)
    if samples.size < 1_000_000:
        return np.stack([one(row) for row in rows])
    with ThreadPoolExecutor(max_workers=min(4, os.cpu_count() or 1)) as pool:
        return np.stack(list(pool.map(one, rows)))
