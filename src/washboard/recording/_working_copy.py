"""A working copy of one lap: mended, derived and checked a few channels at a time, so that a lap may be of any length.

Every repair changes one channel, exchanges two, or cuts the same stretch out of all: so a channel, with those it is
exchanged with, is read, mended, looked at and written by itself. A derived channel and those it is computed from are in
memory together. What shows only between channels is looked for in the whole lap or, where that is long, in the middle
of it at a lower rate.
"""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path
from types import MappingProxyType
from typing import Generic, TypeVar

import numpy as np

from washboard.errors import ChannelError
from washboard.recording._array_faults import array_faults
from washboard.recording._derive import derive, names_in
from washboard.recording._faults import channel_faults
from washboard.recording._netcdf import NetcdfRows
from washboard.recording._recording import Finding, Recording, Samples, Span
from washboard.recording._repair import RepairEffect, applies, history_of, repair
from washboard.recording._resample import rate_ratio, resampled, resampling
from washboard.recording._rows import Place, Rows, open_rows, without_samples
from washboard.recording._settings import DerivedChannel, RepairStep
from washboard.recording._whole_file import whole_file
from washboard.settings import Progress, no_progress
from washboard.units import factor_to_si

Seen = TypeVar("Seen")

MOST_VALUES = 24_000_000
"""Laps of more samples, all channels together, are compared by a part of them."""

PART_S = 300.0
"""Length of that part, from the middle of the lap. [s]"""

PART_RATE_HZ = 128.0
"""Its sample rate, at least; what is compared lies below 50 Hz. [Hz]"""

_NOTHING: Mapping[str, Samples] = MappingProxyType({})

