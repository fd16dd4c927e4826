"""Parquet: one column per channel, a time column, units in the fields' metadata."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from washboard.errors import ChannelError, FormatError
from washboard.recording._csv import split_unit
from washboard.recording._marks import known_marks, marked_source, marks_to_text
from washboard.recording._recording import Channel, Recording
from washboard.recording._source import Source, TimeBase, Track, as_float, no_channel

_MARK = b"washboard"
_TIME_NAMES = ("time", "t", "time_s", "timestamp", "datetime", "date")
_SECONDS = {"": 1.0, "s": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "ns": 1e-9, "min": 60.0, "h": 3600.0}


def write_parquet(recording: Recording, path: Path) -> None:
    """Write an uncompressed Parquet file."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    names = ["time", *recording.names]
    if len(set(names)) < len(names):
        raise ChannelError("a channel is named 'time', which Parquet files keep for the time column; rename it")
    columns = [pa.array(recording.time_s), *(pa.array(np.ascontiguousarray(row)) for row in recording.samples)]
    units = ["s", *(channel.unit for channel in recording.channels)]
    fields = [
        pa.field(name, column.type, metadata={"unit": unit})
        for name, column, unit in zip(names, columns, units, strict=True)
    ]
    schema = pa.schema(fields, metadata={_MARK: marks_to_text(recording).encode()})
    pq.write_table(pa.table(columns, schema=schema), path, compression="none", use_dictionary=False)


def read_parquet(path: Path, channels: Sequence[str] | None = None) -> Source:
    """Read the numeric columns of a Parquet file, or only those named. Raises FormatError, ChannelError."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with pq.ParquetFile(path) as file:
            return _read(file, path, channels)
    except (FormatError, ChannelError):
        raise
    except (pa.ArrowException, OSError, ValueError, KeyError, TypeError, MemoryError, OverflowError) as error:
        words = (str(error).splitlines() or [type(error).__name__])[0][:160]
        raise FormatError(
            f"{path}: is not a Parquet file that can be read ({words}); it may be cut off or damaged: copy it again"
        ) from None


def _read(file: Any, path: Path, channels: Sequence[str] | None) -> Source:
    import pyarrow as pa

    schema = file.schema_arrow
    marks: dict[str, Any] = {}
    if schema.metadata and _MARK in schema.metadata:
        marks = known_marks(schema.metadata[_MARK])
    rows = file.metadata.num_rows
    if rows * len(schema) > 1000 * path.stat().st_size:
        raise ValueError(f"it claims {rows} rows, which a file of this size cannot hold")
    named = [split_unit(field.name) for field in schema]
    time_at = next((n for n, (name, _) in enumerate(named) if name.strip().lower() in _TIME_NAMES), None)
    wanted = []
    plain = [name for name, _ in named]
    for name in channels or ():
        if name not in plain:
            raise ChannelError(f"{path}: {no_channel(name, [n for n in plain if n.lower() not in _TIME_NAMES])}")
    for number, field in enumerate(schema):
        numeric = pa.types.is_floating(field.type) or pa.types.is_integer(field.type) or pa.types.is_boolean(field.type)
        if number != time_at and numeric and (channels is None or named[number][0] in channels):
            wanted.append(number)
    base = _base(file, schema, time_at, named, marks, path, rows)
    own = {channel.name: channel for channel in marks.get("channels", ())}
    tracks = []
    for number in wanted:
        field = schema.field(number)
        column = file.read(columns=[field.name]).column(0)
        values = as_float(_numbers(column))
        if values is None or values.size != rows:
            raise ValueError(f"column '{field.name}' holds {column.length()} of {rows} rows")
        name, unit = named[number]
        said = {
            key.decode().lower(): value.decode() for key, value in (field.metadata or {}).items() if key[:1] != b"P"
        }
        unit = said.get("unit", said.get("units", unit))
        channel = own.get(name, Channel(name=name, unit=unit, description=said.get("description", "")))
        tracks.append(Track(channel=channel, samples=values, base=base))
    return marked_source("parquet", tracks, marks, path)


def _numbers(column: Any) -> Any:
    import pyarrow as pa

    if column.null_count and not pa.types.is_floating(column.type):
        column = column.cast(pa.float64())
    values = column.to_numpy()
    return values if values.dtype.kind in "fiub" else values.astype(np.float64)


def _base(
    file: Any,
    schema: Any,
    time_at: int | None,
    named: list[tuple[str, str]],
    marks: dict[str, Any],
    path: Path,
    rows: int,
) -> TimeBase:
    import pyarrow as pa

    if marks:
        return TimeBase(n_samples=rows, rate_hz=marks["rate_hz"])
    if time_at is None:
        meta = {key.decode().lower(): value.decode() for key, value in (schema.metadata or {}).items()}
        for key in ("rate_hz", "sample_rate", "sampling_rate", "fs"):
            if key in meta:
                return TimeBase(n_samples=rows, rate_hz=float(meta[key]))
        raise FormatError(f"{path}: has no column named time and states no rate_hz")
    field = schema.field(time_at)
    column = file.read(columns=[field.name]).column(0)
    if pa.types.is_timestamp(field.type):
        moments = column.cast(pa.timestamp("ns")).to_numpy().astype("datetime64[ns]").astype(np.int64)
        return TimeBase(n_samples=rows, stamps_s=(moments - moments[0]) * 1e-9)
    if pa.types.is_duration(field.type):
        moments = column.cast(pa.duration("ns")).to_numpy().astype(np.int64)
        return TimeBase(n_samples=rows, stamps_s=moments * 1e-9)
    said = {key.decode().lower(): value.decode() for key, value in (field.metadata or {}).items()}
    unit = said.get("unit", said.get("units", named[time_at][1]))
    if unit not in _SECONDS:
        raise FormatError(f"{path}: its time column is in '{unit}', which is no unit of time known here")
    return TimeBase(n_samples=rows, stamps_s=np.asarray(_numbers(column), dtype=np.float64) * _SECONDS[unit])
