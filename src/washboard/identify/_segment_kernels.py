"""Compiled loops of the cross-spectra: segments cut and windowed, transformed, their products added up.

Two real segments make one complex one, eight of these are transformed at once: `packed` is (group of 16 segments, time,
real and imaginary part, 8). Segments are counted channel by channel, then by time; the spare ones of the last group are
empty. A library transforms one after the other and takes three times as long.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from washboard.identify._lanes import LANES, every, load, store, turned

#: Segments of a group, and floats of one of its moments or lines.
GROUP = 2 * LANES

#: Longest part of a group that is transformed to the end before the next: it stays in the first-level cache.
_NEAR = 256


@dataclass(frozen=True, kw_only=True, slots=True)
class Plan:
    """How segments of one length are transformed.

    Parameters
    ----------
    radices : ndarray, shape (stage,)
        Factors of the length.
    turns : ndarray, shape (n, 2)
        Cosine and minus sine of k/n of a turn.
    places : ndarray, shape (line, 2)
        Where a line and its mirror image stand after the transform, in the order in which they stand there.
    order : ndarray, shape (freq,)
        Which of these is at each frequency.
    """

    radices: NDArray[np.int64]
    turns: NDArray[np.floating]
    places: NDArray[np.int64]
    order: NDArray[np.int64]


def plan(n: int, kind: np.dtype[np.floating], n_freq: int) -> Plan:
    """For segments of `n` samples, a product of 2, 3 and 5, of which the first `n_freq` lines are wanted."""
    radices, rest = [], n
    for radix in (4, 2, 3, 5):
        while rest % radix == 0:
            radices.append(radix)
            rest //= radix
    if rest != 1:
        raise ValueError(f"{n} is no product of 2, 3 and 5")
    angle = 2 * np.pi * np.arange(n) / n
    # Decimation in frequency leaves lines with their digits reversed.
    line = np.zeros(1, np.int64)
    for radix in reversed(radices):
        line = (np.arange(radix)[:, None] + radix * line).ravel()
    kept = np.flatnonzero(line < n_freq)
    return Plan(
        radices=np.array(radices, np.int64),
        turns=np.stack([np.cos(angle), -np.sin(angle)], axis=1).astype(kind),
        places=np.stack([kept, np.argsort(line)[-line[kept] % n]], axis=1),
        order=np.argsort(line[kept]),
    )


@njit(nogil=True, fastmath={"reassoc", "contract"}, cache=True)
def spreads(signals):  # type: ignore[no-untyped-def]
    """Standard deviation of each row; not finite where a sample is not."""
    out = np.empty(signals.shape[0])
    for c in range(out.size):
        row, start, total, squares = signals[c], float(signals[c, 0]), 0.0, 0.0
        for t in range(row.size):
            off = row[t] - start
            total += off
            squares += off * off
        out[c] = np.sqrt(abs(squares / row.size - (total / row.size) ** 2))
    return out


@njit(nogil=True, fastmath=True, cache=True)
def pack(drive, response, factor, first, count, hop, window, packed):  # type: ignore[no-untyped-def]
    """`count` segments of all channels from the one numbered `first`, their means taken off, times `window`.

    ``factor`` (channel,) brings channels to like size: what rounding leaves of one would drown a much smaller one.
    """
    n_drives, n = drive.shape[0], window.size
    n_channels = n_drives + response.shape[0]
    rows = np.zeros(LANES * LANES, window.dtype)
    starts, means = np.empty(LANES, np.int64), np.empty(LANES, window.dtype)
    for half in range(2 * packed.shape[0]):
        place = half // 2 * packed.shape[1] * GROUP + half % 2 * LANES
        out = packed[half // 2, :, half % 2]
        used = min(LANES, count * n_channels - half * LANES)
        if used < LANES:
            rows[:] = 0
            out[:] = 0
        for i in range(used):
            s, c = divmod(half * LANES + i, n_channels)
            starts[i] = (first + s) * hop
            means[i] = (drive[c] if c < n_drives else response[c - n_drives])[starts[i] : starts[i] + n].mean()
        for t in range(0, n - LANES + 1, LANES):
            share = load(window, t)
            for i in range(used):
                c = (half * LANES + i) % n_channels
                at = starts[i] + t
                if c < n_drives:
                    part = load(drive, c * drive.shape[1] + at)
                else:
                    part = load(response, (c - n_drives) * drive.shape[1] + at)
                store(rows, i * LANES, (part - every(means[i])) * (share * every(factor[c])))
            moments = turned(
                (load(rows, 0), load(rows, 8), load(rows, 16), load(rows, 24),
                 load(rows, 32), load(rows, 40), load(rows, 48), load(rows, 56))
            )  # fmt: skip
            for k in range(LANES):
                store(packed, place + (t + k) * GROUP, moments[k])
        for i in range(used):
            c = (half * LANES + i) % n_channels
            for t in range(n - n % LANES, n):
                value = drive[c, starts[i] + t] if c < n_drives else response[c - n_drives, starts[i] + t]
                out[t, i] = (value - means[i]) * (window[t] * factor[c])


@njit(nogil=True, fastmath=True, cache=True)
def _fours(z, start, stop, size, turns):  # type: ignore[no-untyped-def]
    """Each `size` of z[start:stop] become four transforms of a quarter of it."""
    quarter, step = size // 4, turns.shape[0] // size
    for base in range(start, stop, size):
        for j in range(quarter):
            a = (base + j) * GROUP
            b, c, d = a + quarter * GROUP, a + 2 * quarter * GROUP, a + 3 * quarter * GROUP
            ar, br, cr, dr = load(z, a), load(z, b), load(z, c), load(z, d)
            ai, bi, ci, di = load(z, a + LANES), load(z, b + LANES), load(z, c + LANES), load(z, d + LANES)
            er, ei, fr, fi = ar + cr, ai + ci, ar - cr, ai - ci
            gr, gi, hr, hi = br + dr, bi + di, bi - di, dr - br
            store(z, a, er + gr)
            store(z, a + LANES, ei + gi)
            _turned_to(z, b, fr + hr, fi + hi, turns, j * step)
            _turned_to(z, c, er - gr, ei - gi, turns, 2 * j * step)
            _turned_to(z, d, fr - hr, fi - hi, turns, 3 * j * step)


@njit
def _turned_to(z, at, re, im, turns, k):  # type: ignore[no-untyped-def]
    cos, sin = every(turns[k, 0]), every(turns[k, 1])
    store(z, at, re * cos - im * sin)
    store(z, at + LANES, re * sin + im * cos)


@njit(nogil=True, fastmath=True, cache=True)
def _few(z, start, stop, size, radix, turns, old):  # type: ignore[no-untyped-def]
    """As `_fours` for any small `radix`; `old` is scratch."""
    n = turns.shape[0]
    part, step = size // radix, n // size
    zero = every(turns[0, 1])
    for base in range(start, stop, size):
        for j in range(part):
            for k in range(radix):
                at = (base + j + k * part) * GROUP
                store(old, k * GROUP, load(z, at))
                store(old, k * GROUP + LANES, load(z, at + LANES))
            for q in range(radix):
                re, im = zero, zero
                for k in range(radix):
                    turn = (q * k % radix * (n // radix) + j * q * step) % n
                    cos, sin = every(turns[turn, 0]), every(turns[turn, 1])
                    a, b = load(old, k * GROUP), load(old, k * GROUP + LANES)
                    re, im = re + (a * cos - b * sin), im + (a * sin + b * cos)
                at = (base + j + q * part) * GROUP
                store(z, at, re)
                store(z, at + LANES, im)


@njit(nogil=True, fastmath=True, cache=True)
def _stages(z, start, stop, size, radices, turns, old):  # type: ignore[no-untyped-def]
    for radix in radices:
        if radix == 4:
            _fours(z, start, stop, size, turns)
        else:
            _few(z, start, stop, size, radix, turns, old)
        size //= radix


@njit(nogil=True, fastmath=True, cache=True)
def transform(packed, radices, turns):  # type: ignore[no-untyped-def]
    """Fourier transform in place, decimation in frequency (Cooley and Tukey 1965; Gentleman and Sande 1966)."""
    n = turns.shape[0]
    old = np.empty(5 * GROUP, packed.dtype)
    size, top = n, 0
    while size > _NEAR:
        size //= radices[top]
        top += 1
    for g in range(packed.shape[0]):
        _stages(packed[g], 0, n, n, radices[:top], turns, old)
        for start in range(0, n, size):
            _stages(packed[g], start, start + size, size, radices[top:], turns, old)


@njit(nogil=True, fastmath=True, cache=True)
def accumulate(packed, count, n_channels, places, products, power):  # type: ignore[no-untyped-def]
    """Add up, of all channels, four times the products with each drive and the squares of `count` segments.

    ``products`` is (line, drive, real and imaginary part of channel times conj(drive), channel), ``power`` (line,
    channel), both with channels filled up to whole eights; what stands in the spare ones means nothing.
    """
    n, n_drives, width = packed.shape[1], products.shape[1], products.shape[3]
    # A last channel of a last segment is read eight at a time too.
    rows = packed.shape[0] * GROUP + width
    re, im = np.zeros(rows, packed.dtype), np.zeros(rows, packed.dtype)
    for line in range(places.shape[0]):
        # Of x + iy the even part is the spectrum of x, the odd one that of y.
        for g in range(packed.shape[0]):
            a, b = (g * n + places[line, 0]) * GROUP, (g * n + places[line, 1]) * GROUP
            ar, ai, br, bi = load(packed, a), load(packed, a + LANES), load(packed, b), load(packed, b + LANES)
            store(re, g * GROUP, ar + br)
            store(im, g * GROUP, ai - bi)
            store(re, g * GROUP + LANES, ai + bi)
            store(im, g * GROUP + LANES, br - ar)
        for low in range(0, width, LANES):
            total = load(power, line * width + low)
            for s in range(count):
                x, y = load(re, s * n_channels + low), load(im, s * n_channels + low)
                total = total + (x * x + y * y)
            store(power, line * width + low, total)
            for j in range(n_drives):
                at = (line * n_drives + j) * 2 * width + low
                same, crossed = load(products, at), load(products, at + width)
                for s in range(count):
                    x, y = load(re, s * n_channels + low), load(im, s * n_channels + low)
                    u, v = every(re[s * n_channels + j]), every(im[s * n_channels + j])
                    same, crossed = same + (x * u + y * v), crossed + (y * u - x * v)
                store(products, at, same)
                store(products, at + width, crossed)
