"""Where the samples of our own netCDF4 files lie, noted behind the end of the HDF5 data.

HDF5 ignores what stands behind its own end of file, and cuts it off when it writes to the file: a note that is there,
whole and of the right length belongs to the file as we wrote it. It holds all that is known besides the samples, so
that a working copy is read without following a single link of the HDF5 structure, which damage may have bent.
"""

from __future__ import annotations

import json
import struct
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

_TAIL = struct.Struct("<QI8s")
_MAGIC = b"WBINDEX1"
_LONGEST = 1 << 28


@dataclass(frozen=True, kw_only=True, slots=True)
class OwnIndex:
    """Where the samples lie in the file, and the marks as text."""

    offset: int
    dtype: np.dtype[Any]
    shape: tuple[int, int]
    marks: str


def append_index(path: Path, index: OwnIndex) -> None:
    """Note `index` behind the end of the HDF5 file at `path`."""
    size = path.stat().st_size
    table = {
        "size": size,
        "offset": index.offset,
        "dtype": index.dtype.str,
        "shape": list(index.shape),
        "marks": index.marks,
    }
    text = json.dumps(table).encode()
    with path.open("ab") as stream:
        stream.write(text + _TAIL.pack(len(text), zlib.crc32(text), _MAGIC))


def find_index(path: Path) -> OwnIndex | None:
    """The note at the end of the file; None when there is none, or it does not fit the file as it is."""
    size = path.stat().st_size
    if size < _TAIL.size:
        return None
    with path.open("rb") as stream:
        stream.seek(size - _TAIL.size)
        length, check, magic = _TAIL.unpack(stream.read(_TAIL.size))
        start = size - _TAIL.size - length
        if magic != _MAGIC or length > _LONGEST or start < 0:
            return None
        stream.seek(start)
        text = stream.read(length)
    if zlib.crc32(text) != check:
        return None
    table = json.loads(text)
    dtype = np.dtype(table["dtype"])
    rows, columns = table["shape"]
    if table["size"] != start or table["offset"] + rows * columns * dtype.itemsize > start:
        return None
    return OwnIndex(offset=table["offset"], dtype=dtype, shape=(rows, columns), marks=table["marks"])
