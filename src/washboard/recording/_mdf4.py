"""MDF4 (ASAM MDF 4), by asammdf: groups of different rates, invalidation bits, conversions, equal names.

Channels are read by `select`, never as a data frame, which takes four times as long.
"""

from __future__ import annotations

import contextlib
import io
import json
import re
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape, unescape

import numpy as np
from numpy.typing import NDArray

from washboard.errors import ChannelError, FormatError
from washboard.recording._marks import channel_from, marks_from_text, marks_to_text
from washboard.recording._mdf4_links import check_links
from washboard.recording._recording import Channel, Recording, Samples
from washboard.recording._source import Source, TimeBase, Track, as_float, no_channel
from washboard.recording._timebase import analyse_stamps
from washboard.settings import to_plain

_TIME = 1
_MASTERS = (2, 3)
_RECORDS_AT_ONCE = 2048


def write_mdf4(recording: Recording, path: Path) -> None:
    """Write MDF 4.10 with one group; what a channel is beside name and unit goes into common properties."""
    from asammdf import MDF, Signal

    with MDF(version="4.10") as store:
        time_s = recording.time_s
        signals = [
            Signal(
                samples=np.ascontiguousarray(row),
                timestamps=time_s,
                name=channel.name,
                unit=channel.unit,
                comment=_comment("CN", channel.description, {"washboard": json.dumps(to_plain(channel))}),
            )
            for channel, row in zip(recording.channels, recording.samples, strict=True)
        ]
        store.append(signals, acq_name=recording.name, comment="", common_timebase=True)
        if recording.start is not None:
            start = recording.start
            store.header.start_time = start if start.tzinfo is None else start.astimezone(UTC)
        properties = {**recording.metadata, "washboard": marks_to_text(recording)}
        store.header.comment = _comment("HD", recording.name, properties)
        store.save(path, overwrite=True, compression=0)


def _comment(block: str, text: str, properties: dict[str, str]) -> str:
    entries = "".join(
        f'<e name="{escape(name, {chr(34): "&quot;"})}">{escape(value)}</e>' for name, value in properties.items()
    )
    return f"<{block}comment><TX>{escape(text)}</TX><common_properties>{entries}</common_properties></{block}comment>"


def _properties(comment: str) -> dict[str, str]:
    if "<common_properties" not in comment:
        return {}
    return {
        unescape(name, {"&quot;": '"'}): unescape(value, {"&quot;": '"', "&apos;": "'"})
        for name, value in re.findall(r'<e name="([^"]*)"[^>]*>([^<]*)</e>', comment)
    }


def _plain_text(comment: str) -> str:
    match = re.search(r"<TX[^>]*>([^<]*)</TX>", comment)
    return unescape(match.group(1)) if match else "" if comment.lstrip().startswith("<") else comment


def read_mdf4(path: Path, channels: Sequence[str] | None = None) -> Source:
    """Read the numeric channels of an MDF4 file, or only those named.

    Parameters
    ----------
    channels : sequence of str, optional
        Names, ``name@group`` where several groups have one of that name; other channels are not read at all.

    Raises
    ------
    FormatError
        Damaged or not MDF4.
    """
    import logging

    from asammdf import MDF

    # asammdf reports damage by raising, by logging, and by printing; the raised part is enough.
    logging.getLogger("asammdf").setLevel(logging.CRITICAL)
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        try:
            check_links(path)
            store = MDF(path)
        except Exception as error:  # noqa: BLE001 - a damaged file makes it raise nearly anything
            _laid_to_rest(error)
            raise _damaged(path, error) from None
        try:
            return _read(store, path, channels)
        except (FormatError, ChannelError):
            raise
        except Exception as error:  # noqa: BLE001
            raise _damaged(path, error) from None
        finally:
            store.close()


def stream_mdf4(path: Path, *, block_bytes: int = 1 << 26) -> tuple[Recording, int, Iterator[Samples]] | None:
    """A long MDF4 file in pieces: its header as a Recording without samples, their number, and the pieces.

    None where the file is not one group on an even time base: then it must be read whole. Raises FormatError.
    """
    from asammdf import MDF

    try:
        check_links(path)
        store = MDF(path)
    except Exception as error:  # noqa: BLE001 - a damaged file makes it raise nearly anything
        _laid_to_rest(error)
        raise _damaged(path, error) from None
    try:
        places = _places(store, path, None)
        groups = {number for _, number, _ in places}
        report = None
        if len(groups) == 1:
            number = groups.pop()
            stamps = _stamps(store, number, path)
            report = analyse_stamps(stamps) if stamps.size > 1 else None
        if report is None or not report.even:
            store.close()
            return None
        first = _beginning(store, places)
        kept = [place for place, signal in zip(places, first, strict=True) if as_float(signal.samples) is not None]
        lines = [line for signal in first if (line := as_float(signal.samples)) is not None]
        wide = any(line.dtype == np.float64 for line in lines)
        channels = tuple(
            _channel(signal, store.groups[number].channels[index].comment or "")
            for (_, number, index), signal in zip(places, first, strict=True)
            if as_float(signal.samples) is not None
        )
        header = Recording(
            samples=np.empty((len(kept), 0), dtype=np.float64 if wide else np.float32),
            rate_hz=report.rate_hz,
            channels=channels,
            name=path.stem,
            start=_start(store),
            owned=True,
        )
    except Exception as error:  # noqa: BLE001
        store.close()
        raise _damaged(path, error) from None
    return header, stamps.size, _pieces(store, path, kept, header, stamps.size, block_bytes)


