"""Channels, spans and history as JSON text, to travel in files of any format."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from washboard.recording._recording import Channel, Recording, Span, Step
from washboard.recording._source import Source, Track
from washboard.settings import to_plain


def marks_to_text(recording: Recording) -> str:
    """Everything about a recording that is not a sample, as JSON."""
    return json.dumps(
        {
            "rate_hz": recording.rate_hz,
            "name": recording.name,
            "start": recording.start.isoformat() if recording.start else None,
            "channels": to_plain(recording.channels),
            "spans": to_plain(recording.spans),
            "metadata": dict(recording.metadata),
            "history": to_plain(recording.history),
        },
        ensure_ascii=False,
    )


def channel_from(table: dict[str, Any]) -> Channel:
    """A channel from its JSON form; raises KeyError, TypeError or ValueError when it is not one."""
    position, limits = table.get("position_m"), table.get("limits")
    return Channel(
        name=str(table["name"]),
        unit=str(table.get("unit", "1")),
        quantity=str(table.get("quantity", "")),
        position_m=None if position is None else (float(position[0]), float(position[1]), float(position[2])),
        direction=str(table.get("direction", "")),
        limits=None if limits is None else (float(limits[0]), float(limits[1])),
        description=str(table.get("description", "")),
    )


def span_from(table: dict[str, Any]) -> Span:
    """A span from its JSON form; raises as `channel_from` does."""
    kind = table["kind"]
    if kind not in {"bad", "repaired", "gap", "join", "event"}:
        raise ValueError(f"unknown kind of span {kind!r}")
    return Span(
        kind=kind,
        start_s=float(table["start_s"]),
        end_s=float(table["end_s"]),
        channel=str(table.get("channel", "")),
        note=str(table.get("note", "")),
    )


def marks_from_text(text: str) -> dict[str, Any]:
    """The fields of a Recording other than its samples, from JSON text.

    Raises KeyError, TypeError or ValueError when the text is not what `marks_to_text` writes.
    """
    table = json.loads(text)
    if not isinstance(table, dict):
        raise ValueError("not a table")
    return {
        "rate_hz": float(table["rate_hz"]),
        "name": str(table.get("name", "")),
        "start": datetime.fromisoformat(table["start"]) if table.get("start") else None,
        "channels": tuple(channel_from(entry) for entry in table["channels"]),
        "spans": tuple(span_from(entry) for entry in table.get("spans", ())),
        "metadata": {str(key): str(value) for key, value in table.get("metadata", {}).items()},
        "history": tuple(
            Step(
                function=str(entry["function"]),
                inputs=tuple(str(name) for name in entry.get("inputs", ())),
                settings=dict(entry.get("settings", {})),
                version=str(entry.get("version", "")),
            )
            for entry in table.get("history", ())
        ),
    }


def known_marks(text: str | bytes) -> dict[str, Any]:
    """As `marks_from_text`; empty where the text is damaged: the samples can be read all the same."""
    try:
        return marks_from_text(text.decode() if isinstance(text, bytes) else text)
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError, RecursionError):
        return {}


def marked_source(
    form: str,
    tracks: Sequence[Track],
    marks: Mapping[str, Any],
    path: Path,
    *,
    start: datetime | None = None,
    metadata: Mapping[str, str] | None = None,
) -> Source:
    """A file's tracks with what our marks say, or else what the file itself does: its name, `start` and `metadata`."""
    return Source(
        format=form,
        tracks=tuple(tracks),
        name=marks.get("name", "") or path.stem,
        start=marks.get("start") if marks else start,
        spans=marks.get("spans", ()),
        metadata=marks["metadata"] if marks else dict(metadata or {}),
        history=marks.get("history", ()),
    )
