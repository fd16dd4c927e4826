"""Join: kept stretches put end to end, all channels fading into each other together where they match best."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.errors import DataError
from washboard.recording import Samples

_POINTS = 16  # the fade is compared in so many averaged points
_STEPS = 17  # places tried for either end of a cut


@dataclass(frozen=True, kw_only=True, slots=True)
class Joined:
    """Kept stretches as one time history.

    Parameters
    ----------
    samples : ndarray, shape (channel, time)
        In the type of the samples they were cut from.
    runs : ndarray of int, shape (run, 2)
        First and one past the last sample of each stretch in the original, after the cuts were moved to match.
    joins : ndarray of int, shape (join,)
        Sample number in the joined history where each join's fade has its middle.
    fade : int
        Length of a fade. [samples]
    step : ndarray, shape (channel, join)
        Difference of level between the two sides at the middle of the fade, over the channel's standard deviation. [-]
    """

    samples: Samples
    runs: NDArray[np.int64]
    joins: NDArray[np.int64]
    fade: int
    step: NDArray[np.float64]


def join_runs(
    samples: Samples,
    runs: NDArray[np.int64],
    *,
    fade: int,
    search: int,
    keep_at: NDArray[np.int64] | None = None,
) -> Joined:
    """Put stretches of a recording end to end with one cross-fade for all channels at each join.

    The fade is a half cosine in the middle of which the cut lies; it uses what followed the first stretch and what came
    before the second in the recording, so no stretch loses length. Its weights are flat at both ends: the joined
    history meets both sides in level and slope, and never leaves the range between them, so it makes no new extreme.
    Either end of a cut may move by `search` samples to where the two sides are most alike over the whole fade, all
    channels together (sum of squares over each channel's variance). Time is taken out of all channels alike: phase
    between them is kept.

    Parameters
    ----------
    samples : ndarray, shape (channel, time)
    runs : ndarray of int, shape (run, 2)
        First and one past the last sample of each stretch, ascending.
    fade : int
        Length of the fade; made even. [samples]
    search : int
        How far an end may move. [samples]
    keep_at : ndarray of int, optional
        Samples that must come through unchanged: no end moves so that a fade would touch them.

    Raises
    ------
    DataError
        No stretch, stretches that overlap, or one shorter than the fade.
    """
    moved = np.array(runs, np.int64).reshape(-1, 2)
    half = max(1, fade // 2)
    if len(moved) == 0:
        raise DataError("nothing is kept; ask for a larger share of damage")
    if np.any(moved[1:, 0] < moved[:-1, 1]) or np.any(moved[:, 1] - moved[:, 0] < (2 * half if len(moved) > 1 else 1)):
        raise DataError("a kept stretch is shorter than the fade at a join; make the fade shorter or windows longer")
    scale = _deviation(samples)
    wanted = np.sort(np.asarray([] if keep_at is None else keep_at, np.int64))
    for k in range(len(moved) - 1):
        moved[k, 1], moved[k + 1, 0] = _best_cut(samples, moved, k, half, search, scale, wanted)
    return _assemble(samples, moved, half, scale)


def _deviation(samples: Samples) -> NDArray[np.float64]:
    scale = np.array([float(np.std(row, dtype=np.float64)) for row in samples])
    return np.where(scale > 0, scale, 1.0)


def _best_cut(
    samples: Samples,
    runs: NDArray[np.int64],
    k: int,
    half: int,
    search: int,
    scale: NDArray[np.float64],
    wanted: NDArray[np.int64],
) -> tuple[int, int]:
    end, start = int(runs[k, 1]), int(runs[k + 1, 0])
    n = samples.shape[1]
    reach = min(search, max(0, (start - end) // 2 - 1))
    shifts = np.unique(np.linspace(-search, search, _STEPS).round().astype(int))
    ends, starts = end + shifts[shifts <= reach], start + shifts[shifts >= -reach]
    # Half a run is left to the joins at its other end, which moves by its own search.
    ends = ends[(ends - half >= runs[k, 0] + half + 1) & (ends + half <= n)]
    starts = starts[(starts + half <= runs[k + 1, 1] - half - 1 - search) & (starts - half >= 0)]
    inside = wanted[(wanted >= runs[k, 0]) & (wanted < end)]
    if inside.size:
        ends = ends[ends - half > inside[-1]]
    inside = wanted[(wanted >= start) & (wanted < runs[k + 1, 1])]
    if inside.size:
        starts = starts[starts + half <= inside[0]]
    if not (ends.size and starts.size):
        return end, start
    first, second = _views(samples, ends, half, scale), _views(samples, starts, half, scale)
    apart = (first**2).sum(axis=1)[:, None] + (second**2).sum(axis=1)[None, :] - 2 * first @ second.T
    # Among alike ones the cut that moves least, so that time and damage stay as they were selected.
    apart = apart / first.shape[1] + 1e-3 * (np.abs(ends - end)[:, None] + np.abs(starts - start)[None, :]) / max(
        1, search
    )
    best = np.unravel_index(int(np.argmin(apart)), apart.shape)
    return int(ends[best[0]]), int(starts[best[1]])


def _views(samples: Samples, places: NDArray[np.int64], half: int, scale: NDArray[np.float64]) -> NDArray[np.float64]:
    """The stretch under a fade about each place, averaged to a few points, shape (place, channel x point)."""
    points = min(_POINTS, 2 * half)
    low, high = int(places[0]) - half, int(places[-1]) + half
    part = np.asarray(samples[:, low:high], np.float64) / scale[:, None]
    total = np.concatenate([np.zeros((len(part), 1)), np.cumsum(part, axis=1)], axis=1)
    grid = (np.arange(points + 1) * (2 * half)) // points
    edges = places[:, None] - half - low + grid[None, :]
    means = (total[:, edges[:, 1:]] - total[:, edges[:, :-1]]) / np.diff(grid)
    views: NDArray[np.float64] = means.transpose(1, 0, 2).reshape(len(places), -1)
    return views


def fade_weights(half: int) -> NDArray[np.float64]:
    """Weight of the second side over a fade of ``2 * half`` samples: a half cosine from 0 to 1."""
    place = (np.arange(2 * half) + 0.5) / (2 * half)
    weights: NDArray[np.float64] = 0.5 - 0.5 * np.cos(np.pi * place)
    return weights


def _assemble(samples: Samples, runs: NDArray[np.int64], half: int, scale: NDArray[np.float64]) -> Joined:
    lengths = runs[:, 1] - runs[:, 0]
    places = np.cumsum(lengths)
    out = np.empty((samples.shape[0], int(places[-1])), samples.dtype)
    weights = fade_weights(half)
    step = np.zeros((samples.shape[0], len(runs) - 1))
    for k, (first, last) in enumerate(runs):
        out[:, places[k] - lengths[k] : places[k]] = samples[:, first:last]
    for k, place in enumerate(places[:-1]):
        end, start = runs[k, 1], runs[k + 1, 0]
        before = np.asarray(samples[:, end - half : end + half], np.float64)
        after = np.asarray(samples[:, start - half : start + half], np.float64)
        out[:, place - half : place + half] = before + weights * (after - before)
        step[:, k] = np.abs(after.mean(axis=1) - before.mean(axis=1)) / scale
    return Joined(samples=out, runs=runs, joins=places[:-1].astype(np.int64), fade=2 * half, step=step)
