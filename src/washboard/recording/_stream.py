"""Recordings larger than memory: brought into a working copy piece by piece, checked channel by channel."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from washboard.errors import StorageError
from washboard.recording._faults import channel_faults
from washboard.recording._mdf4_stream import stream_mdf4
from washboard.recording._netcdf import write_netcdf_pieces
from washboard.recording._read import read_recording, write_recording
from washboard.recording._recording import Finding
from washboard.recording._rows import open_rows
from washboard.recording._sniff import sniff_format
from washboard.settings import Progress, no_progress

WORKERS = min(2, os.cpu_count() or 1)
"""Channels looked at at the same time; each costs the memory of a few copies of it."""


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
    part = copy.with_name(f".{copy.stem}.{os.getpid()}.part{copy.suffix}")
    try:
        write_netcdf_pieces(found.header, found.n_samples, found.pieces, part)
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
        Best a working copy made by `import_recording`.

    Raises
    ------
    FormatError
        As `read_recording`.
    """
    path = Path(path)
    found: list[Finding] = []
    with open_rows(path, path.with_name(f".{path.stem}.{os.getpid()}.rows")) as rows:
        header = rows.header

        def one(row: int) -> list[Finding]:
            return channel_faults(rows.get(row), header.rate_hz, header.channels[row])

        with ThreadPoolExecutor(min(WORKERS, header.n_channels)) as pool:
            for row, findings in enumerate(pool.map(one, range(header.n_channels))):
                found.extend(findings)
                progress((row + 1) / header.n_channels, header.channels[row].name)
    return tuple(found)
