"""The binary route time histories travel by: lowest and highest per pixel, of the channels on the screen only.

What is sent, little-endian: ``uint32`` number of outlines; then for each ``uint32 layer, uint32 channel, uint32 n,
uint32 whole, float64 first_s, float64 step_s``; then for each, in that order, ``n`` lowest values as float32 and,
unless `whole`, ``n`` highest.
"""

from __future__ import annotations

import struct

import numpy as np

from washboard.errors import InputError
from washboard.web._pyramid import Outline
from washboard.web._sources import Sources, scale_between

MOST_BINS = 8192
MOST_OUTLINES = 512


def packed(outlines: list[tuple[int, int, Outline]]) -> bytes:
    """Outlines with their layer and channel number, as bytes."""
    head = [struct.pack("<I", len(outlines))]
    body = []
    for layer, channel, outline in outlines:
        head.append(
            struct.pack(
                "<IIIIdd", layer, channel, len(outline.low), int(outline.whole), outline.first_s, outline.step_s
            )
        )
        body.append(np.ascontiguousarray(outline.low, dtype="<f4").tobytes())
        if not outline.whole:
            body.append(np.ascontiguousarray(outline.high, dtype="<f4").tobytes())
    return b"".join(head + body)


def series(
    sources: Sources,
    *,
    files: list[str],
    names: list[tuple[int, str, str]],
    start_s: float,
    end_s: float,
    bins: int,
    offsets_s: list[float],
) -> bytes:
    """Outlines of the channels `names` (their number on the page, name, unit to show) of each of `files`.

    Parameters
    ----------
    files : list of str
        Relative to the programme folder, one per layer.
    start_s, end_s : float
        Range on the page's time axis. [s]
    offsets_s : list of float
        How far each layer is moved to the right. [s]

    Raises
    ------
    InputError
        A file that is not there, or a request out of bounds.
    """
    if not (np.isfinite(start_s) and np.isfinite(end_s) and start_s < end_s and 1 <= bins <= MOST_BINS):
        raise InputError("the range asked for is empty")
    if len(files) * len(names) > MOST_OUTLINES:
        raise InputError(f"more than {MOST_OUTLINES} lines at once")
    found = []
    for layer, (file, offset_s) in enumerate(zip(files, offsets_s, strict=True)):
        source = sources.open(file)
        index = {name: row for row, name in enumerate(source.recording.names)}
        for number, name, unit in names:
            if name not in index:
                continue
            row = index[name]
            outline = source.pyramid.outline(row, start_s - offset_s, end_s - offset_s, bins)
            scale, zero = scale_between(source.recording.channels[row], unit)
            low, high = outline.low, outline.high
            if (scale, zero) != (1.0, 0.0):
                low, high = (low * scale + zero).astype(np.float32), (high * scale + zero).astype(np.float32)
                if scale < 0:
                    low, high = high, low
            moved = Outline(
                first_s=outline.first_s + offset_s, step_s=outline.step_s, low=low, high=high, whole=outline.whole
            )
            found.append((layer, number, moved))
    return packed(found)
