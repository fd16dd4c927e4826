"""One process at a time works on a programme; the operating system gives the lock back when that process is gone."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import IO

from washboard.errors import StorageError

FILE = ".lock"


class FolderLock:
    """Held while a stage runs; use it as a context manager.

    Raises
    ------
    StorageError
        Another process (or thread) holds it, or the folder cannot be written to.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._file = folder / "stages" / FILE
        self._stream: IO[str] | None = None

    def __enter__(self) -> None:
        try:
            self._file.parent.mkdir(parents=True, exist_ok=True)
            stream = self._file.open("a+", encoding="utf-8")
        except OSError as error:
            raise StorageError(f"cannot write to {self._file.parent}: {error.strerror}") from None
        if not _take(stream):
            stream.seek(1)
            holder = stream.read().strip() or "unknown"
            stream.close()
            raise StorageError(f"another process ({holder}) is working on {self._folder}; wait for it or stop it first")
        # The first byte is what Windows locks; who holds it stands after it.
        stream.seek(0)
        stream.truncate()
        stream.write(f"\n{os.getpid()}\n")
        stream.flush()
        self._stream = stream

    def __exit__(self, *_exception: object) -> None:
        if self._stream is not None:
            _give_back(self._stream)
            self._stream.close()
            self._stream = None


if sys.platform == "win32":
    import msvcrt

    def _take(stream: IO[str]) -> bool:
        stream.seek(0)
        try:
            msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

    def _give_back(stream: IO[str]) -> None:
        stream.seek(0)
        msvcrt.locking(stream.fileno(), msvcrt.LK_UNLCK, 1)

else:
    import fcntl

    def _take(stream: IO[str]) -> bool:
        try:
            fcntl.flock(stream.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return False
        return True

    def _give_back(stream: IO[str]) -> None:
        fcntl.flock(stream.fileno(), fcntl.LOCK_UN)
