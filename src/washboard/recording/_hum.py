"""Mains hum: lines at 50 or 60 Hz and their multiples."""

from __future__ import annotations

import numpy as np

from washboard.recording._recording import Samples


def remove_hum(samples: Samples, rate_hz: float, mains_hz: float | None = None, *, block_s: float = 10.0) -> Samples:
    """The samples less the sines at mains frequency and its multiples, fitted by least squares in overlapping blocks.

    Parameters
    ----------
    samples : ndarray, shape (time,)
        NaN samples stay NaN and are left out of the fit.
    rate_hz : float
        [Hz]
    mains_hz : float, optional
        50 or 60 Hz; whichever is stronger when None. [Hz]
    block_s : float
        Length of a block: the hum's amplitude and phase may change from one to the next. [s]
    """
    if mains_hz is None:
        mains_hz = max((50.0, 60.0), key=lambda line: _line_power(samples, rate_hz, line))
    n_lines = int((rate_hz / 2 - 1) // mains_hz)
    if n_lines < 1:
        return samples.copy()
    out = np.asarray(samples, dtype=np.float64).copy()
    length = min(samples.size, max(16, round(block_s * rate_hz)))
    at = np.arange(samples.size) / rate_hz
    hum = np.zeros(samples.size)
    weight = np.zeros(samples.size)
    for start in range(0, max(1, samples.size - length // 2), max(1, length // 2)):
        piece = slice(start, min(samples.size, start + length))
        phase = 2 * np.pi * mains_hz * np.outer(at[piece], np.arange(1, n_lines + 1))
        columns = np.concatenate((np.cos(phase), np.sin(phase), np.ones((phase.shape[0], 1))), axis=1)
        good = np.isfinite(out[piece])
        if good.sum() < 4 * columns.shape[1]:
            continue
        solved = np.linalg.lstsq(columns[good], out[piece][good], rcond=None)[0]
        taper = np.hanning(phase.shape[0] + 2)[1:-1]
        hum[piece] += taper * (columns[:, :-1] @ solved[:-1])
        weight[piece] += taper
    return (out - hum / np.maximum(weight, 1e-12)).astype(samples.dtype)


def _line_power(samples: Samples, rate_hz: float, line_hz: float) -> float:
    good = np.isfinite(samples)
    at = np.flatnonzero(good) / rate_hz
    return float(np.abs(np.mean((samples[good] - samples[good].mean()) * np.exp(-2j * np.pi * line_hz * at))))
