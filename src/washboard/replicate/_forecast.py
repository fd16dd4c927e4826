"""What can be reached, said before any target is played: error, drives against limits, what each channel is worth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.identify import LimitUse, hold_to_limits, use_of_limits
from washboard.replicate._iterate import Problem
from washboard.replicate._measures import overall_error
from washboard.replicate._model import group_lines, weighted_inverse

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Forecast:
    """The error that can be reached, in parts, relative to the target's RMS per channel.

    Parameters
    ----------
    names : tuple of str
    outside : ndarray, shape (response,)
        What lies outside the span of the FRF: no drive makes it, however long it is iterated. [-]
    bent : ndarray, shape (response,)
        How much of `outside` non-linear distortion explains; a field with the same friction holds it too, and it
        repeats, so that much or all of it may go in the end. [-]
    held : ndarray, shape (response,)
        What the limits of stroke, velocity and acceleration take away of a linear rig's response. [-]
    uncertain : ndarray, shape (response,)
        What the FRF's uncertainty made the plain residual larger than `outside`; taken off it. [-]
    distortion : ndarray, shape (response,)
        Non-linear distortion the drives would make; iteration takes away what part of it repeats. [-]
    noise : ndarray, shape (response,)
        What does not repeat from play to play. [-]
    freq_hz : ndarray, shape (band,)
    outside_band : ndarray, shape (band, response)
        `outside` per band of frequencies, relative to the target there. [-]
    condition : ndarray, shape (band,)
        Condition number of the weighted FRF, median over the band's lines. [-]
    singular : ndarray, shape (band, drive)
        Singular values of the weighted FRF, drives scaled to what the target needs. [-]
    drive_rms : ndarray, shape (drive,)
        [m or rad]
    use : LimitUse
        Of the drive a linear rig would need.
    without : ndarray, shape (response, response)
        Row i: plain residual of every channel with channel i left out of control (its own entry: how it then follows).
    overall : float
        `overall_error` of `outside`. [-]
    importance : ndarray, shape (response,)
        What each channel counts in it. [-]
    """

    names: tuple[str, ...]
    outside: Floats
    bent: Floats
    held: Floats
    uncertain: Floats
    distortion: Floats
    noise: Floats
    freq_hz: Floats
    outside_band: Floats
    condition: Floats
    singular: Floats
    drive_rms: Floats
    use: LimitUse
    without: Floats
    overall: float
    importance: Floats

    @property
    def linear(self) -> Floats:
        """What is left of `outside` without what distortion explains: no drive makes that. [-]"""
        return np.sqrt(np.maximum(self.outside**2 - self.bent**2, 0.0))

    @property
    def reachable(self) -> float:
        """What a linear rig with these limits would come to, over all channels: linear part, limits and noise. [-]"""
        return overall_error(np.sqrt(self.linear**2 + self.held**2 + self.noise**2), self.importance)


def forecast(problem: Problem) -> Forecast:
    """Reachable error, predicted drives and the worth of each channel, from the identified FRF and the target alone."""
    target, model = problem.target, problem.model
    weight = problem.weight * target.edge[:, None]
    spectrum = target.spectrum
    inverse = _inverse(model.frf, weight)
    drive = _drives(inverse, weight, spectrum)
    off = spectrum - target.edge[:, None] * np.einsum("fij,fj->fi", model.frf, drive)
    size = np.maximum((np.abs(spectrum) ** 2).sum(axis=0), 1e-300)
    share = (np.abs(drive) ** 2 / model.shape).mean(axis=1)
    uncertain = (np.abs(drive) ** 2 / model.shape).sum(axis=1) / model.certainty
    # What the FRF's own uncertainty adds to the residual: a least-squares fit leaves the share 1 - leverage of it.
    free = max(0.0, 1 - model.frf.shape[2] / model.frf.shape[1])
    blur = free * model.spread * uncertain[:, None] * target.edge[:, None] ** 2
    bent = (model.spread * share[:, None] * target.edge[:, None] ** 2).sum(axis=0)
    noise = (model.noise * (target.rate_hz / target.n_samples) * target.edge[:, None] ** 2).sum(axis=0)
    left = np.eye(model.frf.shape[1]) - model.frf @ inverse
    twisted = np.einsum("fij,fj->fi", np.abs(left) ** 2, model.spread) * share[:, None] * target.edge[:, None] ** 2
    excess = np.abs(off) ** 2 - blur
    whole_off = np.maximum(excess.sum(axis=0), 0.0)
    outside = np.sqrt(whole_off / size)
    bands = group_lines(target.freq_hz, width_hz=0.3, share=0.15, least=4)
    band_off = np.maximum(np.asarray(bands.total(excess)), 0.0)
    band_size = np.maximum(np.asarray(bands.total(np.abs(spectrum) ** 2)), 1e-300)
    drive_rms = np.sqrt(2 * (np.abs(drive) ** 2).sum(axis=0) * target.n_samples / target.length)
    scaled = model.frf * problem.weight[:, :, None] * drive_rms
    singular = np.linalg.svd(scaled, compute_uv=False)
    asked = target.to_time(drive)
    use = use_of_limits(asked * target.taper, target.rate_hz, problem.limits)
    middle = (bands.edges[:-1] + bands.edges[1:]) // 2
    return Forecast(
        names=target.names,
        outside=outside,
        bent=np.minimum(np.sqrt(twisted.sum(axis=0) / size), outside),
        held=np.zeros(len(target.names)) if use.largest <= 1.0 else _held(problem, asked),
        uncertain=np.sqrt(blur.sum(axis=0) / size),
        distortion=np.sqrt(bent / size),
        noise=np.sqrt(noise / size),
        freq_hz=bands.centre_hz,
        outside_band=np.sqrt(band_off / band_size),
        condition=singular[middle, 0] / np.maximum(singular[middle, -1], 1e-300),
        singular=singular[middle],
        drive_rms=drive_rms,
        use=use,
        without=_without_each(problem, weight, size),
        overall=overall_error(outside, problem.importance),
        importance=problem.importance,
    )


def _inverse(frf: NDArray[np.complex128], weight: Floats) -> NDArray[np.complex128]:
    """Least squares with a hair of ridge; lines at the band's edges, where the weight fades, are bounded by it."""
    normal = np.einsum("fij,fi->fj", np.abs(frf) ** 2, np.maximum(weight, weight.max(axis=0) * 0.05) ** 2)
    return np.asarray(weighted_inverse(frf, weight, 1e-4 * normal))


