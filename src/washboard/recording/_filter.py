"""Filtering without phase shift: band-pass, high-pass, low-pass."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from washboard.errors import DataError
from washboard.recording._recording import Recording, Samples, Step


def band_pass(
    recording: Recording, *, low_hz: float | None = None, high_hz: float | None = None, order: int = 4
) -> Recording:
    """All channels band-passed forwards and backwards, so that nothing shifts in time.

    Parameters
    ----------
    recording : Recording
        Samples must be finite.
    low_hz, high_hz : float, optional
        Corners where the gain of the two passes together is one half (-6 dB); None leaves that side open. [Hz]
    order : int
        Order of the Butterworth filter of one pass.

    Returns
    -------
    Recording
        Same type of samples, one more step of history.

    Raises
    ------
    DataError
        NaN samples, or corners outside of 0 to half the sample rate.
    """
    samples = filtered(recording.samples, recording.rate_hz, low_hz=low_hz, high_hz=high_hz, order=order)
    step = Step(
        function="recording.band_pass",
        settings={
            "low_hz": low_hz,
            "high_hz": high_hz,
            "order": order,
            "filter": "Butterworth, forwards and backwards",
        },
    )
    return recording.replace(samples=samples, step=step, owned=True)


def filtered(
    samples: Samples, rate_hz: float, *, low_hz: float | None = None, high_hz: float | None = None, order: int = 4
) -> Samples:
    """`band_pass` of an array, shape (..., time); same type out as in."""
    from scipy import signal

    sos = butterworth(rate_hz, low_hz=low_hz, high_hz=high_hz, order=order)
    if sos is None:
        return np.array(samples)
    for row, line in enumerate(np.atleast_2d(samples)):
        if not np.isfinite(line).all():
            raise DataError(f"row {row} of the samples has NaN; fill or cut it before filtering")
    # Long enough for the slowest pole to die out, so that the ends do not ring.
    slowest = min(corner for corner in (low_hz, high_hz) if corner)
    pad = min(samples.shape[-1] - 1, int(3 * order * rate_hz / (2 * np.pi * slowest)) + 3 * order)
    out = np.empty_like(samples)
    flat_in, flat_out = samples.reshape(-1, samples.shape[-1]), out.reshape(-1, samples.shape[-1])
    for row in range(flat_in.shape[0]):
        flat_out[row] = signal.sosfiltfilt(sos, np.asarray(flat_in[row], dtype=np.float64), padlen=max(pad, 0))
    return out


def butterworth(
    rate_hz: float, *, low_hz: float | None, high_hz: float | None, order: int = 4
) -> NDArray[np.float64] | None:
    """Second-order sections of the filter of one pass, or None when both sides are open. Raises DataError."""
    from scipy import signal

    half = rate_hz / 2
    for corner in (low_hz, high_hz):
        if corner is not None and not 0 < corner < half:
            raise DataError(f"a filter corner of {corner:g} Hz is not between 0 and {half:g} Hz, half the sample rate")
    if low_hz is not None and high_hz is not None and low_hz >= high_hz:
        raise DataError(f"the lower corner {low_hz:g} Hz must be below the upper {high_hz:g} Hz")
    if low_hz is None and high_hz is None:
        return None
    if low_hz is None:
        sos = signal.butter(order, half if high_hz is None else high_hz, "lowpass", fs=rate_hz, output="sos")
    elif high_hz is None:
        sos = signal.butter(order, low_hz, "highpass", fs=rate_hz, output="sos")
    else:
        sos = signal.butter(order, (low_hz, high_hz), "bandpass", fs=rate_hz, output="sos")
    made: NDArray[np.float64] = np.asarray(sos)
    return made
