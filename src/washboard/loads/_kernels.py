"""Compiled counting loops. Imported only where used, since the compiler is slow to import.

Cycles are taken by the four-point rule: a range that is not larger than both its neighbours closes a cycle. Its closed
cycles together with the residue counted as half cycles give the ASTM E1049 rainflow count by range.

Which cycles close does not depend on the order in which they are taken out. So every range that is smaller than the
one before it and not larger than the one after it can go at once: whole vector passes over the turning points take out
two thirds of them each, without a branch that depends on data, and a stack finishes what is left (own derivation;
tested against the stack alone and against other counters). Samples are taken in blocks that lie on fixed places of the
record, and sums are kept in eight lanes, so that a result does not depend on how a record came in pieces, nor on the
processor's vector width.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from washboard.loads._compiler import njit
from washboard.loads._vector import add_powers8, as_bits, as_double, distinct8, peel8, peel_run, turns8, turns_run

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

BLOCK = 1024
"""Samples taken at a time."""

ENOUGH = 4096
"""Turning points gathered before a peeling pass."""

SLACK = 32
"""Places beyond the end of a buffer that vector stores and loads may touch."""

FEW = 32
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
def peel_pass(t: F64, n: int, out: F64, ranges: F64, c: int) -> tuple[int, int]:
    """Take every locally smallest range out of t[:n], the rest to `out`; returns how many stay, and the new `c`."""
    out[0] = t[0]
    found = np.array([1, c, 0])
    steps = max(0, (n - 3) // 8)
    if steps > 0:
        peel_run(t, steps, out, ranges, found)
    k, c, carry = found[0], found[1], found[2]
    i = 1 + 8 * steps
    while i < n:
        kept = (1 << min(n - i, 8)) - 1
        chosen = (1 << max(min(n - 2 - i, 8), 0)) - 1
        done = peel8(t, i, out, k, ranges, c, carry, chosen, kept)
        k += done & 255
        c += (done >> 8) & 255
        carry = done >> 16
        i += 8
    return k, c


@njit(cache=True, nogil=True, error_model="numpy")
def raise_to(ranges: F64, n: int, power: float, out: F64) -> None:
    """ranges[:n] to any real power, to about 1e-14, in `out`: 2 to the power of (power times log2)."""
    for i in range(n):
        bits = as_bits(ranges[i])
        exponent = (bits >> 52) - 1023
        mantissa = as_double((bits & 0x000FFFFFFFFFFFFF) | 0x3FF0000000000000)
        # Bring the mantissa to [0.707, 1.414), where the series of atanh converges fast.
        high = mantissa > 1.4142135623730951
        mantissa = 0.5 * mantissa if high else mantissa
        exponent = exponent + 1 if high else exponent
        s = (mantissa - 1.0) / (mantissa + 1.0)
        q = s * s
        p = 1.0 / 21.0
        p = p * q + 1.0 / 19.0
        p = p * q + 1.0 / 17.0
        p = p * q + 1.0 / 15.0
        p = p * q + 1.0 / 13.0
        p = p * q + 1.0 / 11.0
        p = p * q + 1.0 / 9.0
        p = p * q + 1.0 / 7.0
        p = p * q + 1.0 / 5.0
        p = p * q + 1.0 / 3.0
        log2 = 2.885390081777926814 * (s + s * q * p)
        whole = power * exponent
        rest = power * log2
        # Round to the nearest integer by the grain of a large double; both parts apart keep the last digits.
        turn = (whole + rest + 6755399441055744.0) - 6755399441055744.0
        turn = min(max(turn, -1022.0), 1024.0)
        y = ((whole - turn) + rest) * 0.69314718055994530942
        y = min(max(y, -1.0), 1.0)
        e = 1.0 / 6227020800.0
        e = e * y + 1.0 / 479001600.0
        e = e * y + 1.0 / 39916800.0
        e = e * y + 1.0 / 3628800.0
        e = e * y + 1.0 / 362880.0
        e = e * y + 1.0 / 40320.0
        e = e * y + 1.0 / 5040.0
        e = e * y + 1.0 / 720.0
        e = e * y + 1.0 / 120.0
        e = e * y + 1.0 / 24.0
        e = e * y + 1.0 / 6.0
        e = e * y + 0.5
        e = e * y + 1.0
        e = e * y + 1.0
        out[i] = e * as_double((np.int64(turn) + 1023) << 52)


@njit(cache=True, nogil=True)
def add_damage(ranges: F64, c: int, slopes: F64, spare: F64, sums: F64) -> None:
    """Add ranges[:c] to the power of every slope to the eight lanes of each row of `sums`."""
    blocks = (c + 7) // 8
    for i in range(c, 8 * blocks):
        ranges[i] = 0.0
    for j in range(slopes.shape[0]):
        halves = np.int64(2.0 * slopes[j])
        if halves == 2.0 * slopes[j] and 2 <= halves < 64:
            add_powers8(ranges, blocks, halves, sums[j])
        else:
            raise_to(ranges, c, slopes[j], spare)
            for i in range(c, 8 * blocks):
                spare[i] = 0.0
            add_powers8(spare, blocks, 2, sums[j])


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
    stack: F64, depth: int, turns: F64, n: int, ranges: F64, c: int, slopes: F64, spare: F64, sums: F64
) -> tuple[F64, int, int, int]:
    """Push turning points on the stack, closed ranges to `ranges` (summed up when it is full).

    Returns the stack, its depth, `c`, and how many cycles were summed up on the way.
    """
    summed = 0
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
                add_damage(ranges, c, slopes, spare, sums)
                summed += c
                c = 0
            stack[depth - 3] = stack[depth - 1]
            depth -= 2
    return stack, depth, c, summed


@njit(cache=True, nogil=True)
def block_turns(x: NDArray[Any], i: int, j: int, state: F64, work: F64, turns: F64, k: int) -> int:
    """Append to `turns` those of the samples up to x[j-1] that are known, from x[i:j], to be turning points.

    `state` holds the last two different samples before x[i]. Returns the number in `turns`, or the place of the first
    sample that is not a number as ``-1 - place``.
    """
    first = k
    level = 0
    q = i
    rise = 1 if state[1] > state[0] else 0
    if i > 0:
        done = turns_run(x, q, (j - q) // 8, rise, turns, k)
        k = done >> 2
        level = done & 2
        q += (j - q) // 8 * 8
    if level == 0 and q > i:
        state[0] = x[q - 2]
        state[1] = x[q - 1]
    else:
        q = i
        k = first
    if q == j:
        return k
    # Plateaus, the head or the tail of an array: through a buffer of samples that all differ from their forerunner.
    work[0] = state[0]
    work[1] = state[1]
    m = 2
    if q == 0:
        if x[0] != x[0]:
            return -1
        if x[0] != work[1]:
            work[2] = x[0]
            m = 3
        q = 1
    while q + 8 <= j:
        done = distinct8(x, q, work, m)
        if done >= 256:
            break
        m += done
        q += 8
    while q < j:
        if x[q] != x[q]:
            return -1 - q
        if x[q] != x[q - 1]:
            work[m] = x[q]
            m += 1
        q += 1
    rise = 1 if work[1] > work[0] else 0
    q = 2
    while q < m:
        done = turns8(work, q, rise, (1 << min(m - q, 8)) - 1, turns, k)
        k += done & 255
        rise = (done >> 9) & 1
        q += 8
    state[0] = work[m - 2]
    state[1] = work[m - 1]
    return k


@njit(cache=True, nogil=True)
def peel(t: F64, n: int, other: F64, ranges: F64, c: int) -> tuple[F64, F64, int, int]:
    """Peel turning points until few are left or little is gained; returns them, the other buffer, their number, `c`."""
    while n > FEW:
        left, c = peel_pass(t, n, other, ranges, c)
        t, other = other, t
        little = (n - left) * 4 < n
        n = left
        if little:
            break
    return t, other, n, c


@njit(cache=True, nogil=True)
def leading(x: NDArray[Any], i: int, j: int, state: F64) -> int:
    """Skip the plateau a record begins with, up to x[j-1]; returns the place reached, or ``-1 - place`` of a NaN."""
    while i < j and x[i] == state[0]:
        i += 1
    if i < j:
        if x[i] != x[i]:
            return -1 - i
        state[1] = x[i]
        i += 1
    return i


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

    Parameters
    ----------
    x : samples; every piece but the last has a whole number of blocks
    last : whether the record ends here
    gate : hysteresis, 0 for none
    stack : turning points not yet closed
    state : the last two different samples, then the state of `gate_turns`
    counts : samples seen, depth of the stack, turning points waiting in `turns`, cycles closed
    turns : turning points waiting
    sums : shape (slope, 8)

    Returns
    -------
    The stack (it may have grown), and -1, or the place of the first sample that is not a number.
    """
    n = x.shape[0]
    work = np.empty(BLOCK + 2 + SLACK)
    one = np.empty(ENOUGH + BLOCK + SLACK)
    two = np.empty(ENOUGH + BLOCK + SLACK)
    ranges = np.empty(ENOUGH + BLOCK + SLACK)
    spare = np.empty(ENOUGH + BLOCK + SLACK)
    nowhere = np.empty(ENOUGH + BLOCK + SLACK if gate > 0 else 0, np.int64)
    seen, depth, k, closed = counts[0], counts[1], counts[2], counts[3]
    one[:k] = turns[:k]
    i = 0
    if seen == 0 and n > 0:
        if x[0] != x[0]:
            return stack, 0
        one[0] = x[0]
        k = 1
        state[0] = x[0]
        state[1] = x[0]
    while i < n:
        # Blocks end at fixed places of the record.
        j = min(n, i + BLOCK - seen % BLOCK)
        seen += j - i
        if state[0] == state[1]:
            i = leading(x, i, j, state)
            if i < 0:
                return stack, -1 - i
        if i < j:
            k = block_turns(x, i, j, state, work, one, k)
            if k < 0:
                return stack, -1 - k
        i = j
        if k >= ENOUGH:
            if gate > 0:
                k = gate_turns(one, nowhere, k, gate, state[2:])
            one, two, k, c = peel(one, k, two, ranges, 0)
            stack, depth, c, summed = stack_turns(stack, depth, one, k, ranges, c, slopes, spare, sums)
            add_damage(ranges, c, slopes, spare, sums)
            closed += c + summed
            k = 0
    if last:
        if state[0] != state[1]:
            one[k] = state[1]
            k += 1
        if gate > 0:
            k = gate_end(one, nowhere, gate_turns(one, nowhere, k, gate, state[2:]), state[2:])
        one, two, k, c = peel(one, k, two, ranges, 0)
        stack, depth, c, summed = stack_turns(stack, depth, one, k, ranges, c, slopes, spare, sums)
        add_damage(ranges, c, slopes, spare, sums)
        closed += c + summed
        k = 0
    turns[:k] = one[:k]
    counts[0], counts[1], counts[2], counts[3] = seen, depth, k, closed
    return stack, -1