def _pieces(
    store: Any, path: Path, places: list[tuple[None, int, int]], header: Recording, total: int, block_bytes: int
) -> Iterator[Samples]:
    length = max(1024, block_bytes // (len(places) * header.samples.itemsize))
    try:
        if _plain(store, places[0][1]):
            yield from _records(store, path, places, header, total, block_bytes)
            return
        for start in range(0, total, length):
            count = min(length, total - start)
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
    finally:
        store.close()


def _plain(store: Any, number: int) -> bool:
    """Whether a group's records can be turned into numbers piece by piece: nothing marked invalid, no texts."""
    group = store._mdf.groups[number]
    # Conversion types 7 and up turn values into text, which only `select` can be told to leave alone.
    if any(channel.conversion is not None and channel.conversion.conversion_type >= 7 for channel in group.channels):
        return False
    return not group.uses_ld and group.channel_group.invalidation_bytes_nr == 0


def _records(
    store: Any, path: Path, places: list[tuple[None, int, int]], header: Recording, total: int, block_bytes: int
) -> Iterator[Samples]:
    """The pieces of a group, each of its data blocks read and unpacked once: `select` would do so for every piece."""
    number = places[0][1]
    group = store._mdf.groups[number]
    store.configure(read_fragment_size=block_bytes)
    done = 0
    size = group.channel_group.samples_byte_nr
    layout = [_stored_as(group.channels[index]) for _, _number, index in places]
    for fragment in store._mdf._load_data(group):
        count = len(fragment.data) // max(group.channel_group.samples_byte_nr, 1)
        if count == 0 or done + count > total:
            break
        block = np.empty((len(places), count), dtype=header.samples.dtype)
        lines: list[tuple[int, Any]] = []
        for row, (_, _number, index) in enumerate(places):
            stored = layout[row]
            if stored is None:
                block[row] = store._mdf.get(group=number, index=index, data=fragment, samples_only=True)[0]
            else:
                dtype, offset = stored
                lines.append((row, np.ndarray((count,), dtype, buffer=fragment.data, offset=offset, strides=(size,))))
        # A few records at a time, so that each is fetched from memory once and not once for every channel.
        for start in range(0, count, _RECORDS_AT_ONCE):
            for row, line in lines:
                block[row, start : start + _RECORDS_AT_ONCE] = line[start : start + _RECORDS_AT_ONCE]
        done += count
        yield block
    if done != total:
        raise FormatError(f"{path}: holds {done} of the {total} samples it claims; copy it again from the logger")


def _stamps(store: Any, number: int, path: Path) -> NDArray[np.float64]:
    """The time stamps of a group; where its blocks hold whole plain records, without unpacking anything else."""
    group = store._mdf.groups[number]
    master = group.channels[store.masters_db[number]]
    size = group.channel_group.samples_byte_nr + group.channel_group.invalidation_bytes_nr
    blocks = list(group.get_data_blocks())
    stored = _stored_as(master, kinds=_MASTERS)
    whole = all(block.block_type == 0 and block.original_size % size == 0 for block in blocks)
    claimed = sum(block.original_size for block in blocks) // max(size, 1)
    alone = group.sorted and group.data_group.record_id_len == 0 and not group.uses_ld
    if stored is None or not (whole and alone) or claimed != group.channel_group.cycles_nr:
        return np.asarray(store.get_master(number), dtype=np.float64)
    dtype, offset = stored
    found, most = [], max(1, (1 << 20) // size)
    with path.open("rb", buffering=0) as stream:
        for block in blocks:
            stream.seek(block.address)
            for start in range(0, block.original_size // size, most):
                count = min(most, block.original_size // size - start)
                data = stream.read(count * size)
                found.append(
                    np.ndarray((count,), dtype, buffer=data, offset=offset, strides=(size,)).astype(np.float64)
                )
    return np.concatenate(found)


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


def _beginning(store: Any, places: list[tuple[None, int, int]]) -> list[Any]:
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


def _laid_to_rest(error: BaseException) -> None:
    """Close what a failed constructor left half-made; its own clean-up would print a traceback of its own."""
    trace = error.__traceback__
    while trace is not None:
        half_made: Any = trace.tb_frame.f_locals.get("self")
        if hasattr(half_made, "_tempfile") and hasattr(half_made, "_closed") and not half_made._closed:
            half_made._closed = True
            for name in ("_tempfile", "_file", "_mapped_file"):
                stream = getattr(half_made, name, None)
                if stream is not None:
                    stream.close()
        trace = trace.tb_next


def _damaged(path: Path, error: BaseException) -> FormatError:
    words = (str(error).splitlines() or [type(error).__name__])[0][:160]
    return FormatError(
        f"{path}: is not an MDF4 file that can be read ({words}); it may be cut off or damaged: copy it again from the "
        "logger"
    )


def _read(store: Any, path: Path, channels: Sequence[str] | None) -> Source:
    held = {name for name in store.channels_db if "\\" not in name}
    for name in channels or ():
        if name not in held and name.rpartition("@")[0] not in held:
            raise ChannelError(f"{path}: {no_channel(name, sorted(held - {'time', 't'}))}")
    wanted = None if channels is None else set(channels) | {name.rpartition("@")[0] for name in channels}
    properties = _properties(store.header.comment or "")
    marks: dict[str, Any] = {}
    if "washboard" in properties:
        try:
            marks = marks_from_text(properties.pop("washboard"))
        except (KeyError, TypeError, ValueError):
            marks = {}
    places = _places(store, path, wanted)
    signals = store.select(places, copy_master=False, ignore_value2text_conversions=True) if places else []
    tracks: list[Track] = []
    bases: dict[int, TimeBase] = {}
    for (_, number, index), signal in zip(places, signals, strict=True):
        samples = as_float(signal.samples)
        if samples is None:
            continue
        claimed = store.groups[number].channel_group.cycles_nr
        if samples.size < claimed or signal.timestamps.size != samples.size:
            raise ValueError(f"channel '{signal.name}' has {samples.size} of {claimed} samples")
        if number not in bases:
            stamps = np.asarray(signal.timestamps, dtype=np.float64)
            bases[number] = TimeBase(n_samples=samples.size, stamps_s=stamps)
        invalid = signal.invalidation_bits
        valid = None if invalid is None else ~np.asarray(invalid, dtype=bool)
        described = store.groups[number].channels[index]
        tracks.append(
            Track(
                channel=_channel(signal, described.comment or ""),
                samples=samples,
                base=bases[number],
                valid=valid,
                group=str(number + 1),
            )
        )
    if marks and len(bases) == 1:
        only = next(iter(bases.values()))
        stated = TimeBase(n_samples=only.n_samples, rate_hz=marks["rate_hz"])
        import dataclasses

        tracks = [dataclasses.replace(track, base=stated) for track in tracks]
    return Source(
        format="mdf4",
        tracks=tuple(tracks),
        name=marks.get("name", "") or path.stem,
        start=marks.get("start") if marks else _start(store),
        spans=marks.get("spans", ()),
        metadata=marks.get("metadata", properties),
        history=marks.get("history", ()),
    )


def _places(store: Any, path: Path, wanted: set[str] | None) -> list[tuple[None, int, int]]:
    """Where the channels over time are: (None, group, index), as `select` takes them."""
    places: list[tuple[None, int, int]] = []
    size = path.stat().st_size
    for number, group in enumerate(store.groups):
        if group.channel_group.cycles_nr * max(group.channel_group.samples_byte_nr, 1) > 1000 * size:
            raise ValueError(f"group {number + 1} claims more samples than the file can hold")
        master = store.masters_db.get(number)
        if master is None or group.channels[master].sync_type != _TIME or group.channel_group.cycles_nr < 1:
            continue
        for index, channel in enumerate(group.channels):
            if channel.channel_type in _MASTERS or (wanted is not None and channel.name not in wanted):
                continue
            places.append((None, number, index))
    return places


def _channel(signal: Any, comment: str) -> Channel:
    properties = _properties(comment)
    if "washboard" in properties:
        try:
            return channel_from(json.loads(properties["washboard"]))
        except (KeyError, TypeError, ValueError):
            pass
    return Channel(name=signal.name, unit=signal.unit or "", description=_plain_text(comment))


def _start(store: Any) -> datetime | None:
    start = store.header.start_time
    return start if isinstance(start, datetime) and start.year > 1970 else None
