"""One pass over a channel's samples: per block of 16 what spikes, clipping and stuck stretches are looked for in.

The pass is compiled and lets other threads run meanwhile. Only blocks that stand out are looked at sample by sample
afterwards, so that long recordings cost little more than reading them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.recording._recording import Samples

BLOCK = 16


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Scan:
    """What the pass found, per block of 16 samples (the rest that fills no block is in a last, short one).

    Parameters
    ----------
    middle : float
        Mean of the channel's beginning, taken off before differences are made.
    power : ndarray, shape (block,)
        Mean square of the residual (sixth difference over 20), in the channel's unit squared.
    residual : ndarray, shape (block,)
        Largest residual, without sign.
    high, low : ndarray, shape (block,)
        Largest and smallest sample.
    alike : ndarray of int, shape (block,)
        How many samples equal the one before.
    """

    middle: float
    power: Samples
    residual: Samples
    high: Samples
    low: Samples
    alike: NDArray[np.uint8]


def scan(samples: Samples) -> Scan | None:
    """The pass over a channel of shape (time,); None where samples are missing or infinite, or under 128 of them."""
    if samples.size < 8 * BLOCK or not np.isfinite(samples.sum()):
        return None
    values = np.ascontiguousarray(samples)
    middle = values[: min(values.size, 4096)].mean()
    count = -(-values.size // BLOCK)
    power, residual, high, low = (np.empty(count, dtype=values.dtype) for _ in range(4))
    alike = np.empty(count, dtype=np.uint8)
    # Compiled code comes with numba, which is imported when it is first needed.
    from washboard.recording._scan_kernel import scan_blocks

    scan_blocks(values, middle, power, residual, high, low, alike)
    return Scan(middle=float(middle), power=power, residual=residual, high=high, low=low, alike=alike)


def may_stick(found: Scan) -> bool:
    """Whether eight or more samples in a row may be alike: they lie in one block, or in two that touch."""
    alike = found.alike.astype(np.int16)
    return bool((alike[:-1] + alike[1:]).max(initial=0) >= 7)


def may_clip(found: Scan, samples: Samples, limits: tuple[float, float] | None) -> bool:
    """Whether samples reach the limits of sensor or converter, or four or more lie at the largest or smallest value."""
    high, low = float(found.high.max()), float(found.low.min())
    if limits is not None:
        margin = 1e-3 * (limits[1] - limits[0])
        if high >= limits[1] - margin or low <= limits[0] + margin:
            return True
    sliver = 2e-5 * (high - low)
    at_top = np.flatnonzero(found.high >= high - sliver)
    at_bottom = np.flatnonzero(found.low <= low + sliver)
    if at_top.size >= 4 or at_bottom.size >= 4:
        return True
    top = sum(int((samples[b * BLOCK : (b + 1) * BLOCK] >= high - sliver).sum()) for b in at_top)
    bottom = sum(int((samples[b * BLOCK : (b + 1) * BLOCK] <= low + sliver).sum()) for b in at_bottom)
    return max(top, bottom) >= 4
