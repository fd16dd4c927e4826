"""Spikes: one to a few samples that no band-limited motion could have made; potholes are not spikes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from washboard.recording._dropouts import Hit
from washboard.recording._recording import Samples

WIDEST = 4
"""Longest spike looked for. [samples]"""

_BLOCK = 16


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
    values = samples
    holes = ~np.isfinite(values)
    if holes.any():
        if holes.all():
            return ()
        values = values.copy()
        values[holes] = np.interp(np.flatnonzero(holes), np.flatnonzero(~holes), values[~holes])
    residual = _residual(values)
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


def _residual(values: Samples) -> Samples:
    """Sixth difference over 20, without sign, zero at the ends; in the samples' own precision."""
    level: Samples = values - values[: min(values.size, 4096)].mean()
    out: Samples = np.zeros_like(level)
    middle = 20 * level[3:-3]
    middle -= 15 * (level[2:-4] + level[4:-2])
    middle += 6 * (level[1:-5] + level[5:-1])
    middle -= level[:-6] + level[6:]
    np.abs(middle, out=middle)
    middle *= 1 / 20
    out[3:-3] = middle
    return out


def _stands_alone(hit: Hit, residual: Samples, quiet: float) -> bool:
    """Whether the residual is quiet right beside the spike: an impact, through the filter, rings there."""
    core = residual[max(0, hit.start - 3) : hit.end + 3].max()
    beside = max(
        residual[max(0, hit.start - 11) : max(0, hit.start - 3)].max(initial=0.0),
        residual[hit.end + 3 : hit.end + 11].max(initial=0.0),
    )
    return bool(beside < 0.05 * core + 2.5 * quiet)


def _usual(residual: Samples) -> Samples:
    """The residual's usual size at each sample: the most of the whole channel's and either side's."""
    n_blocks = residual.size // _BLOCK
    blocks = residual[: n_blocks * _BLOCK].reshape(n_blocks, _BLOCK)
    level = np.sqrt(np.einsum("bt,bt->b", blocks, blocks) / _BLOCK)
    whole = float(np.median(level))
    padded = np.concatenate((np.full(4, whole, level.dtype), level, np.full(4, whole, level.dtype)))
    # Two of the three blocks on a side, not touching the block itself, because a spike may sit at its edge.
    before = np.median(np.stack([padded[k : k + n_blocks] for k in (0, 1, 2)]), axis=0)
    after = np.median(np.stack([padded[k : k + n_blocks] for k in (6, 7, 8)]), axis=0)
    at_block = np.maximum(np.maximum(before, after), whole)
    usual = np.full(residual.size, at_block[-1] if n_blocks else whole, dtype=residual.dtype)
    usual[: n_blocks * _BLOCK] = np.repeat(at_block, _BLOCK)
    return usual


def _spread(values: Samples) -> float:
    sample = values[:: max(1, values.size // 200_000)]
    low, high = np.quantile(sample, (0.005, 0.995))
    return float(high - low)


def _grouped(candidates: NDArray[np.intp], values: Samples, allowed: Samples, smallest: float) -> tuple[Hit, ...]:
    """Neighbouring candidates as one spike each; too wide or too low ones dropped."""
    found: list[Hit] = []
    if candidates.size == 0:
        return ()
    for group in np.split(candidates, np.flatnonzero(np.diff(candidates) > 6) + 1):
        first, last = max(0, int(group[0]) - 2), min(values.size - 1, int(group[-1]) + 2)
        left, right = max(0, first - 2), min(values.size - 1, last + 2)
        line = np.interp(np.arange(left, right + 1), (left, right), (values[left], values[right]))
        away = np.abs(values[left : right + 1].astype(np.float64) - line)
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
