"""Laps: several laps of one event put end to end, as one play of it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from washboard.errors import ChannelError, DataError
from washboard.recording import Recording, Span, Step
from washboard.shorten._join import fade_weights


def end_to_end(laps: Sequence[Recording], *, fade_s: float) -> Recording:
    """Laps as one recording: the end of each fades into the beginning of the next, all channels together.

    The fade takes its length from both laps, since nothing was recorded beyond their ends; its weights are those of
    `join_runs`. Spans of the laps are carried along and the fades marked as joins.

    Parameters
    ----------
    laps : sequence of Recording
        Same channels and sample rate. A single lap is returned as it is.
    fade_s : float
        Length of the fade. [s]

    Raises
    ------
    ChannelError
        Laps with other channels.
    DataError
        No lap, laps at other rates, or one shorter than two fades.
    """
    if not laps:
        raise DataError("there is no lap to put end to end")
    if len(laps) == 1:
        return laps[0]
    first = laps[0]
    rate_hz = first.rate_hz
    half = max(1, round(fade_s * rate_hz / 2))
    for lap in laps:
        label = lap.name or "a lap"
        if lap.names != first.names:
            raise ChannelError(f"{label}: has other channels than {first.name or 'the first lap'}")
        if lap.rate_hz != rate_hz:
            raise DataError(f"{label}: is sampled at {lap.rate_hz:g} Hz, the first lap at {rate_hz:g} Hz")
        if lap.n_samples < 4 * half:
            raise DataError(f"{label}: lasts {lap.duration_s:.3g} s, less than two fades of {fade_s:g} s")
    length = sum(lap.n_samples for lap in laps) - 2 * half * (len(laps) - 1)
    out = np.empty((first.n_channels, length), np.result_type(*(lap.samples.dtype for lap in laps)))
    weights = fade_weights(half)
    spans: list[Span] = []
    place = 0
    for number, lap in enumerate(laps):
        offset_s = place / rate_hz
        spans += [_moved(span, offset_s) for span in lap.spans]
        if number:
            before = out[:, place : place + 2 * half].astype(np.float64)
            fade = before + weights * (lap.samples[:, : 2 * half] - before)
            out[:, place + 2 * half : place + lap.n_samples] = lap.samples[:, 2 * half :]
            out[:, place : place + 2 * half] = fade
            note = f"{laps[number - 1].name} joined to {lap.name}"
            spans.append(Span(kind="join", start_s=offset_s, end_s=(place + 2 * half) / rate_hz, note=note))
        else:
            out[:, : lap.n_samples] = lap.samples
        place += lap.n_samples - 2 * half
    step = Step(function="shorten.end_to_end", inputs=tuple(lap.digest() for lap in laps), settings={"fade_s": fade_s})
    return first.replace(samples=out, spans=tuple(spans), step=step, owned=True)


def _moved(span: Span, offset_s: float) -> Span:
    return Span(
        kind=span.kind,
        start_s=span.start_s + offset_s,
        end_s=span.end_s + offset_s,
        channel=span.channel,
        note=span.note,
    )
