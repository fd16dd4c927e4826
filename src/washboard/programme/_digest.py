"""Content digests of files, and of recordings and outputs remembered so that status stays quick."""

from __future__ import annotations

import hashlib
import json
import time
from pathlib import Path
from typing import Any

from washboard.errors import StorageError
from washboard.recording import write_whole

#: A file changed this recently may change again within its time stamp's resolution; its digest is not remembered. [ns]
_SETTLED_NS = 2_000_000_000


def content_digest(file: Path) -> str:
    """SHA-256 of a file's bytes."""
    state = hashlib.sha256()
    with file.open("rb") as stream:
        while block := stream.read(1 << 22):
            state.update(block)
    return state.hexdigest()


class Digests:
    """Content digests remembered by path inside the programme folder, size and time of change."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder.resolve()
        self._file = folder / "stages" / ".digests.json"
        try:
            known = json.loads(self._file.read_text(encoding="utf-8"))
            self._known: dict[str, list[Any]] = known if isinstance(known, dict) else {}
        except (OSError, ValueError):
            self._known = {}
        self._changed = False

    def of(self, file: Path) -> str:
        """Digest of `file`, from memory when its size and time of change are as they were."""
        stat = file.stat()
        resolved = file.resolve()
        try:
            key = resolved.relative_to(self._folder).as_posix()
        except ValueError:
            key = str(resolved)
        known = self._known.get(key)
        if isinstance(known, list) and known[:2] == [stat.st_size, stat.st_mtime_ns] and len(known) == 3:
            return str(known[2])
        digest = content_digest(file)
        if time.time_ns() - stat.st_mtime_ns > _SETTLED_NS:
            self._known[key] = [stat.st_size, stat.st_mtime_ns, digest]
            self._changed = True
        return digest

    def save(self) -> None:
        """Write what is remembered; a folder that cannot be written to only costs time."""
        if not self._changed:
            return
        try:
            write_whole(self._file, json.dumps(self._known))
        except StorageError:
            return
        self._changed = False
