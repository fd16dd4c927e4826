"""Recordings larger than memory: brought into a working copy piece by piece, checked channel by channel."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

from washboard.errors import FormatError, StorageError
from washboard.recording._faults import channel_faults
from washboard.recording._mdf4 import stream_mdf4
from washboard.recording._netcdf import write_netcdf_pieces
from washboard.recording._own_index import find_index
from washboard.recording._read import read_recording, write_recording
from washboard.recording._recording import Finding, Recording, Samples
from washboard.recording._sniff import sniff_format
from washboard.settings import Progress, no_progress


def import_recording(path: Path | str, copy: Path | str) -> None:
    """Write a working copy (contiguous netCDF4) of a recording; MDF4 of one group in pieces of 64 MB.

    Raises
    ------
    FormatError, ChannelError, DataError
        As `read_recording`.
    StorageError
        The copy cannot be written.
    """
    path, copy = Path(path), Path(copy)
    found = stream_mdf4(path) if sniff_format(path) == "mdf4" else None
    if found is None:
        write_recording(read_recording(path), copy, format="netcdf")
        return
    header, total, pieces = found
    part = copy.with_name(f".{copy.stem}.{os.getpid()}.part{copy.suffix}")
    try:
        write_netcdf_pieces(header, total, pieces, part)
        part.replace(copy)
    except OSError as error:
        raise StorageError(f"{copy}: cannot be written: {error.strerror or error}") from None
    finally:
        part.unlink(missing_ok=True)


def check_file(path: Path | str, *, progress: Progress = no_progress) -> tuple[Finding, ...]:
    """The faults of every channel of a working copy, without ever holding more than a few channels in memory.

    Parameters
    ----------
    path : Path or str
        Best a working copy made by `import_recording`, which is read as a memory map.

    Raises
    ------
    FormatError
        As `read_recording`.
    """
    recording = read_recording(path)
    row_of = _rows(Path(path), recording)

    def one(row: int) -> list[Finding]:
        return channel_faults(row_of(row), recording.rate_hz, recording.channels[row])

    found: list[Finding] = []
    workers = min(2, os.cpu_count() or 1, recording.n_channels)
    with ThreadPoolExecutor(workers) as pool:
        for row, findings in enumerate(pool.map(one, range(recording.n_channels))):
            found.extend(findings)
            progress((row + 1) / recording.n_channels, recording.channels[row].name)
    return tuple(found)


def _rows(path: Path, recording: Recording) -> Callable[[int], Samples]:
    """A function that gives a channel's samples; those of our own files are read into one buffer for each thread.

    A map of the file would be as quick, but its pages would count as memory of ours till the system takes them back.
    """
    index = find_index(path) if sniff_format(path) == "netcdf" else None
    if index is None:
        return lambda row: recording.samples[row]
    own = threading.local()

    def read(row: int) -> Samples:
        if not hasattr(own, "buffer"):
            own.buffer = np.empty(index.shape[1], dtype=index.dtype)
        with path.open("rb", buffering=0) as stream:
            stream.seek(index.offset + row * own.buffer.nbytes)
            view, at = memoryview(own.buffer).cast("B"), 0
            while at < len(view):
                count = stream.readinto(view[at:])
                if not count:
                    raise FormatError(f"{path}: ends before its samples do; copy it again")
                at += count
        samples: Samples = own.buffer
        return samples

    return read
