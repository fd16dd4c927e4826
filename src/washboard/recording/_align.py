"""Aligning recordings of two loggers, and moving a channel in time by a part of a sample."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.errors import DataError
from washboard.recording._recording import Recording, Samples, Span, Step
from washboard.recording._resample import resample


def shifted(samples: Samples, by: float) -> Samples:
    """The samples later by `by` samples (a part of one too); what was never measured is NaN.

    A whole number of samples moves them; the rest is a windowed-sinc interpolation of 32 points (Kaiser, 80 dB), good
    to about 0.1 % up to 0.8 of half the sample rate.
    """
    whole = int(np.floor(by))
    part = by - whole
    values = np.asarray(samples, dtype=np.float64)
    if part > 1e-9:
        reach = 16
        at = np.arange(-reach + 1, reach + 1)
        window = np.kaiser(2 * reach + 1, 8.0)
        taper = np.interp(at - part, np.linspace(-reach, reach, 2 * reach + 1), window)
        kernel = np.sinc(at - part) * taper
        kernel /= kernel.sum()
        padded = np.pad(values, reach, mode="edge")
        # Sample k of the result is the sum over at of values[k - at] kernel[at].
        moved = np.convolve(padded, kernel, mode="full")[2 * reach - 1 : 2 * reach - 1 + values.size]
        values = moved
        values[:1] = np.nan
    out = np.full(values.size, np.nan)
    if whole >= 0:
        out[whole:] = values[: max(0, values.size - whole)]
    else:
        out[:whole] = values[-whole:]
    made: Samples = out.astype(samples.dtype)
    return made


@dataclass(frozen=True, kw_only=True, slots=True)
class Alignment:
    """How two recordings lie to each other in time.

    Parameters
    ----------
    lag_s : float
        How much later the second's clock shows the same event. [s]
    correlation : float
        Normalised cross-correlation at that lag, 0 to 1.
    drift_ppm : float
        How much faster the second's clock runs. [parts per million]
    drift_known : bool
        Whether the recordings are long and alike enough to tell the drift.
    """

    lag_s: float
    correlation: float
    drift_ppm: float
    drift_known: bool


def find_lag(first: Samples, second: Samples, rate_hz: float, *, longest_s: float = 10.0, pieces: int = 8) -> Alignment:
    """Lag, and drift, of one channel against another that measured the same, by cross-correlation.

    Parameters
    ----------
    first, second : ndarray, shape (time,)
        At one sample rate; NaN counts as nothing.
    rate_hz : float
        [Hz]
    longest_s : float
        Largest lag looked for, either way. [s]
    pieces : int
        Pieces that are aligned one by one to see whether the clocks drift apart.

    Raises
    ------
    DataError
        One of them does not move.

    Notes
    -----
    The peak of the correlation is refined by a parabola through it and its neighbours; of a band-limited signal
    sampled well above its band that leaves a few hundredths of a sample.
    """
    lag, height = _peak(first, second, rate_hz, -longest_s, longest_s)
    size = min(first.size, second.size)
    length = size // pieces
    if length / rate_hz < 4 or height < 0.3:
        return Alignment(lag_s=lag, correlation=height, drift_ppm=0.0, drift_known=False)
    at, lags = [], []
    whole = round(lag * rate_hz)
    for piece in range(pieces):
        start = piece * length
        other = start + whole
        if other < 0 or other + length > second.size or start + length > first.size:
            continue
        here, good = _peak(first[start : start + length], second[other : other + length], rate_hz, -0.5, 0.5)
        if good > 0.5 * height:
            at.append((start + length / 2) / rate_hz)
            lags.append(here + whole / rate_hz)
    if len(at) < 4:
        return Alignment(lag_s=lag, correlation=height, drift_ppm=0.0, drift_known=False)
    slope, start_lag = np.polyfit(at, lags, 1)
    misfit = float(np.std(np.array(lags) - slope * np.array(at) - start_lag))
    known = bool(abs(slope) * (at[-1] - at[0]) > 4 * misfit and abs(slope) * (at[-1] - at[0]) > 0.2 / rate_hz)
    return Alignment(
        lag_s=float(start_lag) if known else lag, correlation=height, drift_ppm=float(1e6 * slope), drift_known=known
    )


def _peak(first: Samples, second: Samples, rate_hz: float, low_s: float, high_s: float) -> tuple[float, float]:
    from scipy import fft

    one, two = _centred(first), _centred(second)
    norm = float(np.sqrt((one @ one) * (two @ two)))
    if norm <= 0:
        raise DataError("a channel that does not move cannot be aligned")
    size = fft.next_fast_len(one.size + two.size, real=True)
    cross = fft.irfft(np.conj(fft.rfft(one, size)) * fft.rfft(two, size), size)
    low, high = round(low_s * rate_hz), round(high_s * rate_hz)
    low, high = max(low, 1 - one.size), min(high, two.size - 1)
    lags: NDArray[np.float64] = np.concatenate((cross[low:], cross[: high + 1])) if low < 0 else cross[low : high + 1]
    at = int(np.argmax(lags))
    part = 0.0
    if 0 < at < lags.size - 1:
        before, here, after = (float(value) for value in lags[at - 1 : at + 2])
        bend = before - 2 * here + after
        part = 0.5 * (before - after) / bend if bend < 0 else 0.0
    return (low + at + part) / rate_hz, float(lags[at]) / norm


def _centred(samples: Samples) -> NDArray[np.float64]:
    values = np.array(samples, dtype=np.float64)
    bad = ~np.isfinite(values)
    values -= values[~bad].mean() if not bad.all() else 0.0
    values[bad] = 0.0
    return values


@dataclass(frozen=True, kw_only=True, slots=True)
class Joined:
    """Channels of two loggers on one time base, and how they were aligned."""

    recording: Recording
    alignment: Alignment


def join_loggers(
    first: Recording, second: Recording, *, by: tuple[str, str], longest_s: float = 10.0, least: float = 0.5
) -> Joined:
    """One recording with the channels of both, the second moved to the first's clock.

    Parameters
    ----------
    first, second : Recording
        The second is resampled to the first's rate if need be.
    by : tuple of two str
        A channel of each that measured the same, or nearly.
    longest_s : float
        Largest lag looked for. [s]
    least : float
        Least correlation at which the alignment is believed.

    Returns
    -------
    Joined
        As long as the first; where the second has nothing its channels are NaN and marked as a gap. A name both have is
        kept for the first's and gets ``" 2"`` for the second's.

    Raises
    ------
    DataError
        The two do not look alike at any lag.
    """
    import dataclasses

    if second.rate_hz != first.rate_hz:
        second = resample(second, first.rate_hz)
    found = find_lag(first.values(by[0]), second.values(by[1]), first.rate_hz, longest_s=longest_s)
    if found.correlation < least:
        raise DataError(
            f"'{by[0]}' of {first.name or 'the first'} and '{by[1]}' of {second.name or 'the second'} do not look "
            f"alike at any lag up to {longest_s:g} s (correlation {found.correlation:.2f}); choose channels that "
            "measured the same"
        )
    rows = np.full((second.n_channels, first.n_samples), np.nan, dtype=second.samples.dtype)
    for row in range(second.n_channels):
        if found.drift_known:
            at = np.arange(first.n_samples) / first.rate_hz
            place = (at + found.lag_s + at * 1e-6 * found.drift_ppm) * first.rate_hz
            rows[row] = _at_places(second.samples[row], place)
        else:
            padded = np.full(max(first.n_samples, second.n_samples), np.nan)
            padded[: second.n_samples] = second.samples[row]
            rows[row] = shifted(padded, -found.lag_s * first.rate_hz)[: first.n_samples]
    taken = set(first.names)
    channels = tuple(
        dataclasses.replace(channel, name=f"{channel.name} 2") if channel.name in taken else channel
        for channel in second.channels
    )
    dtype = np.promote_types(first.samples.dtype, rows.dtype)
    step = Step(
        function="recording.join_loggers",
        inputs=(first.name, second.name),
        settings={
            "by": list(by),
            "lag_s": found.lag_s,
            "correlation": found.correlation,
            "drift_ppm": found.drift_ppm if found.drift_known else 0.0,
        },
    )
    recording = first.replace(
        samples=np.concatenate((first.samples.astype(dtype), rows.astype(dtype))),
        channels=first.channels + channels,
        spans=(*first.spans, *_gaps(rows, first.rate_hz, tuple(channel.name for channel in channels))),
        step=step,
        owned=True,
    )
    return Joined(recording=recording, alignment=found)


def _at_places(samples: Samples, place: NDArray[np.float64]) -> Samples:
    """Samples at places between them, by a cubic through the four around; NaN outside."""
    values = np.asarray(samples, dtype=np.float64)
    base = np.floor(place).astype(np.intp)
    part = place - base
    out = np.full(place.size, np.nan)
    inside = (base >= 1) & (base + 2 < values.size)
    k, t = base[inside], part[inside]
    a, b, c, d = values[k - 1], values[k], values[k + 1], values[k + 2]
    out[inside] = (
        -t * (t - 1) * (t - 2) / 6 * a
        + (t + 1) * (t - 1) * (t - 2) / 2 * b
        - (t + 1) * t * (t - 2) / 2 * c
        + (t + 1) * t * (t - 1) / 6 * d
    )
    made: Samples = out.astype(samples.dtype)
    return made


def _gaps(rows: Samples, rate_hz: float, names: tuple[str, ...]) -> list[Span]:
    spans = []
    for name, row in zip(names, rows, strict=True):
        good = np.flatnonzero(np.isfinite(row))
        if good.size == 0:
            continue
        if good[0] > 0:
            spans.append(Span(kind="gap", start_s=0.0, end_s=good[0] / rate_hz, channel=name, note="not measured yet"))
        if good[-1] < row.size - 1:
            end = row.size / rate_hz
            spans.append(
                Span(kind="gap", start_s=(good[-1] + 1) / rate_hz, end_s=end, channel=name, note="no longer measured")
            )
    return spans
