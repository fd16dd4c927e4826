"""Offset, slow drift, and a step of the zero."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.recording._recording import Samples

MOST_BLOCKS = 600
"""Blocks of a long recording whose medians are followed."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Baseline:
    """How the middle of a channel lies and moves, in the channel's unit.

    Parameters
    ----------
    offset : float
        Median of all samples.
    spread : float
        Median of the blocks' standard deviations: how far the ride itself moves the channel.
    drift, wander : float
        Change from start to end, and range, of the parabola through the block medians.
    step : float
        Height of the lasting jump that fits the block medians best.
    step_at : int
        Sample of that jump.
    step_fits : float
        Squares that the jump leaves over those that the parabola leaves: under 1 the jump explains more.
    about_step, about_curve : float
        Root mean square of the block medians about the jump and about the parabola.
    """

    offset: float
    spread: float
    drift: float
    wander: float
    step: float
    step_at: int
    step_fits: float
    about_step: float
    about_curve: float


def baseline(samples: Samples, rate_hz: float, *, block_s: float = 1.0) -> Baseline | None:
    """How the middle of a channel lies and moves; None when it is too short (under 8 blocks) or mostly NaN.

    Parameters
    ----------
    samples : ndarray, shape (time,)
    rate_hz : float
        [Hz]
    block_s : float
        Length of the blocks whose medians are followed; in recordings of more than `MOST_BLOCKS` of them, every so many
        are left out. [s]
    """
    length = max(8, round(block_s * rate_hz))
    n_blocks = samples.size // length
    if n_blocks < 8:
        return None
    # Some 128 samples of a block tell its median and spread well enough.
    stride = max(1, length // 128)
    apart = -(-n_blocks // MOST_BLOCKS)
    rows = samples[: n_blocks * length].reshape(n_blocks, length)[::apart]
    blocks = np.asarray(rows[:, ::stride], dtype=np.float64)
    bad = ~np.isfinite(blocks)
    keep = bad.mean(axis=1) < 0.5
    if keep.sum() < 8:
        return None
    if bad.any():
        blocks = np.where(bad, np.nan, blocks)[keep]
        middle, spreads = np.nanmedian(blocks, axis=1), np.nanstd(blocks, axis=1)
    else:
        middle, spreads = np.median(blocks, axis=1), np.std(blocks, axis=1)
    spread = float(np.median(spreads))
    step, where, step_misfit = _step(middle)
    smooth, smooth_misfit = _smooth(middle)
    return Baseline(
        offset=float(np.median(middle)),
        spread=spread,
        drift=float(smooth[-1] - smooth[0]),
        wander=float(smooth.max() - smooth.min()),
        step=step,
        step_at=int(np.flatnonzero(keep)[where] * length * apart),
        step_fits=step_misfit / max(smooth_misfit, 1e-300),
        about_step=float(np.sqrt(step_misfit / middle.size)),
        about_curve=float(np.sqrt(smooth_misfit / middle.size)),
    )


def _step(middle: NDArray[np.float64]) -> tuple[float, int, float]:
    """The jump that explains the block medians best: its height, its block, and the squares it leaves."""
    count = np.arange(1, middle.size)
    left = np.cumsum(middle)[:-1]
    right = middle.sum() - left
    gain = left**2 / count + right**2 / (middle.size - count)
    edge = max(3, middle.size // 10)
    gain[: edge - 1] = gain[len(gain) - edge + 1 :] = -np.inf
    at = int(np.argmax(gain)) + 1
    misfit = float((middle**2).sum() - gain[at - 1])
    return float(middle[at:].mean() - middle[:at].mean()), at, max(misfit, 0.0)


def _smooth(middle: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    """The parabola through the block medians, and the squares it leaves."""
    at = np.linspace(-1.0, 1.0, middle.size)
    columns = np.stack((np.ones_like(at), at, at**2), axis=1)
    curve: NDArray[np.float64] = columns @ np.linalg.lstsq(columns, middle, rcond=None)[0]
    return curve, float(((middle - curve) ** 2).sum())
