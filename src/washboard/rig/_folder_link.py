"""FolderLink: a rig behind a folder shared with its controller; drives go in, responses come out."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from pathlib import Path

from washboard.errors import RigError, RigTripped, StorageError
from washboard.recording import Recording, write_whole
from washboard.rig._exchange import (
    ENDING,
    Ledger,
    LinkFormat,
    Play,
    check_drive,
    drive_digest,
    read_response,
    write_drive,
)
from washboard.rig._link import RigChannels
from washboard.settings import Progress, no_progress

#: A response that has not grown for so long is taken to be complete; one that still cannot be read, to be damaged. [s]
QUIET_S = 1.0
DAMAGED_S = 5.0
#: How often to look. [s]
LOOK_S = 0.2


class FolderLink:
    """Hands drives over in a folder: ``drive-NNNN.csv`` appears whole, ``response-NNNN.*`` is waited for.

    NNNN counts up and is never used twice. A text file ``error-NNNN.txt`` from the rig's side ends the wait: its text
    is the message, and one that begins with ``tripped`` says that the rig stopped itself. ``waiting.txt`` says at any
    time what is waited for, and a file ``stop`` asks the controller to bring the rig to rest. A play that was handed
    over and not answered is waited for again after a restart, not handed over again; one that the controller was asked
    to stop is taken back, and handed over anew when it is asked for again.

    Parameters
    ----------
    shared : Path
        The folder; made where it is missing.
    channels : RigChannels
        What the rig takes and gives.
    ledger : Path
        File that remembers which drives went out, in the programme folder.
    file_format : str
        Of the drive files; a response is read whatever it is.
    timeout_s : float
        Time allowed beyond the drive's own length. [s]
    """

    def __init__(
        self,
        *,
        shared: Path,
        channels: RigChannels,
        ledger: Path,
        file_format: LinkFormat = "csv",
        timeout_s: float = 600.0,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._shared, self._channels = shared, channels
        self._format, self._timeout_s = file_format, timeout_s
        self._ledger = Ledger(ledger)
        self._clock, self._sleep = clock, sleep
        self._stopped = False

    def channels(self) -> RigChannels:
        """What the rig takes and gives."""
        return self._channels

    def play(self, drive: Recording, *, label: str = "", progress: Progress = no_progress) -> Recording:
        """Hand over `drive` (unless that was done before) and wait for its response; see `RigLink.play`."""
        check_drive(drive, self._channels)
        self._stopped = False
        digest = drive_digest(drive)
        label = label or f"play {self._next()}"
        play = self._ledger.of(label, digest)
        if play is not None and play.state == "sent" and self._called_off(play):
            play = None
        if play is None or play.state == "failed":
            play = self._hand_over(drive, label, digest)
        response = self._wait(play, drive, progress)
        if play.state != "done":
            self._ledger.add(Play(label=label, number=play.number, drive=digest, state="done"))
        self._say("nothing is waited for\n")
        return response

    def stop(self) -> None:
        """Ask the controller to bring the rig to rest, by a file named ``stop``; end a wait that is going on."""
        self._stopped = True
        with contextlib.suppress(OSError):
            self._shared.mkdir(parents=True, exist_ok=True)
            (self._shared / "stop").write_text("bring the rig to rest now\n", encoding="utf-8")

    def _called_off(self, play: Play) -> bool:
        """Whether the controller was asked to stop before it answered; then its drive is taken back for good."""
        if self._answer(play.number) is not None or not (self._shared / "stop").exists():
            return False
        note = "stopped before it was answered"
        self._ledger.add(Play(label=play.label, number=play.number, drive=play.drive, state="failed", note=note))
        for file in (self._drive_file(play.number), self._prepared(play.number)):
            with contextlib.suppress(OSError):
                file.unlink(missing_ok=True)
        return True

    def _next(self) -> int:
        """A number that neither the ledger nor any file in the folder has used."""
        used = [self._ledger.highest]
        for file in self._shared.glob("*-[0-9][0-9][0-9][0-9]*.*"):
            digits = file.name.split("-", 1)[1].split(".", 1)[0]
            if digits.isdigit():
                used.append(int(digits))
        return max(used) + 1

    def _hand_over(self, drive: Recording, label: str, digest: str) -> Play:
        try:
            self._shared.mkdir(parents=True, exist_ok=True)
            (self._shared / "stop").unlink(missing_ok=True)
        except OSError as error:
            raise RigError(f"the folder shared with the rig, {self._shared}, cannot be used: {error}") from None
        number = self._next()
        # Written, entered, renamed, in this order: by the name a restart sees whether the controller could see it.
        write_drive(drive, self._prepared(number), self._format)
        play = self._ledger.add(Play(label=label, number=number, drive=digest, state="sent"))
        self._release(number)
        return play

    def _release(self, number: int) -> None:
        """Give a prepared drive the name under which the controller takes it; nothing where that was done before."""
        try:
            with contextlib.suppress(FileNotFoundError):
                self._prepared(number).replace(self._drive_file(number))
        except OSError as error:
            raise RigError(f"{self._drive_file(number)} cannot be made: {error}") from None

    def _prepared(self, number: int) -> Path:
        return self._shared / f".prepared-{number:04d}{ENDING[self._format]}"

    def _drive_file(self, number: int) -> Path:
        return self._shared / f"drive-{number:04d}{ENDING[self._format]}"

    def _answer(self, number: int) -> Path | None:
        found = [
            file for file in self._shared.glob(f"response-{number:04d}.*") if not file.name.endswith((".part", ".tmp"))
        ]
        return sorted(found)[0] if found else None

    def _wait(self, play: Play, drive: Recording, progress: Progress) -> Recording:
        name, allowed_s = f"response-{play.number:04d}", drive.duration_s + self._timeout_s
        started, seen, since = self._clock(), (-1, 0), 0.0
        self._release(play.number)
        if play.state == "done" and self._answer(play.number) is None:
            raise RigError(
                f"play '{play.label}' was played before (number {play.number}) and {name}.* is no longer in "
                f"{self._shared}; the rig was not moved again. Give the play another label to repeat it"
            )
        self._say(
            f"waiting for {name}.* , the response to {self._drive_file(play.number).name} (play '{play.label}', "
            f"{drive.duration_s:.1f} s at {drive.rate_hz:g} Hz)\n"
        )
        while True:
            self._refused(play)
            file, now = self._answer(play.number), self._clock()
            waited = now - started
            if file is not None:
                size = (file.stat().st_size, file.stat().st_mtime_ns)
                if size != seen:
                    seen, since = size, now
                elif now - since >= QUIET_S:
                    try:
                        return read_response(file, self._channels, drive, label=play.label)
                    except RigError:
                        # It may still be being written by something that writes in bursts.
                        if now - since >= DAMAGED_S:
                            raise
            elif waited > allowed_s:
                raise RigError(
                    f"play '{play.label}': no {name}.* appeared in {self._shared} within {allowed_s:.0f} s; the drive "
                    f"is {self._drive_file(play.number).name}. Look at the rig's controller; started again, Washboard "
                    "goes on waiting for the same response and does not ask for the play twice"
                )
            if self._stopped:
                raise RigError(f"play '{play.label}' was stopped while waiting for {name}.*")
            progress(min(0.99, waited / max(drive.duration_s, 1.0)), f"waiting for {name}.* in {self._shared}")
            self._sleep(LOOK_S)

    def _refused(self, play: Play) -> None:
        file = self._shared / f"error-{play.number:04d}.txt"
        if not file.exists():
            return
        text = file.read_text(encoding="utf-8", errors="replace").strip()[:500]
        self._ledger.add(Play(label=play.label, number=play.number, drive=play.drive, state="failed", note=text))
        kind = RigTripped if text.lower().startswith("tripped") else RigError
        raise kind(f"play '{play.label}': the rig's controller says: {text or 'an error without words'} ({file})")

    def _say(self, text: str) -> None:
        """Leave word in the folder of what is waited for."""
        file = self._shared / "waiting.txt"
        with contextlib.suppress(StorageError):
            write_whole(file, text)
