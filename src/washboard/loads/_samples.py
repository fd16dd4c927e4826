"""Samples as the counting functions take them: rows of one channel each, float32 or float64, without a copy."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washboard.errors import DataError

Samples = NDArray[np.floating[Any]]


def as_rows(samples: ArrayLike, what: str) -> Samples:
    """`samples` as an array of shape (channel, time), float32 or float64; copied only when it is neither.

    Raises
    ------
    DataError
        Not one or two axes, or fewer than two samples.
    """
    rows = np.asarray(samples)
    if rows.dtype not in (np.float32, np.float64):
        rows = rows.astype(np.float64)
    if rows.ndim == 1:
        rows = rows[None, :]
    if rows.ndim != 2:
        raise DataError(f"{what} takes samples of shape (time,) or (channel, time), not {rows.ndim} axes")
    if rows.shape[1] < 2:
        raise DataError(f"{what} needs at least 2 samples per channel; there are {rows.shape[1]}")
    return rows if rows.strides[1] == rows.itemsize else np.ascontiguousarray(rows)


def refuse_unfit(rows: Samples, what: str) -> None:
    """Raise DataError naming the first sample that is not a finite number, and how many there are in its row."""
    for number, row in enumerate(rows):
        if not np.isfinite(row.sum(dtype=np.float64)) and not np.isfinite(row).all():
            raise not_finite(row, number, rows.shape[0], what)


def not_finite(row: Samples, number: int, of: int, what: str) -> DataError:
    """The error for a row that holds samples which are not finite."""
    bad = np.flatnonzero(~np.isfinite(row))
    where = f"channel number {number + 1} has " if of > 1 else "there are "
    count = (
        f"{bad.size} samples that are not finite numbers" if bad.size > 1 else "one sample that is not a finite number"
    )
    if bad.size == 1 and of == 1:
        where = "there is "
    return DataError(
        f"{what} needs gap-free samples: {where}{count}, the first at index {bad[0]}; repair the stretch or mark the "
        "span bad and leave it out"
    )
