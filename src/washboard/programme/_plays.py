"""Plays kept: every drive ever played with what came back, so that no play is lost, counted or used twice."""

from __future__ import annotations

import hashlib
import os
import secrets
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from washboard.errors import ChannelError, RigError, RigTripped
from washboard.programme._stage import Workspace
from washboard.programme._store import load_arrays, save_arrays
from washboard.recording import Recording
from washboard.rig import RigLink
from washboard.settings import Progress, no_progress

Floats = NDArray[np.float64]


class Plays:
    """Plays of one run of a stage on a rig; a play that is already on file is read, not played again.

    The run's name lives in the stage's working folder, which survives an interruption: the next start asks for the
    same plays in the same order and gets the finished ones from their files. A play counts once its file is whole on
    disk, drive and response together; the same name with another drive is another play.
    """

    def __init__(self, ws: Workspace, link: RigLink, stage: str, responses: tuple[str, ...]) -> None:
        self.folder = ws.plays
        self.folder.mkdir(parents=True, exist_ok=True)
        self.link, self.responses = link, responses
        self.channels = link.channels()
        names = [channel.name for channel in self.channels.responses]
        missing = [name for name in responses if name not in names]
        if missing:
            raise ChannelError(
                f"the rig returns no channel '{missing[0]}'; it returns {', '.join(names)}. Correct the name in "
                "[[channel]] or make the rig record it"
            )
        mark = ws.out / ".run"
        if not mark.exists():
            _write_durably(mark, f"{stage}-{datetime.now(UTC):%Y%m%d-%H%M%S}-{secrets.token_hex(2)}".encode())
        self.run = mark.read_text(encoding="utf-8")
        self.played = 0
        self.read = 0

    def play(self, samples: Floats, name: str, progress: Progress = no_progress) -> Floats:
        """Responses (response, time) [SI] to drives (drive, time), in the order of `responses`.

        Raises
        ------
        RigTripped
            The rig stopped itself, now or when this play was first played.
        RigError
            From the link, or a response that does not fit the drive.
        """
        digest = hashlib.sha256(np.ascontiguousarray(samples, dtype=np.float64).data).hexdigest()
        label = f"{self.run}-{name}-{digest[:8]}"
        file = self.folder / f"{label}.nc"
        if file.exists():
            kept = load_arrays(file)
            self.read += 1
            if "response" not in kept:
                raise RigTripped(str(kept["tripped"][0]))
            return np.asarray(kept["response"], dtype=float)
        drive = Recording(samples=samples, rate_hz=self.channels.rate_hz, channels=self.channels.drives, name=name)
        axes = {
            "rate_hz": (("one",), np.array([self.channels.rate_hz])),
            "drive": (("drive", "time"), samples),
            "drives": (("drive",), np.array(drive.names)),
        }
        try:
            response = self.link.play(drive, label=label, progress=progress)
        except RigTripped as error:
            self._keep(file, {**axes, "tripped": (("one",), np.array([str(error)]))})
            self.played += 1
            raise
        values = np.asarray(response.select(self.responses).in_si().samples, dtype=float)
        if values.shape[1] != samples.shape[1]:
            raise RigError(
                f"play '{label}': the response has {values.shape[1]} samples, the drive {samples.shape[1]}; the rig "
                "must record the whole play at the drive's sample rate"
            )
        if not np.all(np.isfinite(values)):
            bad = self.responses[int(np.flatnonzero(~np.isfinite(values).all(axis=1))[0])]
            raise RigError(f"play '{label}': channel '{bad}' came back with NaN; look at its sensor and the recorder")
        self._keep(
            file,
            {
                **axes,
                "response": (("response", "time"), values.astype(np.float32)),
                "responses": (("response",), np.array(self.responses)),
            },
        )
        self.played += 1
        return values.astype(np.float32).astype(float)

    def _keep(self, file: Path, arrays: dict[str, tuple[tuple[str, ...], NDArray[np.generic]]]) -> None:
        part = file.with_name(f".{file.stem}.part.nc")
        save_arrays(part, arrays)
        with part.open("rb+") as stream:
            os.fsync(stream.fileno())
        part.replace(file)
        _sync_folder(file.parent)


def _write_durably(file: Path, content: bytes) -> None:
    part = file.with_name(file.name + ".part")
    with part.open("wb") as stream:
        stream.write(content)
        stream.flush()
        os.fsync(stream.fileno())
    part.replace(file)
    _sync_folder(file.parent)


def _sync_folder(folder: Path) -> None:
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
