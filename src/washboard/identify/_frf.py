"""Frequency response function matrices with their uncertainty: H1, H2, Hv, coherences, smoothing, interpolation."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from washboard.errors import DataError
from washboard.identify._spectra import CrossSpectra

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


@dataclass(frozen=True, kw_only=True, slots=True)
class Frf:
    """What the rig with its specimen makes of drives, with what is known of its uncertainty.

    Parameters
    ----------
    values : ndarray, shape (freq, response, drive)
        Complex. [response unit per drive unit]
    freq_hz : ndarray, shape (freq,)
        Rising, evenly spaced. [Hz]
    responses, drives : tuple of str
        Channel names.
    residual : ndarray, shape (freq, response)
        Power of what the responses did beside ``values @ drive``, noise and distortion together, per experiment.
    noise : ndarray, shape (freq, response)
        The part of `residual` that does not repeat from period to period.
    information : ndarray, shape (freq, drive, drive)
        Power of the drives it was measured with, summed over experiments, in the units of `residual` per drive unit
        squared; ``cov(row i) = residual[i] * inv(information)``.
    coherence : ndarray, shape (freq, response)
        Multiple coherence, corrected for bias. [-]
    n_experiments : float
        Independent experiments or averages behind it.
    averaged : ndarray, shape (freq,)
        How many independent lines each value was smoothed over. [-]
    n_periods : float
        Periods whose mean is one experiment: `noise` is that much less than that of a single period. [-]
    """

    values: Complexes
    freq_hz: Floats
    responses: tuple[str, ...]
    drives: tuple[str, ...]
    residual: Floats
    noise: Floats
    information: Complexes
    coherence: Floats
    n_experiments: float
    averaged: Floats
    n_periods: float = 1.0

    @property
    def variance(self) -> Floats:
        """Variance of each entry (twice that of its real or imaginary part), shape (freq, response, drive)."""
        inverse = np.linalg.inv(_loaded(self.information))
        diagonal = np.einsum("fjj->fj", inverse).real
        return np.asarray(self.residual[:, :, None] * diagonal[:, None, :] / self.averaged[:, None, None])

    def pick(self, responses: tuple[str, ...]) -> Frf:
        """Only these responses, in this order. Raises DataError."""
        missing = [name for name in responses if name not in self.responses]
        if missing:
            raise DataError(f"the FRF has no response '{missing[0]}'; it has {', '.join(self.responses)}")
        rows = [self.responses.index(name) for name in responses]
        return replace(
            self,
            values=self.values[:, rows],
            responses=responses,
            residual=self.residual[:, rows],
            noise=self.noise[:, rows],
            coherence=self.coherence[:, rows],
        )


def _loaded(matrix: Complexes, share: float = 1e-9) -> Complexes:
    """The matrices with a hair on the diagonal, so that lines without excitation can be inverted."""
    n = matrix.shape[-1]
    trace = np.einsum("fjj->f", matrix).real / n
    load = np.maximum(share * trace, np.finfo(float).tiny * 1e20)
    return np.asarray(matrix + load[:, None, None] * np.eye(n))


def frf_h1(spectra: CrossSpectra, *, responses: tuple[str, ...] = (), drives: tuple[str, ...] = ()) -> Frf:
    """H1 = S_ru inv(S_uu): noise on the responses only. [response unit per drive unit]

    Variance for correlated drives as in Bendat and Piersol, Random Data, ch. 9 (from memory): var(H_ij) = S_ii (1 -
    coherence) inv(S_uu)_jj / (n - q).
    """
    q = spectra.drive.shape[1]
    solved = np.linalg.solve(np.conj(_loaded(spectra.drive)), spectra.cross.transpose(0, 2, 1))
    values: Complexes = np.asarray(solved.transpose(0, 2, 1), dtype=np.complex128)
    explained = np.einsum("fij,fij->fi", values, np.conj(spectra.cross)).real
    raw = np.divide(explained, spectra.response, out=np.zeros_like(explained), where=spectra.response > 0)
    freedom = max(spectra.n_averages - q, 0.5)
    residual = np.maximum(spectra.response - explained, 0.0) * spectra.n_averages / freedom
    return Frf(
        values=values,
        freq_hz=spectra.freq_hz,
        responses=responses or tuple(f"response {k + 1}" for k in range(values.shape[1])),
        drives=drives or tuple(f"drive {k + 1}" for k in range(q)),
        residual=residual,
        noise=residual,
        information=spectra.drive * spectra.n_averages,
        coherence=unbiased_coherence(raw, spectra.n_averages, q),
        n_experiments=spectra.n_averages,
        averaged=np.ones_like(spectra.freq_hz),
    )


def frf_h2(spectra: CrossSpectra) -> Complexes:
    """H2 for one drive: S_rr / S_ur, noise on the drive only; shape (freq, response, 1).

    With several drives and one response each H2 needs the full response matrix and as many responses as drives; use
    `frf_hv` there.

    Raises
    ------
    DataError
        More than one drive.
    """
    if spectra.drive.shape[1] != 1:
        raise DataError("H2 is for one drive; with several drives take H1 or Hv")
    cross = np.conj(spectra.cross[:, :, 0])
    safe = np.where(np.abs(cross) > 0, cross, np.inf)
    return np.asarray((spectra.response / safe)[:, :, None])


def frf_hv(spectra: CrossSpectra) -> Complexes:
    """Hv: noise on drives and responses alike (total least squares), each scaled to equal power.

    Per response the eigenvector of the smallest eigenvalue of the matrix of drives and that response (Rocklin, Crowley
    and Vold, IMAC 1985, from memory).
    """
    n_freq, n_responses, q = spectra.cross.shape
    values = np.empty_like(spectra.cross)
    auto = np.maximum(np.einsum("fjj->fj", spectra.drive).real, np.finfo(float).tiny)
    for i in range(n_responses):
        scale = np.concatenate([np.sqrt(auto), np.sqrt(np.maximum(spectra.response[:, i : i + 1], 1e-300))], axis=1)
        matrix = np.empty((n_freq, q + 1, q + 1), dtype=np.complex128)
        matrix[:, :q, :q] = spectra.drive
        matrix[:, q, :q] = spectra.cross[:, i]
        matrix[:, :q, q] = np.conj(spectra.cross[:, i])
        matrix[:, q, q] = spectra.response[:, i]
        matrix /= scale[:, :, None] * scale[:, None, :]
        vector = np.linalg.eigh(matrix)[1][:, :, 0]
        # Null vector v: conj(v) . (u, r) = 0, so r = -sum conj(v_j)/conj(v_r) u_j, in scaled units.
        ratio = -np.conj(vector[:, :q]) / np.conj(vector[:, q:])
        values[:, i] = ratio * scale[:, q:] / scale[:, :q]
    return values


def unbiased_coherence(raw: Floats, n_averages: float, n_drives: int) -> Floats:
    """Multiple coherence with its upward bias (1 - g2)(q - g2)/n taken off, not below 0.

    For one drive this is (1 - g2)^2/n (Bendat and Piersol, Random Data, ch. 9, from memory).
    """
    if n_averages <= n_drives:
        return np.zeros_like(raw)
    return np.asarray(np.clip(1 - (1 - raw) * n_averages / (n_averages - n_drives + raw), 0.0, 1.0))


def ordinary_coherence(spectra: CrossSpectra) -> Floats:
    """|S_ru|^2 / (S_rr S_uu) of each pair, shape (freq, response, drive). [-]"""
    auto = np.einsum("fjj->fj", spectra.drive).real
    power = spectra.response[:, :, None] * auto[:, None, :]
    squared = np.abs(spectra.cross) ** 2
    return np.asarray(np.divide(squared, power, out=np.zeros_like(squared), where=power > 0))


def partial_coherence(spectra: CrossSpectra) -> Floats:
    """Coherence of each response with each drive after all other drives are taken out, (freq, response, drive). [-]

    Conditioned spectra by elimination of the other drives (Bendat and Piersol, Random Data, ch. 7, from memory).
    """
    n_freq, n_responses, q = spectra.cross.shape
    out = np.zeros((n_freq, n_responses, q))
    for j in range(q):
        others = [k for k in range(q) if k != j]
        own = spectra.drive[:, j, j].real
        cross = spectra.cross[:, :, j]
        response = spectra.response
        if others:
            inner = _loaded(spectra.drive[:, others][:, :, others])
            right = spectra.drive[:, others, j]
            solved = np.linalg.solve(inner, right[:, :, None])[:, :, 0]
            own = own - np.einsum("fk,fk->f", np.conj(right), solved).real
            cross = cross - np.einsum("fik,fk->fi", spectra.cross[:, :, others], solved)
            back = np.linalg.solve(np.conj(inner), spectra.cross[:, :, others].transpose(0, 2, 1)).transpose(0, 2, 1)
            response = response - np.einsum("fik,fik->fi", back, np.conj(spectra.cross[:, :, others])).real
        power = np.maximum(own[:, None] * response, 0.0)
        squared = np.abs(cross) ** 2
        out[:, :, j] = np.clip(np.divide(squared, power, out=np.zeros_like(squared), where=power > 0), 0.0, 1.0)
    return out


def delays_s(values: Complexes, freq_hz: Floats, weight: Floats | None = None, *, longest_s: float = 0.1) -> Floats:
    """Delay of each pair from the power-weighted slope of its phase, shape (response, drive). [s]

    Parameters
    ----------
    weight : ndarray, shape (freq,), optional
        Importance of the lines.
    longest_s : float
        Delays are sought from 0 to this.
    """
    weight = np.ones_like(freq_hz) if weight is None else weight
    # A pure delay makes the phase of H(f+df) conj(H(f)) the same on every line.
    step = values[1:] * np.conj(values[:-1]) * weight[1:, None, None]
    return np.clip(group_delay_s(step.sum(axis=0), freq_hz), 0.0, longest_s)


def group_delay_s(step: Any, freq_hz: Floats) -> Floats:
    """Delay by which phase turns from line to line, of sums of H(f+df) conj(H(f)); either sign. [s]"""
    return np.asarray(-np.angle(step) / (2 * np.pi * (freq_hz[1] - freq_hz[0])))


def common_delay_s(frf: Frf) -> float:
    """One delay for the whole matrix, the power-weighted median over pairs; taking it out smooths the FRF. [s]"""
    own = delays_s(frf.values, frf.freq_hz)
    power = (np.abs(frf.values) ** 2).mean(axis=0)
    power = power / np.maximum(power.max(axis=1, keepdims=True), 1e-300)
    order = np.argsort(own.ravel())
    total = np.cumsum(power.ravel()[order])
    return float(own.ravel()[order][np.searchsorted(total, 0.5 * total[-1])])


def interpolated(frf: Frf, freq_hz: Floats) -> Complexes:
    """The FRF's values on other frequencies: cubic between lines with the common delay taken out; held at the ends.

    Returns
    -------
    ndarray, shape (freq, response, drive)
    """
    from scipy.interpolate import CubicSpline

    delay = common_delay_s(frf)
    straight = frf.values * np.exp(2j * np.pi * frf.freq_hz * delay)[:, None, None]
    inside = np.clip(freq_hz, frf.freq_hz[0], frf.freq_hz[-1])
    values = CubicSpline(frf.freq_hz, straight, axis=0)(inside)
    return np.asarray(values * np.exp(-2j * np.pi * freq_hz * delay)[:, None, None])


def lines_averaged(freq_hz: Floats, *, share: float = 0.03) -> Floats:
    """How many independent lines `smoothed` averages at each frequency, shape (freq,). [-]"""
    n = np.floor(share * freq_hz / (freq_hz[1] - freq_hz[0])) + 1
    # Triangular weights 1 - |k|/n: (sum w)^2 / sum w^2.
    return np.asarray(n**2 / (1 + (n - 1) * (2 * n - 1) / (3 * n)))


def smoothed(values: Complexes, freq_hz: Floats, variance: Floats, *, delay_s: float, share: float = 0.03) -> Complexes:
    """The FRF averaged over neighbouring lines, weighted by certainty; the half width is `share` of the frequency.

    Below one line nothing is averaged, so sharp modes at low frequency stay as measured.
    """
    spacing = freq_hz[1] - freq_hz[0]
    straight = values * np.exp(2j * np.pi * freq_hz * delay_s)[:, None, None]
    weight = 1.0 / np.maximum(variance, variance.max() * 1e-12 + 1e-300)
    out = straight.copy()
    half = np.floor(share * freq_hz / spacing).astype(int)
    for width in np.unique(half[half > 0]):
        rows = np.flatnonzero(half == width)
        top, base = np.zeros_like(straight[rows]), np.zeros_like(weight[rows])
        for offset in range(-width, width + 1):
            near = np.clip(rows + offset, 0, len(freq_hz) - 1)
            share_here = weight[near] * (1 - abs(offset) / (width + 1))
            top += share_here * straight[near]
            base += share_here
        out[rows] = top / base
    return np.asarray(out * np.exp(-2j * np.pi * freq_hz * delay_s)[:, None, None])


def smoothed_frf(frf: Frf, *, share: float = 0.03) -> Frf:
    """The FRF with its values smoothed and what that averages counted; the common delay is taken out meanwhile."""
    delay_s = common_delay_s(frf)
    return replace(
        frf,
        values=smoothed(frf.values, frf.freq_hz, frf.variance, delay_s=delay_s, share=share),
        averaged=lines_averaged(frf.freq_hz, share=share),
    )
