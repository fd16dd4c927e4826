"""Desk: one open programme as the pages see it: its plan, the edits made here, its stages, its runs, where you were."""

from __future__ import annotations

import json
import threading
from pathlib import Path
from typing import Any

from washboard.errors import InputError, StorageError, WashboardError
from washboard.programme import (
    Plan,
    Stage,
    StageStatus,
    State,
    all_stages,
    read_plan,
    read_record,
    status_of,
)
from washboard.recording import write_whole
from washboard.report import Exhibit
from washboard.web._draft import Draft
from washboard.web._drawing import kept_exhibits, mark_of
from washboard.web._jobs import Jobs
from washboard.web._sources import Sources


class Desk:
    """One programme folder, open in the app.

    Parameters
    ----------
    folder : Path
        The programme folder; its hidden folder ``.washboard`` keeps what only the app needs.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder.resolve()
        self.memory = self.folder / ".washboard"
        self.draft = Draft(self.folder, self.memory / "draft.json")
        self.jobs = Jobs(self.folder, self.memory)
        self.sources = Sources(self.folder, self.memory / "cache")
        self._lock = threading.Lock()
        self._exhibits: dict[str, tuple[str, tuple[Exhibit, ...]]] = {}
        self._kept: dict[str, Any] | None = None

    def plan(self) -> Plan:
        """The plan as saved. Raises ProgrammeError."""
        return read_plan(self.folder)

    def stages(self) -> tuple[Stage, ...]:
        """Every stage, in the order of the job."""
        return all_stages()

    def status(self) -> dict[str, StageStatus]:
        """Fresh, stale or missing per stage. Raises InputError, StorageError.

        Takes a while where recordings changed, since their content decides: not for the event loop.
        """
        with self._lock:
            return {status.stage: status for status in status_of(self.stages(), self.folder, self.plan())}

    def records(self) -> dict[str, StageStatus]:
        """What stages made, without looking whether it is still up to date: quick. Raises StorageError."""
        found = {}
        for stage in self.stages():
            record = read_record(self.folder, stage.name)
            state: State = "missing" if record is None else "fresh"
            reason = "not run yet" if record is None else ""
            found[stage.name] = StageStatus(
                stage=stage.name, title=stage.title, state=state, reason=reason, record=record
            )
        return found

    def exhibits(self, stage: str) -> tuple[Exhibit, ...]:
        """Plots and tables of a finished stage, as far as they have been drawn."""
        mark = mark_of(self.folder, stage)
        known = self._exhibits.get(stage)
        if known and known[0] == mark:
            return known[1]
        kept = kept_exhibits(self.folder, stage)
        if kept is None:
            return ()
        self._exhibits[stage] = (mark, kept)
        return kept

    def drawn(self, stage: str) -> bool:
        """Whether the exhibits of this run of the stage are drawn."""
        mark = mark_of(self.folder, stage)
        known = self._exhibits.get(stage)
        return bool(mark) and (
            (known is not None and known[0] == mark) or kept_exhibits(self.folder, stage) is not None
        )

    def recall(self, name: str, default: Any = None) -> Any:
        """Something the app was asked to remember for this programme."""
        return self._memories().get(name, default)

    def remember(self, name: str, value: Any) -> None:
        """Remember something small; a folder that cannot be written to is no reason to stop."""
        memories = self._memories()
        if memories.get(name) == value:
            return
        memories[name] = value
        try:
            write_whole(self.memory / "desk.json", json.dumps(memories, indent=1))
        except StorageError:
            return

    def _memories(self) -> dict[str, Any]:
        if self._kept is None:
            try:
                kept = json.loads((self.memory / "desk.json").read_text(encoding="utf-8"))
                self._kept = kept if isinstance(kept, dict) else {}
            except (OSError, ValueError):
                self._kept = {}
        return self._kept


def sentence(error: BaseException) -> str:
    """An error as a sentence for the page."""
    if isinstance(error, (WashboardError, InputError)):
        return str(error)
    return f"{type(error).__name__}: {error}. This is a fault of Washboard, not of your data."
