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
    one, none = kind(1), kind(0)
    piece = 2048
    # In short pieces that stay in the nearest cache: first the residual, then what each block needs of it.
    level = np.empty(piece + 6, values.dtype)
    away = np.empty(piece, values.dtype)
    equal = np.empty(piece, values.dtype)
    for start in range(0, size, piece):
        count = min(piece, size - start)
        if start >= 3 and start + piece + 3 <= size:
            # A view, because an index that may be below zero costs a branch for each sample.
            inner = values[start - 3 : start + piece + 3]
            for at in range(piece + 6):
                level[at] = inner[at] - middle
            raw = inner[3:]
            before = inner[2:]
            for at in range(piece):
                equal[at] = one if raw[at] == before[at] else none
        else:
            for at in range(count + 6):
                level[at] = values[min(max(start + at - 3, 0), size - 1)] - middle
            raw = values[start : start + count]
            for at in range(count):
                equal[at] = one if at + start > 0 and values[start + at] == values[max(start + at - 1, 0)] else none
        for at in range(piece):
            far = a20 * level[at + 3] - a15 * (level[at + 2] + level[at + 4])
            far += a6 * (level[at + 1] + level[at + 5]) - (level[at] + level[at + 6])
            away[at] = abs(far * over)
        if start == 0:
            away[:3] = 0
        for at in range(max(size - 3 - start, 0), piece):
            away[at] = 0
        block = start // 16
        whole = count // 16
        # Whole blocks have a loop of known length each, which the compiler unrolls.
        for n in range(whole):
            first = 16 * n
            most = least = raw[first]
            total = top = same = none
            for at in range(16):
                value = raw[first + at]
                most = max(most, value)
                least = min(least, value)
                top = max(top, away[first + at])
                total += away[first + at] * away[first + at]
                same += equal[first + at]
            high[block + n] = most
            low[block + n] = least
            residual[block + n] = top
            power[block + n] = total / 16
            alike[block + n] = np.uint8(same)
        if whole * 16 < count:
            first = 16 * whole
            most = least = raw[first]
            total = top = same = none
            for at in range(first, count):
                value = raw[at]
                most = max(most, value)
                least = min(least, value)
                top = max(top, away[at])
                total += away[at] * away[at]
                same += equal[at]
            high[block + whole] = most
            low[block + whole] = least
            residual[block + whole] = top
            power[block + whole] = total / 16
            alike[block + whole] = np.uint8(same)
