"""Resolution: how many of the converter's steps a channel really uses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from washboard.recording._recording import Samples


@dataclass(frozen=True, kw_only=True, slots=True)
class Resolution:
    """The smallest step between sample values, and how many bits the channel's range has of them.

    Parameters
    ----------
    step : float
        In the channel's unit; 0 when no two samples are alike enough to tell.
    bits : float
        log2 of range over step.
    steps_per_rms : float
        RMS about the mean over step: under 4 the steps themselves are the signal.
    """

    step: float
    bits: float
    steps_per_rms: float


def resolution(samples: Samples) -> Resolution | None:
    """The converter's step, from the differences between the values that occur; None for too few samples."""
    finite = samples[np.isfinite(samples)] if not np.isfinite(samples).all() else samples
    if finite.size < 256:
        return None
    part = np.asarray(finite[:: max(1, finite.size // 65_536)], dtype=np.float64)
    values = np.unique(part)
    span = float(values[-1] - values[0])
    if values.size < 2 or span <= 0:
        return None
    gaps = np.diff(values)
    # float32 rounding splits one step's value in two: differences far below the range are no steps.
    gaps = gaps[gaps > 4e-7 * max(abs(float(values[0])), abs(float(values[-1])))]
    if gaps.size == 0:
        return None
    step = float(np.quantile(gaps, 0.05))
    rms = float(part.std())
    return Resolution(step=step, bits=float(np.log2(span / step + 1)), steps_per_rms=rms / step)
