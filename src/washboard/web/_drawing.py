"""Exhibits of finished stages, drawn once and kept; in a process of their own, so that the pages stay quick."""

from __future__ import annotations

import json
import re
import zipfile
from pathlib import Path

from washboard import __version__
from washboard.errors import StorageError, WashboardError
from washboard.programme import read_plan, stage_named
from washboard.recording import whole_file, write_whole
from washboard.report import Exhibit
from washboard.settings import to_plain

#: Raised when figures look different, so that those kept are drawn anew.
LOOK = 2


def mark_of(folder: Path, stage: str) -> str:
    """Changes whenever the stage was run again, or what else it shows has changed; empty while it was not run."""
    stamps = [_stamp(folder / file) for file in (f"stages/{stage}/stage.json", *stage_named(stage).shows)]
    return "-".join([*stamps, __version__, str(LOOK)]) if stamps[0] else ""


def _stamp(file: Path) -> str:
    try:
        stat = file.stat()
    except OSError:
        return ""
    return f"{stat.st_mtime_ns}-{stat.st_size}"


def kept_exhibits(folder: Path, stage: str) -> tuple[Exhibit, ...] | None:
    """Exhibits drawn before for this very run of the stage, or None."""
    file = folder / ".washboard" / "drawn" / f"{stage}.json"
    try:
        kept = json.loads(file.read_text(encoding="utf-8"))
        if kept["mark"] != mark_of(folder, stage) or not _data_file(folder, stage).exists():
            return None
        return tuple(
            Exhibit(**{**e, "columns": tuple(e["columns"]), "rows": tuple(tuple(row) for row in e["rows"])})
            for e in kept["exhibits"]
        )
    except (OSError, ValueError, KeyError, TypeError):
        return None


#: Colours of the figures (`plot`'s look) and what stands for them on dark ground. Colours of matrices, and of the
#: numbers in their cells (nearly white, nearly black), are none of these and stay.
_BY_NIGHT = {
    "#ffffff": "#1a2024", "#333333": "#e3e1dc", "#000000": "#c4c4c4", "#6a6a6a": "#a3aeb6", "#8c8c8c": "#66727a",
    "#b8b8b8": "#5b676f", "#dddddd": "#39444b", "#e4e4e4": "#2b343a", "#ededed": "#262e33", "#f2f5f8": "#232d33",
    "#eef3f7": "#232d33", "#0072b2": "#56b4e9", "#56b4e9": "#9bd3f5", "#d55e00": "#ff8f4d", "#009e73": "#2fc79b",
    "#e69f00": "#f0b63c", "#cc79a7": "#e29cc2",
}  # fmt: skip


def by_night(svg: str) -> str:
    """A figure in the colours of the dark pages."""
    # Black is not written out in the figures: it is what a letter has that is given no colour.
    black = '<style type="text/css">g[id^="text_"], g[id^="legend_"] {fill: #e3e1dc}'
    turned = re.sub("#[0-9a-f]{6}", lambda found: _BY_NIGHT.get(found[0], found[0]), svg)
    return turned.replace('<style type="text/css">', black, 1)


def _data_file(folder: Path, stage: str) -> Path:
    return folder / ".washboard" / "drawn" / f"{stage}.zip"


def exhibit_data(folder: Path, stage: str, number: int) -> str:
    """The numbers behind a figure that was drawn, as CSV. Raises StorageError."""
    try:
        with zipfile.ZipFile(_data_file(folder, stage)) as store:
            return store.read(f"{number}.csv").decode()
    except (OSError, KeyError, zipfile.BadZipFile):
        raise StorageError("the numbers of this figure are not on file; reload its page") from None


def draw_exhibits(folder: Path, stage: str) -> str:
    """Draw the exhibits of a stage and keep them; returns words about what went wrong, empty when nothing did."""
    mark = mark_of(folder, stage)
    from washboard.plot import data_kept

    try:
        entry = stage_named(stage)
        with data_kept() as data:
            shown = entry.show(folder, read_plan(folder)) if entry.show and mark else ()
    except WashboardError as error:
        return str(error)
    except Exception as error:  # noqa: BLE001 - the page shows its words; what the stage found stands regardless
        return f"{type(error).__name__}: {error}; run this step again, its files may be of another version"
    file, data_file = folder / ".washboard" / "drawn" / f"{stage}.json", _data_file(folder, stage)
    file.parent.mkdir(parents=True, exist_ok=True)
    with (
        whole_file(data_file) as part,
        zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as store,
    ):
        for number, exhibit in enumerate(shown):
            if exhibit.svg in data:
                store.writestr(f"{number}.csv", data[exhibit.svg])
    write_whole(file, json.dumps({"mark": mark, "exhibits": to_plain(shown)}))
    return ""
