"""The log of a run: what people saw, with photos; entries are added, never changed."""

from __future__ import annotations

import json
import re
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

from washboard.errors import InputError, StorageError

#: How each kind of picture begins; the name a browser gives is not believed.
SIGNATURES = {".png": b"\x89PNG\r\n\x1a\n", ".jpg": b"\xff\xd8\xff"}

MOST_BYTES = 12_000_000


@dataclass(frozen=True, kw_only=True, slots=True)
class LogEntry:
    """One entry: when, by whom, after which pass, what was seen, and the file of a photo."""

    at: str
    by: str
    after_pass: int
    text: str
    photo: str = ""


def picture_ending(content: bytes) -> str:
    """``.png`` or ``.jpg`` after what the file holds. Raises InputError when it is neither, or too large."""
    if len(content) > MOST_BYTES:
        raise InputError(f"the photo has {len(content) / 1e6:.1f} MB; {MOST_BYTES / 1e6:.0f} MB are the most")
    for ending, signature in SIGNATURES.items():
        if content.startswith(signature):
            return ending
    raise InputError("the photo is neither PNG nor JPEG; save it as one of the two")


def read_log(folder: Path) -> list[LogEntry]:
    """Every entry, oldest first; a damaged line is passed over."""
    try:
        lines = (folder / "log.jsonl").read_text(encoding="utf-8").splitlines()
    except OSError:
        return []
    found = []
    for line in lines:
        try:
            found.append(LogEntry(**json.loads(line)))
        except (ValueError, TypeError):
            continue
    return found


def add_entry(folder: Path, *, by: str, after_pass: int, text: str, photo: bytes | None = None) -> LogEntry:
    """Add an entry to log.jsonl, its photo to photos/. Raises InputError, StorageError."""
    if not text.strip():
        raise InputError("write a few words; an entry without them helps nobody later")
    now = datetime.now(UTC)
    name = ""
    try:
        if photo is not None:
            ending = picture_ending(photo)
            stamp = re.sub(r"\D", "", now.isoformat(timespec="milliseconds"))[:17]
            (folder / "photos").mkdir(exist_ok=True)
            name = f"photos/{stamp}{ending}"
            with (folder / name).open("xb") as stream:
                stream.write(photo)
        entry = LogEntry(
            at=now.isoformat(timespec="seconds"), by=by.strip(), after_pass=after_pass, text=text.strip()[:4000],
            photo=name,
        )  # fmt: skip
        with (folder / "log.jsonl").open("a", encoding="utf-8") as stream:
            stream.write(json.dumps(asdict(entry)) + "\n")
    except OSError as error:
        raise StorageError(f"the log in {folder} cannot be written: {error.strerror}") from None
    return entry
