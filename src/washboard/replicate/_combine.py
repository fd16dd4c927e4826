"""The best of what was played: from stretch to stretch another mixture of the plays, where it comes nearest."""

from __future__ import annotations

import numpy as np
import scipy.sparse
from numpy.typing import NDArray

from washboard.replicate._model import LineGroups
from washboard.replicate._target import PreparedTarget

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

#: Independent values of the error a stretch must hold per play mixed in: with fewer, a mixture fits chance.
_EVIDENCE = 6.0
#: Shortest stretch. [s]
_SHORTEST_S = 0.5
#: Ridge on each share of a play, over the power of its difference.
_RIDGE = 1.0
#: Most a difference between two plays is carried beyond the plays themselves.
_MOST = 1.5


def combined(
    target: PreparedTarget,
    bands: LineGroups,
    weight: Floats,
    wanted: Complexes,
    centre: tuple[Complexes, Complexes],
    others: list[tuple[Complexes, Complexes]],
    noise: Floats,
) -> tuple[Complexes, Complexes]:
    """Drive and response of the mixture of plays that comes nearest to what is wanted, stretch by stretch.

    In every stretch of time, overlapping its neighbours by half, the shares of the differences between the plays are
    the least-squares fit to the error. No model is in it, and what friction and lift-off do at one place and not at
    another is told apart by time (Anderson's mixing, 1965, in the form of Walker and Ni, 2011, with shares that change
    along the record). The best play of every stretch is one of the mixtures, so what was good anywhere is kept. How
    long a stretch is follows from how many independent values of the error it must hold.

    Parameters
    ----------
    bands : LineGroups
        To smooth the error's power over frequency.
    weight : ndarray, shape (line, response)
        Band filter included.
    wanted : ndarray, shape (line, response)
        Put into the band already.
    centre : pair of ndarrays, shapes (line, drive) and (line, response)
        The play the others are differences from.
    others : list of such pairs
    noise : ndarray, shape (line, response)
        Power on a line that does not repeat.

    Returns
    -------
    drive, response : ndarrays, shapes (line, drive) and (line, response)
    """
    if not others:
        return centre
    error = weight * (wanted - target.edge[:, None] * centre[1])
    stretches = _stretches(target, _stretch_s(target, bands, error, len(others)))
    off = target.to_time(error)
    made = [target.to_time(weight * (response - centre[1])) for _drive, response in others]
    m = len(made)
    normal = np.zeros((stretches.shape[0], m, m))
    right = np.zeros((stretches.shape[0], m))
    for i in range(m):
        right[:, i] = stretches @ np.einsum("it,it->t", off, made[i])
        for j in range(i + 1):
            normal[:, i, j] = normal[:, j, i] = stretches @ np.einsum("it,it->t", made[i], made[j])
    power = np.einsum("sii->si", normal)
    # The difference of two plays carries the noise of both.
    chance = 4 * float(np.sum(weight**2 * noise)) * np.asarray(stretches.sum(axis=1)).ravel()
    ridge = _RIDGE * power + chance[:, None] + max(1e-9 * float(power.max()), 1e-300)
    normal[:, np.arange(m), np.arange(m)] += ridge
    shares = np.clip(np.linalg.solve(normal, right[:, :, None])[:, :, 0], -_MOST, _MOST)
    drive, response = target.to_time(centre[0]), target.to_time(centre[1])
    for i, (other_drive, other_response) in enumerate(others):
        share = stretches.T @ shares[:, i]
        drive += share * target.to_time(other_drive - centre[0])
        response += share * target.to_time(other_response - centre[1])
    return target.to_lines(drive), target.to_lines(response)


def _stretch_s(target: PreparedTarget, bands: LineGroups, error: Complexes, count: int) -> float:
    """Length of a stretch in which the error holds enough independent values for `count` shares. [s]

    A signal of flat power over a bandwidth B holds 2 B values a second; power that is not flat counts by its
    participation ratio, over lines and channels.
    """
    lines = np.diff(bands.edges)[:, None]
    power = np.asarray(bands.total(np.abs(error) ** 2))
    values = 2 * power.sum() ** 2 / max(float((power**2 / lines).sum()), 1e-300)
    per_s = float(values) * target.rate_hz / target.n_samples
    return max(_SHORTEST_S, _EVIDENCE * count / max(per_s, 1e-9))


def _stretches(target: PreparedTarget, length_s: float) -> scipy.sparse.csr_array:
    """Raised cosines over time that overlap by half and add up to one, (stretch, time)."""
    n = target.n_samples
    count = max(1, round(n / target.rate_hz / length_s))
    if count == 1:
        return scipy.sparse.csr_array(np.ones((1, n)))
    position = np.linspace(0, count - 1, n)
    low = np.minimum(position.astype(int), count - 2)
    first = 0.5 + 0.5 * np.cos(np.pi * (position - low))
    where = (np.concatenate([low, low + 1]), np.tile(np.arange(n), 2))
    return scipy.sparse.csr_array((np.concatenate([first, 1 - first]), where), shape=(count, n))
