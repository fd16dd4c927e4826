"""The compiled pass of `_scan`; apart from it so that numba is only imported where it is needed."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

# Reordering sums is what lets the compiler use wide registers; samples are known to be finite here.
_FAST = {"reassoc", "nsz", "nnan", "contract"}


@njit(cache=True, nogil=True, fastmath=_FAST)  # type: ignore[untyped-decorator]
def scan_blocks(
    values: Any, middle: Any, power: Any, residual: Any, high: Any, low: Any, alike: Any
) -> None:  # pragma: no cover - compiled
    """Fill the arrays of `Scan`, one entry per block of 16 samples."""
    size = values.size
    kind = values.dtype.type
    a15, a6, a20, over = kind(15), kind(6), kind(20), kind(0.05)
    piece = 4096
    # In short pieces that stay in the nearest cache: first the residual, then what each block needs of it.
    raw = np.empty(piece + 6, values.dtype)
    level = np.empty(piece + 6, values.dtype)
    away = np.empty(piece, values.dtype)
    equal = np.empty(piece, np.uint8)
    for start in range(0, size, piece):
        count = min(piece, size - start)
        if start >= 3 and start + piece + 3 <= size:
            # A view, because an index that may be below zero costs a branch for each sample.
            inner = values[start - 3 : start + piece + 3]
            for at in range(piece + 6):
                raw[at] = inner[at]
                level[at] = inner[at] - middle
        else:
            for at in range(count + 6):
                raw[at] = values[min(max(start + at - 3, 0), size - 1)]
                level[at] = raw[at] - middle
        for at in range(count):
            far = a20 * level[at + 3] - a15 * (level[at + 2] + level[at + 4])
            far += a6 * (level[at + 1] + level[at + 5]) - (level[at] + level[at + 6])
            away[at] = abs(far * over)
            equal[at] = raw[at + 3] == raw[at + 2]
        if start == 0:
            away[: min(3, count)] = 0
            equal[0] = 0
        for at in range(max(size - 3 - start, 0), count):
            away[at] = 0
        for first in range(0, count, 16):
            block = (start + first) // 16
            last = min(first + 16, count)
            most = least = raw[first + 3]
            total = top = kind(0)
            same = 0
            for at in range(first, last):
                value = raw[at + 3]
                most = value if value > most else most
                least = value if value < least else least
                total += away[at] * away[at]
                top = away[at] if away[at] > top else top
                same += equal[at]
            power[block] = total / 16
            residual[block] = top
            high[block] = most
            low[block] = least
            alike[block] = same
