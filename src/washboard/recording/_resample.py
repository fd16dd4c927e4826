"""Resampling by a rational factor with a stated anti-alias filter; gaps stay gaps."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from washboard.errors import DataError
from washboard.recording._recording import Recording, Samples, Step

PASS_BAND = 0.85
"""Share of the lower Nyquist frequency up to which the gain is 1 within 0.1 %."""

_STOP_DB = 80.0
_HALF_LENGTH = 24


def resample(recording: Recording, rate_hz: float) -> Recording:
    """The recording at another sample rate.

    Parameters
    ----------
    recording : Recording
        NaN samples stay NaN, and what the filter would have drawn from them too.
    rate_hz : float
        New sample rate. [Hz]

    Returns
    -------
    Recording
        First sample at the same instant; the filter's corner and attenuation in its history. As it was where the rates
        are the same, but for rounding.

    Raises
    ------
    DataError
        The two rates are not in a ratio of whole numbers up to 10,000.
    """
    if abs(recording.rate_hz - rate_hz) < 1e-9 * rate_hz:
        return recording
    ratio = rate_ratio(recording.rate_hz, rate_hz)
    rows = [resampled(row, ratio) for row in recording.samples]
    step = resampling(recording.rate_hz, rate_hz)
    return recording.replace(samples=np.stack(rows), rate_hz=rate_hz, step=step, owned=True)


def resampling(from_hz: float, to_hz: float) -> Step:
    """What a recording remembers of being resampled, the filter's corner and attenuation among it."""
    return Step(
        function="recording.resample",
        settings={
            "from_hz": from_hz,
            "to_hz": to_hz,
            "filter": "linear-phase FIR, Kaiser window",
            "pass_band_hz": PASS_BAND * min(to_hz, from_hz) / 2,
            "stop_db": _STOP_DB,
        },
    )


def rate_ratio(from_hz: float, to_hz: float) -> Fraction:
    """`to_hz` / `from_hz` as a fraction of whole numbers up to 10,000. Raises DataError."""
    if not (np.isfinite(to_hz) and to_hz > 0):
        raise DataError(f"a sample rate of {to_hz!r} Hz is not possible")
    ratio = Fraction(to_hz / from_hz).limit_denominator(10_000)
    if ratio == 0 or ratio.numerator > 10_000 or abs(float(ratio) * from_hz - to_hz) > 1e-6 * to_hz:
        raise DataError(
            f"{from_hz:g} Hz cannot be resampled to {to_hz:g} Hz: their ratio is not one of whole numbers up to "
            "10,000; choose a rate that is"
        )
    return ratio


def _kernel(ratio: Fraction) -> NDArray[np.float64]:
    from scipy import signal

    widest = max(ratio.numerator, ratio.denominator)
    half = _HALF_LENGTH * widest
    taps = signal.firwin(2 * half + 1, (1 + PASS_BAND) / 2 / widest, window=("kaiser", signal.kaiser_beta(_STOP_DB)))
    made: NDArray[np.float64] = np.asarray(taps)
    return made


def resampled(row: Samples, ratio: Fraction) -> Samples:
    """One row of samples, shape (time,), at `ratio` times its rate."""
    from scipy import signal

    values = np.asarray(row, dtype=np.float64)
    holes = ~np.isfinite(values)
    if holes.all():
        length = -(-values.size * ratio.numerator // ratio.denominator)
        return np.full(length, np.nan, dtype=row.dtype)
    if holes.any():
        # A bridge only to run the filter over; what it touches is taken out again below.
        values = values.copy()
        values[holes] = np.interp(np.flatnonzero(holes), np.flatnonzero(~holes), values[~holes])
    out = signal.resample_poly(  # type: ignore[call-overload]
        values, ratio.numerator, ratio.denominator, window=_kernel(ratio), padtype="line"
    ).astype(row.dtype)
    if holes.any():
        place = np.arange(out.size) / float(ratio)
        before = np.clip(np.floor(place).astype(np.intp), 0, values.size - 1)
        after = np.clip(np.ceil(place).astype(np.intp), 0, values.size - 1)
        out[holes[before] | holes[after]] = np.nan
    made: Samples = out
    return made
