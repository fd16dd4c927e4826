"""Reading and writing recordings of any of the open formats; the content says which one it is."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from washboard.errors import InputError
from washboard.recording._csv import CsvOptions, read_csv, write_csv
from washboard.recording._mat import read_mat, write_mat
from washboard.recording._mdf4 import read_mdf4, write_mdf4
from washboard.recording._netcdf import read_netcdf, write_netcdf
from washboard.recording._parquet import read_parquet, write_parquet
from washboard.recording._recording import Channel, Recording, Span
from washboard.recording._sniff import ENDINGS, Format, sniff_format
from washboard.recording._source import Source
from washboard.recording._timebase import analyse_stamps
from washboard.recording._uff58 import read_uff58, write_uff58
from washboard.recording._uniform import uniform
from washboard.recording._whole_file import whole_file


def read_source(path: Path | str, *, channels: Sequence[str] | None = None, csv: CsvOptions | None = None) -> Source:
    """What the file holds, each channel on its own time base. Raises FormatError, ChannelError."""
    path = Path(path)
    found = sniff_format(path)
    if found == "netcdf":
        return read_netcdf(path)
    if found == "mdf4":
        return read_mdf4(path, channels)
    if found == "csv":
        return read_csv(path, csv)
    if found == "uff58":
        return read_uff58(path)
    if found == "parquet":
        return read_parquet(path, channels)
    return read_mat(path)


def read_recording(
    path: Path | str,
    *,
    channels: Sequence[str] | None = None,
    rate_hz: float | None = None,
    csv: CsvOptions | None = None,
) -> Recording:
    """Read a recording; its content says the format.

    Parameters
    ----------
    path : Path or str
        MDF4, netCDF4/HDF5, UFF58, MAT (5 and 7.3), Parquet or CSV.
    channels : sequence of str, optional
        Only these, in this order; ``name@group`` where several groups of an MDF4 file share a name.
    rate_hz : float, optional
        Sample rate wanted; channels of other rates are resampled (with an anti-alias filter). Without it the highest
        rate among the channels is taken. [Hz]
    csv : CsvOptions, optional
        What to believe about a CSV file instead of finding out.

    Returns
    -------
    Recording
        Samples in the file's units. Gaps in the time stamps and samples the file marks invalid are NaN and marked with
        a span; nothing is interpolated across them.

    Raises
    ------
    FormatError
        Empty, damaged, cut off, or of no known format.
    ChannelError
        A channel is missing, doubled or ambiguous.
    DataError
        Time stamps that cannot be made uniform.
    """
    path = Path(path)
    return uniform(read_source(path, channels=channels, csv=csv), path, channels=channels, rate_hz=rate_hz)


_WRITERS: dict[Format, Callable[[Recording, Path], None]] = {
    "netcdf": write_netcdf,
    "mdf4": write_mdf4,
    "csv": write_csv,
    "uff58": write_uff58,
    "mat": write_mat,
    "parquet": write_parquet,
}


def write_recording(recording: Recording, path: Path | str, *, format: Format | None = None) -> None:  # noqa: A002
    """Write a recording; the file appears whole or not at all.

    Parameters
    ----------
    format : str, optional
        ``"netcdf"``, ``"mdf4"``, ``"csv"``, ``"uff58"``, ``"mat"`` or ``"parquet"``; by the ending when None.

    Raises
    ------
    InputError
        The ending is of no known format.
    StorageError
        The file cannot be written.
    """
    path = Path(path)
    chosen = format or ENDINGS.get(path.suffix.lower())
    if chosen not in _WRITERS:
        raise InputError(f"{path}: no format is known by that ending; use one of: {', '.join(sorted(ENDINGS))}")
    with whole_file(path) as part:
        _WRITERS[chosen](recording, part)


@dataclass(frozen=True, kw_only=True, slots=True)
class TrackSummary:
    """One channel of a file: what it is, how many samples, at which rate, and in which group."""

    channel: Channel
    n_samples: int
    rate_hz: float
    duration_s: float
    group: str
    remarks: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class RecordingSummary:
    """What a file holds, for people: see `describe`."""

    path: Path
    format: Format
    size_bytes: int
    name: str
    start: datetime | None
    tracks: tuple[TrackSummary, ...]
    spans: tuple[Span, ...]
    metadata: dict[str, str]

    @property
    def duration_s(self) -> float:
        """Of the longest channel. [s]"""
        return max((track.duration_s for track in self.tracks), default=0.0)


def describe(path: Path | str) -> RecordingSummary:
    """Channels, units, rates, length and time-base remarks of a file, without making it uniform. Raises FormatError."""
    path = Path(path)
    source = read_source(path)
    known: dict[int, tuple[float, float, tuple[str, ...]]] = {}
    tracks = []
    for track in source.tracks:
        base = track.base
        if id(base) not in known:
            if base.stamps_s is None or base.stamps_s.size < 2:
                rate = base.rate_hz or 0.0
                known[id(base)] = (rate, base.n_samples / rate if rate else 0.0, ())
            else:
                report = analyse_stamps(base.stamps_s)
                length = float(base.stamps_s[-1] - base.stamps_s[0]) + 1 / report.rate_hz
                known[id(base)] = (report.rate_hz, length, report.remarks)
        rate, length, remarks = known[id(base)]
        tracks.append(
            TrackSummary(
                channel=track.channel,
                n_samples=base.n_samples,
                rate_hz=rate,
                duration_s=length,
                group=track.group,
                remarks=remarks,
            )
        )
    return RecordingSummary(
        path=path,
        format=sniff_format(path),
        size_bytes=path.stat().st_size,
        name=source.name,
        start=source.start,
        tracks=tuple(tracks),
        spans=source.spans,
        metadata=dict(source.metadata),
    )


def convert(
    path_in: Path | str,
    path_out: Path | str,
    *,
    channels: Sequence[str] | None = None,
    rate_hz: float | None = None,
    format: Format | None = None,  # noqa: A002
    overwrite: bool = False,
    csv: CsvOptions | None = None,
) -> Recording:
    """Read one file and write another, of the format its ending says; returns what was written.

    Raises
    ------
    InputError
        The two are the same file, or the second exists and `overwrite` is not set.
    FormatError, ChannelError, DataError, StorageError
        As `read_recording` and `write_recording`.
    """
    path_in, path_out = Path(path_in), Path(path_out)
    if path_out.exists():
        if path_in.exists() and path_out.samefile(path_in):
            raise InputError(f"{path_out}: is the file to read; an original is never written over")
        if not overwrite:
            raise InputError(f"{path_out}: exists already; choose another name, or say that it may be written over")
    recording = read_recording(path_in, channels=channels, rate_hz=rate_hz, csv=csv)
    write_recording(recording, path_out, format=format)
    return recording
