"""Compiled loop of the damage spectrum: eight oscillators at once, their responses counted block by block."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from washboard.loads._compiler import njit
from washboard.loads._kernels import (
    BLOCK,
    ENOUGH,
    SLACK,
    add_damage,
    peel,
    stack_turns,
)
from washboard.loads._vector_oscillators import lowest_bit, oscillate_run, rises_run

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

SPAN = 512
"""Samples that the oscillators answer at a time; eight rows of them stay in the fastest memory."""


@njit(cache=True, nogil=True, error_model="numpy")
def vertices(before: F64, here: F64, after: F64, n: int, out: F64) -> None:
    """Peaks between samples: top of the parabola through each turning point and its neighbours."""
    for i in range(n):
        difference = after[i] - before[i]
        bend = (here[i] - before[i]) + (here[i] - after[i])
        lift = difference * difference / (8.0 * bend)
        out[i] = here[i] + (lift if bend != 0.0 else 0.0)


@njit(cache=True, nogil=True)
def peaks_of(row: F64, n: int, words: I64, before: F64, here: F64, after: F64) -> int:
    """Turning points among row[1:n+1], each with its two neighbours, to three arrays; returns how many.

    Responses turn seldom, so that turning points are taken one by one out of words of 64 comparisons.
    """
    count = n // 64 + 1
    rises_run(row, 1, count, words)
    words[count] = 0
    k = 0
    for w in range(count):
        rises = words[w]
        turns = rises ^ (((rises >> 1) & 0x7FFFFFFFFFFFFFFF) | (words[w + 1] << 63))
        if w == count - 1:
            turns &= (1 << (n % 64)) - 1
        while turns != 0:
            q = 64 * w + lowest_bit(turns)
            turns &= turns - 1
            before[k] = row[q]
            here[k] = row[q + 1]
            after[k] = row[q + 2]
            k += 1
    return k


@njit(cache=True, nogil=True)
def respond(x: F64, i: int, n: int, factors: F64, state: F64, rows: F64, width: int) -> None:
    """Responses to x[i:i+n] to the rows, from column 2 on."""
    steps = n // 8
    if steps > 0:
        oscillate_run(x, i, steps, factors, state, rows, width, 2)
    for t in range(8 * steps, n):
        x0 = x[i + t]
        for lane in range(8):
            y = factors[lane] * x0 + factors[8 + lane] * state[16 + lane] + factors[16 + lane] * state[24 + lane]
            y += factors[24 + lane] * state[lane] + factors[32 + lane] * state[8 + lane]
            state[8 + lane] = state[lane]
            state[lane] = y
            rows[lane * width + 2 + t] = y
        for lane in range(8):
            state[24 + lane] = state[16 + lane]
            state[16 + lane] = x0


@njit(cache=True, nogil=True)
def count_responses(
    x: F64,
    last: bool,
    factors: F64,
    state: F64,
    tails: F64,
    stacks: F64,
    depths: I64,
    waiting: F64,
    waits: I64,
    slopes: F64,
    sums: F64,
    peaks: F64,
) -> F64:
    """Drive eight oscillators with a piece of a record and count their responses.

    `tails` (8, 2) are the last two responses, `waiting` (8, ...) turning points not yet peeled, `sums` (8, slope, 8).
    `peaks` are the largest responses either way so far. Returns the stacks, which may have grown.
    """
    width = SPAN + 2 + SLACK
    rows = np.zeros(8 * width)
    one, ranges = np.empty(ENOUGH + BLOCK + SLACK), np.empty(ENOUGH + BLOCK + SLACK)
    a, b, c = np.empty(SPAN + SLACK), np.empty(SPAN + SLACK), np.empty(SPAN + SLACK)
    words = np.empty(SPAN // 64 + 2, np.int64)
    for lane in range(8):
        rows[lane * width] = tails[lane, 0]
        rows[lane * width + 1] = tails[lane, 1]
    i = 0
    while i < x.shape[0]:
        n = min(SPAN, x.shape[0] - i)
        respond(x, i, n, factors, state, rows, width)
        i += n
        for lane in range(8):
            row = rows[lane * width : (lane + 1) * width]
            found = peaks_of(row, n, words, a, b, c)
            k = waits[lane]
            vertices(a, b, c, found, waiting[lane, k:])
            k += found
            row[0] = row[n]
            row[1] = row[n + 1]
            ends = last and i == x.shape[0]
            if ends:
                waiting[lane, k] = row[1]
                k += 1
            if k >= ENOUGH or ends:
                one[:k] = waiting[lane, :k]
                for q in range(k):
                    peaks[lane] = max(peaks[lane], abs(one[q]))
                k, closed = peel(one, k, ranges, 0)
                depth = depths[lane]
                if depth + k + 2 > stacks.shape[1]:
                    longer = np.empty((8, 2 * (depth + k) + 64))
                    longer[:, : stacks.shape[1]] = stacks
                    stacks = longer
                _, depth, closed = stack_turns(stacks[lane], depth, one, k, ranges, closed, slopes, sums[lane])
                depths[lane] = depth
                add_damage(ranges, closed, slopes, sums[lane])
                k = 0
            waits[lane] = k
    for lane in range(8):
        tails[lane, 0] = rows[lane * width]
        tails[lane, 1] = rows[lane * width + 1]
    return stacks
