"""netCDF4/HDF5: Washboard's own working copies (contiguous, read as a memory map), and others' files.

The layout of ours: one variable ``samples`` (channel, time), contiguous; variables ``channel``, ``unit`` and
``quantity`` (channel) as text; an attribute ``rate_hz``; and ``washboard``, a text variable that holds all that is
known besides as JSON. Any netCDF4 or HDF5 reader can open it.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np

from washboard.errors import FormatError
from washboard.recording._guarded import read_guarded
from washboard.recording._marks import marks_from_text, marks_to_text
from washboard.recording._own_index import OwnIndex, append_index, find_index
from washboard.recording._recording import Channel, Recording, Samples
from washboard.recording._source import Source, TimeBase, Track, as_float

_MARK = "washboard"


def write_netcdf(recording: Recording, path: Path) -> None:
    """Write a contiguous netCDF4 file; the caller sees to it that `path` appears whole."""
    write_netcdf_pieces(recording, recording.n_samples, (recording.samples,), path)


def write_netcdf_pieces(header: Recording, n_samples: int, pieces: Iterable[Samples], path: Path) -> None:
    """Write a contiguous netCDF4 file piece by piece, so that a recording larger than memory can be written.

    Parameters
    ----------
    header : Recording
        Everything but the samples, of which only the type counts.
    n_samples : int
        Samples per channel in all.
    pieces : iterable of ndarray, shape (channel, time)
        One after the other, `n_samples` together.
    """
    rows = NetcdfRows(path, header.n_channels, n_samples, header.samples.dtype)
    with rows:
        at = 0
        for piece in pieces:
            if at + piece.shape[1] > n_samples:
                raise ValueError(f"more than {n_samples} samples were given")
            for row, line in enumerate(piece):
                rows.put(row, line, at)
            at += piece.shape[1]
        if at != n_samples:
            raise ValueError(f"{at} of {n_samples} samples were given")
        rows.finish(header)


class NetcdfRows:
    """A contiguous netCDF4 file of ours in the making: samples are put and got by row, in any order, by any thread.

    It is a whole file only after `finish`; the caller sees to it that it is taken for one only then.

    Parameters
    ----------
    path : Path
        Written anew.
    n_channels, n_samples : int
        Rows and columns.
    dtype : numpy dtype
        float32 or float64.
    """

    def __init__(self, path: Path, n_channels: int, n_samples: int, dtype: np.dtype[Any]) -> None:
        import h5netcdf
        import h5py

        self.path, self.n_samples, self.dtype = path, n_samples, np.dtype(dtype)
        self._shape = (n_channels, n_samples)
        self._lock = threading.Lock()
        with h5netcdf.File(path, "w") as store:
            store.dimensions["channel"] = n_channels
            store.dimensions["time"] = n_samples
            samples = store.create_variable("samples", ("channel", "time"), self.dtype)
            if n_channels and n_samples:
                # HDF5 finds the place for the samples when the first one is written.
                samples[n_channels - 1, n_samples - 1] = 0
        with h5py.File(path, "r") as store:
            self._offset = store["samples"].id.get_offset()
        self._stream = path.open("r+b", buffering=0)

    def __enter__(self) -> NetcdfRows:
        return self

    def __exit__(self, *_error: object) -> None:
        self._stream.close()

    def _place(self, row: int, at: int) -> int:
        return int(self._offset) + (row * self.n_samples + at) * self.dtype.itemsize

    def put(self, row: int, values: Samples, at: int = 0) -> None:
        """Write `values`, shape (time,), into a row from sample `at` on. Raises OSError."""
        if at + values.size > self.n_samples or not 0 <= row < self._shape[0]:
            raise ValueError(f"{values.size} samples do not fit into row {row} from {at} on")
        view = np.ascontiguousarray(values, dtype=self.dtype).data.cast("B")
        place = self._place(row, at)
        done = 0
        with self._lock:
            self._stream.seek(place)
            while done < len(view):
                done += self._stream.write(view[done:]) or 0

    def get(self, row: int) -> Samples:
        """A row as a new array, shape (time,). Raises OSError."""
        out: Samples = np.empty(self.n_samples, dtype=self.dtype)
        with self._lock:
            read_exactly(self._stream, self._place(row, 0), out, self.path)
        return out

    def finish(self, header: Recording) -> None:
        """Add what `header` knows besides the samples, and the note at the end. Raises OSError."""
        import h5netcdf
        import h5py

        self._stream.close()
        with h5netcdf.File(self.path, "a") as store:
            store.variables["samples"].attrs["rate_hz"] = header.rate_hz
            for name in ("unit", "quantity"):
                texts = store.create_variable(f"channel_{name}", ("channel",), h5py.string_dtype())
                texts[...] = np.array([getattr(channel, name) for channel in header.channels], dtype=object)
            texts = store.create_variable("channel_name", ("channel",), h5py.string_dtype())
            texts[...] = np.array(header.names, dtype=object)
            # As a variable, because an HDF5 attribute holds no more than 64 KiB.
            marks = store.create_variable(_MARK, (), h5py.string_dtype())
            marks[...] = marks_to_text(header)
            store.attrs["rate_hz"] = header.rate_hz
            store.attrs["title"] = header.name
            if header.start is not None:
                store.attrs["start"] = header.start.isoformat()
        if self._offset is not None:
            note = OwnIndex(offset=self._offset, dtype=self.dtype, shape=self._shape, marks=marks_to_text(header))
            append_index(self.path, note)


def read_exactly(stream: Any, place: int, out: Samples, path: Path) -> None:
    """Fill `out` with the file's bytes from `place` on. Raises FormatError where the file ends before."""
    view, at = out.data.cast("B"), 0
    stream.seek(place)
    while at < len(view):
        count = stream.readinto(view[at:])
        if not count:
            raise FormatError(f"{path}: ends before its samples do; copy it again")
        at += count


