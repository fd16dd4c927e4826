"""Windows: the stretches a recording is divided into, with ends only where every channel is calm."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.recording import Samples

_CELLS = 8  # parts of a window; its ends lie on the grid of parts
_SEARCH = 2  # an end may move by this many parts either way
_TRANSIENT = 2.5  # times its own surroundings: more is a transient, and no place to cut
_LONGEST = 6  # windows that a transient may fuse
_SURROUNDINGS = 16  # windows that make up the surroundings of a place


@dataclass(frozen=True, kw_only=True, slots=True)
class Windows:
    """Consecutive stretches of a recording.

    Parameters
    ----------
    edges : ndarray of int, shape (window + 1,)
        Sample numbers, from 0 to the number of samples.
    rate_hz : float
        Sample rate. [Hz]
    activity : ndarray, shape (window + 1,)
        How lively the liveliest channel is around each edge: root mean square there over that of its surroundings. [-]
    """

    edges: NDArray[np.int64]
    rate_hz: float
    activity: NDArray[np.float64]

    @property
    def duration_s(self) -> NDArray[np.float64]:
        """Length of each window, shape (window,). [s]"""
        return np.diff(self.edges) / self.rate_hz

    @property
    def start_s(self) -> NDArray[np.float64]:
        """Start of each window, shape (window,). [s]"""
        return self.edges[:-1] / self.rate_hz


def windows_of(samples: Samples, rate_hz: float, *, window_s: float, fade_s: float) -> Windows:
    """Divide a recording into windows of about `window_s`, none ending inside a transient of any channel.

    Each end is looked for within a quarter of a window around its nominal place, where the liveliest channel is
    calmest: the root mean square over the length of a fade, about the local mean, against that of the surroundings (16
    windows). An end whose calmest place is still a transient (more than 2.5 times its surroundings) is left out, so
    that the transient stays whole; at most six windows are fused that way. (The measure and its figures are this
    project's own.) A recording shorter than two windows is one window.

    Parameters
    ----------
    samples : ndarray, shape (channel, time)
    window_s, fade_s : float
        Length of a window and of the fade at a join. [s]
    """
    n = samples.shape[1]
    cell = max(1, round(window_s * rate_hz / _CELLS))
    n_cells = n // cell
    n_windows = n_cells // _CELLS
    if n_windows < 2:
        return Windows(edges=np.array([0, n], np.int64), rate_hz=rate_hz, activity=np.zeros(2))
    lively = activity_at_cells(samples, cell, fade_cells=max(1, round(fade_s * rate_hz / cell / 2)))
    edges, found = [0], [0.0]
    left_out: list[tuple[float, int]] = []
    for k in range(1, n_windows):
        places = np.arange(k * _CELLS - _SEARCH, k * _CELLS + _SEARCH + 1)
        # Among places as calm as each other the nominal one, so that windows keep their length.
        best = int(places[np.argmin(lively[places] + 1e-3 * np.abs(places - k * _CELLS))])
        if lively[best] > _TRANSIENT:
            left_out.append((float(lively[best]), best))
            if len(left_out) < _LONGEST:
                continue
            best = min(left_out)[1]
        left_out = [entry for entry in left_out if entry[1] > best]
        edges.append(best * cell)
        found.append(float(lively[best]))
    return Windows(edges=np.array([*edges, n], np.int64), rate_hz=rate_hz, activity=np.array([*found, 0.0]))


def activity_at_cells(samples: Samples, cell: int, *, fade_cells: int) -> NDArray[np.float64]:
    """How lively the liveliest channel is at each boundary between cells, over `fade_cells` either side.

    Returns
    -------
    ndarray, shape (cell + 1,)
        Root mean square over that of the surroundings. [-]
    """
    n_cells = samples.shape[1] // cell
    liveliest = np.zeros(n_cells + 1)
    long = _SURROUNDINGS * _CELLS
    for row in samples:
        parts = np.asarray(row[: n_cells * cell], np.float64).reshape(n_cells, cell)
        offset = parts.mean()
        mean = parts.mean(axis=1) - offset
        square = np.square(parts - offset).mean(axis=1)
        whole = float(square.mean() - mean.mean() ** 2)
        if whole <= 0:
            continue
        static = _running(mean, long)
        surroundings = np.maximum(_running(square, long) - static**2, 1e-3 * whole)
        here = _running(square, fade_cells) - 2 * static * _running(mean, fade_cells) + static**2
        liveliest = np.maximum(liveliest, np.sqrt(np.maximum(here, 0.0) / surroundings))
    return liveliest


def _running(values: NDArray[np.float64], half: int) -> NDArray[np.float64]:
    """Mean over `half` values either side of each boundary between values; less at the ends."""
    n = len(values)
    total = np.concatenate([[0.0], np.cumsum(values)])
    place = np.arange(n + 1)
    first, last = np.maximum(place - half, 0), np.minimum(place + half, n)
    result: NDArray[np.float64] = (total[last] - total[first]) / (last - first)
    return result
