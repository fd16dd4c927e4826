"""Spikes: one to a few samples that no band-limited motion could have made; potholes are not spikes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from washboard.recording._dropouts import Hit
from washboard.recording._recording import Samples
from washboard.recording._scan import BLOCK, Scan, scan

WIDEST = 4
"""Longest spike looked for. [samples]"""

_LONGEST_BURST = 12
"""Most spikes in one burst."""

_BURST_TIMES = 25.0
"""How many times larger than the channel's usual residual that of a spike in a burst must be."""


def find_spikes(
    samples: Samples, *, times: float = 8.0, share: float = 0.3, found: Scan | None = None
) -> tuple[Hit, ...]:
    """Single samples, or up to `WIDEST` of them, that stand out from all around them.

    Parameters
    ----------
    samples : ndarray, shape (time,)
        NaN samples are passed over.
    times : float
        How many times larger than what is usual there the residual must be.
    share : float
        Smallest spike that matters, as a share of the channel's range between its 0.5 and 99.5 % quantiles.
    found : Scan, optional
        Of these samples, where it was made already.

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
    a spike stands alone, or the spikes of a burst do once all of them are bridged. Own design.
    """
    if samples.size < 8 * BLOCK:
        return ()
    values = samples
    holes = None
    if found is None:
        missing = ~np.isfinite(values)
        if missing.all():
            return ()
        if missing.any():
            holes = missing
            values = values.copy()
            values[holes] = np.interp(np.flatnonzero(holes), np.flatnonzero(~holes), values[~holes])
            # What is bridged must not pass for what is usual, nor its edges for spikes.
            holes = np.convolve(holes, np.ones(9), mode="same") > 0
        found = scan(values)
    if found is None:
        return ()
    usual = _Usual(found)
    smallest = share * _spread(values)
    loud = np.flatnonzero((found.residual > times * usual.whole) & (found.residual > 0.2 * smallest))
    loud = loud[found.residual[loud] > times * usual.at(loud)]
    quiet = usual.quiet() if loud.size else 0.0
    hits: list[Hit] = []
    # Blocks that stand out, with those next to them, in the surroundings that the closer look needs.
    for group in np.split(loud, np.flatnonzero(np.diff(loud) > 2) + 1) if loud.size else ():
        start, end = max(0, (int(group[0]) - 2) * BLOCK), min(values.size, (int(group[-1]) + 3) * BLOCK)
        part = values[start:end]
        residual = _residual(part, found.middle)
        if holes is not None:
            residual[holes[start:end]] = 0.0
        allowed = times * np.repeat(usual.at(np.arange(start // BLOCK, -(-end // BLOCK))), BLOCK)[: part.size]
        candidates = np.flatnonzero((residual > allowed) & (residual > 0.2 * smallest))
        near = _grouped(candidates, part, allowed, smallest)
        alone = [hit for hit in near if _stands_alone(hit, residual, quiet)]
        hits.extend(
            Hit(start=start + hit.start, end=start + hit.end, measured=hit.measured, kind="spike")
            for hit in sorted(alone + _burst(near, alone, part, found.middle, quiet), key=lambda hit: hit.start)
        )
    return tuple(hits)


def _burst(near: Sequence[Hit], alone: Sequence[Hit], values: Samples, middle: float, quiet: float) -> list[Hit]:
    """Spikes close to each other, as a loose connector makes them: quiet all around once all of them are bridged."""
    from scipy.interpolate import CubicSpline

    rest = [hit for hit in near if hit not in alone]
    if not 2 <= len(rest) <= _LONGEST_BURST:
        return []
    bad = np.zeros(values.size, dtype=bool)
    for hit in near:
        bad[hit.start : hit.end] = True
    good = np.flatnonzero(~bad)
    bridged = values.copy()
    bridged[bad] = CubicSpline(good, values[good])(np.flatnonzero(bad))
    left, before = _residual(bridged, middle), _residual(values, middle)
    found = []
    for hit in rest:
        core = float(before[max(0, hit.start - 3) : hit.end + 3].max())
        around = float(left[max(0, hit.start - 11) : hit.end + 11].max())
        # Among rough, unfiltered content a few samples can always be found whose neighbours are quieter.
        if core > _BURST_TIMES * quiet and around < 0.05 * core + 2.5 * quiet:
            found.append(hit)
    return found


def _residual(values: Samples, middle: float) -> Samples:
    """Sixth difference over 20, without sign, zero at the ends; in the samples' own precision."""
    level: Samples = values - values.dtype.type(middle)
    out: Samples = np.zeros_like(level)
    far = 20 * level[3:-3]
    far -= 15 * (level[2:-4] + level[4:-2])
    far += 6 * (level[1:-5] + level[5:-1])
    far -= level[:-6] + level[6:]
    out[3:-3] = np.abs(far) * values.dtype.type(0.05)
    return out


def _stands_alone(hit: Hit, residual: Samples, quiet: float) -> bool:
    """Whether the residual is quiet right beside the spike: an impact, through the filter, rings there."""
    core = residual[max(0, hit.start - 3) : hit.end + 3].max()
    beside = max(
        residual[max(0, hit.start - 11) : max(0, hit.start - 3)].max(initial=0.0),
        residual[hit.end + 3 : hit.end + 11].max(initial=0.0),
    )
    return bool(beside < 0.05 * core + 2.5 * quiet)


class _Usual:
    """The residual's usual size around each block: the most of the whole channel's and either side's.

    Of the three blocks on a side two must be as loud, the block itself and those that touch it left out, because a
    spike may sit at its edge. Worked out only where it is asked for.
    """

    def __init__(self, found: Scan) -> None:
        power = found.power
        self._count = power.size
        # Some ten thousand blocks tell the medians well enough.
        self._apart = max(1, power.size // 16_384)
        self.whole = float(np.sqrt(np.median(power[: max(1, power.size - 1) : self._apart])))
        beyond = np.full(4, self.whole**2, power.dtype)
        self._padded = np.concatenate((beyond, power, beyond))

    def at(self, block: NDArray[np.intp]) -> Samples:
        """Of these blocks, shape (block,)."""
        before = _middle_of_three(*(self._padded[block + k] for k in (0, 1, 2)))
        after = _middle_of_three(*(self._padded[block + k] for k in (6, 7, 8)))
        found: Samples = np.sqrt(np.maximum(np.maximum(before, after), before.dtype.type(self.whole**2)))
        return found

    def quiet(self) -> float:
        """The median over the channel."""
        return float(np.median(self.at(np.arange(0, self._count, self._apart))))


def _middle_of_three(one: Samples, two: Samples, three: Samples) -> Samples:
    middle: Samples = np.maximum(np.minimum(one, two), np.minimum(np.maximum(one, two), three))
    return middle


def _spread(values: Samples) -> float:
    sample = values[:: max(1, values.size // 65_536)]
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
        # A step through the filter, as a wheel climbing out of a hole makes one, does not come back.
        if abs(values[right] - values[left]) > 0.7 * height:
            continue
        if height < smallest or height < allowed[group[0]]:
            continue
        # One spike, or several with good samples between them, which lie on the wave of the ride, not on a line.
        parts = [core]
        if core[-1] - core[0] + 1 > WIDEST:
            away = _from_median(values, left, right + 1)
            core = np.flatnonzero(away > 0.3 * away.max())
            parts = np.split(core, np.flatnonzero(np.diff(core) > 1) + 1)
        parts = [part for part in parts if part.size]
        if not 0 < len(parts) <= _LONGEST_BURST or max(part.size for part in parts) > WIDEST:
            continue
        found.extend(
            Hit(start=left + int(part[0]), end=left + int(part[-1]) + 1, measured=float(away[part].max()), kind="spike")
            for part in parts
        )
    return tuple(found)


def _from_median(values: Samples, start: int, end: int) -> NDArray[np.float64]:
    """How far each sample lies from the median of the nine around it."""
    padded = np.pad(values[max(0, start - 4) : end + 4].astype(np.float64), 4, mode="edge")
    around = np.median(np.lib.stride_tricks.sliding_window_view(padded, 9), axis=1)[min(4, start) :][: end - start]
    away: NDArray[np.float64] = np.abs(values[start:end] - around)
    return away
