"""Pseudo-damage: Palmgren-Miner sums with a Basquin slope, for comparison only."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washboard.errors import InputError
from washboard.loads._rainflow import Residue, check_residue, residue_ranges
from washboard.loads._samples import as_rows, each_row, not_finite
from washboard.loads._turning import check_gate

WHAT = "Counting damage"


def as_slopes(slopes: ArrayLike) -> NDArray[np.float64]:
    """Basquin slopes as an array; raises InputError when one is not a number above 0."""
    values = np.asarray(slopes, np.float64)
    if values.ndim > 1 or values.size == 0 or not all(0.0 < slope < math.inf for slope in values.ravel().tolist()):
        raise InputError(f"slopes must be one or more numbers above 0, not {slopes!r}")
    return values


def pseudo_damage(
    samples: ArrayLike, slopes: ArrayLike, *, residue: Residue = "half", gate: float | ArrayLike = 0.0
) -> NDArray[np.float64]:
    """Sum of count times range to the power of each slope, per channel.

    Samples are read once for all slopes, and no cycle is kept, so memory stays that of a few blocks. Channels are
    shared out to the processors.

    Parameters
    ----------
    samples : array_like, shape (channel, time) or (time,)
        Float32 and float64 are read in place, memory maps included. [any unit]
    slopes : array_like, shape (slope,) or a number
        Basquin slopes. [-]
    residue : str
        As for `rainflow`; half cycles by default (ASTM E1049).
    gate : float or array_like, shape (channel,)
        Ranges up to this are left out before counting (hysteresis). [unit of the samples]

    Returns
    -------
    ndarray, shape (channel, slope)
        [unit of the samples to the power of the slope]. Without the channel axis for samples of shape (time,), and
        without the slope axis for a single number.

    Raises
    ------
    DataError
        Samples that are not finite (with channel and index), or fewer than two.
    InputError
        A slope, gate or residue treatment that cannot be.

    Notes
    -----
    D = sum of n times R to the power k, R the range (not the amplitude: by amplitudes the sum is 2**-k times as large)
    and n 1 for a cycle, 0.5 for a half cycle.
    """
    rows = as_rows(samples, WHAT)
    powers = as_slopes(slopes)
    check_residue(residue)
    gates = [float(gate)] * rows.shape[0] if isinstance(gate, float | int) else _gates(gate, rows.shape[0])
    for value in set(gates):
        check_gate(value)
    found = np.empty((rows.shape[0], powers.size))
    many = np.atleast_1d(powers)

    def count(number: int) -> None:
        found[number] = _damage(rows[number], number, rows.shape[0], many, residue, gates[number])

    each_row(count, rows.shape[0], rows.size)
    shaped = found.reshape(found.shape[:1] + powers.shape)
    if np.ndim(samples) == 1:
        shaped = shaped[0]
    return np.asarray(shaped)


def _damage(
    row: NDArray[np.floating], number: int, of: int, slopes: NDArray[np.float64], residue: Residue, gate: float
) -> NDArray[np.float64]:
    from washboard.loads import _kernels

    sums = np.zeros((slopes.size, 8))
    stack, bad = _kernels.damage_of(row, gate, slopes, sums)
    if bad >= 0:
        raise not_finite(row, number, of, WHAT)
    return np.asarray(np.add.reduce(sums, axis=1) + residue_damage(stack, slopes, residue))


def _gates(gate: ArrayLike, channels: int) -> list[float]:
    return [float(value) for value in np.broadcast_to(np.asarray(gate, np.float64), (channels,))]


def residue_damage(stack: NDArray[np.float64], slopes: NDArray[np.float64], residue: Residue) -> NDArray[np.float64]:
    """Damage that a residue adds under its treatment, shape (slope,)."""
    ranges, count = residue_ranges(stack, residue)
    return np.asarray(count * np.add.reduce(ranges[None, :] ** slopes[:, None], axis=1))
