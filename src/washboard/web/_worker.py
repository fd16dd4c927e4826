"""The process a stage runs in: ``python -m washboard.web._worker FOLDER STAGE [--again]``."""

from __future__ import annotations

import json
import os
import sys
import time
import traceback
from pathlib import Path
from typing import Any

from washboard.errors import Cancelled, WashboardError
from washboard.settings import Progress

#: Written at most this often; the page looks a few times a second.
INTERVAL_S = 0.2


class Report:
    """Writes how the run stands, and raises Cancelled once it was asked to stop."""

    def __init__(self, memory: Path, stage: str) -> None:
        self._file, self._stop = memory / "job.json", memory / "job.stop"
        self._last = 0.0
        self.table: dict[str, Any] = {
            "stage": stage, "doing": stage, "state": "running", "share": 0.0, "words": "starting", "message": "",
            "started": time.time(), "finished": 0.0, "pid": os.getpid(),
        }  # fmt: skip

    def write(self, **changes: Any) -> None:
        """Write the state with `changes`."""
        self.table.update(changes)
        part = self._file.with_suffix(f".{os.getpid()}")
        part.write_text(json.dumps(self.table), encoding="utf-8")
        part.replace(self._file)
        self._last = time.monotonic()

    def progress(self, stage: str) -> Progress:
        """The progress callback of one stage."""
        self.write(doing=stage, share=0.0, words="")

        def report(share: float, words: str) -> None:
            if self._stop.exists():
                raise Cancelled("stopped as asked; what was finished is kept")
            if time.monotonic() - self._last >= INTERVAL_S:
                self.write(share=min(1.0, max(0.0, float(share))), words=str(words))

        return report


def main(arguments: list[str]) -> int:
    """Run one stage; returns the exit code of the command line."""
    folder, stage = Path(arguments[0]), arguments[1]
    memory = folder / ".washboard"
    memory.mkdir(parents=True, exist_ok=True)
    report = Report(memory, stage)
    report.write()
    code, state, message = 0, "done", ""
    try:
        from washboard.programme import all_stages, read_plan, run_stage, stage_named

        stages = all_stages()
        records = run_stage(
            stage_named(stage),
            stages,
            folder,
            read_plan(folder),
            progress=report.progress,
            again="--again" in arguments,
        )
        message = records[-1].summary if records else "Everything was up to date; nothing was run."
    except Cancelled as error:
        code, state, message = error.exit_code, "stopped", str(error)
    except WashboardError as error:
        code, state, message = error.exit_code, "failed", str(error)
    except Exception as error:  # noqa: BLE001 - whatever it was, the page must say so
        traceback.print_exc()
        words = "This is a fault of Washboard, not of your data; .washboard/job.log in the programme folder says more."
        code, state, message = 3, "failed", f"{type(error).__name__}: {error}. {words}"
    (memory / "job.stop").unlink(missing_ok=True)
    report.write(
        state=state, message=message, share=1.0 if state == "done" else report.table["share"], finished=time.time()
    )
    return code


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
