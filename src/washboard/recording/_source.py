"""What a file holds before it is a Recording: tracks, each on its own time base, as the logger wrote them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from washboard.recording._recording import Channel, Samples, Span, Step


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class TimeBase:
    """When the samples of one or more tracks were taken.

    Parameters
    ----------
    n_samples : int
        How many.
    rate_hz : float, optional
        Sample rate where the file states one; else `stamps_s` tells. [Hz]
    stamps_s : ndarray, optional
        Time stamp of each sample, shape (time,). [s]
    start_s : float
        First sample, from the start of the file. [s]
    """

    n_samples: int
    rate_hz: float | None = None
    stamps_s: NDArray[np.float64] | None = None
    start_s: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Track:
    """One channel as the file holds it.

    Parameters
    ----------
    samples : ndarray, shape (time,)
        In the channel's unit, float32 or float64.
    valid : ndarray of bool, optional
        False where the file itself marks a sample as invalid.
    group : str
        The group of the file it belongs to, for messages and for telling equal names apart.
    """

    channel: Channel
    samples: Samples
    base: TimeBase
    valid: NDArray[np.bool_] | None = None
    group: str = ""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Source:
    """Everything read from one file.

    Parameters
    ----------
    block : ndarray or memmap, optional
        All tracks as one array (channel, time) where the file holds them so; the tracks' samples are its rows.
    """

    format: str
    tracks: tuple[Track, ...]
    name: str = ""
    start: datetime | None = None
    spans: tuple[Span, ...] = ()
    metadata: Mapping[str, str] = field(default_factory=dict)
    history: tuple[Step, ...] = ()
    block: Samples | None = None
    notes: tuple[str, ...] = ()


def no_channel(name: str, held: list[str]) -> str:
    """The words for a channel that is not there: the nearest there is, or the first few."""
    import difflib

    near = difflib.get_close_matches(name, held, n=1)
    return f"has no channel '{name}'; " + (f"did you mean '{near[0]}'?" if near else f"it has: {', '.join(held[:12])}")


def as_float(values: NDArray[Any]) -> Samples | None:
    """Numbers as float32 where that loses nothing, else float64; None when they are not numbers."""
    kind, size = values.dtype.kind, values.dtype.itemsize
    if values.ndim != 1 or kind not in "fiub":
        return None
    if kind == "f":
        wide = size > 8 or size == 8
        return values.astype(np.float64 if wide else np.float32, copy=False)
    return values.astype(np.float32 if kind == "b" or size <= 2 else np.float64)
