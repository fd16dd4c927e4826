"""Clipping: peaks cut off at the limit of a sensor or converter."""

from __future__ import annotations

import numpy as np

from washboard.recording._dropouts import Hit, runs
from washboard.recording._recording import Samples


def find_clipping(samples: Samples, limits: tuple[float, float] | None = None) -> tuple[Hit, ...]:
    """Stretches at the largest or smallest value that a peak does not stay on by itself.

    Parameters
    ----------
    samples : ndarray, shape (time,)
    limits : tuple of two floats, optional
        Range of sensor and converter in the samples' unit; samples within 0.1 % of its span of an end are clipped.

    Returns
    -------
    tuple of Hit
        `measured` is the level it was clipped at.

    Notes
    -----
    Without limits, clipping shows as samples piling up at the extreme: at least two runs of two or more, or one of
    four or more, equal samples there; or, where content near half the sample rate leaves the limit at once, four or
    more single ones with hardly any at the next values. A peak that is only large has its extreme once. A coarse
    converter's highest step holds no more samples than the one below it; a clipped channel's holds many more.
    """
    finite = np.isfinite(samples)
    values = samples[finite] if not finite.all() else samples
    if values.size < 16:
        return ()
    low, high = float(values.min()), float(values.max())
    if low == high:
        return ()
    found: list[Hit] = []
    for extreme, sign in ((high, 1), (low, -1)):
        level = extreme
        known = False
        if limits is not None:
            edge = limits[1] if sign > 0 else limits[0]
            margin = 1e-3 * (limits[1] - limits[0])
            if sign * (extreme - edge) >= -margin:
                level, known = edge - sign * margin, True
        # A converter's last code may toggle by one: allow a sliver of the range.
        sliver = 0.0 if known else 2e-5 * (high - low)
        mask = (samples >= level - sliver) if sign > 0 else (samples <= level + sliver)
        stretches = runs(mask)
        lengths = stretches[:, 1] - stretches[:, 0]
        in_runs = (lengths >= 2).sum() >= 2 or (lengths >= 4).any()
        if not known and not in_runs and not _spikes_up(values, extreme, sign, int(lengths.sum())):
            continue
        if not known and not _piled_up(values, extreme, sign, int(lengths.sum())):
            continue
        found.extend(Hit(start=int(a), end=int(b), measured=extreme, kind="clipping") for a, b in stretches)
    return tuple(sorted(found, key=lambda hit: hit.start))


def _piled_up(values: Samples, extreme: float, sign: int, count: int) -> bool:
    """Whether there are more samples at the extreme than at the next value towards the middle, twice over."""
    below = values[values < extreme] if sign > 0 else values[values > extreme]
    if below.size == 0:
        return False
    following = below.max() if sign > 0 else below.min()
    return count > 2 * int(np.count_nonzero(values == following))


def _spikes_up(values: Samples, extreme: float, sign: int, count: int) -> bool:
    """Whether the count at the extreme is four or more, and over three times that of any of the eight values next."""
    if count < 4:
        return False
    # The eight next values lie among the samples nearest the extreme, however many of those are equal.
    away = np.sort(values if sign < 0 else -values)
    beyond = away[count : count + 24 * max(1, count)]
    beyond = beyond[beyond > (extreme if sign < 0 else -extreme)]
    if beyond.size == 0:
        return False
    most = np.unique(beyond, return_counts=True)[1][:8].max()
    return bool(count > 3 * most)
