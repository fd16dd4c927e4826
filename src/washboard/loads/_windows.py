"""Damage by window: where along a recording the damage comes from."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washboard.errors import InputError
from washboard.loads._damage import as_slopes
from washboard.loads._rainflow import Residue, rainflow
from washboard.loads._samples import as_rows, refuse_unfit

Credit = Literal["split", "close"]
"""Where the damage of a cycle is booked: half at each of its two turning points, or where it closes."""


def damage_by_window(
    samples: ArrayLike,
    window: int,
    slopes: ArrayLike,
    *,
    credit: Credit = "split",
    residue: Residue = "half",
) -> NDArray[np.float64]:
    """Pseudo-damage of each stretch of `window` samples; the sum over windows is the damage of the whole.

    Cycles are counted over the whole recording, so slow cycles across windows are not lost: each one's damage goes
    half to the window of either turning point (``"split"``), or all to the window of its second one (``"close"``).

    Parameters
    ----------
    samples : array_like, shape (channel, time) or (time,)
    window : int
        Samples per window; the last window may be shorter.
    slopes : array_like, shape (slope,) or a number
        Basquin slopes. [-]

    Returns
    -------
    ndarray, shape (channel, window, slope)
        Without the channel axis for samples of shape (time,), without the slope axis for a single number.

    Raises
    ------
    DataError
        Samples that are not finite, or fewer than two.
    InputError
        A window shorter than one sample.
    """
    rows = as_rows(samples, "Counting damage by window")
    refuse_unfit(rows, "Counting damage by window")
    if window < 1:
        raise InputError(f"a window has at least one sample, not {window!r}")
    powers = as_slopes(slopes)
    many = np.atleast_1d(powers)
    count = -(-rows.shape[1] // window)
    found = np.zeros((rows.shape[0], count, many.size))
    for row, values in zip(found, rows, strict=True):
        cycles = rainflow(values, residue=residue)
        for place, power in enumerate(many):
            damage = cycles.count * cycles.range**power
            if credit == "split":
                row[:, place] = 0.5 * (
                    np.bincount(cycles.start_index // window, damage, count)
                    + np.bincount(cycles.end_index // window, damage, count)
                )
            else:
                row[:, place] = np.bincount(cycles.end_index // window, damage, count)
    shaped = found.reshape(found.shape[:2] + powers.shape)
    return shaped[0] if np.ndim(samples) == 1 else shaped