@njit(cache=True, nogil=True)
def damage_of(x: NDArray[Any], gate: float, slopes: F64, sums: F64, counts: I64) -> tuple[F64, int]:
    """`count_damage` of a whole record from nothing."""
    turns = np.empty(ENOUGH + BLOCK + SLACK)
    return count_damage(x, True, gate, np.empty(4096), np.zeros(2 + GATE), counts, turns, slopes, sums)


@njit(cache=True, nogil=True)
def scatter(ranges: F64, first: I64, second: I64, c: int, share: float, slopes: F64, spare: F64, out: F64) -> None:
    """Book `share` of the damage of ranges[:c], half to either of two windows."""
    for s in range(slopes.shape[0]):
        raise_to(ranges, c, slopes[s], spare)
        for i in range(c):
            half = 0.5 * share * spare[i]
            out[first[i], s] += half
            out[second[i], s] += half


@njit(cache=True, nogil=True)
def damage_of_windows(x: NDArray[Any], window: int, split: bool, residue: float, slopes: F64, out: F64) -> int:
    """Damage of each window of a record in out[window, slope]; -1, or the place of a sample that is not a number.

    A piece never crosses a window, so that only cycles left to the stack need to know their windows. `residue` is the
    weight of the ranges of the residue.
    """
    n = x.shape[0]
    size = ENOUGH + BLOCK + SLACK
    work = np.empty(BLOCK + 2 + SLACK)
    one, two, ranges, spare = np.empty(size), np.empty(size), np.empty(size), np.empty(size)
    held, first, second = np.empty(size), np.empty(size, np.int64), np.empty(size, np.int64)
    stack, places = np.empty(4096), np.empty(4096, np.int64)
    sums = np.zeros((slopes.shape[0], 8))
    state = np.zeros(2)
    if x[0] != x[0]:
        return 0
    state[0] = x[0]
    state[1] = x[0]
    i = leading(x, 1, n, state)
    if i < 0:
        return -1 - i
    depth = 0
    if state[0] != state[1]:
        stack[0] = x[0]
        places[0] = (i - 2) // window
        depth = 1
    crossing = 0
    while i <= n and depth > 0:
        w = (i - 1) // window
        k = 0
        if i < n:
            # What is known after x[j-1] are turning points up to x[j-2], which lies in window w.
            j = min(min(i + BLOCK, n), (w + 1) * window + 1)
            k = block_turns(x, i, j, state, work, one, 0)
            if k < 0:
                return -1 - k
            i = j
        else:
            one[0] = state[1]
            k = 1
            i = n + 1
        one, two, k, c = peel(one, k, two, ranges, 0)
        if c > 0:
            sums[:] = 0.0
            add_damage(ranges, c, slopes, spare, sums)
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
    return -1
