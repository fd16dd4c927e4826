"""MDF4 (ASAM MDF 4), by asammdf: groups of different rates, invalidation bits, conversions, equal names.

Channels are read by `select`, never as a data frame, which takes four times as long.
"""

from __future__ import annotations

import contextlib
import dataclasses
import io
import json
import re
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape, unescape

import numpy as np

from washboard.errors import ChannelError, FormatError
from washboard.recording._marks import channel_from, known_marks, marked_source, marks_to_text
from washboard.recording._mdf4_links import check_links
from washboard.recording._recording import Channel, Recording
from washboard.recording._source import Source, TimeBase, Track, as_float, no_channel
from washboard.settings import to_plain

_TIME = 1
MASTERS = (2, 3)


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
    with quiet():
        store = open_mdf4(path)
        try:
            return _read(store, path, channels)
        except (FormatError, ChannelError):
            raise
        except Exception as error:  # noqa: BLE001
            raise damaged(path, error) from None
        finally:
            store.close()


@contextlib.contextmanager
def quiet() -> Iterator[None]:
    """Nothing of asammdf's own words reaches the user: it reports damage by raising, logging, printing and warning.

    The raised part is enough.
    """
    import logging
    import warnings

    logging.getLogger("asammdf").setLevel(logging.CRITICAL + 1)
    with (
        warnings.catch_warnings(),
        contextlib.redirect_stdout(io.StringIO()),
        contextlib.redirect_stderr(io.StringIO()),
    ):
        warnings.simplefilter("ignore")
        yield


def open_mdf4(path: Path) -> Any:
    """The file opened by asammdf, its links checked; call under `quiet`. Raises FormatError."""
    from asammdf import MDF

    try:
        check_links(path)
        return MDF(path)
    except Exception as error:  # noqa: BLE001 - a damaged file makes it raise nearly anything
        _laid_to_rest(error)
        raise damaged(path, error) from None


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


def damaged(path: Path, error: BaseException) -> FormatError:
    """The error for a file that asammdf raised `error` about."""
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
    marks, properties = marks_of(store)
    places = places_of(store, path, channels)
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
                channel=track_channel(signal, described.comment or ""),
                samples=samples,
                base=bases[number],
                valid=valid,
                group=str(number + 1),
            )
        )
    if marks and len(bases) == 1:
        only = next(iter(bases.values()))
        stated = TimeBase(n_samples=only.n_samples, rate_hz=marks["rate_hz"])
        tracks = [dataclasses.replace(track, base=stated) for track in tracks]
    return marked_source("mdf4", tracks, marks, path, start=start_of(store), metadata=properties)


def marks_of(store: Any) -> tuple[dict[str, Any], dict[str, str]]:
    """Our own marks, empty in other programs' files, and the file's other properties."""
    properties = _properties(store.header.comment or "")
    text = properties.pop("washboard", None)
    return ({} if text is None else known_marks(text)), properties


def places_of(store: Any, path: Path, channels: Sequence[str] | None) -> list[tuple[None, int, int]]:
    """Where the channels over time are, all or those named: (None, group, index), as `select` takes them."""
    wanted = None if channels is None else set(channels) | {name.rpartition("@")[0] for name in channels}
    places: list[tuple[None, int, int]] = []
    size = path.stat().st_size
    for number, group in enumerate(store.groups):
        if group.channel_group.cycles_nr * max(group.channel_group.samples_byte_nr, 1) > 1000 * size:
            raise ValueError(f"group {number + 1} claims more samples than the file can hold")
        master = store.masters_db.get(number)
        if master is None or group.channels[master].sync_type != _TIME or group.channel_group.cycles_nr < 1:
            continue
        _refuse_short_blocks(store, number)
        for index, channel in enumerate(group.channels):
            if channel.channel_type in MASTERS or (wanted is not None and channel.name not in wanted):
                continue
            places.append((None, number, index))
    return places


def _refuse_short_blocks(store: Any, number: int) -> None:
    """Where a group's blocks hold less than its samples, asammdf gives whatever lay in memory. Raises ValueError."""
    group = store._mdf.groups[number]
    sizes = [block.original_size for block in group.get_data_blocks()]
    if group.uses_ld or any(size is None for size in sizes):
        return
    record = group.channel_group.samples_byte_nr + group.channel_group.invalidation_bytes_nr
    claimed = group.channel_group.cycles_nr * record
    if any(size < 0 for size in sizes) or sum(sizes) < claimed:
        raise ValueError(f"group {number + 1} holds {max(0, sum(sizes))} of the {claimed} bytes of its samples")


def track_channel(signal: Any, comment: str) -> Channel:
    """What the file says of a channel."""
    properties = _properties(comment)
    if "washboard" in properties:
        try:
            return channel_from(json.loads(properties["washboard"]))
        except (KeyError, TypeError, ValueError):
            pass
    return Channel(name=signal.name, unit=signal.unit or "", description=_plain_text(comment))


def start_of(store: Any) -> datetime | None:
    """When the recording began, if it says so."""
    start = store.header.start_time
    return start if isinstance(start, datetime) and start.year > 1970 else None