def read_netcdf(path: Path) -> Source:
    """Read a netCDF4 or HDF5 file; ours without touching the samples (a memory map).

    Ours, as we wrote them, are read by the note at their end; all others in a process of their own (see `_guarded`).

    Raises
    ------
    FormatError
        Damaged, or without time histories that can be told as such.
    """
    try:
        index = find_index(path)
        found = read_guarded("netcdf", path) if index is None else index
        return _own_source(found, path) if isinstance(found, OwnIndex) else found
    except (OSError, KeyError, RuntimeError, ValueError, TypeError, AttributeError, MemoryError) as error:
        raise FormatError(
            f"{path}: is not a netCDF4/HDF5 file that can be read ({_first_line(error)}); it may be cut off or "
            "damaged: copy it again from the logger"
        ) from None


def read_hdf5(path: Path) -> Source | OwnIndex:
    """What an HDF5 file holds, by the HDF5 library: which may never come back from a damaged file.

    Where the samples are ours and contiguous they are not read, only where they lie.
    """
    import h5py

    with h5py.File(path, "r") as store:
        if _MARK not in store or "samples" not in store:
            return _read_other(store, path)
        data, marks = store["samples"], _text(store[_MARK][()])
        if data.ndim != 2 or data.dtype not in (np.float32, np.float64):
            raise ValueError("its samples are not a table of floating-point numbers")
        offset = data.id.get_offset()
        if data.chunks is None and offset is not None and data.dtype.isnative and data.size:
            return OwnIndex(offset=offset, dtype=data.dtype, shape=data.shape, marks=marks)
        _bounded(data, path)
        return _source_of(marks_from_text(marks), data[...])


def _first_line(error: BaseException) -> str:
    lines = str(error).splitlines()
    return lines[0][:160] if lines else type(error).__name__


def _own_source(index: OwnIndex, path: Path) -> Source:
    """Our own file, its samples as a read-only memory map."""
    if index.dtype not in (np.float32, np.float64) or min(index.shape) < 1 or index.offset < 0:
        raise ValueError("its samples are not a table of floating-point numbers")
    if index.offset + index.shape[0] * index.shape[1] * index.dtype.itemsize > path.stat().st_size:
        raise ValueError("it ends before its samples do")
    mapped = np.memmap(path, dtype=index.dtype, mode="r", offset=index.offset, shape=index.shape)
    # A plain view: the memmap type would follow into every result computed from it.
    return _source_of(marks_from_text(index.marks), mapped.view(np.ndarray))


