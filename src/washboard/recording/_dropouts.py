"""Dropouts: stretches where a channel is NaN, stuck on one value, or zero."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from washboard.recording._recording import Samples


@dataclass(frozen=True, kw_only=True, slots=True)
class Hit:
    """A stretch of samples [start, end) with its evidence."""

    start: int
    end: int
    measured: float = 0.0
    kind: str = ""


DropoutKind = Literal["nan", "flat", "zero"]


def runs(mask: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Start and end of every run of True, shape (run, 2)."""
    padded = np.concatenate(([False], mask, [False]))
    found: NDArray[np.intp] = np.flatnonzero(padded[1:] != padded[:-1]).reshape(-1, 2)
    return found


def find_dropouts(samples: Samples, rate_hz: float) -> tuple[Hit, ...]:
    """Stretches of NaN (or infinite), of one repeated value, or of exact zeros.

    A flat stretch is one that lasts far longer than the channel otherwise stays on one value: at least 20 ms and 8
    samples, and more than 4 times the 99.9 % quantile of all runs of equal samples, so that a channel of coarse
    resolution at standstill is not called dropped out. Flat stretches at the channel's extremes are left to clipping.

    Parameters
    ----------
    samples : ndarray, shape (time,)
    rate_hz : float
        [Hz]

    Returns
    -------
    tuple of Hit
        `kind` is ``"nan"``, ``"zero"`` or ``"flat"``; `measured` the length. [s]
    """
    finite = np.isfinite(samples)
    found = [Hit(start=int(a), end=int(b), measured=(b - a) / rate_hz, kind="nan") for a, b in runs(~finite)]
    values = samples[finite] if not finite.all() else samples
    if values.size < 16:
        return tuple(found)
    low, high = float(values.min()), float(values.max())
    same = np.empty(samples.size, dtype=bool)
    same[0] = False
    np.equal(samples[1:], samples[:-1], out=same[1:])
    stretches = runs(same)
    if stretches.size == 0:
        return tuple(found)
    lengths = stretches[:, 1] - stretches[:, 0] + 1
    # How long the channel stays on one value when it is well: moving samples count as runs of one.
    usual = _usual_run(lengths, samples.size - int(lengths.sum()))
    shortest = max(8, round(0.02 * rate_hz), int(4 * usual) + 1)
    for (a, b), length in zip(stretches, lengths, strict=True):
        if length < shortest:
            continue
        value = float(samples[a])
        start = int(a) - 1
        at_extreme = value in (low, high) and low < high and value != 0.0
        # Clipping touches the extreme again and again; what sits there once, and long, is stuck.
        if at_extreme and (np.count_nonzero(samples == value) > 1.05 * length or (b - start) / rate_hz < 0.3):
            continue
        kind = "zero" if value == 0.0 else "flat"
        found.append(Hit(start=start, end=int(b), measured=float(length / rate_hz), kind=kind))
    return tuple(sorted(found, key=lambda hit: hit.start))


def _usual_run(lengths: NDArray[np.intp], moving: int) -> float:
    """The 99.9 % quantile of run lengths, runs of one sample included."""
    total = lengths.size + moving
    above = max(1, round(0.001 * total))
    if above >= lengths.size:
        return 1.0
    return float(np.partition(lengths, lengths.size - above - 1)[lengths.size - above - 1])
