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
            mean = 0.0
            for t in range(n):
                mean += signals[c, start + t]
            mean /= n
            for t in range(n):
                buffer[row + c, s, t] = (signals[c, start + t] - mean) * window[t]


@njit(nogil=True, fastmath=True, cache=True)
def accumulate(spectra, n_drives, drive, cross, response):  # type: ignore[no-untyped-def]
    """Add products of `spectra` (channel, segment, freq) as pairs of floats; strips of frequencies stay in cache."""
    n_channels, n_segments, n_freq = spectra.shape[0], spectra.shape[1], spectra.shape[2] // 2
    strip = 128
    for low in range(0, n_freq, strip):
        high = min(low + strip, n_freq)
        for s in range(n_segments):
            for i in range(n_channels):
                a = spectra[i, s]
                if i < n_drives:
                    for j in range(i + 1):
                        b = spectra[j, s]
                        for f in range(low, high):
                            drive[i, j, 0, f] += a[2 * f] * b[2 * f] + a[2 * f + 1] * b[2 * f + 1]
                            drive[i, j, 1, f] += a[2 * f + 1] * b[2 * f] - a[2 * f] * b[2 * f + 1]
                else:
                    o = i - n_drives
                    for f in range(low, high):
                        response[o, f] += a[2 * f] * a[2 * f] + a[2 * f + 1] * a[2 * f + 1]
                    for j in range(n_drives):
                        b = spectra[j, s]
                        for f in range(low, high):
                            cross[o, j, 0, f] += a[2 * f] * b[2 * f] + a[2 * f + 1] * b[2 * f + 1]
                            cross[o, j, 1, f] += a[2 * f + 1] * b[2 * f] - a[2 * f] * b[2 * f + 1]