def _source_of(marks: dict[str, Any], block: Samples) -> Source:
    if block.shape[0] != len(marks["channels"]):
        raise ValueError("its channels do not match its samples")
    base = TimeBase(n_samples=block.shape[1], rate_hz=marks["rate_hz"])
    return Source(
        format="netcdf",
        tracks=tuple(
            Track(channel=channel, samples=row, base=base)
            for channel, row in zip(marks["channels"], block, strict=True)
        ),
        name=marks["name"],
        start=marks["start"],
        spans=marks["spans"],
        metadata=marks["metadata"],
        history=marks["history"],
        block=block,
    )


def _bounded(data: Any, path: Path) -> None:
    """Refuse a data set that claims far more than its file can hold (compression gains up to 1,000)."""
    if data.size * data.dtype.itemsize > 1000 * max(path.stat().st_size, 1):
        raise ValueError(f"it claims {data.size} values, which a file of this size cannot hold")


def _text(value: Any) -> str:
    return value.decode("utf-8") if isinstance(value, bytes) else str(value)


def _read_other(store: Any, path: Path) -> Source:
    """Someone else's file: one-dimensional data sets of equal length, with a time axis or a stated rate."""
    found: dict[str, Any] = {}

    def visit(name: str, item: Any) -> None:
        if hasattr(item, "shape") and item.dtype.kind in "fiu":
            found[name] = item

    store.visititems(visit)
    tracks: list[Track] = []
    clock = {name: item for name, item in found.items() if _is_time(name, item)}
    bases: dict[str, TimeBase] = {}
    rate = _rate(store)
    for name, item in found.items():
        if name in clock or item.ndim not in (1, 2) or item.size < 2 or _is_scale(item):
            continue
        _bounded(item, path)
        stamps_of = next((c for c in clock if clock[c].shape[0] in item.shape and _same_group(c, name)), None)
        length = clock[stamps_of].shape[0] if stamps_of else max(item.shape)
        if stamps_of is None and rate is None and _rate(item) is None:
            continue
        key = stamps_of or f"{length} {_rate(item) or rate}"
        if key not in bases:
            stamps = np.asarray(clock[stamps_of][...], dtype=np.float64) if stamps_of else None
            bases[key] = TimeBase(n_samples=length, rate_hz=None if stamps_of else _rate(item) or rate, stamps_s=stamps)
        values = item[...]
        rows = values[None] if values.ndim == 1 else values if values.shape[-1] == length else values.T
        names = _row_names(store, name, len(rows))
        unit = _text(item.attrs.get("units", item.attrs.get("unit", "")))
        for row_name, row in zip(names, rows, strict=True):
            samples = as_float(np.ascontiguousarray(row))
            if samples is not None and samples.size == length:
                description = _text(item.attrs.get("long_name", ""))
                channel = Channel(name=row_name, unit=unit, description=description)
                tracks.append(Track(channel=channel, samples=samples, base=bases[key]))
    if not tracks:
        raise FormatError(
            f"{path}: holds no time histories that can be told as such: needed are data sets of one length beside one "
            "named time, or an attribute rate_hz"
        )
    return Source(format="netcdf", tracks=tuple(tracks), name=path.stem)


def _is_time(name: str, item: Any) -> bool:
    last = name.rsplit("/", 1)[-1].lower()
    return item.ndim == 1 and item.size > 1 and last in {"time", "t", "time_s", "times", "zeit", "timestamps"}


def _is_scale(item: Any) -> bool:
    return bool(item.attrs.get("CLASS", b"") == b"DIMENSION_SCALE")


def _same_group(one: str, other: str) -> bool:
    return one.rpartition("/")[0] in {other.rpartition("/")[0], ""}


def _rate(item: Any) -> float | None:
    for key in ("rate_hz", "sample_rate", "sampling_rate", "fs"):
        if key in item.attrs:
            rate = float(np.asarray(item.attrs[key]).ravel()[0])
            return rate if np.isfinite(rate) and rate > 0 else None
    return None


def _row_names(store: Any, name: str, rows: int) -> list[str]:
    plain = name.rsplit("/", 1)[-1]
    if rows == 1:
        return [plain]
    for scale in ("channel", "channels", "channel_name", "names"):
        if scale in store and store[scale].shape == (rows,) and store[scale].dtype.kind in "OS":
            return [_text(value) for value in store[scale][...]]
    return [f"{plain}_{row + 1}" for row in range(rows)]
