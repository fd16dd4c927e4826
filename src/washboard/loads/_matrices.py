"""Counts in classes: from-to and range-mean matrices, range counts, range pairs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washboard.errors import InputError
from washboard.loads._rainflow import Cycles, rainflow
from washboard.loads._turning import TurningPoints

F64 = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class CycleMatrix:
    """Cycles counted in classes of two of their properties.

    Parameters
    ----------
    counts : ndarray, shape (first class, second class)
        Cycles; half cycles count 0.5.
    first_edges, second_edges : ndarray
        Class edges, one more than classes. [unit of the samples]
    first, second : str
        What the classes are of: ``"from"`` and ``"to"``, or ``"range"`` and ``"mean"``.
    """

    counts: F64
    first_edges: F64
    second_edges: F64
    first: str
    second: str


def _edges(values: F64, classes: int | ArrayLike, *, from_zero: bool = False) -> F64:
    if isinstance(classes, (int, np.integer)):
        if classes < 1:
            raise InputError(f"at least one class is needed, not {classes}")
        low = 0.0 if from_zero or not values.size else float(values.min())
        high = float(values.max()) if values.size else 1.0
        return np.linspace(low, high if high > low else low + 1.0, int(classes) + 1)
    edges = np.asarray(classes, np.float64)
    if edges.ndim != 1 or edges.size < 2 or not (np.diff(edges) > 0).all():
        raise InputError("class edges must be ascending numbers, at least two")
    if values.size and (values.min() < edges[0] or values.max() > edges[-1]):
        raise InputError(
            f"class edges run from {edges[0]:g} to {edges[-1]:g} but values from {values.min():g} to {values.max():g}; "
            "no cycle may fall outside"
        )
    return edges


def _place(values: F64, edges: F64) -> NDArray[np.int64]:
    return np.clip(np.searchsorted(edges, values, side="right") - 1, 0, edges.size - 2).astype(np.int64)


def _count(first: F64, second: F64, edges: tuple[F64, F64], weight: F64, names: tuple[str, str]) -> CycleMatrix:
    shape = (edges[0].size - 1, edges[1].size - 1)
    flat = np.ravel_multi_index((_place(first, edges[0]), _place(second, edges[1])), shape)
    counts = np.bincount(flat, weight, shape[0] * shape[1]).astype(np.float64).reshape(shape)
    return CycleMatrix(counts=counts, first_edges=edges[0], second_edges=edges[1], first=names[0], second=names[1])


def from_to_matrix(cycles: Cycles, classes: int | ArrayLike = 64) -> CycleMatrix:
    """Cycles by the values they start from and go to.

    Parameters
    ----------
    cycles : Cycles
    classes : int or array_like
        How many classes between the extremes, or their edges. [unit of the samples]

    Raises
    ------
    InputError
        Edges that are not ascending, or leave cycles outside.
    """
    edges = _edges(np.concatenate([cycles.start, cycles.end]), classes)
    return _count(cycles.start, cycles.end, (edges, edges), cycles.count, ("from", "to"))


def range_mean_matrix(cycles: Cycles, ranges: int | ArrayLike = 64, means: int | ArrayLike = 64) -> CycleMatrix:
    """Cycles by range (classes from zero) and mean; classes and errors as for `from_to_matrix`."""
    edges = (_edges(cycles.range, ranges, from_zero=True), _edges(cycles.mean, means))
    return _count(cycles.range, cycles.mean, edges, cycles.count, ("range", "mean"))


@dataclass(frozen=True, kw_only=True, slots=True)
class RangeCounts:
    """How many cycles there are of each range, largest first, and how many of at least it.

    Parameters
    ----------
    range : ndarray, shape (size,)
        Different ranges, descending. [unit of the samples]
    count, cumulated : ndarray, shape (size,)
        Cycles of that range; of that range or larger.
    """

    range: F64
    count: F64
    cumulated: F64


def _by_range(ranges: F64, counts: F64) -> RangeCounts:
    sizes, where = np.unique(ranges, return_inverse=True)
    count = np.bincount(where, counts, sizes.size)[::-1].astype(np.float64)
    return RangeCounts(range=sizes[::-1].copy(), count=count, cumulated=np.cumsum(count))


def range_counts(cycles: Cycles) -> RangeCounts:
    """Cycles by their exact range, with the cumulated count that load spectra show."""
    return _by_range(cycles.range, cycles.count)


def range_pairs(x: ArrayLike, *, gate: float = 0.0) -> RangeCounts:
    """Range pairs of one channel: a range and one of the opposite way and at least its size make one pair.

    The pairs are the closed cycles of the rainflow count and those that the residue yields when it is gone through
    forwards, then backwards, each range that is followed by one at least as large counting once.

    References
    ----------
    ASTM E1049-85, clause 5.3.
    """
    cycles = rainflow(x, residue="none", gate=gate)
    pairs = _residue_pairs(cycles.residue)
    return _by_range(np.concatenate([cycles.range, pairs]), np.ones(cycles.range.size + pairs.size))


def _residue_pairs(residue: TurningPoints) -> F64:
    pairs: list[float] = []
    left = residue.values.tolist()
    for _way in range(2):
        points: list[float] = []
        for value in left:
            points.append(value)
            while len(points) >= 3 and abs(points[-1] - points[-2]) >= abs(points[-2] - points[-3]):
                pairs.append(abs(points[-2] - points[-3]))
                del points[-3:-1]
        left = points[::-1]
    return np.array(pairs)
