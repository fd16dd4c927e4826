"""A walk along the links of an MDF4 file before anything else reads it: no link may leave the file or come back.

Block layout of ASAM MDF 4: an identifier such as ``##DG``, four reserved bytes, length and number of links (both
64 bits), then the links. A damaged link that closes a ring would keep a reader going for ever.
"""

from __future__ import annotations

import struct
from pathlib import Path
from typing import BinaryIO

_HEADER = struct.Struct("<4s4xQQ")

#: Links that lead to the next block of a list or down to another list, by kind of block.
_FOLLOW = {
    b"##HD": (0, 1),
    b"##DG": (0, 1, 2),
    b"##CG": (0, 1),
    b"##CN": (0, 1),
    b"##CA": (0,),
    b"##FH": (0,),
    b"##HL": (0,),
}


def check_links(path: Path) -> None:
    """Raises ValueError, saying what is wrong, for an MDF4 file whose block lists are cut off or run in circles."""
    size = path.stat().st_size
    seen: set[int] = set()
    with path.open("rb") as stream:
        waiting = [64]
        while waiting:
            address = waiting.pop()
            kind, links = _block(stream, address, size)
            seen.add(address)
            follow = tuple(range(len(links))) if kind == b"##DL" else _FOLLOW.get(kind, ())
            for number in follow:
                if number >= len(links) or links[number] == 0:
                    continue
                if links[number] in seen or links[number] in waiting:
                    raise ValueError(f"its blocks are linked in a circle at byte {links[number]}")
                waiting.append(links[number])


def _block(stream: BinaryIO, address: int, size: int) -> tuple[bytes, tuple[int, ...]]:
    if address + _HEADER.size > size:
        raise ValueError(f"it ends before byte {address}, where more should be")
    stream.seek(address)
    kind, length, count = _HEADER.unpack(stream.read(_HEADER.size))
    if kind[:2] != b"##":
        raise ValueError(f"there is no block at byte {address}, where one should be")
    if kind in {b"##DT", b"##SD", b"##DV", b"##DI", b"##DZ", b"##RD"}:
        return kind, ()
    if count * 8 + _HEADER.size > max(length, _HEADER.size) or address + _HEADER.size + 8 * count > size:
        raise ValueError(f"the block at byte {address} does not fit into the file")
    return kind, struct.unpack(f"<{count}Q", stream.read(8 * count))
