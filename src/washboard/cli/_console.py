"""What the command line prints, progress included, and how it is stopped."""

from __future__ import annotations

import json
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import FrameType, TracebackType
from typing import TYPE_CHECKING, Annotated, Any

import typer

from washboard.errors import Cancelled, InputError
from washboard.settings import Progress, to_plain

if TYPE_CHECKING:
    from rich.console import Console
    from rich.progress import Progress as Bars
    from rich.progress import TaskID

    from washboard.recording import Finding

Folder = Annotated[Path, typer.Argument(metavar="DIR", help="The programme folder.", show_default="here")]
Json = Annotated[bool, typer.Option("--json", help="Write one JSON value to standard output, nothing else there.")]

HERE = Path()


def say(text: str = "") -> None:
    """A line for people on standard output, wrapped to the terminal; never read as markup."""
    from rich.console import Console

    Console(highlight=False, soft_wrap=not sys.stdout.isatty()).print(text, markup=False, emoji=False)


def note(text: str) -> None:
    """A line on standard error."""
    sys.stderr.write(f"{text}\n")
    sys.stderr.flush()


def answer(value: Any) -> None:
    """The machine-readable result on standard output."""
    sys.stdout.write(json.dumps(to_plain(value), indent=1, allow_nan=False, ensure_ascii=False) + "\n")


def programme_folder(folder: Path) -> Path:
    """`folder`, if there is one. Raises InputError."""
    if folder.is_file():
        raise InputError(f"{folder} is a file; give the programme folder it lies in")
    if not folder.is_dir():
        raise InputError(f"{folder}: there is no such folder; 'washboard new {folder} --example NAME' makes one")
    return folder


_MARKS = {"note": "·", "warning": "!", "error": "✗"}


def say_findings(findings: tuple[Finding, ...], *, most: int = 12) -> None:
    """The findings, gravest first, as many as fit a screen."""
    order = {"error": 0, "warning": 1, "note": 2}
    for finding in sorted(findings, key=lambda entry: order[entry.severity])[:most]:
        advice = f"  → {finding.advice}" if finding.advice else ""
        channel = f"{finding.channel}: " if finding.channel and finding.channel not in finding.text else ""
        say(f"  {_MARKS[finding.severity]} {channel}{finding.text}{advice}")
    if len(findings) > most:
        say(f"  … and {len(findings) - most} more; --json lists them all")


class Watch:
    """Shows progress on standard error and turns Ctrl-C (or a termination request) into `Cancelled`.

    The first Ctrl-C lets the work come to a safe point: the rig is brought to rest and what was finished is kept. The
    second one stops at once. Use it as a context manager, and ``watch(name)`` for the progress of one stage.
    """

    def __init__(self, *, quiet: bool = False) -> None:
        self._quiet = quiet
        self._stop = False
        self._bars: Bars | None = None
        self._task: TaskID | None = None
        self._said = 0.0
        self._before: dict[int, Any] = {}

    def __enter__(self) -> Watch:
        for name in ("SIGINT", "SIGTERM", "SIGHUP"):
            number = getattr(signal, name, None)
            if number is not None:
                try:
                    self._before[number] = signal.signal(number, self._asked)
                except ValueError:  # not in the main thread, as in tests
                    return self
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._bars is not None:
            self._bars.stop()
            self._bars = None
        for number, handler in self._before.items():
            signal.signal(number, handler)
        self._before = {}

    def _asked(self, _number: int, _frame: FrameType | None) -> None:
        if self._stop:
            raise KeyboardInterrupt
        self._stop = True
        note("washboard: stopping at the next safe point; press Ctrl-C again to stop at once")

    def __call__(self, stage: str) -> Progress:
        """Progress of one stage, shown under its name."""
        self._begin(stage)

        def report(share: float, words: str) -> None:
            if self._stop:
                raise Cancelled(f"{stage} was stopped; what was finished is kept, run the same command to go on")
            self._show(stage, share, words)

        return report

    def _begin(self, stage: str) -> None:
        if self._quiet:
            return
        if not sys.stderr.isatty():
            note(f"{stage} …")
            self._said = time.monotonic()
            return
        if self._bars is None:
            self._bars = _bars()
            self._bars.start()
        elif self._task is not None:
            self._bars.remove_task(self._task)
        self._task = self._bars.add_task(stage, total=1.0, words="")

    def _show(self, stage: str, share: float, words: str) -> None:
        if self._quiet:
            return
        if self._bars is not None and self._task is not None:
            self._bars.update(self._task, completed=min(max(share, 0.0), 1.0), words=words)
        elif time.monotonic() - self._said > 10.0:
            self._said = time.monotonic()
            note(f"{stage} … {100 * share:.0f} %  {words}")


def _bars() -> Bars:
    from rich.console import Console
    from rich.progress import BarColumn, TaskProgressColumn, TextColumn, TimeElapsedColumn
    from rich.progress import Progress as Bars

    console: Console = Console(stderr=True)
    return Bars(
        TextColumn("{task.description:<10}", markup=False),
        BarColumn(bar_width=24),
        TaskProgressColumn(),
        TimeElapsedColumn(),
        TextColumn("{task.fields[words]}", markup=False),
        console=console,
        transient=True,
    )


ProgressOf = Callable[[str], Progress]
