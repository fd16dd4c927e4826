"""Aligning recordings of two loggers, and moving a channel in time by a part of a sample."""

from __future__ import annotations

import numpy as np

from washboard.recording._recording import Samples


def shifted(samples: Samples, by: float) -> Samples:
    """The samples later by `by` samples (a part of one too); what was never measured is NaN.

    A whole number of samples moves them; the rest is a windowed-sinc interpolation of 32 points (Kaiser, 80 dB), good
    to about 0.1 % up to 0.8 of half the sample rate.
    """
    whole = int(np.floor(by))
    part = by - whole
    values = np.asarray(samples, dtype=np.float64)
    if part > 1e-9:
        reach = 16
        at = np.arange(-reach + 1, reach + 1)
        window = np.kaiser(2 * reach + 1, 8.0)
        taper = np.interp(at - part, np.linspace(-reach, reach, 2 * reach + 1), window)
        kernel = np.sinc(at - part) * taper
        kernel /= kernel.sum()
        padded = np.pad(values, reach, mode="edge")
        moved = np.convolve(padded, kernel, mode="full")[2 * reach - 1 : 2 * reach - 1 + values.size]
        values = moved
        values[:1] = np.nan
    out = np.full(values.size, np.nan)
    if whole >= 0:
        out[whole:] = values[: values.size - whole]
    else:
        out[:whole] = values[-whole:]
    made: Samples = out.astype(samples.dtype)
    return made
