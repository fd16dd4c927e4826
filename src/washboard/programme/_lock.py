"""One process at a time works on a programme; the operating system gives the lock back when that process is gone."""

from __future__ import annotations

import os
import signal
import sys
import time
from dataclasses import dataclass
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
        # Somebody may just be looking who holds it: that takes no time.
        for _look in range(5):
            if taken := _take(stream):
                break
            time.sleep(0.05)
        if not taken:
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


@dataclass(frozen=True, kw_only=True, slots=True)
class Holder:
    """Who works on a programme: the process, and whether it is known to be a Washboard that a signal brings to rest."""

    pid: int
    ours: bool


def holder_of(folder: Path) -> Holder | None:
    """The process that works on the programme now, or None. Takes nothing and waits for nothing."""
    file = folder / "stages" / FILE
    try:
        with file.open("r+", encoding="utf-8") as stream:
            if _take(stream):
                _give_back(stream)
                return None
            stream.seek(1)
            pid = int(stream.read().strip() or 0)
    except (OSError, ValueError):
        return None
    return Holder(pid=pid, ours=pid > 1 and _is_ours(pid))


def _is_ours(pid: int) -> bool:
    """Whether the process was started as Washboard's command line or worker, by this user, on this machine.

    Told from its command line where the system shows one (Linux); elsewhere it is not known, so no.
    """
    try:
        if Path(f"/proc/{pid}").stat().st_uid != os.getuid():  # type: ignore[attr-defined, unused-ignore]
            return False
        words = Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")
    except (OSError, AttributeError):
        return False
    names = {word.rsplit(b"/", 1)[-1] for word in words[:3]}
    return bool(names & {b"washboard", b"washboard.web._worker", b"start.py"})


def ask_to_stop(holder: Holder) -> None:
    """Ask that process to stop at its next safe point, as Ctrl+C would. Raises StorageError where it may not be."""
    if not holder.ours:
        raise StorageError(
            f"process {holder.pid} works on this programme and is not known to be a Washboard of yours on this "
            "computer; stop it where it was started (Ctrl+C)"
        )
    try:
        os.kill(holder.pid, signal.SIGTERM)
    except OSError as error:
        raise StorageError(f"process {holder.pid} could not be asked to stop: {error.strerror}") from None


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
