"""Samples as the counting functions take them: rows of one channel each, float32 or float64, without a copy."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washboard.errors import DataError

Samples = NDArray[np.floating[Any]]

_WORTH_THREADS = 400_000


def as_rows(samples: ArrayLike, what: str) -> Samples:
    """`samples` as an array of shape (channel, time), float32 or float64; copied only when it is neither.

    Raises
    ------
    DataError
        Not one or two axes, or fewer than two samples.
    """
    rows = np.asarray(samples)
    if rows.dtype not in (np.float32, np.float64):
        if rows.dtype.kind not in "biuf":
            raise DataError(f"{what} takes real numbers, not {rows.dtype}")
        rows = rows.astype(np.float64)
    if rows.ndim == 1:
        rows = rows[None, :]
    if rows.ndim != 2:
        raise DataError(f"{what} takes samples of shape (time,) or (channel, time), not {rows.ndim} axes")
    if rows.shape[1] < 2:
        raise DataError(f"{what} needs at least 2 samples per channel; there are {rows.shape[1]}")
    if not rows.dtype.isnative:
        rows = rows.astype(rows.dtype.newbyteorder("="))
    if rows.strides[1] != rows.itemsize or not rows.flags.aligned:
        rows = np.array(rows, order="C")
    return as_read_only(rows)


def as_read_only(rows: Samples) -> Samples:
    """A view that cannot be written to: the compiler counts it as another type, so that one type is enough."""
    view = rows.view(np.ndarray)
    view.flags.writeable = False
    return view


def as_one_row(x: ArrayLike, what: str) -> Samples:
    """One channel as an array of shape (time,). Raises DataError."""
    rows = as_rows(x, what)
    if rows.shape[0] != 1:
        raise DataError(f"{what} works on one channel at a time, not on {rows.shape[0]}")
    row: Samples = rows[0]
    return row


def check_finite(rows: Samples, what: str) -> None:
    """Raise DataError naming the first sample that is not a finite number, and how many there are in its row."""
    for number, row in enumerate(rows):
        # A sum is finite only if every term is; it may overflow, so it is only a quick way to say yes.
        with np.errstate(all="ignore"):
            quick = bool(np.isfinite(row.sum(dtype=np.float64)))
        if not quick and not np.isfinite(row).all():
            raise not_finite(row, number, rows.shape[0], what)


def not_finite(row: Samples, number: int, of: int, what: str) -> DataError:
    """The error for row `number` of `of` rows, which holds samples that are not finite."""
    bad = np.flatnonzero(~np.isfinite(row))
    several = bad.size > 1
    count = f"{bad.size} samples that are not finite numbers" if several else "one sample that is not a finite number"
    where = f"channel number {number + 1} has" if of > 1 else "there are" if several else "there is"
    return DataError(
        f"{what} needs samples without gaps: {where} {count}, {'the first ' if several else ''}at index {bad[0]}; "
        "repair the stretch, or mark the span bad and leave it out"
    )


def processors() -> int:
    """How many processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def each_row(work: Callable[[int], None], rows: int, size: int) -> None:
    """Call `work` for every row, on all processors when `size` samples make it worth while."""
    workers = min(rows, processors()) if size >= _WORTH_THREADS and rows > 1 else 1
    if workers < 2:
        for row in range(rows):
            work(row)
        return
    with ThreadPoolExecutor(workers) as pool:
        for _ in pool.map(work, range(rows)):
            pass
