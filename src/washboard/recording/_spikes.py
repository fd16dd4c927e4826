"""Spikes: one to a few samples that no band-limited motion could have made; potholes are not spikes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from washboard.recording._dropouts import Hit
from washboard.recording._recording import Samples

WIDEST = 4
"""Longest spike looked for. [samples]"""

_BLOCK = 16
_KERNEL = np.array([-1.0, 6.0, -15.0, 20.0, -15.0, 6.0, -1.0]) / 20.0


def find_spikes(samples: Samples, *, times: float = 8.0, share: float = 0.3) -> tuple[Hit, ...]:
    """Single samples, or up to `WIDEST` of them, that stand out from all around them.

    Parameters
    ----------
    samples : ndarray, shape (time,)
        NaN samples are passed over.
    times : float
        How many times larger than what is usual there the residual must be.
    share : float
        Smallest spike that matters, as a share of the channel's range between its 0.5 and 99.5 % quantiles.

    Returns
    -------
    tuple of Hit
        `measured` is the spike's height above the straight line between its neighbours, in the channel's unit.

    Notes
    -----
    The residual is the sixth difference, that is each sample less what a polynomial through its three neighbours on
    either side says: small for anything that went through an anti-alias filter, as large as the spike for a spike. It
    is held against what is usual in the whole channel and in the 16-sample blocks before and after, and must be quiet
    in the eight samples on either side: what a pothole or a kerb makes rings in the anti-alias filter and in the axle,
    a spike stands alone. Own design.
    """
    if samples.size < 8 * _BLOCK:
        return ()
    values = np.asarray(samples, dtype=np.float64)
    holes = ~np.isfinite(values)
    if holes.any():
        if holes.all():
            return ()
        values = values.copy()
        values[holes] = np.interp(np.flatnonzero(holes), np.flatnonzero(~holes), values[~holes])
    residual = np.abs(np.convolve(values, _KERNEL, mode="same"))
    residual[:3] = residual[-3:] = 0.0
    if holes.any():
        residual[np.convolve(holes, np.ones(9), mode="same") > 0] = 0.0
    usual = _usual(residual)
    spread = _spread(values)
    candidates = np.flatnonzero((residual > times * usual) & (residual > 0.2 * share * spread))
    quiet = float(np.median(usual))
    return tuple(
        hit
        for hit in _grouped(candidates, values, times * usual, share * spread)
        if _stands_alone(hit, residual, quiet)
    )


def _stands_alone(hit: Hit, residual: NDArray[np.float64], quiet: float) -> bool:
    """Whether the residual is quiet right beside the spike: an impact, through the filter, rings there."""
    core = residual[max(0, hit.start - 3) : hit.end + 3].max()
    beside = max(
        residual[max(0, hit.start - 11) : max(0, hit.start - 3)].max(initial=0.0),
        residual[hit.end + 3 : hit.end + 11].max(initial=0.0),
    )
    return bool(beside < 0.05 * core + 2.5 * quiet)


def _usual(residual: NDArray[np.float64]) -> NDArray[np.float64]:
    """The residual's usual size at each sample: the most of the whole channel's and either side's."""
    n_blocks = residual.size // _BLOCK
    blocks = residual[: n_blocks * _BLOCK].reshape(n_blocks, _BLOCK)
    level = np.sqrt(np.mean(blocks**2, axis=1))
    whole = float(np.median(level))
    padded = np.concatenate((np.full(4, whole), level, np.full(4, whole)))
    # Two of the three blocks on a side, not touching the block itself, because a spike may sit at its edge.
    before = np.median(np.stack([padded[k : k + n_blocks] for k in (0, 1, 2)]), axis=0)
    after = np.median(np.stack([padded[k : k + n_blocks] for k in (6, 7, 8)]), axis=0)
    at_block = np.maximum(np.maximum(before, after), whole)
    usual = np.full(residual.size, at_block[-1] if n_blocks else whole)
    usual[: n_blocks * _BLOCK] = np.repeat(at_block, _BLOCK)
    return usual


def _spread(values: NDArray[np.float64]) -> float:
    sample = values[:: max(1, values.size // 200_000)]
    low, high = np.quantile(sample, (0.005, 0.995))
    return float(high - low)


def _grouped(
    candidates: NDArray[np.intp], values: NDArray[np.float64], allowed: NDArray[np.float64], smallest: float
) -> tuple[Hit, ...]:
    """Neighbouring candidates as one spike each; too wide or too low ones dropped."""
    found: list[Hit] = []
    if candidates.size == 0:
        return ()
    for group in np.split(candidates, np.flatnonzero(np.diff(candidates) > 6) + 1):
        first, last = max(0, int(group[0]) - 2), min(values.size - 1, int(group[-1]) + 2)
        left, right = max(0, first - 2), min(values.size - 1, last + 2)
        line = np.interp(np.arange(left, right + 1), (left, right), (values[left], values[right]))
        away = np.abs(values[left : right + 1] - line)
        height = float(away.max())
        core = np.flatnonzero(away > 0.3 * height)
        width = int(core[-1] - core[0] + 1)
        # A step through the filter, as a wheel climbing out of a hole makes one, does not come back.
        if abs(values[right] - values[left]) > 0.7 * height:
            continue
        if height < smallest or width > WIDEST or height < allowed[group[0]]:
            continue
        found.append(Hit(start=left + int(core[0]), end=left + int(core[-1]) + 1, measured=height, kind="spike"))
    return tuple(found)
