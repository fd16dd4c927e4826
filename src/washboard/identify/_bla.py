"""Best linear approximation from multisine experiments, with noise and non-linear distortion told apart.

The robust method of Pintelon and Schoukens (System Identification: A Frequency Domain Approach, from memory; see also
Schoukens, Vaes and Pintelon, IEEE Control Systems Magazine 36(3), 2016): what changes from period to period is noise,
what changes from one set of random phases to another besides is non-linear distortion.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from washboard.identify._excitation import Multisine
from washboard.identify._frf import Frf, smoothed_frf

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


@dataclass(frozen=True, kw_only=True, slots=True)
class Experiments:
    """One set of random phases.

    Drive lines (experiment, line, drive), response lines (experiment, period, line, response).
    """

    drive: Complexes
    response: Complexes


def lines_of(signal: Multisine, responses: list[Floats]) -> Experiments:
    """Spectra of the periods that count, of each experiment's response (response, time)."""
    found = []
    for response in responses:
        stop = signal.settle + signal.n_periods * signal.period
        parts = response[:, signal.settle : stop].reshape(response.shape[0], signal.n_periods, signal.period)
        spectrum = scipy.fft.rfft(parts, axis=-1)[:, :, signal.line_index] / signal.period
        found.append(spectrum.transpose(1, 2, 0))
    return Experiments(drive=signal.spectrum, response=np.stack(found))


def best_linear_approximation(
    sets: list[Experiments],
    freq_hz: Floats,
    *,
    responses: tuple[str, ...],
    drives: tuple[str, ...],
    smoothing: float = 0.03,
) -> Frf:
    """The FRF from several sets of orthogonal (or at least independent) experiments on the same lines.

    Parameters
    ----------
    sets : list of Experiments
        One per realisation of the random phases; each with at least as many experiments as drives.
    freq_hz : ndarray, shape (line,)
        Of the lines. [Hz]
    smoothing : float
        Half width of the smoothing over neighbouring lines as a share of the frequency, 0 for none. [-]
    """
    q = len(drives)
    estimates: list[Complexes] = []
    information: Any = 0.0
    noise: Any = 0.0
    power: Any = 0.0
    count = 0
    for entry in sets:
        mean = entry.response.mean(axis=1)
        u, y = entry.drive.transpose(1, 2, 0), mean.transpose(1, 2, 0)
        inner = u @ np.conj(u.transpose(0, 2, 1))
        estimates.append(_solve(y @ np.conj(u.transpose(0, 2, 1)), inner))
        information = information + inner
        n_periods = entry.response.shape[1]
        if n_periods > 1:
            noise = noise + (entry.response.var(axis=1, ddof=1) / n_periods).sum(axis=0)
        power = power + (np.abs(mean) ** 2).sum(axis=0)
        count += entry.drive.shape[0]
    values = np.mean(estimates, axis=0)
    noise_floor = np.asarray(noise) / count + np.zeros(values.shape[:2])
    residual = _residual(sets, estimates, values, q)
    if residual is None:
        residual = _roughness(values, np.asarray(information)) / count
    residual = np.maximum(_over_lines(residual, freq_hz), _over_lines(noise_floor, freq_hz))
    coherence = np.clip(1 - residual * count / np.maximum(np.asarray(power), 1e-300), 0.0, 1.0)
    frf = Frf(
        values=values,
        freq_hz=freq_hz,
        responses=responses,
        drives=drives,
        residual=residual,
        noise=np.minimum(_over_lines(noise_floor, freq_hz), residual),
        information=np.asarray(information, dtype=np.complex128),
        coherence=coherence,
        n_experiments=float(count),
        averaged=np.ones_like(freq_hz),
        n_periods=float(sets[0].response.shape[1]),
    )
    return smoothed_frf(frf, share=smoothing) if smoothing > 0 else frf


def _solve(cross: Complexes, inner: Complexes) -> Complexes:
    """Cross @ inv(inner) line by line, lines without excitation made finite."""
    q = inner.shape[-1]
    load = 1e-9 * np.einsum("fjj->f", inner).real / q + 1e-300
    return np.asarray(
        np.linalg.solve(np.conj(inner + load[:, None, None] * np.eye(q)), cross.transpose(0, 2, 1)).transpose(0, 2, 1)
    )


def _residual(sets: list[Experiments], estimates: list[Complexes], values: Complexes, q: int) -> Floats | None:
    """Power per experiment of what changes from one set of phases to the next, or None with one set."""
    if len(sets) < 2:
        return None
    total = np.zeros(values.shape[:2])
    for entry, own in zip(sets, estimates, strict=True):
        off = (own - values) @ entry.drive.transpose(1, 2, 0)
        total += (np.abs(off) ** 2).sum(axis=2)
    return np.asarray(total / ((len(sets) - 1) * q))


def _roughness(values: Complexes, information: Complexes) -> Floats:
    """With one set only: what a line differs from the parabola through its neighbours, as response power."""
    bend = np.zeros_like(values)
    # Third differences vanish for parabolas; coefficients 1, 3, 3, 1 sum to 20 in squares.
    bend[2:-1] = (values[3:] - 3 * values[2:-1] + 3 * values[1:-2] - values[:-3]) / np.sqrt(20)
    bend[:2], bend[-1:] = bend[2:3], bend[-2:-1]
    amplitude = np.sqrt(np.maximum(np.einsum("fjj->fj", information).real, 0.0))
    return np.asarray((np.abs(bend * amplitude[:, None, :]) ** 2).mean(axis=2) * values.shape[2])


def _over_lines(power: Floats, freq_hz: Floats) -> Floats:
    """Power averaged over neighbouring lines, so that few experiments still give a usable variance."""
    spacing = freq_hz[1] - freq_hz[0]
    half = np.maximum(3, np.floor(0.08 * freq_hz / spacing)).astype(int)
    total = np.concatenate([np.zeros((1, power.shape[1])), np.cumsum(power, axis=0)])
    n = power.shape[0]
    low, high = np.maximum(np.arange(n) - half, 0), np.minimum(np.arange(n) + half + 1, n)
    return np.asarray((total[high] - total[low]) / (high - low)[:, None])
