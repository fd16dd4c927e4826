"""Marked stretches left out: what was repaired or is not to be trusted, cut from all channels, ends faded together."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np

from washboard.errors import DataError
from washboard.recording._dropouts import runs
from washboard.recording._recording import Recording, Samples, Span, Step


def without_marked(
    recording: Recording, *, kinds: Sequence[str] = ("repaired", "bad"), margin_s: float = 0.1, fade_s: float = 0.5
) -> Recording:
    """The recording without the stretches marked on any of its channels; itself where none is marked.

    All channels lose the same stretches, so that they stay together in time. Where two pieces meet, the end of the
    first fades into the beginning of the second over `fade_s`, without a jump that would do damage of its own; a piece
    shorter than two fades goes too. Joins are marked.

    Parameters
    ----------
    recording : Recording
    kinds : sequence of str
        Kinds of span to leave out.
    margin_s : float
        Left out with a stretch on either side of it. [s]
    fade_s : float
        [s]

    Raises
    ------
    DataError
        Nothing is left.
    """
    fade = max(1, round(fade_s * recording.rate_hz))
    pieces = _pieces(recording, set(kinds), margin_s, fade)
    if pieces == [(0, recording.n_samples)]:
        return recording
    if not pieces:
        raise DataError(f"{recording.name or 'this recording'}: nothing is left beside what is marked")
    rise = (np.arange(fade) + 0.5) / fade
    parts: list[Samples] = []
    joins: list[Span] = []
    moved: list[Span] = []
    length = 0
    for number, (first, last) in enumerate(pieces):
        part = np.array(recording.samples[:, first:last])
        # Where this piece begins in the result: over the end of the one before.
        offset = length if number == 0 else length - fade
        if number:
            before = parts[-1][:, -fade:] * (1 - rise) + part[:, :fade] * rise
            parts[-1] = parts[-1][:, :-fade]
            part[:, :fade] = before
            gone = (first - pieces[number - 1][1]) / recording.rate_hz
            joins.append(
                Span(
                    kind="join",
                    start_s=offset / recording.rate_hz,
                    end_s=length / recording.rate_hz,
                    note=f"{gone:.3g} s left out that were marked",
                )
            )
        parts.append(part)
        length = offset + last - first
        moved.extend(_moved(recording, set(kinds), first, last, offset))
    samples = np.concatenate(parts, axis=1).astype(recording.samples.dtype, copy=False)
    step = Step(
        function="recording.without_marked",
        inputs=(recording.name,),
        settings={"kinds": list(kinds), "margin_s": margin_s, "fade_s": fade_s},
    )
    return recording.replace(samples=samples, spans=(*moved, *joins), step=step, owned=True)


def _pieces(recording: Recording, kinds: set[str], margin_s: float, fade: int) -> list[tuple[int, int]]:
    """First and last sample of what is kept, in order."""
    marked = np.zeros(recording.n_samples, dtype=bool)
    for span in recording.spans:
        if span.kind in kinds and (not span.channel or span.channel in recording.names):
            start = max(0, int(np.floor((span.start_s - margin_s) * recording.rate_hz)))
            marked[start : int(np.ceil((span.end_s + margin_s) * recording.rate_hz))] = True
    return [(int(a), int(b)) for a, b in runs(~marked) if b - a >= 2 * fade or not marked.any()]


def _moved(recording: Recording, kinds: set[str], first: int, last: int, offset: int) -> list[Span]:
    """Other marks of a kept piece, where they lie now."""
    found = []
    shift = (offset - first) / recording.rate_hz
    for span in recording.spans:
        start, end = max(span.start_s, first / recording.rate_hz), min(span.end_s, last / recording.rate_hz)
        if span.kind not in kinds and start <= end:
            found.append(dataclasses.replace(span, start_s=start + shift, end_s=end + shift))
    return found
