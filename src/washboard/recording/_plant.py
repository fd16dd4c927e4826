"""Planting faults in a clean recording: for examples, for tests, and to measure how well faults are found."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from washboard.errors import DataError
from washboard.recording._recording import Recording

FaultKind = Literal[
    "spike", "nan", "flat", "zero", "clipping", "offset", "drift", "step", "resolution", "hum", "aliasing", "noise",
    "polarity", "swap", "unit", "lag", "lap",
]  # fmt: skip


@dataclass(frozen=True, kw_only=True, slots=True)
class Fault:
    """One fault to plant.

    Parameters
    ----------
    kind : str
        See `plant_faults`.
    channel : str
        Where; for ``"lap"`` all channels when empty.
    level : float
        How strong; its meaning depends on the kind.
    start_s, duration_s : float
        Where in time, for kinds that have a place. [s]
    count : int
        How many spikes or dropouts, spread over the duration.
    other : str
        The second channel of a swap.
    """

    kind: FaultKind
    channel: str = ""
    level: float = 1.0
    start_s: float = 0.0
    duration_s: float = 0.0
    count: int = 1
    other: str = ""


def plant_faults(recording: Recording, faults: Sequence[Fault], *, seed: int) -> Recording:
    """A copy of `recording` with faults in it.

    Parameters
    ----------
    recording : Recording
    faults : sequence of Fault
        ``spike``: `count` spikes of one or two samples, `level` times the channel's peak from its median.
        ``nan``, ``zero``, ``flat``: a dropout of `duration_s` from `start_s`, stuck on the value there when flat.
        ``clipping``: cut off at `level` (below 1) times the peak on either side.
        ``offset``: `level` times the RMS about the mean, constant. ``step``: the same from `start_s` on.
        ``drift``: `level` times the RMS from start to end, as a thermal drift runs, first faster, then slower.
        ``resolution``: rounded to steps of `level` times the RMS.
        ``hum``: 50 Hz of amplitude `level` times the RMS with weaker 100 and 150 Hz.
        ``aliasing``: content above half the sample rate, `level` times the RMS, strong where the ride is rough, folded
        down as it is without an anti-alias filter.
        ``noise``: white noise of `level` times the RMS.
        ``polarity``: sign changed. ``swap``: exchanged with `other`. ``unit``: multiplied by `level`.
        ``lag``: later by `duration_s` (whole samples; the start repeats the first sample).
        ``lap``: the whole lap multiplied by `level`, as one driven at another speed or load.
    seed : int
        Seed of all that is random.

    Raises
    ------
    DataError
        A fault does not fit into the recording's length.
    ChannelError
        A channel is not there.
    """
    rng = np.random.default_rng(seed)
    samples = np.array(recording.samples, dtype=np.float64)
    for fault in faults:
        if fault.kind == "swap":
            one, two = recording.index(fault.channel), recording.index(fault.other)
            samples[[one, two]] = samples[[two, one]]
        elif fault.kind == "lap":
            rows = range(len(samples)) if not fault.channel else (recording.index(fault.channel),)
            for row in rows:
                samples[row] *= fault.level
        else:
            row = recording.index(fault.channel)
            if not 0 <= fault.start_s < recording.duration_s:
                raise DataError(f"a fault at {fault.start_s:g} s lies outside of the recording")
            samples[row] = _PLANTERS[fault.kind](samples[row], recording.rate_hz, fault, rng)
    return recording.replace(samples=samples.astype(recording.samples.dtype), owned=True)


Values = NDArray[np.float64]


def _rms(values: Values) -> float:
    return float(np.nanstd(values))


def _peak(values: Values) -> float:
    return float(np.nanmax(np.abs(values - np.nanmedian(values))))


def _window(values: Values, rate_hz: float, fault: Fault) -> tuple[int, int]:
    start = round(fault.start_s * rate_hz)
    length = max(1, round(fault.duration_s * rate_hz)) if fault.duration_s else values.size - start
    return start, min(values.size, start + length)


def _spike(values: Values, rate_hz: float, fault: Fault, rng: np.random.Generator) -> Values:
    start, end = _window(values, rate_hz, fault)
    height = fault.level * _peak(values)
    out = values.copy()
    for at in rng.choice(np.arange(start, end), size=min(fault.count, end - start), replace=False):
        width = int(rng.integers(1, 3))
        sign = rng.choice((-1.0, 1.0))
        out[at : at + width] += sign * height
    return out


def _dropout(values: Values, rate_hz: float, fault: Fault, rng: np.random.Generator) -> Values:
    start, end = _window(values, rate_hz, fault)
    starts = [start]
    length = end - start
    if fault.count > 1:
        starts = [int(at) for at in rng.integers(start, max(start + 1, values.size - length), size=fault.count)]
    out = values.copy()
    for at in starts:
        out[at : at + length] = {"nan": np.nan, "zero": 0.0}.get(fault.kind, float(values[at]))
    return out


def _clipping(values: Values, _rate_hz: float, fault: Fault, _rng: np.random.Generator) -> Values:
    middle, peak = float(np.nanmedian(values)), _peak(values)
    clipped: Values = np.clip(values, middle - fault.level * peak, middle + fault.level * peak)
    return clipped


def _offset(values: Values, _rate_hz: float, fault: Fault, _rng: np.random.Generator) -> Values:
    moved: Values = values + fault.level * _rms(values)
    return moved


def _drift(values: Values, _rate_hz: float, fault: Fault, _rng: np.random.Generator) -> Values:
    at = np.linspace(0.0, 1.0, values.size)
    curve = (1 - np.exp(-2 * at)) / (1 - np.exp(-2.0))
    moved: Values = values + fault.level * _rms(values) * curve
    return moved


def _step(values: Values, rate_hz: float, fault: Fault, _rng: np.random.Generator) -> Values:
    out = values.copy()
    out[round(fault.start_s * rate_hz) :] += fault.level * _rms(values)
    return out


def _resolution(values: Values, _rate_hz: float, fault: Fault, _rng: np.random.Generator) -> Values:
    step = fault.level * _rms(values)
    rounded: Values = np.round(values / step) * step
    return rounded


def _hum(values: Values, rate_hz: float, fault: Fault, rng: np.random.Generator) -> Values:
    at = np.arange(values.size) / rate_hz
    hum = np.zeros(values.size)
    for multiple, part in ((1, 1.0), (2, 0.2), (3, 0.4)):
        if 50.0 * multiple < rate_hz / 2:
            hum += part * np.sin(2 * np.pi * 50.0 * multiple * at + rng.uniform(0, 2 * np.pi))
    return values + fault.level * _rms(values) * hum


def _aliasing(values: Values, rate_hz: float, fault: Fault, rng: np.random.Generator) -> Values:
    # Sampled noise is white whatever its band above half the rate was; its strength follows the ride's.
    rough = np.abs(np.diff(values, prepend=values[0]))
    # What vibrates up there, once struck, rings for some hundredths of a second.
    width = max(3, round(rng.uniform(0.015, 0.1) * rate_hz))
    envelope = np.sqrt(np.convolve(rough**2, np.ones(width) / width, mode="same"))
    folded = envelope * rng.standard_normal(values.size)
    return values + fault.level * _rms(values) * folded / max(float(np.std(folded)), 1e-300)


def _noise(values: Values, _rate_hz: float, fault: Fault, rng: np.random.Generator) -> Values:
    return values + fault.level * _rms(values) * rng.standard_normal(values.size)


def _polarity(values: Values, _rate_hz: float, _fault: Fault, _rng: np.random.Generator) -> Values:
    return -values


def _unit(values: Values, _rate_hz: float, fault: Fault, _rng: np.random.Generator) -> Values:
    return values * fault.level


def _lag(values: Values, rate_hz: float, fault: Fault, _rng: np.random.Generator) -> Values:
    by = round(fault.duration_s * rate_hz)
    return np.concatenate((np.full(by, values[0]), values[: values.size - by])) if by else values.copy()


_PLANTERS: dict[str, Callable[[Values, float, Fault, np.random.Generator], Values]] = {
    "spike": _spike,
    "nan": _dropout,
    "zero": _dropout,
    "flat": _dropout,
    "clipping": _clipping,
    "offset": _offset,
    "drift": _drift,
    "step": _step,
    "resolution": _resolution,
    "hum": _hum,
    "aliasing": _aliasing,
    "noise": _noise,
    "polarity": _polarity,
    "unit": _unit,
    "lag": _lag,
}
