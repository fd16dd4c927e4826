"""MDF4 in pieces: a recording larger than memory goes by a few megabytes at a time, each of its blocks read once.

Records that hold nothing but plain numbers are read and put in order here, without asammdf's memory map of the whole
file; packed ones and those with conversions are unpacked by asammdf, block by block.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from washboard.errors import DataError, FormatError, WashboardError
from washboard.recording._marks import marked_source
from washboard.recording._mdf4 import MASTERS, damaged, marks_of, open_mdf4, places_of, quiet, start_of, track_channel
from washboard.recording._recording import Recording, Samples
from washboard.recording._source import TimeBase, Track, as_float
from washboard.recording._timebase import analyse_stamps
from washboard.recording._uniform import chosen

_TEXT_CONVERSION = 7
_RECORDS_AT_ONCE = 1024

Place = tuple[None, int, int]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Pieces:
    """A recording in pieces.

    Parameters
    ----------
    header : Recording
        All but the samples: shape (channel, 0), of the samples' type.
    n_samples : int
        Samples per channel in all.
    pieces : generator of ndarray, shape (channel, time)
        One after the other; each is overwritten by the next but one.
    """

    header: Recording
    n_samples: int
    pieces: Generator[Samples, None, None]


def stream_mdf4(path: Path, channels: Sequence[str] | None = None, *, block_bytes: int = 1 << 24) -> Pieces | None:
    """A long MDF4 file in pieces, all channels or those named in that order.

    None where what is wanted is not one group on an even time base: then it must be read whole.

    Raises
    ------
    FormatError
        Damaged or cut off.
    ChannelError
        As `read_recording`.
    """
    with quiet():
        store = open_mdf4(path)
        try:
            found = _begun(store, path, channels, block_bytes)
        except WashboardError:
            store.close()
            raise
        except Exception as error:  # noqa: BLE001 - a damaged file makes asammdf raise nearly anything
            store.close()
            raise damaged(path, error) from None
        if found is None:
            store.close()
        return found


def _begun(store: Any, path: Path, channels: Sequence[str] | None, block_bytes: int) -> Pieces | None:
    places = places_of(store, path, channels)
    there = {store.groups[number].channels[index].name for _, number, index in places}
    if any(name not in there and name.rpartition("@")[0] not in there for name in channels or ()):
        # Reading it whole tells what is missing, and what there is.
        return None
    groups = {number for _, number, _ in places}
    if len(groups) != 1:
        return None
    number = groups.pop()
    stamps = _stamps(store, number, path)
    try:
        report = analyse_stamps(stamps)
    except DataError:
        return None
    if not report.even:
        return None
    total = int(stamps.size)
    marks, properties = marks_of(store)
    base = TimeBase(n_samples=total, rate_hz=marks["rate_hz"] if marks else report.rate_hz)
    tracks: list[Track] = []
    place_of: dict[int, Place] = {}
    for place, signal in zip(places, _beginning(store, places), strict=True):
        line = as_float(signal.samples)
        if line is None:
            continue
        channel = track_channel(signal, store.groups[number].channels[place[2]].comment or "")
        place_of[id(line)] = place
        tracks.append(Track(channel=channel, samples=line, base=base, group=str(number + 1)))
    source = marked_source("mdf4", tracks, marks, path, start=start_of(store), metadata=properties)
    picked = chosen(source, path, channels)
    if not picked:
        return None
    kept = [place_of[id(track.samples)] for track in picked]
    wide = any(track.samples.dtype == np.float64 for track in picked)
    names = {track.channel.name for track in picked}
    header = Recording(
        samples=np.empty((len(kept), 0), dtype=np.float64 if wide else np.float32),
        rate_hz=base.rate_hz or report.rate_hz,
        channels=tuple(track.channel for track in picked),
        name=source.name,
        start=source.start,
        spans=tuple(span for span in source.spans if not span.channel or span.channel in names),
        metadata=source.metadata,
        history=source.history,
        owned=True,
    )
    return Pieces(header=header, n_samples=total, pieces=_pieces(store, path, kept, header, total, block_bytes))


def _pieces(
    store: Any, path: Path, places: list[Place], header: Recording, total: int, block_bytes: int
) -> Generator[Samples, None, None]:
    number = places[0][1]
    try:
        if not _plain(store, number):
            yield from _selected(store, path, places, header, total, block_bytes)
            return
        group = store._mdf.groups[number]
        layout = [_stored_as(group.channels[index]) for _, _number, index in places]
        lines = [entry for entry in layout if entry is not None]
        if _untouched(group) and len(lines) == len(layout):
            with quiet():
                blocks = [(block.address, block.original_size) for block in group.get_data_blocks()]
            size = group.channel_group.samples_byte_nr
            yield from _read_records(path, blocks, lines, size, header, total, block_bytes)
        else:
            yield from _unpacked_records(store, path, places, layout, header, total, block_bytes)
    except (WashboardError, GeneratorExit):
        raise
    except Exception as error:  # noqa: BLE001
        raise damaged(path, error) from None
    finally:
        store.close()


def _selected(
    store: Any, path: Path, places: list[Place], header: Recording, total: int, block_bytes: int
) -> Iterator[Samples]:
    """By asammdf's `select`, which reads every block again for each piece."""
    length = max(1024, block_bytes // (len(places) * header.samples.itemsize))
    for start in range(0, total, length):
        count = min(length, total - start)
        with quiet():
            signals = store.select(
                places, record_offset=start, record_count=count, copy_master=False, ignore_value2text_conversions=True
            )
        block = np.empty((len(places), count), dtype=header.samples.dtype)
        for row, signal in enumerate(signals):
            if signal.samples.size != count:
                raise FormatError(f"{path}: ends before its samples do; copy it again from the logger")
            block[row] = signal.samples
            if signal.invalidation_bits is not None:
                block[row, np.asarray(signal.invalidation_bits, dtype=bool)] = np.nan
        yield block


def _read_records(
    path: Path,
    blocks: list[tuple[int, int]],
    lines: list[tuple[np.dtype[Any], int]],
    size: int,
    header: Recording,
    total: int,
    block_bytes: int,
) -> Iterator[Samples]:
    """Records of plain numbers, straight from the file; the next piece is read while the caller sees to this one."""
    if sum(length for _address, length in blocks) > path.stat().st_size:
        raise FormatError(f"{path}: ends before its samples do; copy it again from the logger")
    most = min(total, max(_RECORDS_AT_ONCE, block_bytes // max(size, 1)))
    outs = [np.empty((len(lines), most), dtype=header.samples.dtype) for _ in range(2)]
    done = 0
    with path.open("rb", buffering=0) as stream, ThreadPoolExecutor(1) as pool:
        found = _filled(stream, blocks, np.empty(most * size, dtype=np.uint8), path)

        def piece(number: int, first: int) -> Samples | None:
            buffer = next(found, None)
            count = 0 if buffer is None else min(buffer.size // size, total - first)
            return None if buffer is None or count == 0 else _in_order(buffer, lines, size, count, outs[number % 2])

        number = 0
        coming = pool.submit(piece, number, done)
        while (here := coming.result()) is not None:
            done, number = done + here.shape[1], number + 1
            coming = pool.submit(piece, number, done)
            yield here
    if done != total:
        raise FormatError(f"{path}: holds {done} of the {total} samples it claims; copy it again from the logger")


def _filled(
    stream: Any, blocks: list[tuple[int, int]], buffer: NDArray[np.uint8], path: Path
) -> Iterator[NDArray[np.uint8]]:
    """The bytes of all blocks, one after the other, in `buffer`: full each time but the last."""
    view, held = buffer.data, 0
    for address, length in blocks:
        stream.seek(address)
        left = length
        while left:
            count = stream.readinto(view[held : held + min(left, len(view) - held)])
            if not count:
                raise FormatError(f"{path}: ends before its samples do; copy it again from the logger")
            held, left = held + count, left - count
            if held == len(view):
                yield buffer
                held = 0
    if held:
        yield buffer[:held]


def _in_order(
    buffer: NDArray[np.uint8], lines: list[tuple[np.dtype[Any], int]], size: int, count: int, out: Samples
) -> Samples:
    """Channels in rows. A few records at a time, so that each is fetched from memory once, not once for every row."""
    views = [np.ndarray((count,), dtype, buffer=buffer, offset=at, strides=(size,)) for dtype, at in lines]
    for start in range(0, count, _RECORDS_AT_ONCE):
        stop = min(start + _RECORDS_AT_ONCE, count)
        for row, line in enumerate(views):
            out[row, start:stop] = line[start:stop]
    return out[:, :count]


def _unpacked_records(
    store: Any,
    path: Path,
    places: list[Place],
    layout: list[tuple[np.dtype[Any], int] | None],
    header: Recording,
    total: int,
    block_bytes: int,
) -> Iterator[Samples]:
    """Records that asammdf unpacks, each data block once: `select` would do so for every piece."""
    number = places[0][1]
    group = store._mdf.groups[number]
    store.configure(read_fragment_size=block_bytes)
    size = max(group.channel_group.samples_byte_nr, 1)
    done = 0
    fragments = store._mdf._load_data(group)
    while True:
        with quiet():
            fragment = next(fragments, None)
            count = 0 if fragment is None else len(fragment.data) // size
            if fragment is None or count == 0 or done + count > total:
                break
            block = np.empty((len(places), count), dtype=header.samples.dtype)
            rows, lines = [], []
            for row, (_, _number, index) in enumerate(places):
                stored = layout[row]
                if stored is None:
                    block[row] = store._mdf.get(group=number, index=index, data=fragment, samples_only=True)[0]
                else:
                    rows.append(row)
                    lines.append(stored)
        if len(rows) == len(places):
            _in_order(np.frombuffer(fragment.data, dtype=np.uint8), lines, size, count, block)
        else:
            for row, (dtype, offset) in zip(rows, lines, strict=True):
                block[row] = np.ndarray((count,), dtype, buffer=fragment.data, offset=offset, strides=(size,))
        done += count
        yield block
    if done != total:
        raise FormatError(f"{path}: holds {done} of the {total} samples it claims; copy it again from the logger")


def _plain(store: Any, number: int) -> bool:
    """Whether a group's records can be turned into numbers piece by piece: nothing marked invalid, no texts."""
    group = store._mdf.groups[number]
    # Conversions of values into text, which only `select` can be told to leave alone.
    if any(
        channel.conversion is not None and channel.conversion.conversion_type >= _TEXT_CONVERSION
        for channel in group.channels
    ):
        return False
    return not group.uses_ld and group.channel_group.invalidation_bytes_nr == 0


def _untouched(group: Any) -> bool:
    """Whether a group's blocks hold nothing but its own records, not packed, in the file itself."""
    blocks = list(group.get_data_blocks())
    return bool(
        group.sorted
        and group.data_group.record_id_len == 0
        and not group.uses_ld
        and group.data_location == 0
        and all(block.block_type == 0 for block in blocks)
        and sum(block.original_size for block in blocks)
        == group.channel_group.cycles_nr * group.channel_group.samples_byte_nr
    )


def _stamps(store: Any, number: int, path: Path) -> NDArray[np.float64]:
    """The time stamps of a group; from plain records without unpacking anything else."""
    group = store._mdf.groups[number]
    stored = _stored_as(group.channels[store.masters_db[number]], kinds=MASTERS)
    if stored is None or not _untouched(group) or group.channel_group.invalidation_bytes_nr:
        return np.asarray(store.get_master(number), dtype=np.float64)
    blocks = [(block.address, block.original_size) for block in group.get_data_blocks()]
    size, total = group.channel_group.samples_byte_nr, group.channel_group.cycles_nr
    header = Recording(samples=np.empty((0, 0)), rate_hz=1.0, channels=())
    pieces = _read_records(path, blocks, [stored], size, header, total, 1 << 22)
    found = [piece[0].copy() for piece in pieces]
    return np.concatenate(found) if found else np.empty(0)


def _stored_as(channel: Any, kinds: tuple[int, ...] = (0,)) -> tuple[np.dtype[Any], int] | None:
    """Type and place in the record of a channel that is stored as plain numbers without conversion; else None."""
    dtype = np.dtype(channel.dtype_fmt) if channel.dtype_fmt else None
    plain = (
        dtype is not None
        and dtype.kind in "fiu"
        and channel.conversion is None
        and channel.channel_type in kinds
        and channel.data_type <= 5
        and channel.bit_offset == 0
        and channel.bit_count == 8 * dtype.itemsize
    )
    return (dtype, int(channel.byte_offset)) if plain and dtype is not None else None


def _beginning(store: Any, places: list[Place]) -> list[Any]:
    """The first few samples of each channel, with name and unit; `select` would read the whole file for them."""
    from asammdf import Signal

    number = places[0][1]
    if not _plain(store, number):
        found: list[Any] = store.select(places, record_count=16, copy_master=False, ignore_value2text_conversions=True)
        return found
    group = store._mdf.groups[number]
    store._mdf._prepare_record(group)
    fragment = next(iter(store._mdf._load_data(group, record_count=16)))
    signals = []
    for _, _number, index in places:
        channel = group.channels[index]
        samples = store._mdf.get(group=number, index=index, data=fragment, samples_only=True)[0]
        unit = (channel.conversion is not None and channel.conversion.unit) or channel.unit or ""
        signals.append(Signal(samples, np.arange(len(samples)), name=channel.name, unit=unit))
    return signals
