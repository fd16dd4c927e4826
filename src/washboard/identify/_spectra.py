"""Averaged cross-spectra of drives and responses from overlapped windowed segments, one pass over the data."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from washboard.errors import DataError

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


@dataclass(frozen=True, kw_only=True, slots=True)
class CrossSpectra:
    """One-sided averaged spectra, per Hz.

    Parameters
    ----------
    freq_hz : ndarray, shape (freq,)
    drive : ndarray, shape (freq, drive, drive)
        ``S_uu[f, a, b] = mean u_a conj(u_b)``.
    cross : ndarray, shape (freq, response, drive)
        ``S_ru[f, i, b] = mean r_i conj(u_b)``.
    response : ndarray, shape (freq, response)
        Auto-spectra.
    n_averages : float
        Equivalent number of independent segments.
    n_segments : int
        Segments used.
    """

    freq_hz: Floats
    drive: Complexes
    cross: Complexes
    response: Floats
    n_averages: float
    n_segments: int


def cross_spectra(
    drive: NDArray[np.floating],
    response: NDArray[np.floating],
    rate_hz: float,
    *,
    block_s: float = 8.0,
    overlap: float = 0.5,
    window: str = "hann",
    up_to_hz: float = np.inf,
) -> CrossSpectra:
    """Averaged spectra by the method of Welch (1967) for all pairs a FRF needs, in blocks of bounded memory.

    Parameters
    ----------
    drive, response : ndarray, shape (drive, time), (response, time)
        float32 or float64; both are transformed in the precision of `response`.
    block_s : float
        Length of a segment. [s]
    overlap : float
        Share of a segment that the next one covers.
    window : str
        Any name `scipy.signal.get_window` knows; of periodic form.
    up_to_hz : float
        Lines past the first that is not below are left out, which saves their products. [Hz]

    Raises
    ------
    DataError
        Shorter than one block, or lengths differ.
    """
    n = scipy.fft.next_fast_len(round(block_s * rate_hz), real=True)
    length = drive.shape[1]
    if response.shape[1] != length:
        raise DataError(f"drive and response differ in length ({length} and {response.shape[1]} samples)")
    if length < n:
        raise DataError(f"{length / rate_hz:g} s is shorter than one block of {block_s:g} s; take shorter blocks")
    kind: type[np.floating] = np.float32 if response.dtype == np.float32 else np.float64
    taper = _window(window, n).astype(kind)
    hop = max(1, round(n * (1 - overlap)))
    n_segments = 1 + (length - n) // hop
    n_freq = min(n // 2 + 1, int(np.ceil(min(up_to_hz / rate_hz, 1.0) * n)) + 1)
    signals = (np.ascontiguousarray(drive, kind), np.ascontiguousarray(response, kind))
    products, power = _added_up(signals, taper, hop, n_segments, n_freq)
    scale = np.full(n_freq, 2.0 / (rate_hz * float(np.sum(taper.astype(float) ** 2)) * n_segments))
    scale[0] /= 2
    if 2 * (n_freq - 1) == n:
        scale[-1] /= 2
    products *= scale[:, None, None]
    q = drive.shape[0]
    power *= scale[:, None]
    lower = np.tril(products[:, :q], -1)
    return CrossSpectra(
        freq_hz=np.arange(n_freq) * rate_hz / n,
        drive=lower + np.conj(lower).transpose(0, 2, 1) + power[:, :q, None] * np.eye(q),
        cross=products[:, q:],
        response=power[:, q:],
        n_averages=independent_averages(n_segments, taper.astype(float), hop),
        n_segments=n_segments,
    )


def _added_up(
    signals: tuple[NDArray[np.floating], NDArray[np.floating]],
    taper: NDArray[np.floating],
    hop: int,
    n_segments: int,
    n_freq: int,
) -> tuple[Complexes, Floats]:
    """Sums over all segments of the products with conj(u), shape (freq, channel, drive), and of squares, drives first.

    Always in two halves, each in its own thread, so that the sums are the same on any number of processors.
    """
    # Compiled code is loaded only where it is used, so that opening a programme stays quick.
    from concurrent.futures import ThreadPoolExecutor

    from washboard.identify._lanes import LANES
    from washboard.identify._segment_kernels import GROUP, accumulate, pack, plan, spreads, transform

    spread = np.concatenate([spreads(part) for part in signals])
    good = np.isfinite(spread)
    if not good.all():
        # Two channels make one complex signal: what is no number in one would spoil the other.
        rows = np.split(good, [signals[0].shape[0]])
        signals = signals[0].copy(), signals[1].copy()
        for part, kept in zip(signals, rows, strict=True):
            part[~kept] = 0
    # Powers of two round nothing.
    factor = np.exp2(-np.round(np.log2(np.where(good & (spread > 0), spread, 1.0))))
    drive, response = signals
    q, n, kind = drive.shape[0], taper.size, taper.dtype
    n_channels = q + response.shape[0]
    width = -(-n_channels // LANES) * LANES
    # As many segments at a time as fill their groups best.
    batch = min(range(4, 9), key=lambda segments: -(-segments * n_channels // GROUP) / segments)
    steps = plan(n, kind, n_freq)

    def half(start: int, stop: int) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
        packed = np.empty((-(-batch * n_channels // GROUP), n, 2, LANES), kind)
        products, power = np.zeros((n_freq, q, 2, width), kind), np.zeros((n_freq, width), kind)
        for first in range(start, stop, batch):
            count = min(batch, stop - first)
            pack(drive, response, factor.astype(kind), first, count, hop, taper, packed)
            transform(packed, steps.radices, steps.turns)
            accumulate(packed, count, n_channels, steps.places, products, power)
        return products, power

    middle = (n_segments + 1) // 2
    with ThreadPoolExecutor(2) as pool:
        parts = list(pool.map(half, (0, middle), (middle, n_segments)))
    products, power = (np.asarray(a, float) + b for a, b in zip(*parts, strict=True))
    products, power = products[steps.order, :, :, :n_channels], power[steps.order, :n_channels]
    factor[~good] = np.nan
    scale = 0.25 / (factor[:q, None] * factor)
    return ((products[:, :, 0] + 1j * products[:, :, 1]) * scale).transpose(0, 2, 1), power * (0.25 / factor**2)


def _window(name: str, n: int) -> Floats:
    if name == "hann":
        return np.asarray(0.5 - 0.5 * np.cos(2 * np.pi * np.arange(n) / n))
    if name in {"boxcar", "none"}:
        return np.ones(n)
    from scipy.signal import get_window

    return np.asarray(get_window(name, n))


def independent_averages(n_segments: int, window: Floats, hop: int) -> float:
    """How many independent segments `n_segments` overlapped ones are worth (Welch 1967, eq. for the variance)."""
    n = window.size
    power = float(np.sum(window**2))
    shares = []
    for k in range(1, n_segments):
        if k * hop >= n:
            break
        shares.append((k, (float(np.sum(window[: n - k * hop] * window[k * hop :])) / power) ** 2))
    spread = 1 + 2 * sum((1 - k / n_segments) * share for k, share in shares)
    return n_segments / spread
