"""Offset, slow drift, and a step of the zero."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.recording._recording import Samples


@dataclass(frozen=True, kw_only=True, slots=True)
class Baseline:
    """How the middle of a channel lies and moves, in the channel's unit.

    Parameters
    ----------
    offset : float
        Median of all samples.
    spread : float
        Robust standard deviation of the samples about their moving middle.
    drift : float
        Change from start to end along a straight line through the block medians.
    wander : float
        Largest distance of the smoothed block medians from each other.
    step : float
        Largest lasting jump of the block medians from one block to the next.
    step_at : int
        Sample of that jump.
    """

    offset: float
    spread: float
    drift: float
    wander: float
    step: float
    step_at: int


def baseline(samples: Samples, rate_hz: float, *, block_s: float = 1.0) -> Baseline | None:
    """How the middle of a channel lies and moves; None when it is too short (under 8 blocks) or mostly NaN.

    Parameters
    ----------
    samples : ndarray, shape (time,)
    rate_hz : float
        [Hz]
    block_s : float
        Length of the blocks whose medians are followed. [s]
    """
    length = max(8, round(block_s * rate_hz))
    n_blocks = samples.size // length
    if n_blocks < 8:
        return None
    blocks = np.asarray(samples[: n_blocks * length], dtype=np.float64).reshape(n_blocks, length)
    bad = ~np.isfinite(blocks)
    keep = bad.mean(axis=1) < 0.5
    if keep.sum() < 8:
        return None
    with np.errstate(invalid="ignore"):
        middle = np.nanmedian(np.where(bad, np.nan, blocks)[keep], axis=1)
        quart = np.nanquantile(np.where(bad, np.nan, blocks)[keep], (0.25, 0.75), axis=1)
    spread = float(np.median(quart[1] - quart[0]) / 1.349)
    at = np.arange(middle.size, dtype=np.float64)
    slope = _theil_sen(at, middle)
    step, where = _step(middle)
    smooth = _smoothed(middle)
    return Baseline(
        offset=float(np.median(middle)),
        spread=spread,
        drift=slope * (middle.size - 1),
        wander=float(smooth.max() - smooth.min()),
        step=step,
        step_at=int(np.flatnonzero(keep)[where] * length),
    )


def _theil_sen(at: NDArray[np.float64], values: NDArray[np.float64]) -> float:
    """Median of slopes between far pairs: a line that a step or outlier hardly moves (Theil 1950, Sen 1968)."""
    half = at.size // 2
    return float(np.median((values[-half:] - values[:half]) / (at[-half:] - at[:half])))


def _step(middle: NDArray[np.float64]) -> tuple[float, int]:
    """Largest difference between the medians of the five blocks before and after, and the block where."""
    reach = min(5, middle.size // 3)
    best, where = 0.0, 0
    for at in range(reach, middle.size - reach + 1):
        jump = float(np.median(middle[at : at + reach]) - np.median(middle[at - reach : at]))
        if abs(jump) > abs(best):
            best, where = jump, at
    return best, min(where, middle.size - 1)


def _smoothed(middle: NDArray[np.float64]) -> NDArray[np.float64]:
    reach = max(1, middle.size // 10)
    padded = np.pad(middle, reach, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
    made: NDArray[np.float64] = np.median(windows, axis=1)
    return made
