"""CommandLink: a rig behind any program that takes a drive file and leaves a response file."""

from __future__ import annotations

import contextlib
import os
import shlex
import signal
import subprocess
import time
from pathlib import Path

from washboard.errors import Cancelled, InputError, RigError, RigTripped
from washboard.recording import Recording
from washboard.rig._exchange import (
    ENDING,
    Ledger,
    LinkFormat,
    Play,
    check_drive,
    drive_digest,
    plain_label,
    read_response,
    write_drive,
)
from washboard.rig._link import RigChannels
from washboard.settings import Progress, no_progress

#: Exit status by which a program says that the rig stopped itself to protect people, specimen or hardware.
TRIPPED = 3
#: Responses kept, newest first, for a caller that was interrupted before it could store one.
KEPT = 20


class CommandLink:
    """Runs a program per play: ``command = "myrig --drive {drive} --response {response}"``.

    The command is split like a shell would (quotes, no variables) but no shell runs it. ``{drive}`` and ``{response}``
    stand for the files, ``{label}`` and ``{rate}`` for the play's name and sample rate. The program has the programme
    folder as its working directory; exit status 0 means that the response is there, 3 that the rig tripped.

    Parameters
    ----------
    command : str
        What to run.
    channels : RigChannels
        What the rig takes and gives.
    folder : Path
        Where drive and response files, the program's output and the ledger of plays go.
    working : Path
        Working directory of the program.
    file_format : str
        Of the drive file; the response file is asked for in the same, and read whatever it is.
    timeout_s : float
        Time allowed beyond the drive's own length. [s]

    Raises
    ------
    InputError
        The command lacks ``{drive}`` or ``{response}``, or cannot be split.
    """

    def __init__(
        self,
        *,
        command: str,
        channels: RigChannels,
        folder: Path,
        working: Path,
        file_format: LinkFormat = "csv",
        timeout_s: float = 600.0,
    ) -> None:
        self._words = split_command(command)
        self._channels, self._folder, self._working = channels, folder, working
        self._format, self._timeout_s = file_format, timeout_s
        self._ledger = Ledger(folder / "plays.jsonl")
        self._process: subprocess.Popen[bytes] | None = None

    def channels(self) -> RigChannels:
        """What the rig takes and gives."""
        return self._channels

    def play(self, drive: Recording, *, label: str = "", progress: Progress = no_progress) -> Recording:
        """Run the program once; see `RigLink.play`. A label whose response is there already is not played again."""
        check_drive(drive, self._channels)
        digest = drive_digest(drive)
        label = label or f"play {self._ledger.highest + 1}"
        known = self._ledger.of(label, digest)
        if known is not None and known.state == "done":
            return self._kept(known, drive)
        number = known.number if known is not None and known.state == "sent" else self._ledger.highest + 1
        play = Play(label=label, number=number, drive=digest, state="sent")
        files = self._files(play)
        if known is not None and known.state == "sent" and files[1].exists():
            # The program had finished when Washboard was stopped: its response counts if it is whole.
            with contextlib.suppress(RigError):
                return self._finish(play, drive)
        self._folder.mkdir(parents=True, exist_ok=True)
        files[1].unlink(missing_ok=True)
        write_drive(drive, files[0], self._format)
        self._ledger.add(play)
        try:
            self._run(play, drive, progress)
            return self._finish(play, drive)
        except (RigError, Cancelled) as error:
            self._ledger.add(Play(label=label, number=number, drive=digest, state="failed", note=str(error)[:300]))
            raise

    def stop(self) -> None:
        """End the program and all it started."""
        process = self._process
        if process is not None and process.poll() is None:
            _end(process)

    def _files(self, play: Play) -> tuple[Path, Path, Path]:
        stem = f"{play.number:04d}-{plain_label(play.label)}"
        ending = ENDING[self._format]
        return (
            self._folder / f"{stem}.drive{ending}",
            self._folder / f"{stem}.response{ending}",
            self._folder / f"{stem}.log",
        )

    def _finish(self, play: Play, drive: Recording) -> Recording:
        response = read_response(self._files(play)[1], self._channels, drive, label=play.label)
        self._ledger.add(Play(label=play.label, number=play.number, drive=play.drive, state="done"))
        self._tidy(play.number)
        return response

    def _kept(self, play: Play, drive: Recording) -> Recording:
        file = self._files(play)[1]
        if not file.exists():
            raise RigError(
                f"play '{play.label}' was played before (number {play.number}) and its response is no longer kept; "
                "the rig was not moved again. Give the play another label to repeat it"
            )
        return read_response(file, self._channels, drive, label=play.label)

    def _tidy(self, number: int) -> None:
        """Delete the files of plays that lie far back; their drives and responses are stored by who asked for them."""
        for file in self._folder.glob("[0-9][0-9][0-9][0-9]*-*"):
            digits = file.name.split("-", 1)[0]
            if digits.isdigit() and int(digits) <= number - KEPT:
                file.unlink(missing_ok=True)

    def _run(self, play: Play, drive: Recording, progress: Progress) -> None:
        drive_file, response_file, log_file = (file.resolve() for file in self._files(play))
        fill = {
            "{drive}": str(drive_file),
            "{response}": str(response_file),
            "{label}": play.label,
            "{rate}": f"{drive.rate_hz:g}",
        }
        words = [_filled(word, fill) for word in self._words]
        allowed_s = drive.duration_s + self._timeout_s
        with log_file.open("wb") as log:
            try:
                self._process = process = subprocess.Popen(
                    words, cwd=self._working, stdin=subprocess.DEVNULL, stdout=log, stderr=log, start_new_session=True
                )
            except OSError as error:
                raise RigError(
                    f"play '{play.label}': the rig's program '{words[0]}' cannot be started: {error.strerror or error}"
                    "; correct rig.link.command"
                ) from None
            started = time.monotonic()
            try:
                while process.poll() is None:
                    waited = time.monotonic() - started
                    if waited > allowed_s:
                        raise RigError(
                            f"play '{play.label}': the rig's program gave no answer in {allowed_s:.0f} s and was "
                            f"ended; make sure that the rig is at rest. {_tail(log_file)}"
                        )
                    progress(min(0.99, waited / max(drive.duration_s, 1.0)), f"the rig plays {play.label}")
                    time.sleep(0.02 if waited < 2 else 0.2)
            except BaseException:
                _end(process)
                raise
            finally:
                self._process = None
        if process.returncode == TRIPPED:
            raise RigTripped(f"play '{play.label}': the rig stopped itself. {_tail(log_file)}")
        if process.returncode != 0:
            raise RigError(
                f"play '{play.label}': the rig's program ended with status {process.returncode}. {_tail(log_file)}"
            )


