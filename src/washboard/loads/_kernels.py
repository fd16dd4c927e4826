"""Compiled loops of the counting functions. Imported only where used, since the compiler is slow to import.

Cycles are taken by the four-point rule: a range that is not larger than both its neighbours closes a cycle. Its closed
cycles together with the residue counted as half cycles give the ASTM E1049 rainflow count by range.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]


@njit(cache=True, nogil=True)
def find_turns(x: NDArray[Any], values: F64, indices: I64) -> int:
    """Turning points of `x`, first and last sample included; a plateau counts at its first sample. Returns how many."""
    n = x.shape[0]
    values[0] = x[0]
    indices[0] = 0
    k = 1
    slope = 0
    last = x[0]
    at = 0
    for i in range(1, n):
        v = x[i]
        if v == last:
            continue
        s = 1 if v > last else -1
        if slope != 0 and s != slope:
            values[k] = last
            indices[k] = at
            k += 1
        slope = s
        last = v
        at = i
    if slope != 0:
        values[k] = last
        indices[k] = at
        k += 1
    return k


@njit(cache=True, nogil=True)
def gate_turns(values: F64, indices: I64, gate: float) -> int:
    """Drop, in place, turning points whose range does not exceed `gate` (hysteresis filter); returns how many stay."""
    n = values.shape[0]
    if n < 2:
        return int(n)
    k = 1
    direction = 0
    extreme = values[0]
    at = indices[0]
    for i in range(1, n):
        v = values[i]
        if direction == 0:
            if abs(v - values[0]) > gate:
                direction = 1 if v > values[0] else -1
                extreme = v
                at = indices[i]
        elif (v - extreme) * direction > 0:
            extreme = v
            at = indices[i]
        elif (extreme - v) * direction > gate:
            values[k] = extreme
            indices[k] = at
            k += 1
            direction = -direction
            extreme = v
            at = indices[i]
    if direction != 0:
        values[k] = extreme
        indices[k] = at
        k += 1
    return k


@njit(cache=True, nogil=True)
def close_cycles(values: F64, indices: I64, start: F64, end: F64, start_index: I64, end_index: I64) -> tuple[int, int]:
    """Take closed cycles out of turning points; the residue is left in front of `values` and `indices`.

    Returns the number of cycles and the length of the residue. Cycles stand in the order in which they close.
    """
    k = 0
    c = 0
    for i in range(values.shape[0]):
        values[k] = values[i]
        indices[k] = indices[i]
        k += 1
        while k >= 4:
            inner = abs(values[k - 2] - values[k - 3])
            if inner > abs(values[k - 1] - values[k - 2]) or inner > abs(values[k - 3] - values[k - 4]):
                break
            start[c] = values[k - 3]
            end[c] = values[k - 2]
            start_index[c] = indices[k - 3]
            end_index[c] = indices[k - 2]
            c += 1
            values[k - 3] = values[k - 1]
            indices[k - 3] = indices[k - 1]
            k -= 2
    return c, k