def _held(problem: Problem, asked: Floats) -> Floats:
    """Relative RMS per channel of what limits take away of the linear response to drives (drive, time)."""
    target = problem.target
    held = hold_to_limits(asked, target.rate_hz, problem.limits, band_hz=target.band_hz, taper=target.taper)
    lost = target.to_lines(asked * target.taper - held.samples)
    response = np.einsum("fij,fj->fi", problem.model.frf, lost) * target.edge[:, None]
    return np.asarray(np.sqrt(np.mean(target.to_time(response)[:, target.span] ** 2, axis=1)) / target.rms)


def _drives(
    inverse: NDArray[np.complex128], weight: Floats, spectrum: NDArray[np.complex128]
) -> NDArray[np.complex128]:
    """The drives an `_inverse` gives a target; lines past the band, where the weight fades, fade with it."""
    edge = np.divide(weight, np.maximum(weight.max(axis=0), 1e-300))
    return np.asarray(np.einsum("fji,fi->fj", inverse, spectrum * np.minimum(edge, 1.0)))


def _without_each(problem: Problem, weight: Floats, size: Floats) -> Floats:
    target, model = problem.target, problem.model
    n = len(target.names)
    out = np.full((n, n), np.nan)
    if n <= model.frf.shape[2]:
        return out
    for i in range(n):
        reduced = weight.copy()
        reduced[:, i] = 0.0
        drive = _drives(_inverse(model.frf, reduced), reduced, target.spectrum)
        off = target.spectrum - target.edge[:, None] * np.einsum("fij,fj->fi", model.frf, drive)
        out[i] = np.sqrt((np.abs(off) ** 2).sum(axis=0) / size)
    return out
