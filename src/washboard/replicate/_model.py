"""The model an iteration steers by: the identified FRF on the lines of a play, refreshed from the plays themselves."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from washboard.identify import Frf, interpolated

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


@dataclass(frozen=True, kw_only=True, slots=True)
class LineGroups:
    """Lines in groups of neighbouring frequencies, each of which shares one correction of the FRF.

    `edges` are line numbers, shape (group + 1,); `centre_hz` the groups' frequencies.
    """

    edges: NDArray[np.intp]
    centre_hz: Floats

    @property
    def n_groups(self) -> int:
        """How many groups."""
        return len(self.edges) - 1

    def total(self, values: NDArray[Any]) -> NDArray[Any]:
        """Sum over the lines of each group along the first axis."""
        return np.asarray(np.add.reduceat(values, self.edges[:-1], axis=0))

    def gather(self, values: NDArray[Any], freq_hz: Floats) -> NDArray[Any]:
        """Sum over lines for each group, a line counting as much as `smooth` would give it of that group.

        What is fitted from these sums and spread by `smooth` is led, between two groups, by their strong lines; with
        plain totals a strong line at the border would take half of its neighbour's guess from lines of noise.
        """
        position = np.interp(freq_hz, self.centre_hz, np.arange(self.n_groups))
        low = np.minimum(position.astype(int), max(self.n_groups - 2, 0))
        share = (position - low).reshape((-1,) + (1,) * (values.ndim - 1))
        starts = np.searchsorted(low, np.arange(max(self.n_groups - 1, 1)))
        kept = np.flatnonzero(np.diff(np.append(starts, low.size)) > 0)
        out = np.zeros((self.n_groups, *values.shape[1:]), dtype=values.dtype)
        out[kept] += np.add.reduceat(values * (1 - share), starts[kept], axis=0)
        if self.n_groups > 1:
            out[kept + 1] += np.add.reduceat(values * share, starts[kept], axis=0)
        return out

    def smooth(self, values: NDArray[Any], freq_hz: Floats) -> NDArray[Any]:
        """Values per group between the groups' centres by straight lines, on every line."""
        position = np.interp(freq_hz, self.centre_hz, np.arange(self.n_groups))
        low = np.minimum(position.astype(int), max(self.n_groups - 2, 0))
        share = (position - low).reshape((-1,) + (1,) * (values.ndim - 1))
        high = np.minimum(low + 1, self.n_groups - 1)
        return np.asarray(values[low] * (1 - share) + values[high] * share)


def group_lines(freq_hz: Floats, *, width_hz: float = 0.3, share: float = 0.05, least: int = 4) -> LineGroups:
    """Groups as wide as `width_hz` or `share` of the frequency, whichever is more, of at least `least` lines."""
    edges = [0]
    while edges[-1] < freq_hz.size:
        start = freq_hz[edges[-1]]
        stop = int(np.searchsorted(freq_hz, start + max(width_hz, share * start)))
        edges.append(min(max(stop, edges[-1] + least), freq_hz.size))
    if len(edges) > 2 and edges[-1] - edges[-2] < least:
        edges.pop(-2)
    index = np.array(edges, dtype=np.intp)
    centre = np.array([freq_hz[a:b].mean() for a, b in pairwise(index)])
    return LineGroups(edges=index, centre_hz=centre)


@dataclass(frozen=True, kw_only=True, slots=True)
class LineModel:
    """FRF and what is known of its uncertainty on the lines of a play.

    Parameters
    ----------
    frf : ndarray, shape (line, response, drive)
    spread : ndarray, shape (line, response)
        Distortion power of a response for drives of the power in `shape`. [response unit squared]
    shape : ndarray, shape (line, drive)
        Power of each drive in one experiment of the identification. [drive unit squared]
    certainty : ndarray, shape (line,)
        Experiments times lines averaged behind the FRF: its variance is that of one, divided by this.
    noise : ndarray, shape (line, response)
        Power of what does not repeat, per Hz of resolution. [response unit squared per Hz]
    """

    frf: Complexes
    spread: Floats
    shape: Floats
    noise: Floats
    certainty: Floats

    def ridge(self, weight: Floats) -> Floats:
        """Weighted variance of the FRF per drive, shape (line, drive): the ridge that needs no constant to be chosen.

        Minimising the expected square error over the uncertainty of H adds ``sum_i w_i^2 cov(H_i)`` to the normal
        equations (idea of regularised total least squares; derived here).
        """
        power = (weight**2 * self.spread).sum(axis=1)
        return np.asarray(power[:, None] / (self.shape * self.certainty[:, None]))


def line_model(frf: Frf, freq_hz: Floats) -> LineModel:
    """The identified FRF on other lines."""

    def onto(values: Floats) -> Floats:
        columns = values.reshape(values.shape[0], -1)
        return np.stack([np.interp(freq_hz, frf.freq_hz, column) for column in columns.T], axis=1)

    spacing = frf.freq_hz[1] - frf.freq_hz[0]
    shape = np.einsum("fjj->fj", frf.information).real / frf.n_experiments
    return LineModel(
        frf=interpolated(frf, freq_hz),
        spread=onto(frf.residual),
        shape=np.maximum(onto(shape), 1e-300),
        noise=onto(frf.noise) * frf.n_periods / spacing,
        certainty=frf.n_experiments * np.interp(freq_hz, frf.freq_hz, frf.averaged),
    )


