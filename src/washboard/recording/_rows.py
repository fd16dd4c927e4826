"""A recording row by row: read from wherever it lies, so that no more than a few channels are in memory."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from washboard.errors import StorageError
from washboard.recording._mdf4_stream import stream_mdf4
from washboard.recording._netcdf import NetcdfRows, read_exactly
from washboard.recording._own_index import OwnIndex, find_index
from washboard.recording._read import read_recording, read_source
from washboard.recording._recording import Recording, Samples
from washboard.recording._sniff import sniff_format
from washboard.recording._uniform import chosen, uniform


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Rows:
    """A recording whose samples are fetched a row at a time.

    Parameters
    ----------
    header : Recording
        All but the samples: shape (channel, 0), of the samples' type.
    n_samples : int
        Samples per channel.
    get : function
        The samples of a row, shape (time,); may be called by several threads.
    """

    header: Recording
    n_samples: int
    get: Callable[[int], Samples]

    @property
    def duration_s(self) -> float:
        """Length. [s]"""
        return self.n_samples / self.header.rate_hz


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Place:
    """Where the samples of a recording that comes in pieces shall go.

    Parameters
    ----------
    file : NetcdfRows
    rows : sequence of int
        The row there of each channel.
    factors : sequence of tuple of two floats
        Scale and offset for each channel's samples on their way.
    """

    file: NetcdfRows
    rows: Sequence[int]
    factors: Sequence[tuple[float, float]]


@contextmanager
def open_rows(
    path: Path | str,
    scratch: Path,
    *,
    channels: Sequence[str] | None = None,
    place: Callable[[Recording, int], Place | None] | None = None,
) -> Iterator[Rows]:
    """A recording of any format, all channels or those named in that order, row by row.

    Parameters
    ----------
    path : Path or str
        Our own netCDF4 is read where it lies. MDF4 (one group, even time base) goes piece by piece into `scratch`.
        Every other file is read whole.
    scratch : Path
        A file that may be written, and is gone afterwards.
    place : function, optional
        Given the header and the number of samples, another file for the pieces; the scratch file where it gives None.

    Raises
    ------
    FormatError, ChannelError, DataError
        As `read_recording`.
    StorageError
        The scratch file cannot be written.
    """
    path = Path(path)
    kind = sniff_format(path)
    index = find_index(path) if kind == "netcdf" else None
    if index is not None:
        yield _of_own(path, index, channels)
        return
    found = stream_mdf4(path, channels) if kind == "mdf4" else None
    if found is None:
        whole = read_recording(path, channels=channels)
        yield rows_of(whole)
        return
    header, total = found.header, found.n_samples
    try:
        with ExitStack() as stack:
            there = place(header, total) if place else None
            if there is None:
                own = stack.enter_context(NetcdfRows(scratch, header.n_channels, total, header.samples.dtype))
                plain = [(1.0, 0.0)] * header.n_channels
                there = Place(file=own, rows=range(header.n_channels), factors=plain)
            at = 0
            for piece in found.pieces:
                for row, line, factor in zip(there.rows, piece, there.factors, strict=True):
                    there.file.put(row, line if factor == (1.0, 0.0) else scaled(line, factor), at)
                at += piece.shape[1]
            file, rows = there.file, there.rows
            yield Rows(header=header, n_samples=total, get=lambda row: file.get(rows[row]))
    except OSError as error:
        raise StorageError(f"{scratch}: cannot be written: {error.strerror or error}") from None
    finally:
        found.pieces.close()
        scratch.unlink(missing_ok=True)


def scaled(line: Samples, factor: tuple[float, float]) -> Samples:
    """Samples times a scale plus an offset, computed in double precision, of the same type as before."""
    made: Samples = (line * np.float64(factor[0]) + np.float64(factor[1])).astype(line.dtype)
    return made


def rows_of(recording: Recording) -> Rows:
    """A recording in memory, row by row."""
    samples = recording.samples
    return Rows(header=without_samples(recording), n_samples=recording.n_samples, get=lambda row: samples[row])


def without_samples(recording: Recording) -> Recording:
    """All but the samples: shape (channel, 0)."""
    return recording.replace(samples=np.empty((recording.n_channels, 0), recording.samples.dtype), owned=True)


def _of_own(path: Path, index: OwnIndex, channels: Sequence[str] | None) -> Rows:
    """Rows are read, not mapped: mapped pages count as memory of ours till the system takes them back."""
    source = read_source(path)
    header = without_samples(uniform(source, path))
    picked = list(range(header.n_channels))
    if channels is not None:
        names = [track.channel.name for track in chosen(source, path, channels)]
        picked = [header.index(name) for name in names]
        header = header.select(names)
    del source

    def get(row: int) -> Samples:
        out: Samples = np.empty(index.shape[1], dtype=index.dtype)
        place = index.offset + picked[row] * index.shape[1] * index.dtype.itemsize
        with path.open("rb", buffering=0) as stream:
            read_exactly(stream, place, out, path)
        return out if index.dtype.isnative else out.astype(index.dtype.newbyteorder("="))

    return Rows(header=header, n_samples=index.shape[1], get=get)
