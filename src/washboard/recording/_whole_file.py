"""A file that appears whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from washboard.errors import StorageError


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """A file to write beside `path`, which takes its place when all went well and is gone otherwise.

    Raises
    ------
    StorageError
        The disk does not take it.
    """
    part = path.with_name(f".{path.stem}.{os.getpid()}.part{path.suffix}")
    try:
        yield part
        part.replace(path)
    except OSError as error:
        # Windows does not let go of a file that another program shows.
        shown = "; close it where it is open" if os.name == "nt" and isinstance(error, PermissionError) else ""
        raise StorageError(f"{path}: cannot be written: {error.strerror or error}{shown}") from None
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def write_whole(path: Path, content: str | bytes) -> None:
    """Write a file so that a reader, or a crash, sees either the old content or all of the new.

    Text is written as UTF-8 with its line ends as they are; a folder that is not there is made.

    Raises
    ------
    StorageError
        The disk does not take it.
    """
    with whole_file(path) as part:
        part.parent.mkdir(parents=True, exist_ok=True)
        with part.open("wb") as stream:
            stream.write(content.encode() if isinstance(content, str) else content)
            stream.flush()
            os.fsync(stream.fileno())
