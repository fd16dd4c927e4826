"""Recordings open for looking at: which files a programme has, and what is read of them, a bounded number at a time."""

from __future__ import annotations

import hashlib
import json
import threading
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from washboard import units
from washboard.errors import InputError, UnitError
from washboard.recording import Channel, Recording, whole_file, write_whole
from washboard.web._pyramid import Pyramid

#: Where repairs that are only tried are kept.
TRIED = ".washboard/tried"

#: Open at once; each costs its coarser levels, a thirtieth of the file.
MOST_OPEN = 12

#: Recordings kept as plain arrays.
MOST_KEPT = 24

#: Endings that are read as recordings.
ENDINGS = (".nc", ".h5", ".mf4", ".mat", ".csv", ".txt", ".parquet", ".uff", ".unv")


@dataclass(frozen=True, slots=True)
class Source:
    """One open recording and its coarser levels."""

    key: str
    recording: Recording
    pyramid: Pyramid


def inside(folder: Path, relative: str) -> Path:
    """The file `relative` within `folder`; raises InputError where it would lead out of it or is not there.

    A link inside the folder may point elsewhere: the user put it there.
    """
    root = folder.resolve()
    path = Path(relative)
    if not relative or path.is_absolute() or ".." in path.parts or "\x00" in relative or path.drive:
        raise InputError(f"'{relative}' does not lie inside the programme folder")
    if any(part.startswith(".") for part in path.parts) and not path.as_posix().startswith(f"{TRIED}/"):
        raise InputError(f"'{relative}' is a hidden file of the programme and is not shown")
    file = root / path
    if not file.is_file():
        raise InputError(f"there is no file '{relative}' in the programme folder")
    return file


class Sources:
    """The recordings of one programme, opened when first asked for.

    Parameters
    ----------
    folder : Path
        The programme folder; nothing outside it is read.
    cache : Path
        Where recordings in formats that cannot be read in place are kept as plain arrays.
    """

    def __init__(self, folder: Path, cache: Path) -> None:
        self._folder, self._cache = folder, cache
        self._open: OrderedDict[str, Source] = OrderedDict()
        self._lock = threading.Lock()

    def open(self, relative: str) -> Source:
        """The recording in the file `relative`. Raises InputError, FormatError."""
        file = inside(self._folder, relative)
        stat = file.stat()
        key = hashlib.sha256(f"{relative}:{stat.st_size}:{stat.st_mtime_ns}".encode()).hexdigest()[:20]
        with self._lock:
            if key in self._open:
                self._open.move_to_end(key)
                return self._open[key]
            recording = self._read(file, key)
            source = Source(key, recording, Pyramid(recording.samples, recording.rate_hz))
            self._open[key] = source
            while len(self._open) > MOST_OPEN:
                self._open.popitem(last=False)
            return source

    def _read(self, file: Path, key: str) -> Recording:
        kept = self._cache / f"{key}.npy"
        words = self._cache / f"{key}.json"
        if kept.exists() and words.exists():
            return _from_cache(kept, words)
        from washboard.recording import read_recording

        recording = read_recording(file)
        if isinstance(_root(recording.samples), np.memmap):
            return recording
        _to_cache(recording, kept, words)
        _tidy(self._cache)
        return _from_cache(kept, words)


def _root(array: NDArray[Any]) -> Any:
    while isinstance(array, np.ndarray) and not isinstance(array, np.memmap) and array.base is not None:
        array = array.base
    return array


def _to_cache(recording: Recording, kept: Path, words: Path) -> None:
    kept.parent.mkdir(parents=True, exist_ok=True)
    with whole_file(kept) as part:
        np.save(part, np.ascontiguousarray(recording.samples, dtype=np.float32))
    table = {
        "rate_hz": recording.rate_hz,
        "name": recording.name,
        "channels": [
            {"name": c.name, "unit": c.unit, "quantity": c.quantity, "limits": c.limits, "description": c.description}
            for c in recording.channels
        ],
    }
    write_whole(words, json.dumps(table))


def _tidy(cache: Path) -> None:
    """Let go of the arrays not opened for longest."""
    held = sorted(cache.glob("*.npy"), key=lambda file: file.stat().st_mtime_ns)
    for file in held[:-MOST_KEPT]:
        file.unlink(missing_ok=True)
        file.with_suffix(".json").unlink(missing_ok=True)


def _from_cache(kept: Path, words: Path) -> Recording:
    table = json.loads(words.read_text(encoding="utf-8"))
    channels = tuple(
        Channel(**{**entry, "limits": None if entry["limits"] is None else tuple(entry["limits"])})
        for entry in table["channels"]
    )
    samples = np.load(kept, mmap_mode="r", allow_pickle=False)
    return Recording(samples=samples, rate_hz=table["rate_hz"], channels=channels, name=table["name"])


def scale_between(channel: Channel, unit: str) -> tuple[float, float]:
    """Scale and offset that bring samples of `channel` to `unit`; (1, 0) where the two are of different kinds."""
    try:
        zero = float(units.convert(0.0, channel.unit, unit, quantity=channel.quantity))
        one = float(units.convert(1.0, channel.unit, unit, quantity=channel.quantity))
    except UnitError:
        return 1.0, 0.0
    return one - zero, zero
