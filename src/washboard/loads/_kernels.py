"""Compiled counting loops. Imported only where used, since the compiler is slow to import.

Cycles are taken by the four-point rule: a range that is not larger than both its neighbours closes a cycle. Its closed
cycles together with the residue counted as half cycles give the ASTM E1049 rainflow count by range.

Which cycles close does not depend on the order in which they are taken out. So every range that is smaller than the
one before it and not larger than the one after it can go at once: whole vector passes over the turning points take out
two thirds of them each, without a branch that depends on data, and a stack finishes what is left (own derivation;
tested against the stack alone and against other counters). Turning points are taken in batches of a fixed number, and
sums are kept in eight lanes, so that a result does not depend on how a record came in pieces, nor on the processor's
vector width.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from washboard.loads._compiler import njit
from washboard.loads._powers import add_powers8, add_real_powers8, raise8
from washboard.loads._vector import peel_run, turns_run

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

BLOCK = 4096
"""Samples taken at a time."""

ENOUGH = 4096
"""Turning points in a batch to peel, a multiple of 64."""

SLACK = 80
"""Places beyond the end of a buffer that vector stores and loads may touch."""

FEW = 12
"""Turning points that are not worth another pass."""


@njit(cache=True, nogil=True)
def more_turns(
    x: NDArray[Any], last: F64, slope: int, at: int, offset: int, values: F64, indices: I64
) -> tuple[int, int, int]:
    """Turning points that a piece of a record, from sample `offset` on, makes known.

    last[0] is the sample before it, `slope` how it was reached and `at` its place; all three go on to the next piece.
    Returns the number of turning points, slope and place.
    """
    k = 0
    value = last[0]
    for i in range(x.shape[0]):
        v = x[i]
        if v != value:
            s = 1 if v > value else -1
            if s != slope:
                values[k] = value
                indices[k] = at
                k += 1
            slope = s
            value = v
        at = offset + i
    last[0] = value
    return k, slope, at


@njit(cache=True, nogil=True)
def find_turns(x: NDArray[Any], values: F64, indices: I64) -> int:
    """Turning points of `x`, first and last sample included; a plateau counts at its last sample. Returns how many."""
    last = np.empty(1)
    last[0] = x[0]
    k, _, at = more_turns(x, last, 0, 0, 0, values, indices)
    values[k] = last[0]
    indices[k] = at
    return k + 1


GATE = 8
"""Numbers that the state of the gate holds."""


@njit(cache=True, nogil=True)
def gate_turns(values: F64, indices: I64, n: int, gate: float, state: F64) -> int:
    """Drop, in place, turning points whose range does not exceed `gate` (hysteresis filter); returns how many stay.

    `state` goes from piece to piece, zeros before the first: 1 once begun, direction, extreme and its place, and, until
    the record has moved by more than the gate, its lowest and highest values and their places. The first turning point
    is the extreme before that move. The extreme still open stays in `state` until `gate_end`.
    """
    k = 0
    if state[0] == 0.0 and n > 0:
        state[0] = 1.0
        state[4] = state[6] = values[0]
        state[5] = state[7] = indices[0]
    for i in range(n):
        v, at = values[i], indices[i]
        direction = state[1]
        if direction == 0.0:
            if v < state[4]:
                state[4], state[5] = v, at
            if v > state[6]:
                state[6], state[7] = v, at
            if state[6] - state[4] > gate:
                low = v == state[6]
                values[k] = state[4] if low else state[6]
                indices[k] = np.int64(state[5] if low else state[7])
                k += 1
                state[1] = 1.0 if low else -1.0
                state[2], state[3] = v, at
        elif (v - state[2]) * direction > 0.0:
            state[2], state[3] = v, at
        elif (state[2] - v) * direction > gate:
            values[k] = state[2]
            indices[k] = np.int64(state[3])
            k += 1
            state[1] = -direction
            state[2], state[3] = v, at
    return k


@njit(cache=True, nogil=True)
def gate_end(values: F64, indices: I64, k: int, state: F64) -> int:
    """Append the extreme still open when the record ends; returns how many turning points there are."""
    if state[0] == 0.0:
        return k
    moved = state[1] != 0.0
    values[k] = state[2] if moved else state[4]
    indices[k] = np.int64(state[3] if moved else state[5])
    return k + 1


@njit(cache=True, nogil=True)
def close_cycles(
    values: F64,
    indices: I64,
    depth: int,
    turns: F64,
    places: I64,
    start: F64,
    end: F64,
    start_index: I64,
    end_index: I64,
) -> tuple[int, int]:
    """Push turning points on a stack of `depth` in `values` and `indices`, and take out the cycles that close.

    Returns the number of cycles, in the order in which they close, and the depth of the stack.
    """
    k = depth
    c = 0
    for i in range(turns.shape[0]):
        values[k] = turns[i]
        indices[k] = places[i]
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


@njit(cache=True, nogil=True)
def add_damage(ranges: F64, c: int, slopes: F64, sums: F64) -> None:
    """Add ranges[:c] to the power of every slope to the eight lanes of each row of `sums`."""
    blocks = (c + 7) // 8
    for i in range(c, 8 * blocks):
        ranges[i] = 0.0
    for j in range(slopes.shape[0]):
        halves = np.int64(2.0 * slopes[j])
        if halves == 2.0 * slopes[j] and 2 <= halves < 64:
            add_powers8(ranges, blocks, halves, sums[j])
        else:
            add_real_powers8(ranges, blocks, slopes[j], sums[j])


@njit(cache=True, nogil=True)
def grown(values: F64, n: int) -> F64:
    """`values` in an array twice as long."""
    longer = np.empty(2 * values.shape[0], values.dtype)
    longer[:n] = values[:n]
    return longer


@njit(cache=True, nogil=True)
def grown_places(places: I64, n: int) -> I64:
    """`places` in an array twice as long."""
    longer = np.empty(2 * places.shape[0], np.int64)
    longer[:n] = places[:n]
    return longer


@njit(cache=True, nogil=True)
def stack_turns(
    stack: F64, depth: int, turns: F64, n: int, ranges: F64, c: int, slopes: F64, sums: F64
) -> tuple[F64, int, int]:
    """Push turning points on the stack, closed ranges to `ranges` (summed up when it is full).

    Returns the stack, its depth, and `c`.
    """
    while depth + n + 1 > stack.shape[0]:
        stack = grown(stack, depth)
    for i in range(n):
        stack[depth] = turns[i]
        depth += 1
        while depth >= 4:
            inner = abs(stack[depth - 2] - stack[depth - 3])
            if inner > abs(stack[depth - 1] - stack[depth - 2]) or inner > abs(stack[depth - 3] - stack[depth - 4]):
                break
            ranges[c] = inner
            c += 1
            if c == ranges.shape[0] - SLACK:
                add_damage(ranges, c, slopes, sums)
                c = 0
            stack[depth - 3] = stack[depth - 1]
            depth -= 2
    return stack, depth, c


@njit(cache=True, nogil=True)
def block_turns(x: NDArray[Any], i: int, j: int, state: F64, out: F64, found: I64, check: F64) -> int:
    """Append to out[found[0]:] those of the samples up to x[j-2] that x[i:j] shows to be turning points.

    Returns how many are in `out`. `state` is the last sample before x[i], and whether it is above its forerunner: 1, 0,
    or -1 as long as the record has not moved. A plateau on the way up gives two equal turning points. `check` is that
    of `turns_run`.
    """
    value, rise = state[0], state[1]
    q = i
    while q < j and rise < 0.0:
        if x[q] != value:
            rise = 1.0 if x[q] > value else 0.0
            value = x[q]
            check[0] += value
        q += 1
    found[1] = np.int64(rise)
    if q == 0 and q < j:
        above = x[0] > value
        out[found[0]] = value
        found[0] += above != (found[1] == 1)
        found[1] = above
        check[0] += x[0]
        q = 1
    # The vector loop reads on to the next whole word.
    n = j - q if j + 64 <= x.shape[0] else (j - q) // 64 * 64
    if n > 0:
        turns_run(x, q, n, out, found, check)
        q += n
    k = found[0]
    risen = found[1] == 1
    while q < j:
        above = x[q] > x[q - 1]
        out[k] = x[q - 1]
        k += above != risen
        risen = above
        check[0] += x[q]
        q += 1
    if rise >= 0.0:
        state[0] = x[j - 1] if j > i else state[0]
        state[1] = 1.0 if risen else 0.0
    return int(k)


@njit(cache=True, nogil=True)
def bad_sample(x: NDArray[Any], check: F64) -> int:
    """Place of the first sample that is not a finite number, -1 for none; `check` is a sum that tells at once."""
    if np.isfinite(np.sum(check)):
        return -1
    for i in range(x.shape[0]):
        if not np.isfinite(x[i]):
            return i
    return -1


@njit(cache=True, nogil=True)
def peel(t: F64, n: int, ranges: F64, c: int) -> tuple[int, int]:
    """Peel turning points in place until few are left or little is gained; returns their number and `c`."""
    found = np.array([0, c])
    while n > FEW:
        peel_run(t, n, ranges, found)
        little = (n - found[0]) * 8 < n
        n = found[0]
        if little:
            break
    return n, found[1]


@njit(cache=True, nogil=True)
def close_turns(stack: F64, depth: int, turns: F64, n: int, ranges: F64, slopes: F64, sums: F64) -> tuple[F64, int]:
    """Peel turning points, push what stays on the stack, sum the damage; returns the stack and its depth."""
    n, c = peel(turns, n, ranges, 0)
    stack, depth, c = stack_turns(stack, depth, turns, n, ranges, c, slopes, sums)
    add_damage(ranges, c, slopes, sums)
    return stack, depth


@njit(cache=True, nogil=True)
def aligned(x: NDArray[Any]) -> int:
    """First sample, beyond the first few, at which reading in whole vectors crosses no line of the memory."""
    size = x.itemsize
    return int(64 + (64 - x.ctypes.data % 64) % 64 // size)


@njit(cache=True, nogil=True)
def count_damage(
    x: NDArray[Any],
    last: bool,
    gate: float,
    stack: F64,
    state: F64,
    counts: I64,
    turns: F64,
    slopes: F64,
    sums: F64,
) -> tuple[F64, int]:
    """Count a piece of a record: sums of ranges to the power of each slope over the cycles that close.

    Turning points are peeled whenever there are `ENOUGH` of them, so that sums come in the same order whatever the
    pieces.

    Parameters
    ----------
    x : samples
    last : whether the record ends here
    gate : hysteresis, 0 for none
    stack : turning points not yet closed
    state : that of `block_turns`, then that of `gate_turns`
    counts : samples seen, depth of the stack, turning points waiting in `turns`
    turns : turning points waiting, fewer than `ENOUGH`
    sums : shape (slope, 8)

    Returns
    -------
    The stack (it may have grown), and -1, or the place of the first sample that is not a finite number.
    """
    n = x.shape[0]
    one = np.empty(ENOUGH + BLOCK + SLACK)
    ranges = np.empty(ENOUGH + SLACK)
    check, found = np.zeros(8), np.zeros(2, np.int64)
    nowhere = np.empty(BLOCK if gate > 0 else 0, np.int64)
    depth, k = counts[1], counts[2]
    one[:k] = turns[:k]
    i = 0
    if counts[0] == 0 and n > 0:
        one[0] = state[0] = check[0] = x[0]
        state[1] = -1.0
        k = 1
        if gate > 0:
            k = gate_turns(one, nowhere, k, gate, state[2:])
        i = 1
    counts[0] += n
    j = min(n, aligned(x))
    while i < n:
        fresh = k
        found[0] = k
        k = block_turns(x, i, j, state, one, found, check)
        if gate > 0:
            k = fresh + gate_turns(one[fresh:], nowhere, k - fresh, gate, state[2:])
        i = j
        j = min(n, i + BLOCK)
        if k >= ENOUGH:
            stack, depth = close_turns(stack, depth, one, ENOUGH, ranges, slopes, sums)
            for q in range(ENOUGH, k):
                one[q - ENOUGH] = one[q]
            k -= ENOUGH
    if last:
        if gate > 0:
            one[k] = state[0]
            k += gate_turns(one[k:], nowhere, 1, gate, state[2:])
            k = gate_end(one, nowhere, k, state[2:])
        elif depth + k > 0 and state[1] >= 0.0 and state[0] != (one[k - 1] if k > 0 else stack[depth - 1]):
            one[k] = state[0]
            k += 1
        if k >= ENOUGH:
            stack, depth = close_turns(stack, depth, one, ENOUGH, ranges, slopes, sums)
            for q in range(ENOUGH, k):
                one[q - ENOUGH] = one[q]
            k -= ENOUGH
        stack, depth = close_turns(stack, depth, one, k, ranges, slopes, sums)
        k = 0
    turns[:k] = one[:k]
    counts[1], counts[2] = depth, k
    return stack, bad_sample(x, check)


@njit(cache=True, nogil=True)
def damage_of(x: NDArray[Any], gate: float, slopes: F64, sums: F64) -> tuple[F64, int]:
    """`count_damage` of a whole record from nothing; the stack that is left, and a sample that is not finite or -1."""
    counts = np.zeros(3, np.int64)
    stack, bad = count_damage(x, True, gate, np.empty(1024), np.zeros(2 + GATE), counts, np.empty(0), slopes, sums)
    return stack[: counts[1]], bad


@njit(cache=True, nogil=True)
def scatter(ranges: F64, first: I64, second: I64, c: int, share: float, slopes: F64, spare: F64, out: F64) -> None:
    """Book `share` of the damage of ranges[:c], half to either of two windows."""
    blocks = (c + 7) // 8
    for i in range(c, 8 * blocks):
        ranges[i] = 0.0
    for s in range(slopes.shape[0]):
        raise8(ranges, blocks, slopes[s], spare)
        for i in range(c):
            half = 0.5 * share * spare[i]
            out[first[i], s] += half
            out[second[i], s] += half


@njit(cache=True, nogil=True)
def piece_end(x: NDArray[Any], i: int, window: int) -> int:
    """End of a piece from x[i] on whose turning points all lie in one window: one sample into the next at most.

    It does not end within a plateau, as that turns where it ends.
    """
    j = min(min(i + BLOCK, x.shape[0]), ((i - 1) // window + 1) * window + 1)
    while j > i + 1 and x[j - 1] == x[j - 2]:
        j -= 1
    return int(j)


@njit(cache=True, nogil=True)
def damage_of_windows(x: NDArray[Any], window: int, split: bool, residue: float, slopes: F64, out: F64) -> int:
    """Damage of each window of a record in out[window, slope]; -1, or the place of a sample that is not finite.

    A piece never crosses a window, so that only cycles left to the stack need to know their windows. `residue` is the
    weight of the ranges of the residue.
    """
    n = x.shape[0]
    size = BLOCK + SLACK
    one, ranges, spare, held = np.empty(size), np.empty(size), np.empty(size), np.empty(size)
    first, second = np.empty(size, np.int64), np.empty(size, np.int64)
    stack, places = np.empty(4096), np.empty(4096, np.int64)
    sums, check, state = np.zeros((slopes.shape[0], 8)), np.zeros(8), np.zeros(2)
    found = np.zeros(2, np.int64)
    state[0] = check[0] = x[0]
    state[1] = -1.0
    depth, crossing, i = 0, 0, 1
    while i <= n:
        while i < n and x[i] == state[0]:
            i += 1
        w = (i - 1) // window
        k = 0
        if depth == 0:
            # A record that never moves does no damage.
            stack[0], places[0], depth = x[0], w, 1
        if i < n:
            j = piece_end(x, i, window)
            found[0] = 0
            k = block_turns(x, i, j, state, one, found, check)
            i = j
        else:
            one[0] = state[0]
            k = 1 if state[1] >= 0.0 else 0
            i = n + 1
        k, c = peel(one, k, ranges, 0)
        if c > 0:
            sums[:] = 0.0
            add_damage(ranges, c, slopes, sums)
            for s in range(slopes.shape[0]):
                out[w, s] += np.sum(sums[s])
        if depth + k + 1 > stack.shape[0]:
            stack = grown(stack, depth)
            places = grown_places(places, depth)
        for q in range(k):
            stack[depth] = one[q]
            places[depth] = w
            depth += 1
            while depth >= 4:
                inner = abs(stack[depth - 2] - stack[depth - 3])
                if inner > abs(stack[depth - 1] - stack[depth - 2]):
                    break
                if inner > abs(stack[depth - 3] - stack[depth - 4]):
                    break
                held[crossing] = inner
                second[crossing] = places[depth - 2]
                first[crossing] = places[depth - 3] if split else places[depth - 2]
                stack[depth - 3] = stack[depth - 1]
                places[depth - 3] = places[depth - 1]
                depth -= 2
                crossing += 1
                if crossing == size - SLACK:
                    scatter(held, first, second, crossing, 1.0, slopes, spare, out)
                    crossing = 0
    scatter(held, first, second, crossing, 1.0, slopes, spare, out)
    if residue > 0.0:
        for q in range(depth - 1):
            ranges[0] = abs(stack[q + 1] - stack[q])
            first[0] = places[q] if split else places[q + 1]
            second[0] = places[q + 1]
            scatter(ranges, first, second, 1, residue, slopes, spare, out)
    return bad_sample(x, check)