WORKERS = min(2, os.cpu_count() or 1)
"""Channels looked at at the same time; each costs the memory of a few copies of it."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Missing:
    """Samples of a channel that are NaN or infinite: how many, and between which times. [s]"""

    channel: str
    count: int
    start_s: float
    end_s: float


@dataclass(frozen=True, kw_only=True, slots=True)
class WorkingCopy(Generic[Seen]):
    """What `write_working_copy` wrote and found.

    Parameters
    ----------
    header : Recording
        All but the samples: shape (channel, 0).
    duration_s : float
        Length. [s]
    before, after : tuple of Finding
        Faults of the original, and of the copy; the same where no repair changed anything.
    effects : tuple
        What the caller made of each `RepairEffect`, in the order of the steps.
    missing : tuple of Missing
        Channels of the copy with samples missing.
    """

    header: Recording
    duration_s: float
    before: tuple[Finding, ...]
    after: tuple[Finding, ...]
    effects: tuple[Seen, ...]
    missing: tuple[Missing, ...]


def write_working_copy(
    path: Path,
    copy: Path,
    *,
    channels: Sequence[str],
    describe: Callable[[Rows], Recording],
    wanted: Sequence[str],
    steps: Sequence[RepairStep] = (),
    derived: Sequence[DerivedChannel] = (),
    event: str = "",
    lap: int = 0,
    effect: Callable[[RepairEffect], Seen],
    progress: Progress = no_progress,
) -> WorkingCopy[Seen]:
    """Read a recording, mend and derive as told, look for faults before and after, and write a working copy in SI.

    Parameters
    ----------
    path, copy : Path
        The original, and the netCDF4 file to write, which appears whole or not at all.
    channels : sequence of str
        Names to read from the original.
    describe : function
        What the channels are called and measure, from what the file says: the header given by `Rows`, changed.
    wanted : sequence of str
        The copy's channels, in order; among them derived ones.
    steps : sequence of RepairStep
        Without renaming, which is `describe`'s; those of derived channels are done after these are computed.
    effect : function
        Called with what each step did to each channel, whose samples are forgotten afterwards; by several threads.

    Raises
    ------
    FormatError, ChannelError, DataError, InputError, UnitError
        As `read_recording`, `repair` and `derive`.
    StorageError
        The copy cannot be written.
    """
    scratch = copy.with_name(f".{copy.stem}.{os.getpid()}.rows")
    ready: list[NetcdfRows] = []
    cut = any(step.do == "cut" and applies(step, event, lap) for step in steps)

    def place(header: Recording, n_samples: int) -> Place | None:
        # Pieces go right into the copy, in SI, where each channel has its row there and keeps its length.
        described = describe(Rows(header=header, n_samples=n_samples, get=_nothing))
        if cut or not set(described.names) <= set(wanted):
            return None
        ready.append(NetcdfRows(part, len(wanted), n_samples, header.samples.dtype))
        return Place(
            file=ready[0],
            rows=[wanted.index(name) for name in described.names],
            factors=[factor_to_si(channel.unit, channel.quantity) for channel in described.channels],
        )

    with whole_file(copy) as part:
        try:
            with open_rows(path, scratch, channels=channels, place=place) as rows:
                lap_of = _Lap(rows, describe(rows), tuple(steps), tuple(derived), event, lap, filled=bool(ready))
                with _Store(lap_of, part, wanted, ready[0] if ready else None) as store:
                    made = _made(lap_of, store, effect, progress)
                    store.target.finish(made.header)
        finally:
            for file in ready:
                file.__exit__()
            part.with_suffix(".more").unlink(missing_ok=True)
    return made


def _nothing(_row: int) -> Samples:
    raise NotImplementedError("its samples are still to come")


class _Lap:
    """The original, and what is to be done to it."""

    def __init__(
        self,
        rows: Rows,
        described: Recording,
        steps: tuple[RepairStep, ...],
        derived: tuple[DerivedChannel, ...],
        event: str,
        lap: int,
        *,
        filled: bool,
    ) -> None:
        self.rows, self.described, self.derived = rows, described, derived
        self.event, self.lap = event, lap
        self.si = described.in_si()
        #: Whether the samples are in the copy already, in SI.
        self.filled = filled
        self.long = self.si.n_channels * rows.n_samples > MOST_VALUES
        names = {entry.name for entry in derived}
        meant = [step for step in steps if applies(step, event, lap)]
        self.first = [step for step in meant if step.channel not in names or step.do == "cut"]
        self.second = [step for step in meant if step not in self.first]
        for step in self.first:
            if not _matches(step, self.si.names):
                self.si.index(step.channel)
        for step in (step for step in meant if step.do == "swap" and step.to and step.to not in names):
            self.si.index(step.to)

    def original(self, group: Sequence[int]) -> Recording:
        """Some rows of the original, in SI."""
        samples = np.empty((len(group), self.rows.n_samples), self.described.samples.dtype)
        for at, row in enumerate(group):
            samples[at] = self.rows.get(row)
        if self.filled:
            return _of_rows(self.si, group, samples)
        return _of_rows(self.described, group, samples).in_si()


class _Store:
    """The copy being written, and beside it, while it is, channels that only derived ones need."""

    def __init__(self, lap: _Lap, part: Path, wanted: Sequence[str], ready: NetcdfRows | None) -> None:
        derived = [entry.name for entry in lap.derived]
        known = [*lap.si.names, *derived]
        for name in wanted:
            if name not in known:
                lap.si.index(name)
        self.wanted = tuple(wanted)
        self.n_samples = _length_after(lap)
        self.dtype = lap.si.samples.dtype
        self.target = ready or NetcdfRows(part, len(wanted), self.n_samples, self.dtype)
        others = [name for name in known if name not in wanted]
        self._place: dict[str, tuple[NetcdfRows, int]] = {
            name: (self.target, row) for row, name in enumerate(self.wanted)
        }
        self._more: NetcdfRows | None = None
        if others:
            self._more = NetcdfRows(part.with_suffix(".more"), len(others), self.n_samples, self.dtype)
            self._place.update({name: (self._more, row) for row, name in enumerate(others)})

    def __enter__(self) -> _Store:
        return self

    def __exit__(self, *_error: object) -> None:
        for file in (self.target, self._more):
            if file is not None:
                file.__exit__()

    def put(self, name: str, samples: Samples) -> None:
        file, row = self._place[name]
        file.put(row, samples)

    def get(self, name: str) -> Samples:
        file, row = self._place[name]
        return file.get(row)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Group(Generic[Seen]):
    """What became of some channels: their headers, findings by channel, effects with the number of their step."""

    header: Recording
    before: dict[str, list[Finding]]
    after: dict[str, list[Finding]]
    effects: list[tuple[int, Seen]]
    missing: dict[str, Missing]
    part_before: dict[str, Samples]
    part_after: dict[str, Samples]


def _made(lap: _Lap, store: _Store, effect: Callable[[RepairEffect], Seen], progress: Progress) -> WorkingCopy[Seen]:
    def mend(group: list[int]) -> _Group[Seen]:
        return _mended(lap.original(group), lap.first, lap, store, effect)

    groups: list[_Group[Seen]] = []
    whole = _groups(lap.si.names, lap.first)
    with ThreadPoolExecutor(min(WORKERS, max(1, len(whole)))) as pool:
        waiting = pool.map(mend, whole)
        try:
            for number, made in enumerate(waiting, start=1):
                groups.append(made)
                progress(number / len(whole), made.header.names[0])
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise
    header = _header(lap.si, groups, lap.first)
    header, more = _derived(lap, store, header, effect)
    groups.extend(more)
    before = _joined(groups, "before", store.wanted)
    after = _joined(groups, "after", store.wanted)
    effects = [made for _step, made in sorted((e for g in groups for e in g.effects), key=lambda entry: entry[0])]
    copy = header.select(store.wanted)
    held = {} if lap.long else {name: store.get(name) for name in store.wanted}
    between = array_faults(_together(lap, copy, groups, "part_after", held))
    original = lap.si.select([name for name in lap.si.names if name in store.wanted])
    before += array_faults(_together(lap, original, groups, "part_before")) if effects else between
    missing = {name: entry for group in groups for name, entry in group.missing.items()}
    return WorkingCopy(
        header=copy,
        duration_s=store.n_samples / copy.rate_hz,
        before=tuple(before),
        after=tuple(after + between),
        effects=tuple(effects),
        missing=tuple(missing[name] for name in store.wanted if name in missing),
    )


def _together(
    lap: _Lap, header: Recording, groups: Iterable[_Group[Seen]], which: str, held: Mapping[str, Samples] = _NOTHING
) -> Recording:
    """The channels of a lap to be compared with each other: of a long one, the parts of them that were kept."""
    lines = dict(held)
    for group in groups:
        lines.update(getattr(group, which))
    rate = header.rate_hz / _part_factor(header.rate_hz) if lap.long else header.rate_hz
    samples = np.stack([lines[name] for name in header.names])
    return header.replace(samples=samples, rate_hz=rate, spans=() if lap.long else header.spans, owned=True)


def _joined(groups: Iterable[_Group[Seen]], which: str, wanted: Sequence[str]) -> list[Finding]:
    """Findings of the channels wanted, in their order; of a channel mended twice, the last."""
    found: dict[str, list[Finding]] = {}
    for group in groups:
        found.update(getattr(group, which))
    return [finding for name in wanted for finding in found.get(name, ())]


def _mended(
    original: Recording,
    steps: Sequence[RepairStep],
    lap: _Lap,
    store: _Store,
    effect: Callable[[RepairEffect], Seen],
    *,
    looked_at: bool = False,
) -> _Group[Seen]:
    """A few channels mended, looked at and put into the store."""
    own = [(number, step) for number, step in enumerate(steps) if _matches(step, original.names)]
    mended = original
    effects: list[tuple[int, Seen]] = []
    touched: set[str] = set()
    for number, step in own:
        done = repair(mended, (step,), event=lap.event, lap=lap.lap)
        mended = done.recording
        touched |= {entry.channel.name for entry in done.effects}
        effects.extend((number, effect(entry)) for entry in done.effects)
        del done
    before, after, missing = {}, {}, {}
    part_before: dict[str, Samples] = {}
    part_after: dict[str, Samples] = {}
    for row, channel in enumerate(mended.channels):
        name = channel.name
        if name in store.wanted:
            if not looked_at:
                before[name] = channel_faults(original.samples[row], original.rate_hz, original.channels[row])
            same = not looked_at and name not in touched and mended.n_samples == original.n_samples
            after[name] = before[name] if same else channel_faults(mended.samples[row], mended.rate_hz, channel)
            if lap.long:
                part_after[name] = _part(mended.samples[row], mended.rate_hz)
            if not looked_at:
                # Kept also of a short lap: where its rows lie in the copy, they are overwritten.
                part_before[name] = (
                    original.samples[row]
                    if not lap.long
                    else part_after[name]
                    if same
                    else _part(original.samples[row], original.rate_hz)
                )
            gap = _missing(name, mended.samples[row], mended.rate_hz)
            if gap is not None:
                missing[name] = gap
        if not (lap.filled and not looked_at and name not in touched):
            store.put(name, mended.samples[row])
    return _Group(
        header=without_samples(mended),
        before=before,
        after=after,
        effects=effects,
        missing=missing,
        part_before=part_before,
        part_after=part_after,
    )


def _derived(
    lap: _Lap, store: _Store, header: Recording, effect: Callable[[RepairEffect], Seen]
) -> tuple[Recording, list[_Group[Seen]]]:
    """The derived channels computed from what is in the store, then mended where steps ask for it."""
    groups: list[_Group[Seen]] = []

    def held(names: Sequence[str], channels: Recording) -> Recording:
        samples = np.empty((len(names), store.n_samples), store.dtype)
        for at, name in enumerate(names):
            samples[at] = store.get(name)
        return _of_rows(channels, [channels.index(name) for name in names], samples)

    for entry in lap.derived:
        if entry.name in header.names:
            raise ChannelError(f"{header.name or 'this recording'}: there is already a channel '{entry.name}'")
        needed = [name for name in names_in(entry) if name in header.names]
        made = derive(held(needed, header), (entry,))
        line = np.asarray(made.samples[-1])
        channel, said = made.channels[-1], made.history[-1]
        del made
        alone = Recording(samples=line[None], rate_hz=header.rate_hz, channels=(channel,), name=header.name, owned=True)
        groups.append(_mended(alone, (), lap, store, effect, looked_at=True))
        header = header.replace(
            samples=np.empty((header.n_channels + 1, 0), store.dtype), channels=(*header.channels, channel), step=said,
            owned=True,
        )  # fmt: skip
    for number, step in enumerate(lap.second):
        names = [name for name in header.names if _matches(step, (name,)) or (step.do == "swap" and name == step.to)]
        if not names:
            header.index(step.channel)
        found = _mended(held(names, header), (step,), lap, store, effect, looked_at=True)
        effects = [(len(lap.first) + number, made) for _step, made in found.effects]
        groups.append(dataclasses.replace(found, effects=effects))
        header = _header(header, [found], (step,))
    return header, groups


def _header(before: Recording, groups: Sequence[_Group[Seen]], steps: Sequence[RepairStep]) -> Recording:
    """The lap's header after the steps: channels and marks from the groups, one entry of history for each step."""
    channel = {entry.name: entry for group in groups for entry in group.header.channels}
    touched = set(channel)
    spans: list[Span] = [span for span in before.spans if span.channel and span.channel not in touched]
    for group in groups:
        spans.extend(group.header.spans)
    history = (*before.history, *(history_of(step) for step in steps))
    return before.replace(
        channels=tuple(channel.get(entry.name, entry) for entry in before.channels),
        spans=tuple(sorted(dict.fromkeys(spans), key=lambda span: (span.start_s, span.end_s))),
        history=history,
        owned=True,
    )