def refreshed(
    model: LineModel,
    groups: LineGroups,
    freq_hz: Floats,
    pairs: list[tuple[Complexes, Complexes]],
    weight: Floats,
    noise: Floats,
    *,
    prior_lines: float = 8.0,
) -> Complexes:
    """The FRF corrected by what was seen in plays, drawn to the identified one where they say nothing.

    Per group of lines and over all pairs (change of drive, change of response), recursive least squares with the
    identified FRF as what was known before: ``C = B inv(A + R)``. Every pair is weighted by what can be believed of it:
    changes far above the noise count alike, whatever their size, those in the noise count little.

    Parameters
    ----------
    pairs : list of (drive, response)
        Lines of changes, shapes (line, drive) and (line, response).
    noise : ndarray, shape (line, response)
        Power on a line that does not repeat.
    prior_lines : float
        How many lines of evidence the identified FRF is worth.

    Returns
    -------
    ndarray, shape (line, response, drive)
    """
    _, p, q = model.frf.shape
    scale = np.sqrt(model.shape)
    inner = np.zeros((groups.n_groups, q, q), dtype=np.complex128)
    outer = np.zeros((groups.n_groups, p, q), dtype=np.complex128)
    count = np.maximum(groups.gather(np.ones(freq_hz.size), freq_hz), 1e-9)
    for drive, response in pairs:
        relative = drive / scale
        made = np.einsum("fij,fj->fi", model.frf, drive)
        off = response - made
        size = groups.gather((weight**2 * np.abs(made) ** 2).sum(axis=1), freq_hz) / count
        floor = groups.gather((weight**2 * noise).sum(axis=1), freq_hz) * 2 / count
        energy = groups.gather((np.abs(relative) ** 2).sum(axis=1), freq_hz) / count
        belief = np.divide(size, (size + 4 * floor) * energy, out=np.zeros_like(size), where=energy > 0)
        row = belief[:, None, None]
        inner += row * groups.gather(relative[:, :, None] * np.conj(relative[:, None, :]), freq_hz)
        outer += row * groups.gather(off[:, :, None] * np.conj(relative[:, None, :]), freq_hz)
    load = prior_lines / q * np.eye(q)
    correction = np.linalg.solve(np.conj(inner + load), outer.transpose(0, 2, 1)).transpose(0, 2, 1)
    return np.asarray(model.frf + groups.smooth(correction, freq_hz) / scale[:, None, :])


def refreshed_inverse(
    inverse: Complexes,
    groups: LineGroups,
    freq_hz: Floats,
    pairs: list[tuple[Complexes, Complexes]],
    weight: Floats,
    *,
    prior_lines: float = 8.0,
) -> Complexes:
    """The inverse corrected by what was seen in plays: drives as a linear function of responses, per group of lines.

    Friction and lift-off disturb responses, not drives; with more responses than drives the least-squares fit from
    responses to drives finds the combinations in which they cancel, and shrinks where they do not. Every pair counts
    alike whatever its size, and `inverse` itself counts as `prior_lines` lines of evidence.

    Parameters
    ----------
    inverse : ndarray, shape (line, drive, response)
    pairs : list of (drive, response)
        Lines of changes, shapes (line, drive) and (line, response).
    """
    _, q, p = inverse.shape
    inner = np.zeros((groups.n_groups, p, p), dtype=np.complex128)
    outer = np.zeros((groups.n_groups, q, p), dtype=np.complex128)
    count = np.maximum(groups.gather(np.ones(freq_hz.size), freq_hz), 1e-9)
    for drive, response in pairs:
        seen = weight * response
        off = drive - np.einsum("fji,fi->fj", inverse, response)
        size = groups.gather((np.abs(seen) ** 2).mean(axis=1), freq_hz) / count
        row = np.divide(1.0, size, out=np.zeros_like(size), where=size > 0)[:, None, None]
        inner += row * groups.gather(seen[:, :, None] * np.conj(seen[:, None, :]), freq_hz)
        outer += row * groups.gather(off[:, :, None] * np.conj(seen[:, None, :]), freq_hz)
    load = prior_lines * np.eye(p)
    # X (A + load) = B with A Hermitian: solved transposed.
    correction = np.linalg.solve(np.conj(inner + load), outer.transpose(0, 2, 1)).transpose(0, 2, 1)
    return np.asarray(inverse + groups.smooth(correction, freq_hz) * weight[:, None, :])


def weighted_inverse(frf: Complexes, weight: Floats, ridge: Complexes | Floats) -> Complexes:
    """G = inv(H^H W^2 H + L) H^H W^2 on every line, shape (line, drive, response).

    Parameters
    ----------
    frf : ndarray, shape (line, response, drive)
    weight : ndarray, shape (line, response)
    ridge : ndarray, shape (line, drive) or (line, drive, drive)
        L, its diagonal or whole.
    """
    q = frf.shape[2]
    weighted = np.conj(frf.transpose(0, 2, 1)) * (weight**2)[:, None, :]
    normal = weighted @ frf
    if ridge.ndim == 2:
        normal[:, np.arange(q), np.arange(q)] += ridge
    else:
        normal = normal + ridge
    trace = np.einsum("fjj->f", normal).real / q
    normal[:, np.arange(q), np.arange(q)] += np.maximum(trace * 1e-12, 1e-300)[:, None]
    return np.asarray(np.linalg.solve(normal, weighted))
