"""Turning points (reversals) of a time history."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washboard.errors import InputError
from washboard.loads._samples import as_one_row, check_finite


@dataclass(frozen=True, kw_only=True, slots=True)
class TurningPoints:
    """Where a time history turns, its first and last samples included.

    Parameters
    ----------
    values : ndarray, shape (turn,)
        In the unit of the samples.
    indices : ndarray of int, shape (turn,)
        Sample number of each, counted from 0; of a plateau, its last.
    """

    values: NDArray[np.float64]
    indices: NDArray[np.int64]

    def __post_init__(self) -> None:
        self.values.flags.writeable = False
        self.indices.flags.writeable = False


def check_gate(gate: float) -> None:
    """Raise InputError unless `gate` can be a hysteresis."""
    if not (np.isfinite(gate) and gate >= 0):
        raise InputError(f"the gate must be 0 or more, not {gate!r}")


def turning_points(x: ArrayLike, *, gate: float = 0.0) -> TurningPoints:
    """Turning points of one channel, those of ranges up to `gate` left out.

    Parameters
    ----------
    x : array_like, shape (time,)
        Samples; float32 and float64 are read in place.
    gate : float
        Hysteresis: a turn counts only when the signal then moves back by more than this. [unit of x]

    Raises
    ------
    DataError
        More than one channel, fewer than two samples, or samples that are not finite.
    """
    from washboard.loads import _kernels

    row = as_one_row(x, "Finding turning points")
    check_gate(gate)
    check_finite(row[None, :], "Finding turning points")
    values = np.empty(row.size, np.float64)
    indices = np.empty(row.size, np.int64)
    count = _kernels.find_turns(row, values, indices)
    if gate > 0:
        state = np.zeros(_kernels.GATE)
        count = _kernels.gate_turns(values, indices, count, gate, state)
        count = _kernels.gate_end(values, indices, count, state)
    return TurningPoints(values=values[:count].copy(), indices=indices[:count].copy())