def _of_rows(header: Recording, group: Sequence[int], samples: Samples) -> Recording:
    """Some channels of a header, with their samples and marks."""
    return header.select([header.names[row] for row in group]).replace(samples=samples, owned=True)


def _matches(step: RepairStep, names: Iterable[str]) -> bool:
    """Whether a step is about one of these channels."""
    if step.do == "cut":
        return True
    return any(name in (step.channel, step.to if step.do == "swap" else "") or fnmatchcase(name, step.channel)
               for name in names)  # fmt: skip


def _groups(names: Sequence[str], steps: Sequence[RepairStep]) -> list[list[int]]:
    """Rows that must be mended together: each by itself, but for those that are exchanged."""
    group = {name: [row] for row, name in enumerate(names)}
    for step in steps:
        if step.do == "swap" and step.channel in group and step.to in group:
            one, two = group[step.channel], group[step.to]
            if one is not two:
                one.extend(two)
                for row in two:
                    group[names[row]] = one
    kept: list[list[int]] = []
    for entry in group.values():
        if not any(entry is other for other in kept):
            kept.append(entry)
    return [sorted(entry) for entry in kept]


def _length_after(lap: _Lap) -> int:
    """Samples of the lap once all its cuts are made."""
    cuts = [step for step in lap.first if step.do == "cut"]
    if not cuts:
        return lap.rows.n_samples
    line = Recording(
        samples=np.zeros((1, lap.rows.n_samples), np.float32),
        rate_hz=lap.si.rate_hz,
        channels=lap.si.channels[:1],
        name=lap.si.name,
        owned=True,
    )
    return repair(line, cuts).recording.n_samples


