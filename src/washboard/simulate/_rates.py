"""Between the sample rate of files and the step of the model: band-limited in, anti-aliased out."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from washboard.simulate._assemble import Array

#: The model's step is at most this. [s]
LONGEST_STEP_S = 1 / 2000


def steps_per_sample(rate_hz: float) -> int:
    """Model steps per sample of a recording at `rate_hz`."""
    return max(1, math.ceil(1 / (rate_hz * LONGEST_STEP_S) - 1e-9))


def to_half_steps(samples: Array, rate_hz: float, *, delay_s: Array | float = 0.0) -> NDArray[np.float64]:
    """Samples at the half steps of the model, each row delayed, shape (2 * steps + 1, channel).

    Band-limited interpolation between the samples, which must start and end at rest: before and after them each row
    holds its end values.

    Parameters
    ----------
    samples : ndarray, shape (channel, time)
    rate_hz : float
        Their sample rate. [Hz]
    delay_s : float or ndarray, shape (channel,)
        Added delay. [s]
    """
    from scipy import fft

    n_channels, n = samples.shape
    factor = 2 * steps_per_sample(rate_hz)
    pad = 64
    length = int(fft.next_fast_len(n + 2 * pad, real=True))
    padded = np.pad(samples, ((0, 0), (pad, length - n - pad)), mode="edge")
    # The FFT sees a ring; taking the line between the ends off first closes it without a jump.
    ramp = np.linspace(0.0, 1.0, length)
    line = padded[:, :1] + (padded[:, -1:] - padded[:, :1]) * ramp
    spectrum = fft.rfft(padded - line)
    if length % 2 == 0:
        spectrum[:, -1] /= 2
    delay = np.broadcast_to(np.asarray(delay_s, dtype=float), (n_channels,))
    freq = np.fft.rfftfreq(length, 1 / rate_hz)
    spectrum = spectrum * np.exp(-2j * np.pi * freq * delay[:, None])
    fine = fft.irfft(spectrum, length * factor) * factor
    time = np.arange(length * factor) / factor
    shifted = time - delay[:, None] * rate_hz
    fine += padded[:, :1] + (padded[:, -1:] - padded[:, :1]) * np.clip(shifted, 0, length - 1) / (length - 1)
    first = pad * factor
    return np.ascontiguousarray(fine[:, first : first + n * factor + 1].T)


def to_samples(fine: Array, rate_hz: float) -> NDArray[np.float64]:
    """Step-rate histories, shape (channel, steps), brought to `rate_hz` through a zero-phase anti-alias filter."""
    from scipy import signal

    factor = steps_per_sample(rate_hz)
    if factor == 1:
        return np.array(fine)
    taps = signal.firwin(28 * factor + 1, 0.78 / factor, window=("kaiser", 7.0))
    half = 14 * factor
    padded = np.pad(fine, ((0, 0), (half, half)), mode="edge")
    out: NDArray[np.float64] = signal.upfirdn(taps, padded, up=1, down=factor, axis=1)
    n = fine.shape[1] // factor
    return out[:, 2 * half // factor : 2 * half // factor + n]
