"""Recording: a shortened recording with its joins marked, and what the whole sequence keeps."""

from __future__ import annotations

import dataclasses

import numpy as np
from numpy.typing import NDArray

from washboard.recording import Recording, Samples, Span, Step
from washboard.settings import to_plain
from washboard.shorten._settings import ShortenSettings
from washboard.shorten._shorten import Shortened


def as_recording(result: Shortened, original: Recording, *, settings: ShortenSettings) -> Recording:
    """The shortened recording: channels of the original, joins marked by spans with what was taken out.

    Spans of the original are carried along where they lie in kept stretches.

    Parameters
    ----------
    result : Shortened
        Made from the samples of `original`.
    original : Recording
        What was shortened.
    settings : ShortenSettings
        For the history.
    """
    rate_hz, half = original.rate_hz, result.joined.fade // 2
    joins = [
        Span(
            kind="join",
            start_s=float((place - half) / rate_hz),
            end_s=float((place + half) / rate_hz),
            note=f"{end / rate_hz:.3f} s joined to {start / rate_hz:.3f} s of the original",
        )
        for place, end, start in zip(
            result.joined.joins, result.joined.runs[:-1, 1], result.joined.runs[1:, 0], strict=True
        )
    ]
    carried: list[Span] = []
    offset = 0.0
    for first, last in result.joined.runs:
        start_s, end_s = float(first / rate_hz), float(last / rate_hz)
        carried += [
            dataclasses.replace(
                span,
                start_s=max(span.start_s, start_s) - start_s + offset,
                end_s=min(span.end_s, end_s) - start_s + offset,
            )
            for span in original.spans
            if span.end_s > start_s and span.start_s < end_s
        ]
        offset += end_s - start_s
    step = Step(function="shorten.shorten", inputs=(original.digest(),), settings=to_plain(settings))
    return original.replace(samples=result.joined.samples, spans=(*joins, *carried), step=step, owned=True)


def shares_asked(share: NDArray[np.float64], samples: Samples) -> NDArray[np.float64]:
    """`share` with 0 for channels that are constant in this recording: they have no damage to keep."""
    lively = np.array([bool(row.max() > row.min()) for row in samples])
    return np.where(lively, share, 0.0)


def sequence_share(
    damage: NDArray[np.float64], plays: NDArray[np.float64], target: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Damage of all plays of the shortened events over that of the whole service.

    Parameters
    ----------
    damage : ndarray, shape (event, channel, slope)
        Damage of one play of each shortened event.
    plays : ndarray, shape (event,)
        Plays of each event.
    target : ndarray, shape (channel, slope)
        Damage of the whole service.

    Returns
    -------
    ndarray, shape (channel, slope)
        0 where the service itself has no damage.
    """
    reached = np.einsum("e,ecs->cs", plays, damage)
    share: NDArray[np.float64] = np.divide(reached, target, out=np.zeros_like(reached), where=target > 0)
    return share