def _missing(name: str, samples: Samples, rate_hz: float) -> Missing | None:
    if np.isfinite(samples.sum()):
        return None
    bad = ~np.isfinite(samples)
    if not bad.any():
        return None
    first, last = int(np.argmax(bad)), bad.size - int(np.argmax(bad[::-1]))
    return Missing(channel=name, count=int(bad.sum()), start_s=first / rate_hz, end_s=last / rate_hz)


def part_of(rows: Rows) -> Recording:
    """The whole lap or, of more than `MOST_VALUES` samples, `PART_S` from its middle at no less than `PART_RATE_HZ`."""
    header, total = rows.header, rows.n_samples
    if header.n_channels * total <= MOST_VALUES:
        samples = np.empty((header.n_channels, total), header.samples.dtype)
        for row in range(header.n_channels):
            samples[row] = rows.get(row)
        return header.replace(samples=samples, owned=True)
    rate = header.rate_hz
    samples = np.stack([_part(rows.get(row), rate) for row in range(header.n_channels)])
    return header.replace(samples=samples, rate_hz=rate / _part_factor(rate), spans=(), owned=True)


def _part_factor(rate_hz: float) -> int:
    return max(1, int(rate_hz // PART_RATE_HZ))


def _part(values: Samples, rate_hz: float) -> Samples:
    """The middle of a channel at the lower rate. What passes lies 60 dB above what is folded onto it below 48 Hz."""
    from scipy import signal

    length = min(values.size, round(PART_S * rate_hz))
    start = (values.size - length) // 2
    line = values[start : start + length]
    factor = _part_factor(rate_hz)
    if factor == 1:
        return np.array(line)
    half = 10 * factor
    taps = signal.firwin(2 * half + 1, 0.95 / factor, window=("kaiser", signal.kaiser_beta(60.0)))
    out: Samples = signal.upfirdn(taps.astype(values.dtype), line, 1, factor)[half // factor :][: -(-length // factor)]
    return out


def resample_file(path: Path, rate_hz: float) -> None:
    """Bring a working copy to another sample rate, a channel at a time; it is replaced when it is whole.

    Raises
    ------
    DataError
        As `resample`.
    StorageError
        The copy cannot be written.
    """
    with open_rows(path, path.with_name(f".{path.stem}.{os.getpid()}.rows")) as rows:
        if rows.header.rate_hz == rate_hz:
            return
        ratio = rate_ratio(rows.header.rate_hz, rate_hz)
        first = resampled(rows.get(0), ratio)
        header = rows.header.replace(rate_hz=rate_hz, step=resampling(rows.header.rate_hz, rate_hz))
        with whole_file(path) as part, NetcdfRows(part, header.n_channels, first.size, first.dtype) as store:
            store.put(0, first)
            for row in range(1, header.n_channels):
                store.put(row, resampled(rows.get(row), ratio))
            store.finish(header)
