"""Repairs: steps applied to a copy; what was mended stays marked."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase

import numpy as np
from numpy.typing import NDArray

from washboard import units
from washboard.errors import DataError, InputError
from washboard.recording._dropouts import Hit, find_dropouts
from washboard.recording._filter import filtered
from washboard.recording._hum import remove_hum
from washboard.recording._recording import Channel, Recording, Samples, Span, Step
from washboard.recording._settings import RepairStep
from washboard.recording._spikes import find_spikes
from washboard.settings import to_plain


@dataclass(frozen=True, kw_only=True, slots=True)
class RepairEffect:
    """What one repair did to one channel.

    Parameters
    ----------
    n_samples : int
        How many samples it changed.
    before, after : ndarray, shape (time,)
        The channel's samples; where the repair changed the length, each of its own.
    """

    step: RepairStep
    channel: Channel
    n_samples: int
    before: Samples
    after: Samples


@dataclass(frozen=True, kw_only=True, slots=True)
class Repaired:
    """A repaired copy, and what each step did to each channel it touched."""

    recording: Recording
    effects: tuple[RepairEffect, ...]


def applies(step: RepairStep, event: str = "", lap: int = 0) -> bool:
    """Whether a step is meant for this event and lap (counted from 1)."""
    return (not event or fnmatchcase(event, step.event)) and (not step.lap or not lap or step.lap == lap)


def repair(recording: Recording, steps: Sequence[RepairStep], *, event: str = "", lap: int = 0) -> Repaired:
    """Apply the steps meant for this event and lap, in order, to a copy.

    Parameters
    ----------
    recording : Recording
        Stays as it is.
    steps : sequence of RepairStep
    event, lap : str and int
        Which lap of which event it is; a step for another is passed over.

    Raises
    ------
    InputError
        A step lacks something it needs, or names a channel that is not there.
    """
    effects: list[RepairEffect] = []
    for step in steps:
        if not applies(step, event, lap):
            continue
        before = recording
        recording = _WHOLE[step.do](recording, step) if step.do in _WHOLE else _per_channel(recording, step)
        effects.extend(_effects(before, recording, step))
    return Repaired(recording=recording, effects=tuple(effects))


def _effects(before: Recording, after: Recording, step: RepairStep) -> list[RepairEffect]:
    found = []
    for row, channel in enumerate(after.channels):
        if row >= before.n_channels:
            break
        one, two = before.samples[row], after.samples[row]
        if one.shape == two.shape:
            changed = int(np.count_nonzero((one != two) & ~(np.isnan(one) & np.isnan(two))))
        else:
            changed = abs(one.size - two.size)
        if changed or (channel != before.channels[row] and step.do != "swap"):
            found.append(RepairEffect(step=step, channel=channel, n_samples=changed, before=one, after=two))
    return found


def _rows(recording: Recording, step: RepairStep) -> list[int]:
    rows = [row for row, name in enumerate(recording.names) if name == step.channel or fnmatchcase(name, step.channel)]
    if not rows:
        recording.index(step.channel)
    return rows


def history_of(step: RepairStep) -> Step:
    """What a recording remembers of a repair."""
    default = RepairStep(do=step.do)
    said = {
        key: value
        for key, value in to_plain(step).items()
        if value != getattr(default, key) or key in {"do", "channel"}
    }
    return Step(function="recording.repair", settings=said)


def _marked(recording: Recording, channel: str, hits: Sequence[Hit], note: str) -> list[Span]:
    return [
        Span(
            kind="repaired",
            start_s=hit.start / recording.rate_hz,
            end_s=hit.end / recording.rate_hz,
            channel=channel,
            note=note,
        )
        for hit in hits
    ]


def _per_channel(recording: Recording, step: RepairStep) -> Recording:
    function = _MENDERS[step.do]
    samples = recording.samples.copy()
    channels = list(recording.channels)
    spans = list(recording.spans)
    for row in _rows(recording, step):
        mended = function(samples[row], recording, channels[row], step)
        samples[row] = mended.samples
        channels[row] = mended.channel or channels[row]
        spans.extend(_marked(recording, channels[row].name, mended.hits, step.do))
    return recording.replace(
        samples=samples, channels=tuple(channels), spans=tuple(spans), step=history_of(step), owned=True
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Mended:
    samples: Samples
    hits: tuple[Hit, ...] = ()
    channel: Channel | None = None


def _bridge(values: Samples, bad: NDArray[np.bool_]) -> Samples:
    """Bad samples replaced by a monotone cubic through the good ones beside (Fritsch and Carlson 1980)."""
    from scipy.interpolate import PchipInterpolator

    if not bad.any() or bad.all():
        return values
    out = values.copy()
    good = np.flatnonzero(~bad)
    for a, b in np.flatnonzero(np.diff(np.concatenate(([False], bad, [False])).astype(np.int8))).reshape(-1, 2):
        near = good[(good >= a - 8) & (good < b + 8)]
        if near.size < 2 or near[0] > a or near[-1] < b:
            out[a:b] = values[near[0]] if near.size else out[a:b]
            continue
        out[a:b] = PchipInterpolator(near, values[near].astype(np.float64))(np.arange(a, b))
    return out


def _despike(values: Samples, _recording: Recording, _channel: Channel, _step: RepairStep) -> _Mended:
    hits = find_spikes(values)
    bad = np.zeros(values.size, dtype=bool)
    for hit in hits:
        bad[hit.start : hit.end] = True
    return _Mended(samples=_bridge(values, bad), hits=hits)


def _fill(values: Samples, recording: Recording, _channel: Channel, step: RepairStep) -> _Mended:
    longest = round(step.longest_s * recording.rate_hz)
    hits = tuple(hit for hit in find_dropouts(values, recording.rate_hz) if hit.end - hit.start <= longest)
    bad = np.zeros(values.size, dtype=bool)
    for hit in hits:
        bad[hit.start : hit.end] = True
    return _Mended(samples=_bridge(values, bad), hits=hits)


def _offset(values: Samples, _recording: Recording, channel: Channel, step: RepairStep) -> _Mended:
    if step.amount:
        unit = units.si_unit(channel.unit, channel.quantity)
        scale, zero = units.factor_to_si(channel.unit, channel.quantity)
        amount = (units.parse_quantity(step.amount, unit) - zero) / scale
    else:
        amount = float(np.nanmedian(values))
    return _Mended(samples=(values - amount).astype(values.dtype))


def _drift(values: Samples, recording: Recording, _channel: Channel, step: RepairStep) -> _Mended:
    low = step.low_hz or 0.1
    bad = ~np.isfinite(values)
    bridged = values
    if bad.any():
        at = np.arange(values.size)
        bridged = np.interp(at, at[~bad], values[~bad]).astype(values.dtype)
    slow = filtered(bridged[None].astype(np.float64), recording.rate_hz, high_hz=low, order=2)[0]
    return _Mended(samples=(values - slow).astype(values.dtype))


def _flip(values: Samples, _recording: Recording, channel: Channel, _step: RepairStep) -> _Mended:
    limits = None if channel.limits is None else (-channel.limits[1], -channel.limits[0])
    return _Mended(samples=-values, channel=dataclasses.replace(channel, limits=limits))


def _rescale(values: Samples, _recording: Recording, channel: Channel, step: RepairStep) -> _Mended:
    if step.factor == 0 or not np.isfinite(step.factor):
        raise InputError(f"repair 'rescale' of '{channel.name}': its factor cannot be {step.factor!r}")
    limits = None
    if channel.limits is not None:
        ends = sorted(limit * step.factor for limit in channel.limits)
        limits = (ends[0], ends[1])
    return _Mended(
        samples=(values * step.factor).astype(values.dtype), channel=dataclasses.replace(channel, limits=limits)
    )


def _unit(values: Samples, _recording: Recording, channel: Channel, step: RepairStep) -> _Mended:
    if not step.to:
        raise InputError(f"repair 'unit' of '{channel.name}': say in which unit the samples are: to = \"...\"")
    scale, offset = units.factor_to_si(step.to, channel.quantity)
    scale_to, offset_to = units.factor_to_si(channel.unit, channel.quantity)
    if units.si_unit(step.to, channel.quantity) != units.si_unit(channel.unit, channel.quantity):
        raise InputError(f"repair 'unit' of '{channel.name}': '{step.to}' and '{channel.unit}' are of different kinds")
    mended = (values * scale + offset - offset_to) / scale_to
    return _Mended(samples=mended.astype(values.dtype), channel=dataclasses.replace(channel, limits=None))


def _shift(values: Samples, recording: Recording, channel: Channel, step: RepairStep) -> _Mended:
    from washboard.recording._align import shifted

    moved = shifted(values, step.by_s * recording.rate_hz)
    known = np.flatnonzero(np.isfinite(moved))
    if known.size == 0:
        raise InputError(f"repair 'shift' of '{channel.name}': by = {step.by_s:g} s moves it out of the recording")
    # What was never measured holds the nearest value, and is marked: NaN there would cost the lap.
    first, last = int(known[0]), int(known[-1]) + 1
    unknown = [(0, first), (last, values.size)]
    hits = tuple(Hit(start=start, end=end, measured=0.0, kind="nan") for start, end in unknown if end > start)
    moved[:first], moved[last:] = moved[first], moved[last - 1]
    return _Mended(samples=moved, hits=hits)


def _filter(values: Samples, recording: Recording, channel: Channel, step: RepairStep) -> _Mended:
    if step.low_hz is None and step.high_hz is None:
        raise InputError(f"repair 'filter' of '{channel.name}': give low, high or both")
    if not np.isfinite(values).all():
        raise DataError(f"repair 'filter': channel '{channel.name}' has NaN samples; fill them first")
    return _Mended(samples=filtered(values[None], recording.rate_hz, low_hz=step.low_hz, high_hz=step.high_hz)[0])


def _hum(values: Samples, recording: Recording, _channel: Channel, step: RepairStep) -> _Mended:
    return _Mended(samples=remove_hum(values, recording.rate_hz, step.low_hz))


_MENDERS: dict[str, Callable[[Samples, Recording, Channel, RepairStep], _Mended]] = {
    "despike": _despike,
    "fill": _fill,
    "offset": _offset,
    "drift": _drift,
    "flip": _flip,
    "rescale": _rescale,
    "unit": _unit,
    "shift": _shift,
    "filter": _filter,
    "hum": _hum,
}


def _rename(recording: Recording, step: RepairStep) -> Recording:
    if not step.to:
        raise InputError(f"repair 'rename' of '{step.channel}': say the new name: to = \"...\"")
    row = recording.index(step.channel)
    channels = list(recording.channels)
    channels[row] = dataclasses.replace(channels[row], name=step.to)
    spans = tuple(
        dataclasses.replace(span, channel=step.to) if span.channel == step.channel else span for span in recording.spans
    )
    return recording.replace(channels=tuple(channels), spans=spans, step=history_of(step))


def _swap(recording: Recording, step: RepairStep) -> Recording:
    if not step.to:
        raise InputError(f"repair 'swap' of '{step.channel}': say with which channel: to = \"...\"")
    one, two = recording.index(step.channel), recording.index(step.to)
    samples = recording.samples.copy()
    samples[[one, two]] = samples[[two, one]]
    return recording.replace(samples=samples, step=history_of(step), owned=True)


def _cut(recording: Recording, step: RepairStep) -> Recording:
    start = step.start_s or 0.0
    end = recording.duration_s if step.end_s is None else step.end_s
    if step.keep:
        cut = recording.cut(start, end)
        return cut.replace(step=history_of(step))
    head = round(start * recording.rate_hz)
    tail = min(recording.n_samples, round(end * recording.rate_hz))
    if tail <= head or (head == 0 and tail == recording.n_samples):
        raise InputError(f"repair 'cut': nothing to leave out, or nothing left, between {start:g} s and {end:g} s")
    samples = np.concatenate((recording.samples[:, :head], recording.samples[:, tail:]), axis=1)
    gone = (tail - head) / recording.rate_hz
    spans = []
    for span in recording.spans:
        first = min(span.start_s, start) if span.start_s < end else span.start_s - gone
        last = min(span.end_s, start) if span.end_s < end else span.end_s - gone
        if last > first:
            spans.append(dataclasses.replace(span, start_s=first, end_s=last))
    at = head / recording.rate_hz
    spans.append(Span(kind="join", start_s=at, end_s=at, note=f"{gone:g} s left out"))
    return recording.replace(samples=samples, spans=tuple(spans), step=history_of(step), owned=True)


def _mark_bad(recording: Recording, step: RepairStep) -> Recording:
    end = recording.duration_s if step.end_s is None else step.end_s
    names = [""] if step.channel == "*" else [recording.names[row] for row in _rows(recording, step)]
    spans = [
        Span(kind="bad", start_s=step.start_s or 0.0, end_s=end, channel=name, note=step.note or "marked bad")
        for name in names
    ]
    return recording.replace(spans=(*recording.spans, *spans), step=history_of(step))


_WHOLE: dict[str, Callable[[Recording, RepairStep], Recording]] = {
    "rename": _rename,
    "swap": _swap,
    "cut": _cut,
    "bad": _mark_bad,
}
