"""Trade-off: how long the shortened recording is for each share of damage kept."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.settings import Progress, no_progress
from washboard.shorten._select import select_windows
from washboard.shorten._shorten import Shortened

SHARES = (0.5, 0.55, 0.6, 0.65, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95, 1.0)


@dataclass(frozen=True, kw_only=True, slots=True)
class TradeOff:
    """Length against share kept, the same share on every channel that is asked to keep any.

    Parameters
    ----------
    share : ndarray, shape (point,)
        Share required. [-]
    time_s, bound_s : ndarray, shape (point,)
        Length of the choice and of the shortest there could be, by sum of windows. [s]
    original_s : float
        Length of the original. [s]
    dearest : tuple of int
        Channel (number) whose share costs most at each point: the one with least to spare over all slopes.
    """

    share: NDArray[np.float64]
    time_s: NDArray[np.float64]
    bound_s: NDArray[np.float64]
    original_s: float
    dearest: tuple[int, ...]


def trade_off(
    result: Shortened,
    *,
    shares: tuple[float, ...] = SHARES,
    gap: float = 0.02,
    nodes: int = 200,
    progress: Progress = no_progress,
) -> TradeOff:
    """Length for each of `shares`, from the windows and damage of a finished shortening.

    Lengths are those of the choice by sum of windows; joining and recounting adds to them about what it added to
    `result`.
    """
    asked = np.flatnonzero(result.required[:, 0] > 0)
    damage = result.damage[asked]
    times, bounds, dearest = [], [], []
    for number, share in enumerate(shares):
        need = np.full((len(asked), damage.shape[2]), share)
        chosen = select_windows(damage, need, result.windows.duration_s, gap=gap, nodes=nodes)
        times.append(chosen.time_s)
        bounds.append(chosen.bound_s)
        dearest.append(int(asked[int(np.argmin((chosen.share - need).min(axis=1)))]))
        progress((number + 1) / len(shares), "trade-off between time and damage")
    return TradeOff(
        share=np.array(shares),
        time_s=np.array(times),
        bound_s=np.array(bounds),
        original_s=result.original_s,
        dearest=tuple(dearest),
    )
