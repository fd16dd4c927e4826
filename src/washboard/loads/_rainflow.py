"""Rainflow counting: exact cycles with their place in time, and the residue kept apart."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washboard.errors import InputError
from washboard.loads._turning import TurningPoints, turning_points

Residue = Literal["half", "repeat", "none"]
"""What becomes of the residue: each range half a cycle (ASTM E1049), the history repeated, or left out."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Cycles:
    """Rainflow cycles of one channel, closed ones first in the order they close, then what the residue adds.

    Parameters
    ----------
    start, end : ndarray, shape (cycle,)
        Value at the turning point where the cycle begins and at its other one. [unit of the samples]
    start_index, end_index : ndarray of int, shape (cycle,)
        Sample numbers of the two.
    count : ndarray, shape (cycle,)
        1 for a cycle, 0.5 for a half cycle.
    n_closed : int
        How many closed without the residue.
    residue : TurningPoints
        What was left when all closed cycles had been taken out.
    treatment : str
        What became of the residue: ``"half"``, ``"repeat"`` or ``"none"``.
    """

    start: NDArray[np.float64]
    end: NDArray[np.float64]
    start_index: NDArray[np.int64]
    end_index: NDArray[np.int64]
    count: NDArray[np.float64]
    n_closed: int
    residue: TurningPoints
    treatment: Residue

    def __post_init__(self) -> None:
        for array in (self.start, self.end, self.start_index, self.end_index, self.count):
            array.flags.writeable = False

    @property
    def range(self) -> NDArray[np.float64]:
        """Peak to valley of each cycle. [unit of the samples]"""
        return np.abs(self.end - self.start)

    @property
    def amplitude(self) -> NDArray[np.float64]:
        """Half the range of each cycle. [unit of the samples]"""
        return self.range / 2

    @property
    def mean(self) -> NDArray[np.float64]:
        """Middle of each cycle. [unit of the samples]"""
        return (self.start + self.end) / 2


def rainflow(x: ArrayLike, *, residue: Residue = "half", gate: float = 0.0) -> Cycles:
    """Rainflow cycles of one channel.

    Parameters
    ----------
    x : array_like, shape (time,)
        Samples.
    residue : str
        ``"half"``: every range of the residue counts half a cycle, which makes the count that of ASTM E1049 5.4.4.
        ``"repeat"``: the history is taken to repeat, so that the residue closes (ASTM E1049 5.4.5).
        ``"none"``: closed cycles only. On one real record the choice changed the damage by a factor of 86, so the
        result names it.
    gate : float
        Ranges up to this are left out before counting (hysteresis). [unit of x]

    Raises
    ------
    DataError
        Fewer than two samples, or samples that are not finite.

    References
    ----------
    ASTM E1049-85, Standard practices for cycle counting in fatigue analysis.
    """
    if residue not in ("half", "repeat", "none"):
        raise InputError(f"residue is 'half', 'repeat' or 'none', not {residue!r}")
    turns = turning_points(x, gate=gate)
    closed = _close(turns)
    parts = [closed.cycles]
    counts = [np.ones(closed.cycles.shape[1])]
    left = closed.residue
    if residue == "half" and left.values.size > 1:
        halves = np.stack([left.values[:-1], left.values[1:], left.indices[:-1], left.indices[1:]])
        parts.append(halves)
        counts.append(np.full(halves.shape[1], 0.5))
    elif residue == "repeat" and left.values.size > 1:
        again = _close(_joined_to_itself(left))
        parts.append(again.cycles)
        counts.append(np.ones(again.cycles.shape[1]))
    table = np.concatenate(parts, axis=1)
    return Cycles(
        start=table[0].copy(),
        end=table[1].copy(),
        start_index=table[2].astype(np.int64),
        end_index=table[3].astype(np.int64),
        count=np.concatenate(counts),
        n_closed=closed.cycles.shape[1],
        residue=left,
        treatment=residue,
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Closed:
    cycles: NDArray[np.float64]
    residue: TurningPoints


def _close(turns: TurningPoints) -> _Closed:
    from washboard.loads import _kernels

    values, indices = turns.values.copy(), turns.indices.copy()
    most = values.size // 2 + 1
    start, end = np.empty(most), np.empty(most)
    start_index, end_index = np.empty(most, np.int64), np.empty(most, np.int64)
    cycles, left = _kernels.close_cycles(values, indices, start, end, start_index, end_index)
    table = np.stack([start[:cycles], end[:cycles], start_index[:cycles], end_index[:cycles]])
    return _Closed(cycles=table, residue=TurningPoints(values=values[:left].copy(), indices=indices[:left].copy()))


def _joined_to_itself(residue: TurningPoints) -> TurningPoints:
    """The residue played twice, as turning points: the point at the join stays only where the signal turns there."""
    values = np.concatenate([residue.values, residue.values])
    indices = np.concatenate([residue.indices, residue.indices])
    turns = turning_points(values)
    return TurningPoints(values=turns.values.copy(), indices=indices[turns.indices])
