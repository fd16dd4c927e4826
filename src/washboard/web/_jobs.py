"""Stages run in the background: a process of their own that outlives the server, watched through one small file."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from washboard.errors import InputError, StorageError

#: Processes started here: held so that they are collected when they end, and left running when the server does.
_STARTED: list[subprocess.Popen[bytes]] = []

JobState = Literal["running", "done", "failed", "stopped", "interrupted"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Job:
    """How a background run stands: `stage` was asked for, `doing` is the one at work now."""

    stage: str
    doing: str
    state: JobState
    share: float
    words: str
    message: str
    started: float
    finished: float
    pid: int

    @property
    def active(self) -> bool:
        """Whether it still runs."""
        return self.state == "running"


def process_lives(pid: int) -> bool:
    """Whether the process still runs (one that has ended but was not collected counts as ended)."""
    if os.name == "nt":
        import ctypes

        handle = ctypes.windll.kernel32.OpenProcess(0x1000, False, pid)  # type: ignore[attr-defined]
        if handle:
            ctypes.windll.kernel32.CloseHandle(handle)  # type: ignore[attr-defined]
        return bool(handle)
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except (OSError, IndexError):
        return True


class Jobs:
    """Starts, watches and stops the one background run a programme can have.

    Parameters
    ----------
    folder : Path
        The programme folder.
    memory : Path
        Folder for the job's own files.
    """

    def __init__(self, folder: Path, memory: Path) -> None:
        self._folder, self._memory = folder, memory

    @property
    def state_file(self) -> Path:
        """What the worker writes."""
        return self._memory / "job.json"

    @property
    def stop_file(self) -> Path:
        """Its presence asks the worker to stop."""
        return self._memory / "job.stop"

    def current(self) -> Job | None:
        """The run that is or was last; None when there was none."""
        for process in _STARTED:
            process.poll()
        try:
            table: dict[str, Any] = json.loads(self.state_file.read_text(encoding="utf-8"))
            job = Job(**table)
        except (OSError, ValueError, TypeError):
            return None
        if job.active and not process_lives(job.pid):
            words = (
                "The run ended without a word, for example because the machine was switched off. Run it again: what "
                "was finished is kept."
            )
            return Job(**{**table, "state": "interrupted", "message": words})
        return job

    def start(self, stage: str, *, again: bool = False) -> None:
        """Run `stage`, and what it needs first, in a process of its own. Raises InputError when one runs already."""
        job = self.current()
        if job is not None and job.active:
            raise InputError(f"'{job.stage}' is running; wait for it or stop it first")
        self._memory.mkdir(parents=True, exist_ok=True)
        self.stop_file.unlink(missing_ok=True)
        command = [sys.executable, "-m", "washboard.web._worker", str(self._folder), stage, *(["--again"] * again)]
        try:
            with (self._memory / "job.log").open("wb") as log:
                process = subprocess.Popen(
                    command,
                    stdin=subprocess.DEVNULL,
                    stdout=log,
                    stderr=subprocess.STDOUT,
                    start_new_session=True,
                )
        except OSError as error:
            raise StorageError(f"the run could not be started: {error.strerror}") from None
        table = {
            "stage": stage, "doing": stage, "state": "running", "share": 0.0, "words": "starting", "message": "",
            "started": time.time(), "finished": 0.0, "pid": process.pid,
        }  # fmt: skip
        _STARTED.append(process)
        # Only until the worker, which knows better, writes its own.
        part = self.state_file.with_suffix(".first")
        part.write_text(json.dumps(table), encoding="utf-8")
        part.replace(self.state_file)

    def stop(self) -> None:
        """Ask the run to stop: it brings the rig to rest, keeps what is finished and ends."""
        self._memory.mkdir(parents=True, exist_ok=True)
        self.stop_file.touch()

    def stopping(self) -> bool:
        """Whether it was asked to stop."""
        return self.stop_file.exists()
