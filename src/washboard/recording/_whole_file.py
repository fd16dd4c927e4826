"""A file that appears whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
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
        raise StorageError(f"{path}: cannot be written: {error.strerror or error}") from None
    finally:
        part.unlink(missing_ok=True)