def split_command(command: str) -> tuple[str, ...]:
    """The words of a command, quotes taken off; no variable, wildcard or pipe means anything. Raises InputError."""
    try:
        words = shlex.split(command, posix=os.name != "nt")
    except ValueError as error:
        raise InputError(
            f"rig.link.command = '{command}': cannot be split into words ({error}); close its quotes"
        ) from None
    if os.name == "nt":
        words = [word[1:-1] if len(word) > 1 and word[0] == word[-1] == '"' else word for word in words]
    for part in ("{drive}", "{response}"):
        if not any(part in word for word in words):
            raise InputError(
                f"rig.link.command = '{command}' does not say where {part} goes; "
                'write for example command = "myrig --drive {drive} --response {response}"'
            )
    return tuple(words)


def _filled(word: str, fill: dict[str, str]) -> str:
    for part, text in fill.items():
        word = word.replace(part, text)
    return word


def _tail(log: Path, lines: int = 3) -> str:
    """The last lines of what the program said, for a message."""
    try:
        text = log.read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        text = ""
    last = " / ".join(line.strip()[:200] for line in text.splitlines()[-lines:] if line.strip())
    return f"It said: {last} (whole output in {log})" if last else f"It said nothing (its output goes to {log})"


def _end(process: subprocess.Popen[bytes]) -> None:
    """End a program and all it started: ask, then insist."""
    for how in (signal.SIGTERM, getattr(signal, "SIGKILL", signal.SIGTERM)):
        with contextlib.suppress(ProcessLookupError, PermissionError):
            if hasattr(os, "killpg"):
                os.killpg(process.pid, how)
            else:
                process.terminate()
        try:
            process.wait(timeout=5)
        except subprocess.TimeoutExpired:
            continue
        return
