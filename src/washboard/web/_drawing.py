"""Exhibits of finished stages, drawn once and kept; in a process of their own, so that the pages stay quick."""

from __future__ import annotations

import json
from pathlib import Path

from washboard import __version__
from washboard.errors import WashboardError
from washboard.programme import read_plan, stage_named
from washboard.report import Exhibit
from washboard.settings import to_plain


def mark_of(folder: Path, stage: str) -> str:
    """Changes whenever the stage was run again; empty while it was not run."""
    try:
        stat = (folder / "stages" / stage / "stage.json").stat()
    except OSError:
        return ""
    return f"{stat.st_mtime_ns}-{stat.st_size}-{__version__}"


def kept_exhibits(folder: Path, stage: str) -> tuple[Exhibit, ...] | None:
    """Exhibits drawn before for this very run of the stage, or None."""
    file = folder / ".washboard" / "drawn" / f"{stage}.json"
    try:
        kept = json.loads(file.read_text(encoding="utf-8"))
        if kept["mark"] != mark_of(folder, stage):
            return None
        return tuple(
            Exhibit(**{**e, "columns": tuple(e["columns"]), "rows": tuple(tuple(row) for row in e["rows"])})
            for e in kept["exhibits"]
        )
    except (OSError, ValueError, KeyError, TypeError):
        return None


def draw_exhibits(folder: Path, stage: str) -> str:
    """Draw the exhibits of a stage and keep them; returns words about what went wrong, empty when nothing did."""
    mark = mark_of(folder, stage)
    try:
        entry = stage_named(stage)
        shown = entry.show(folder, read_plan(folder)) if entry.show and mark else ()
    except WashboardError as error:
        return str(error)
    except Exception as error:  # noqa: BLE001 - the page shows its words; what the stage found stands regardless
        return f"{type(error).__name__}: {error}; run this step again, its files may be of another version"
    file = folder / ".washboard" / "drawn" / f"{stage}.json"
    file.parent.mkdir(parents=True, exist_ok=True)
    part = file.with_suffix(".part")
    part.write_text(json.dumps({"mark": mark, "exhibits": to_plain(shown)}), encoding="utf-8")
    part.replace(file)
    return ""
