"""Pseudo-damage: Palmgren-Miner sums with a Basquin slope, for comparison only."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washboard.errors import InputError
from washboard.loads._rainflow import Residue, rainflow
from washboard.loads._samples import as_rows, refuse_unfit


def as_slopes(slopes: ArrayLike) -> NDArray[np.float64]:
    """Basquin slopes as an array; raises InputError when one is not a number above 0."""
    values = np.asarray(slopes, np.float64)
    if values.ndim > 1 or values.size == 0 or not (np.isfinite(values).all() and (values > 0).all()):
        raise InputError(f"slopes must be one or more numbers above 0, not {slopes!r}")
    return values


def pseudo_damage(
    samples: ArrayLike, slopes: ArrayLike, *, residue: Residue = "half", gate: float = 0.0
) -> NDArray[np.float64]:
    """Sum of count times range to the power of each slope, per channel.

    Parameters
    ----------
    samples : array_like, shape (channel, time) or (time,)
        Float32 and float64 are read in place. [any unit]
    slopes : array_like, shape (slope,) or a number
        Basquin slopes. [-]
    residue, gate
        As for `rainflow`; half cycles by default (ASTM E1049).

    Returns
    -------
    ndarray, shape (channel, slope)
        [unit of the samples to the power of the slope]. Without the channel axis for samples of shape (time,), and
        without the slope axis for a single number.

    Raises
    ------
    DataError
        Samples that are not finite (with channel and index), or fewer than two.
    """
    rows = as_rows(samples, "Counting damage")
    refuse_unfit(rows, "Counting damage")
    powers = as_slopes(slopes)
    found = np.empty((rows.shape[0], powers.size))
    for row, values in zip(found, rows, strict=True):
        cycles = rainflow(values, residue=residue, gate=gate)
        ranges = cycles.range
        row[:] = [np.sum(cycles.count * ranges**power) for power in np.atleast_1d(powers)]
    return found.reshape(found.shape[:1] + powers.shape)[0 if np.ndim(samples) == 1 else slice(None)]
