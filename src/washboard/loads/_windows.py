"""Damage by window: where along a recording the damage comes from."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washboard.errors import InputError
from washboard.loads._damage import as_slopes
from washboard.loads._rainflow import rainflow
from washboard.loads._samples import as_one_row, as_rows, each_row, not_finite

Credit = Literal["split", "close"]
"""Where the damage of a cycle is booked: half at either of its two turning points, or all at the one that ends it."""

_WHAT = "Counting damage by window"


def damage_by_window(
    samples: ArrayLike,
    window: int,
    slopes: ArrayLike,
    *,
    credit: Credit = "split",
    residue: Literal["half", "none"] = "half",
) -> NDArray[np.float64]:
    """Pseudo-damage of each stretch of `window` samples; the sum over windows is the damage of the whole.

    Cycles are counted over the whole recording, so slow cycles across windows are not lost: each one's damage goes
    half to the window of either turning point (``"split"``), or all to the window of its second one (``"close"``).

    Parameters
    ----------
    samples : array_like, shape (channel, time) or (time,)
        Float32 and float64 are read in place.
    window : int
        Samples per window; the last window may be shorter.
    slopes : array_like, shape (slope,) or a number
        Basquin slopes. [-]
    credit : str
        ``"split"`` or ``"close"``.
    residue : str
        ``"half"`` or ``"none"``, as for `rainflow`; a repeated history has no place in time for its residue.

    Returns
    -------
    ndarray, shape (channel, window, slope)
        Without the channel axis for samples of shape (time,), without the slope axis for a single number.

    Raises
    ------
    DataError
        Samples that are not finite, or fewer than two.
    InputError
        A window shorter than one sample, or a word that is not known.
    """
    rows = as_rows(samples, _WHAT)
    if window < 1 or window != int(window):
        raise InputError(f"a window is a whole number of samples, at least 1, not {window!r}")
    if credit not in ("split", "close"):
        raise InputError(f"credit is 'split' or 'close', not {credit!r}")
    if residue not in ("half", "none"):
        raise InputError(f"the residue of damage by window is 'half' or 'none', not {residue!r}")
    powers = as_slopes(slopes)
    many = np.atleast_1d(powers)
    found = np.zeros((rows.shape[0], -(-rows.shape[1] // int(window)), many.size))
    weight = 0.5 if residue == "half" else 0.0

    def count(number: int) -> None:
        from washboard.loads import _kernels

        row = rows[number]
        bad = _kernels.damage_of_windows(row, int(window), credit == "split", weight, many, found[number])
        if bad >= 0:
            raise not_finite(row, number, rows.shape[0], _WHAT)

    each_row(count, rows.shape[0], rows.size)
    shaped = found.reshape(found.shape[:2] + powers.shape)
    return shaped[0] if np.ndim(samples) == 1 else shaped


def damage_history(
    x: ArrayLike, slopes: ArrayLike, *, credit: Credit = "close", residue: Literal["half", "none"] = "half"
) -> NDArray[np.float64]:
    """Pseudo-damage of one channel over time: what each sample adds; its running sum is the damage so far.

    Parameters
    ----------
    x : array_like, shape (time,)
    slopes : array_like, shape (slope,) or a number
        Basquin slopes. [-]
    credit : str
        ``"close"``: each cycle's damage all at its second turning point, from where its loop closes; ``"split"``: half
        at either turning point.
    residue : str
        ``"half"`` or ``"none"``.

    Returns
    -------
    ndarray, shape (slope, time)
        Without the slope axis for a single number.

    Raises
    ------
    DataError
        More than one channel, fewer than two samples, or samples that are not finite.
    """
    row = as_one_row(x, "A damage history")
    if credit not in ("split", "close"):
        raise InputError(f"credit is 'split' or 'close', not {credit!r}")
    if residue not in ("half", "none"):
        raise InputError(f"the residue of a damage history is 'half' or 'none', not {residue!r}")
    powers = as_slopes(slopes)
    cycles = rainflow(row, residue=residue)
    found = np.empty((np.atleast_1d(powers).size, row.size))
    for place, power in enumerate(np.atleast_1d(powers)):
        damage = cycles.count * cycles.range**power
        found[place] = np.bincount(cycles.end_index, damage, row.size)
        if credit == "split":
            found[place] = 0.5 * (found[place] + np.bincount(cycles.start_index, damage, row.size))
    return np.asarray(found.reshape((*powers.shape, row.size)))
