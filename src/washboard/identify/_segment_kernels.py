"""Compiled loops of the cross-spectra: segments cut and windowed, their products added up."""

from __future__ import annotations

from numba import njit


@njit(nogil=True, fastmath=True, cache=True)
def windowed(signals, first, hop, window, buffer, row):  # type: ignore[no-untyped-def]
    """Segments of `signals` (channel, time), mean taken off, times `window`, into buffer[row:, segment, :]."""
    n = window.size
    for c in range(signals.shape[0]):
        for s in range(buffer.shape[1]):
            start = (first + s) * hop
            part, out = signals[c, start : start + n], buffer[row + c, s]
            mean = window[0] * 0
            for t in range(n):
                mean += part[t]
            mean /= n
            for t in range(n):
                out[t] = (part[t] - mean) * window[t]


@njit(nogil=True, fastmath=True, cache=True)
def _products(a, i, a_low, b, j, b_low, out):  # type: ignore[no-untyped-def]
    """Add a[i] times b[j], float by float, over all segments; four segments at a time, so that `out` is read less."""
    n, n_segments, s = out.size, a.shape[1], 0
    a_high, b_high = a_low + n, b_low + n
    while s + 4 <= n_segments:
        a0, a1, a2, a3 = (
            a[i, s, a_low:a_high],
            a[i, s + 1, a_low:a_high],
            a[i, s + 2, a_low:a_high],
            a[i, s + 3, a_low:a_high],
        )
        b0, b1, b2, b3 = (
            b[j, s, b_low:b_high],
            b[j, s + 1, b_low:b_high],
            b[j, s + 2, b_low:b_high],
            b[j, s + 3, b_low:b_high],
        )
        for t in range(n):
            out[t] += a0[t] * b0[t] + a1[t] * b1[t] + a2[t] * b2[t] + a3[t] * b3[t]
        s += 4
    while s < n_segments:
        a0, b0 = a[i, s, a_low:a_high], b[j, s, b_low:b_high]
        for t in range(n):
            out[t] += a0[t] * b0[t]
        s += 1


@njit(nogil=True, fastmath=True, cache=True)
def accumulate(spectra, n_drives, swapped, straight, crossed):  # type: ignore[no-untyped-def]
    """Add up products of `spectra` (channel, segment, real and imaginary part in turn), the drives first.

    Plain products of floats need no shuffling in the inner loop: of ``straight[i, j]``, a times b, pairs sum to the
    real part of a conj(b); of ``crossed[i, j]``, a times b with its parts swapped, they differ by the imaginary part.
    ``straight[i, n_drives]`` holds a response times itself. Strips of frequencies stay in cache; `swapped` (drive,
    segment, strip) is scratch.
    """
    n_channels, n_segments, n = spectra.shape
    strip = swapped.shape[2]
    for low in range(0, n, strip):
        high = min(low + strip, n)
        for j in range(n_drives):
            for s in range(n_segments):
                b, turned = spectra[j, s, low:high], swapped[j, s, : high - low]
                for t in range((high - low) // 2):
                    turned[2 * t] = b[2 * t + 1]
                    turned[2 * t + 1] = b[2 * t]
        for i in range(n_channels):
            for j in range(min(i + 1, n_drives)):
                _products(spectra, i, low, spectra, j, low, straight[i, j, low:high])
                _products(spectra, i, low, swapped, j, 0, crossed[i, j, low:high])
            if i >= n_drives:
                _products(spectra, i, low, spectra, i, low, straight[i, n_drives, low:high])
