"""Which format a file is of, by its first bytes; the ending only decides what the bytes leave open."""

from __future__ import annotations

import codecs
import re
from pathlib import Path
from typing import Final, Literal

from washboard.errors import FormatError

Format = Literal["netcdf", "mdf4", "csv", "uff58", "mat", "parquet"]

#: Format per ending, for writing.
ENDINGS: Final[dict[str, Format]] = {
    ".nc": "netcdf",
    ".nc4": "netcdf",
    ".h5": "netcdf",
    ".hdf5": "netcdf",
    ".mf4": "mdf4",
    ".mdf4": "mdf4",
    ".csv": "csv",
    ".txt": "csv",
    ".tsv": "csv",
    ".uff": "uff58",
    ".unv": "uff58",
    ".uff58": "uff58",
    ".mat": "mat",
    ".parquet": "parquet",
}

#: A universal file begins with -1 right-aligned in six columns, then the number of the first data set.
_UNIVERSAL = re.compile(rb"\s*?( {4}-1[ \t]*\r?\n\s*\d{1,4}b?[ \t\r\n]|-1\s*\n\s*(58b?|151|164|15|82|55)[ \t\r\n])")

_HDF5 = b"\x89HDF\r\n\x1a\n"


def recording_format(path: Path | str, *, by_ending: bool = False) -> Format | None:
    """The format of a file by its content, or of one to be written `by_ending`: None when no format has that one.

    Raises FormatError.
    """
    return ENDINGS.get(Path(path).suffix.lower()) if by_ending else sniff_format(Path(path))


def sniff_format(path: Path) -> Format:
    """The format of the file at `path`.

    Raises
    ------
    FormatError
        No such file, a folder, empty, or of no format known here.
    """
    try:
        size = path.stat().st_size
        if path.is_dir():
            raise FormatError(f"{path}: is a folder, not a recording")
        with path.open("rb") as stream:
            head = stream.read(1024)
    except FileNotFoundError:
        raise FormatError(f"{path}: there is no such file") from None
    except OSError as error:
        raise FormatError(f"{path}: cannot be read: {error.strerror}") from None
    if size == 0:
        raise FormatError(f"{path}: is empty; copy it again from the logger")
    if head.startswith(_HDF5):
        return "mat" if path.suffix.lower() == ".mat" else "netcdf"
    if head.startswith((b"MATLAB 7.3 MAT-file", b"MATLAB 5.0 MAT-file")):
        return "mat"
    if head[512:].startswith(_HDF5):
        return "mat"
    if head.startswith((b"MDF     ", b"UnFinMF ")):
        return "mdf4"
    if head.startswith(b"PAR1"):
        return "parquet"
    if head.startswith(b"CDF"):
        raise FormatError(f"{path}: is netCDF of the classic kind; convert it to netCDF4 (nccopy -k nc4)")
    if head.startswith(b"PK\x03\x04"):
        raise FormatError(f"{path}: is a ZIP archive; unpack it first")
    if _UNIVERSAL.match(head):
        return "uff58"
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "csv"
    if b"\0" in head:
        raise FormatError(
            f"{path}: is of no format known here (MDF4, netCDF4/HDF5, UFF58, MAT, Parquet, CSV); export it as "
            "one of them"
        )
    return "csv"
