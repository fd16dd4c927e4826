"""Faults that show in the spectrum: mains hum, a missing anti-alias filter, a high noise floor."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.recording._recording import Samples

MAINS_HZ = (50.0, 60.0)

MOST_BLOCKS = 160
"""Blocks of about 2 s of a long recording whose spectra are looked at; the figures are medians and quantiles."""

_MOST_LONG_BLOCKS = 6

_RIDE_BLOCKS_S = (0.03, 0.06, 0.12, 0.25, 0.5)

_RIDE_SHORTEST = 26
"""Shortest block whose levels are independent of its neighbours' in the top 15 % of the band. [samples]"""

_EXPONENTIAL_LOW = 0.2231
"""The 20 % quantile of the exponential distribution of mean 1: of a periodogram line of stationary noise."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Hum:
    """A line at mains frequency: its frequency, amplitude, and how far it stands above its neighbours (power ratio)."""

    line_hz: float
    amplitude: float
    prominence: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Floor:
    """What lies at the top of the spectrum.

    Parameters
    ----------
    noise : float
        RMS of the stationary white part, extrapolated over all frequencies, in the channel's unit.
    flatness : float
        Floor's density in the top tenth over that in the fifth below it; near 1 for white noise, far below behind an
        anti-alias filter.
    steady : float
        Mean over stationary estimate of the top of the spectrum; 1 for steady noise, more where it comes and goes.
    folded : float
        RMS of what lies in the top tenth of the band, extrapolated over all of it.
    fall : float
        Density in the top tenth over that in the tenth below it: near 1 for what was folded down, a fifth or less on
        the skirt of an anti-alias filter.
    """

    noise: float
    flatness: float
    steady: float
    folded: float
    fall: float


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Spectrogram:
    """Power density of successive blocks, shape (block, frequency), in unit^2/Hz."""

    density: NDArray[np.float32]
    step_hz: float
    rate_hz: float

    def between(self, low_hz: float, high_hz: float) -> NDArray[np.float32]:
        """The lines from `low_hz` to `high_hz`."""
        first, last = int(np.ceil(low_hz / self.step_hz)), int(np.floor(high_hz / self.step_hz)) + 1
        return self.density[:, max(first, 0) : last]


def spectrogram(samples: Samples, rate_hz: float, *, block_s: float = 2.0) -> Spectrogram | None:
    """Blocks of at least `block_s`, a power of two long, without overlap, Hann window; None when under 6 blocks.

    Blocks with NaN are left out. Of long recordings `MOST_BLOCKS` blocks, evenly spread, stand for all.
    """
    from scipy import fft

    length = 1 << int(np.ceil(np.log2(max(64.0, block_s * rate_hz))))
    if samples.size < 6 * length:
        length = 1 << int(np.floor(np.log2(max(64, samples.size // 6))))
    n_blocks = samples.size // length
    if n_blocks < 6:
        return None
    chosen = np.linspace(0, n_blocks - 1, min(n_blocks, MOST_BLOCKS)).astype(np.intp)
    blocks = np.asarray(samples[: n_blocks * length].reshape(n_blocks, length)[chosen], dtype=np.float32)
    sums = blocks.sum(axis=1)
    blocks = blocks[np.isfinite(sums)] if not np.isfinite(sums).all() else blocks
    if len(blocks) < 6:
        return None
    window = np.hanning(length + 1)[:-1].astype(np.float32)
    scale = np.float32(2.0 / (rate_hz * float(np.sum(window.astype(np.float64) ** 2))))
    density = np.empty((len(blocks), length // 2 + 1), dtype=np.float32)
    chunk = max(1, (1 << 18) // length)
    for start in range(0, len(blocks), chunk):
        part = blocks[start : start + chunk]
        part = (part - part.mean(axis=1, keepdims=True, dtype=np.float64).astype(np.float32)) * window
        lines = fft.rfft(part, axis=1)
        density[start : start + chunk] = (lines.real**2 + lines.imag**2) * scale
    return Spectrogram(density=density, step_hz=rate_hz / length, rate_hz=rate_hz)


def find_hum(samples: Samples, rate_hz: float) -> Hum | None:
    """The strongest steady line at 50 or 60 Hz, or at a multiple of one that is there.

    Spectra over up to 64 s (of long recordings six of them, evenly spread) tell a line of mains frequency, which keeps
    within 0.1 Hz for hours, from resonances and engine orders, which are broader or wander: it must hold 12 times the
    power that is usual 0.6 to 6 Hz beside it, and twice that of any line there.

    Parameters
    ----------
    samples : ndarray, shape (time,)
        NaN samples count as the mean.
    rate_hz : float
        [Hz]
    """
    from scipy import fft

    length = min(samples.size, round(64 * rate_hz))
    n_blocks = samples.size // length
    if length / rate_hz < 8:
        return None
    fast = fft.prev_fast_len(length, real=True)
    window = np.hanning(fast).astype(np.float32)
    power = np.zeros(fast // 2 + 1)
    chosen = np.linspace(0, n_blocks - 1, min(n_blocks, _MOST_LONG_BLOCKS)).astype(int)
    for block in chosen:
        part = np.asarray(samples[block * length : block * length + fast], dtype=np.float32)
        part = part - np.nanmean(part)
        part[~np.isfinite(part)] = 0.0
        lines = fft.rfft(part * window)
        power += lines.real.astype(np.float64) ** 2 + lines.imag.astype(np.float64) ** 2
    scale = 4.0 / (len(chosen) * float(window.sum(dtype=np.float64)) ** 2)
    step = rate_hz / fast
    best: Hum | None = None
    for mains in MAINS_HZ:
        for multiple in (1, 2, 3):
            found = _line(power, step, mains * multiple, scale)
            if found is None and multiple == 1:
                break
            if found is not None and (best is None or found.amplitude > best.amplitude):
                best = found
    return best


def _line(power: NDArray[np.float64], step: float, line_hz: float, scale: float) -> Hum | None:
    reach, clear, far = max(2, round(0.1 / step)), round(0.6 / step), round(6.0 / step)
    at = round(line_hz / step)
    if at + far >= power.size:
        return None
    peak = at - reach + int(np.argmax(power[at - reach : at + reach + 1]))
    sides = np.concatenate((power[at - far : at - clear], power[at + clear + 1 : at + far + 1]))
    usual = float(np.median(sides)) / np.log(2.0)
    # A Hann window spreads a line over three; their sum holds 1.5 times the square of its amplitude.
    held = float(power[peak - 1 : peak + 2].sum()) - 3 * usual
    if usual <= 0 or power[peak] < 12 * usual or power[peak] < 2 * float(sides.max()):
        return None
    return Hum(line_hz=line_hz, amplitude=float(np.sqrt(held * scale / 1.5)), prominence=float(power[peak] / usual))


def spectral_floor(spectra: Spectrogram) -> Floor:
    """What the top of the spectrum says about noise and about the anti-alias filter."""
    half = spectra.rate_hz / 2
    middle, top = spectra.between(0.45 * half, 0.65 * half), spectra.between(0.9 * half, 0.99 * half)
    upper = spectra.between(0.78 * half, 0.9 * half)
    # The quietest fifth of the blocks, brought to a mean: noise is always there, the ride is not.
    quiet = [float(np.median(np.quantile(part, 0.2, axis=0))) / _EXPONENTIAL_LOW for part in (middle, upper, top)]
    density = min(quiet)
    level = top.mean(axis=1)
    return Floor(
        noise=float(np.sqrt(max(density, 0.0) * half)),
        flatness=quiet[2] / max(quiet[1], 1e-38),
        steady=float(level.mean()) / max(quiet[2], 1e-38),
        folded=float(np.sqrt(float(level.mean()) * half)),
        fall=float(level.mean()) / max(float(upper.mean(dtype=np.float64)), 1e-38),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class RideLink:
    """Rank correlation of two levels over time, and how far chance would bring it (one standard deviation)."""

    correlation: float
    chance: float


def follows_ride(samples: Samples, rate_hz: float) -> RideLink:
    """How the level near half the sample rate goes with that far below it, over blocks of 0.03 to 0.5 s.

    Noise of sensor and converter goes on whatever the ride does; what is folded down from above half the sample rate
    comes and goes with it: within a wave of the road, from stone to stone, or from stretch to stretch, and so that
    length of block is taken at which they go together most. Spearman's coefficient, whose standard deviation for n
    independent pairs is 1 / sqrt(n - 1) (Kendall and Gibbons, Rank Correlation Methods, 5th ed., 1990, from memory). Of
    recordings longer than 10 minutes the first 10 are looked at.
    """
    from scipy import fft
    from scipy.stats import rankdata

    part = np.array(samples[: min(samples.size, round(600 * rate_hz))], dtype=np.float64)
    size = fft.prev_fast_len(part.size, real=True)
    part = part[:size]
    bad = ~np.isfinite(part)
    best = RideLink(correlation=0.0, chance=1.0)
    if bad.mean() > 0.5:
        return best
    part[bad] = np.interp(np.flatnonzero(bad), np.flatnonzero(~bad), part[~bad])
    lines = fft.rfft(part - part.mean())
    place = np.linspace(0.0, 1.0, lines.size)
    top = fft.irfft(lines * (place > 0.85), size) ** 2
    # What is rough counts for more than what is slow: it is the rough that reaches beyond half the sample rate.
    rest = fft.irfft(lines * place * ((place < 0.45) & (place * rate_hz > 1.0)), size) ** 2
    # The ends of the record, and of what was bridged, ring in both.
    edge = round(0.3 * rate_hz)
    bad = np.convolve(bad, np.ones(2 * max(1, edge // 4) + 1), mode="same") > 0.5
    for block_s in _RIDE_BLOCKS_S:
        length = max(round(block_s * rate_hz), _RIDE_SHORTEST)
        count = (size - 2 * edge) // length
        if count < 20:
            continue
        span = slice(edge, edge + count * length)
        kept = ~bad[span].reshape(count, length).any(axis=1)
        if kept.sum() < 20:
            continue
        ranks = np.stack([rankdata(line[span].reshape(count, length).mean(axis=1)[kept]) for line in (top, rest)])
        if (ranks.std(axis=1) == 0).any():
            continue
        found = RideLink(correlation=float(np.corrcoef(ranks)[0, 1]), chance=float(1 / np.sqrt(kept.sum() - 1)))
        if found.correlation / found.chance > best.correlation / best.chance:
            best = found
    return best
