"""From a file's tracks to one Recording: one sample rate for all channels, gaps kept as NaN and marked."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from washboard.errors import ChannelError, DataError, FormatError
from washboard.recording._clipping import find_clipping
from washboard.recording._recording import Recording, Samples, Span, Step
from washboard.recording._resample import rate_ratio, resampled
from washboard.recording._source import Source, TimeBase, Track, no_channel
from washboard.recording._timebase import TimeReport, analyse_stamps


def uniform(
    source: Source, path: Path, *, channels: Sequence[str] | None = None, rate_hz: float | None = None
) -> Recording:
    """One Recording from what a file holds.

    Parameters
    ----------
    source : Source
        The tracks read.
    path : Path
        Named in messages.
    channels : sequence of str, optional
        Names wanted, in that order; all when None. A name that occurs in several groups is written ``name@group``.
    rate_hz : float, optional
        Sample rate wanted; otherwise the highest among the channels. [Hz]

    Raises
    ------
    ChannelError
        A channel is missing or ambiguous.
    DataError
        A time base cannot be made uniform: it runs backwards, or holds fewer than two samples.
    FormatError
        The file holds no channels of numbers.
    """
    if not source.tracks:
        raise FormatError(f"{path}: holds no channel of numbers over time")
    tracks = chosen(source, path, channels)
    bases: dict[int, TimeBase] = {id(track.base): track.base for track in tracks}
    grids = {key: _grid(base, path) for key, base in bases.items()}
    wanted = rate_hz or max(grid.rate_hz for grid in grids.values())
    history = list(source.history)
    plain = len(bases) == 1 and all(grid.plain and grid.rate_hz == wanted for grid in grids.values())
    spans = list(source.spans)
    if plain and source.block is not None and len(tracks) == len(source.tracks) and channels is None:
        samples: Samples = source.block
    else:
        first = min(grid.start_s for grid in grids.values())
        last = max(grid.start_s + grid.length / grid.rate_hz for grid in grids.values())
        length = next(iter(grids.values())).length if plain else round((last - first) * wanted)
        wide = any(track.samples.dtype == np.float64 for track in tracks)
        samples = np.full((len(tracks), length), np.nan, dtype=np.float64 if wide else np.float32)
        for row, track in enumerate(tracks):
            grid = grids[id(track.base)]
            _place(samples[row], track, grid, first, wanted, path)
            spans.extend(_marks(track, grid, first))
        for grid in {id(grid): grid for grid in grids.values()}.values():
            if grid.words or grid.rate_hz != wanted:
                settings: dict[str, Any] = {"from_hz": grid.rate_hz, "to_hz": wanted, "time_base": grid.words}
                if grid.report is not None and grid.words:
                    settings["uneven"] = grid.report.jitter_rms
                    settings["missing"] = sum(gap.missing for gap in grid.report.gaps)
                history.append(Step(function="recording.read_recording", inputs=(path.name,), settings=settings))
    return Recording(
        samples=samples,
        rate_hz=wanted,
        channels=tuple(track.channel for track in tracks),
        name=source.name or path.stem,
        start=source.start,
        spans=tuple(dict.fromkeys(span for span in spans if _kept(span, tracks))),
        metadata=source.metadata,
        history=tuple(history),
        owned=True,
    )


def _kept(span: Span, tracks: Sequence[Track]) -> bool:
    return not span.channel or any(track.channel.name == span.channel for track in tracks)


def chosen(source: Source, path: Path, channels: Sequence[str] | None) -> list[Track]:
    """The tracks wanted, with names made different where groups share one. Raises ChannelError."""
    import dataclasses

    by_name: dict[str, list[Track]] = {}
    for track in source.tracks:
        by_name.setdefault(track.channel.name, []).append(track)
    for name, found in by_name.items():
        groups = [track.group for track in found]
        if len(set(groups)) < len(groups) and (channels is None or name in channels):
            raise ChannelError(f"{path}: more than one channel is named '{name}'; rename one of them in the file")

    def qualified(track: Track) -> Track:
        return dataclasses.replace(
            track, channel=dataclasses.replace(track.channel, name=f"{track.channel.name}@{track.group}")
        )

    if channels is None:
        return [qualified(track) if len(by_name[track.channel.name]) > 1 else track for track in source.tracks]
    picked = []
    known = dict(by_name)
    for found in by_name.values():
        for track in found:
            known.setdefault(f"{track.channel.name}@{track.group}", [qualified(track)])
    for name in channels:
        found = known.get(name, [])
        if not found:
            raise ChannelError(f"{path}: {no_channel(name, list(by_name))}")
        if len(found) > 1:
            names = " or ".join(f"'{name}@{track.group}'" for track in found)
            raise ChannelError(f"{path}: channel '{name}' is in {len(found)} groups; say which: {names}")
        picked.append(found[0])
    return picked


class _Grid:
    """The even grid that a time base is laid on."""

    __slots__ = ("keep", "length", "place", "plain", "rate_hz", "report", "start_s", "words")

    def __init__(self, base: TimeBase) -> None:
        self.report: TimeReport | None = None
        self.keep: Any = None
        self.place: Any = None
        self.words = ""
        self.start_s = base.start_s
        self.length = base.n_samples
        self.plain = True
        if base.stamps_s is None:
            if base.rate_hz is None or not base.rate_hz > 0:
                raise DataError("has no time stamps and states no sample rate; give one")
            self.rate_hz = base.rate_hz
            return
        stamps = base.stamps_s
        self.report = report = analyse_stamps(stamps)
        self.rate_hz = base.rate_hz or report.rate_hz
        self.start_s = float(stamps[0])
        if report.even:
            return
        if report.backwards:
            raise DataError(
                f"time runs backwards at {report.backwards[0]:.6g} s ({len(report.backwards)} times in all); "
                "export the stretches before and after as separate files"
            )
        self.plain = False
        self.keep = np.concatenate(([True], np.diff(stamps) > 0))
        self.place = (stamps[self.keep] - stamps[0]) * self.rate_hz
        self.length = round(float(self.place[-1])) + 1
        words = []
        if report.gaps:
            words.append(f"{len(report.gaps)} gaps, left as NaN")
        if report.repeats:
            words.append(f"{report.repeats} repeated stamps, the first of each kept")
        if report.jitter_rms > 0 and np.abs(self.place - np.round(self.place)).max() > 0.02:
            words.append(f"uneven steps (rms {report.jitter_rms:.1%} of one), interpolated linearly between neighbours")
        self.words = "; ".join(words)


def _grid(base: TimeBase, path: Path) -> _Grid:
    try:
        return _Grid(base)
    except DataError as error:
        raise DataError(f"{path}: {error}") from None


def _place(out: Samples, track: Track, grid: _Grid, first_s: float, rate_hz: float, path: Path) -> None:
    """Lay one track on the common grid; what it has no samples for stays NaN."""
    values = track.samples
    if track.valid is not None and not track.valid.all():
        values = np.where(track.valid, values, np.asarray(np.nan, dtype=values.dtype))
    if grid.place is not None:
        values = _evened(values[grid.keep], grid.place, grid.length)
        _keep_clipped(values, track.samples[grid.keep], grid.place)
    if grid.rate_hz != rate_hz:
        try:
            values = resampled(values, rate_ratio(grid.rate_hz, rate_hz))
        except DataError as error:
            raise DataError(f"{path}: channel '{track.channel.name}': {error}") from None
    shift = (grid.start_s - first_s) * rate_hz
    whole = round(shift)
    if abs(shift - whole) > 0.02:
        values = _delayed(values, shift - whole)
    stop = min(out.size, whole + values.size)
    out[whole:stop] = values[: stop - whole]


def _delayed(values: Samples, part: float) -> Samples:
    """Moved later by a part of a sample, by linear interpolation. [samples]"""
    at = np.arange(values.size) - part
    moved: Samples = np.interp(at, np.arange(values.size), values, left=np.nan, right=np.nan).astype(values.dtype)
    return moved


def _evened(values: Samples, place: Any, length: int) -> Samples:
    """Samples at uneven places laid on 0..length-1; NaN where the nearest neighbours are a gap apart."""
    grid = np.arange(length)
    after = np.clip(np.searchsorted(place, grid, side="left"), 0, place.size - 1)
    before = np.clip(after - 1, 0, place.size - 1)
    out = np.interp(grid, place, values)
    apart = place[after] - place[before]
    near = np.minimum(np.abs(place[after] - grid), np.abs(place[before] - grid)) < 0.5
    nearest = np.where(np.abs(place[after] - grid) <= np.abs(place[before] - grid), after, before)
    hole = apart > 1.5
    out[hole] = np.where(near[hole], values[nearest[hole]], np.nan)
    exact = np.abs(place[nearest] - grid) < 0.02
    out[exact] = values[nearest[exact]]
    made: Samples = out.astype(values.dtype)
    return made


def _keep_clipped(out: Samples, values: Samples, place: Any) -> None:
    """Samples at the limit of a converter stay there: laid between neighbours, they would no longer show as clipped."""
    for hit in find_clipping(values):
        for at in range(hit.start, hit.end):
            nearest = round(float(place[at]))
            if nearest < out.size and np.isfinite(out[nearest]):
                out[nearest] = values[at]


def _marks(track: Track, grid: _Grid, first_s: float) -> list[Span]:
    spans = []
    name, offset = track.channel.name, grid.start_s - first_s
    if grid.report is not None:
        origin = grid.start_s
        for gap in grid.report.gaps:
            start, end = gap.start_s - origin + 1 / grid.rate_hz + offset, gap.end_s - origin + offset
            spans.append(Span(kind="gap", start_s=start, end_s=end, note="no samples in the file"))
    if track.valid is not None and not track.valid.all() and grid.place is None:
        edges = np.flatnonzero(np.diff(np.concatenate(([False], ~track.valid, [False])).astype(np.int8)))
        for start, end in edges.reshape(-1, 2):
            spans.append(
                Span(
                    kind="bad",
                    start_s=offset + start / grid.rate_hz,
                    end_s=offset + end / grid.rate_hz,
                    channel=name,
                    note="marked invalid in the file",
                )
            )
    return spans
