"""Rainflow counting: exact cycles with their place in time, and the residue kept apart."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washboard.errors import InputError
from washboard.loads._turning import TurningPoints, turning_points

Residue = Literal["half", "repeat", "none"]
"""What becomes of the residue: each range half a cycle (ASTM E1049), the history repeated, or left out."""

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Cycles:
    """Rainflow cycles of one channel: closed ones first, in the order they close, then what the residue adds.

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

    start: F64
    end: F64
    start_index: I64
    end_index: I64
    count: F64
    n_closed: int
    residue: TurningPoints
    treatment: Residue

    def __post_init__(self) -> None:
        for array in (self.start, self.end, self.start_index, self.end_index, self.count):
            array.flags.writeable = False

    @property
    def range(self) -> F64:
        """Peak to valley of each cycle. [unit of the samples]"""
        return np.abs(self.end - self.start)

    @property
    def amplitude(self) -> F64:
        """Half the range of each cycle. [unit of the samples]"""
        return self.range / 2

    @property
    def mean(self) -> F64:
        """Middle of each cycle. [unit of the samples]"""
        return (self.start + self.end) / 2


@dataclass(frozen=True, kw_only=True, slots=True)
class ClosedCycles:
    """Cycles that closed, in the order they did: values and sample numbers of their turning points."""

    start: F64
    end: F64
    start_index: I64
    end_index: I64


def check_residue(residue: str) -> None:
    """Raise InputError unless `residue` names a treatment."""
    if residue not in get_args(Residue):
        raise InputError(f"residue is 'half', 'repeat' or 'none', not {residue!r}")


def rainflow(x: ArrayLike, *, residue: Residue = "half", gate: float = 0.0) -> Cycles:
    """Rainflow cycles of one channel.

    Parameters
    ----------
    x : array_like, shape (time,)
        Samples.
    residue : str
        ``"half"``: every range of the residue counts half a cycle, which makes the count that of ASTM E1049 5.4.4.
        ``"repeat"``: the history is taken to repeat, so that the residue closes (ASTM E1049 5.4.5).
        ``"none"``: closed cycles only. The choice can change the damage of one record by orders of magnitude, so the
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
    check_residue(residue)
    turns = turning_points(x, gate=gate)
    stack = CycleStack(turns.values.size)
    closed = stack.close(turns.values, turns.indices)
    return finish(closed, stack.residue(), residue)


class CycleStack:
    """Turning points that have not closed yet; grows as turning points are pushed on it."""

    def __init__(self, size: int = 1024) -> None:
        self._values, self._indices, self._depth = np.empty(size + 8), np.empty(size + 8, np.int64), 0

    def close(self, turns: F64, places: I64) -> ClosedCycles:
        """Push turning points; returns the cycles that close by them."""
        from washboard.loads import _kernels

        if self._depth + turns.size > self._values.size:
            more = self._depth + turns.size
            self._values = np.concatenate([self._values[: self._depth], np.empty(more)])
            self._indices = np.concatenate([self._indices[: self._depth], np.empty(more, np.int64)])
        most = (self._depth + turns.size) // 2 + 1
        start, end = np.empty(most), np.empty(most)
        start_index, end_index = np.empty(most, np.int64), np.empty(most, np.int64)
        count, self._depth = _kernels.close_cycles(
            self._values, self._indices, self._depth, turns, places, start, end, start_index, end_index
        )
        return ClosedCycles(
            start=start[:count], end=end[:count], start_index=start_index[:count], end_index=end_index[:count]
        )

    def residue(self) -> TurningPoints:
        """What has not closed."""
        return TurningPoints(values=self._values[: self._depth].copy(), indices=self._indices[: self._depth].copy())


def finish(closed: ClosedCycles, residue: TurningPoints, treatment: Residue) -> Cycles:
    """Closed cycles and what the residue adds to them under its treatment."""
    added, count = _from_residue(residue, treatment)
    n = closed.start.size
    return Cycles(
        start=np.concatenate([closed.start, added.start]),
        end=np.concatenate([closed.end, added.end]),
        start_index=np.concatenate([closed.start_index, added.start_index]),
        end_index=np.concatenate([closed.end_index, added.end_index]),
        count=np.concatenate([np.ones(n), np.full(added.start.size, count)]),
        n_closed=n,
        residue=residue,
        treatment=treatment,
    )


def _from_residue(residue: TurningPoints, treatment: Residue) -> tuple[ClosedCycles, float]:
    values, places = residue.values, residue.indices
    if treatment == "repeat" and values.size > 1:
        # Played twice; the point at the join stays only where the signal turns there.
        joined = turning_points(np.concatenate([values, values]))
        stack = CycleStack(joined.values.size)
        return stack.close(joined.values, np.concatenate([places, places])[joined.indices]), 1.0
    if treatment != "half" or values.size < 2:
        values, places = values[:0], places[:0]
    halves = ClosedCycles(start=values[:-1], end=values[1:], start_index=places[:-1], end_index=places[1:])
    return halves, 0.5


def residue_ranges(residue: F64, treatment: Residue) -> tuple[F64, float]:
    """Ranges that a residue adds under its treatment, and how much each counts."""
    if treatment == "half":
        return np.abs(residue[1:] - residue[:-1]), 0.5
    added, count = _from_residue(TurningPoints(values=residue, indices=np.zeros(residue.size, np.int64)), treatment)
    return np.abs(added.end - added.start), count
