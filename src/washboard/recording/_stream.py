"""Recordings larger than memory: brought into a working copy piece by piece, checked channel by channel."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from washboard.recording._array_faults import array_faults
from washboard.recording._faults import channel_faults
from washboard.recording._mdf4_stream import stream_mdf4
from washboard.recording._netcdf import write_netcdf_pieces
from washboard.recording._read import read_recording, write_recording
from washboard.recording._recording import Finding
from washboard.recording._rows import Rows, open_rows
from washboard.recording._sniff import sniff_format
from washboard.recording._whole_file import whole_file
from washboard.recording._working_copy import WORKERS, part_of
from washboard.settings import Progress, no_progress


def import_recording(path: Path | str, copy: Path | str) -> None:
    """Write a working copy (contiguous netCDF4) of a recording; MDF4 of one group piece by piece.

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
    with whole_file(copy) as part:
        write_netcdf_pieces(found.header, found.n_samples, found.pieces, part)


def check_file(path: Path | str, *, progress: Progress = no_progress) -> tuple[Finding, ...]:
    """The faults of every channel of a working copy, without ever holding more than a few channels in memory.

    Parameters
    ----------
    path : Path or str
        Best a working copy made by `import_recording`.

    Raises
    ------
    FormatError
        As `read_recording`.
    """
    path = Path(path)
    with open_rows(path, path.with_name(f".{path.stem}.{os.getpid()}.rows")) as rows:
        return _each_channel(rows, progress)


def _each_channel(rows: Rows, progress: Progress) -> tuple[Finding, ...]:
    header = rows.header
    found: list[Finding] = []

    def one(row: int) -> list[Finding]:
        return channel_faults(rows.get(row), header.rate_hz, header.channels[row])

    with ThreadPoolExecutor(min(WORKERS, header.n_channels)) as pool:
        for row, findings in enumerate(pool.map(one, range(header.n_channels))):
            found.extend(findings)
            progress((row + 1) / header.n_channels, header.channels[row].name)
    return tuple(found)


def rows_faults(rows: Rows, *, progress: Progress = no_progress) -> tuple[Finding, ...]:
    """What `find_faults` finds, with no more than a few channels in memory.

    Channels are compared with each other on `part_of` the recording: of a long one on minutes from its middle.
    """
    return (*_each_channel(rows, progress), *array_faults(part_of(rows)))
