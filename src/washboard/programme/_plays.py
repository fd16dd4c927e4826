"""Plays kept: every drive ever played with what came back, so that no play is lost, counted or used twice."""

from __future__ import annotations

import hashlib
import os
import re
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from washboard.errors import ChannelError, RigError, RigTripped
from washboard.programme._stage import Workspace, read_record
from washboard.programme._store import load_arrays, save_arrays
from washboard.recording import Recording, whole_file, write_whole
from washboard.rig import RigLink
from washboard.settings import Progress, no_progress, to_plain

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class PlayName:
    """What the name of a file in `plays/` says: the run of the replication, the stem of the event's files, the play.

    `number` counts from 1; it is 0 where the drive found was played once more.
    """

    run: str
    stem: str
    number: int


_PLAY_NAME = re.compile(r"^(?P<run>replicate-\d{8}-\d{6}-[0-9a-f]+)-(?P<stem>.+)-(?:play-(?P<number>\d+)|confirm)-")


def play_name(file: Path) -> PlayName | None:
    """The parts of a play file's name; None where it is no play of a replication."""
    match = _PLAY_NAME.match(file.name)
    return match and PlayName(run=match["run"], stem=match["stem"], number=int(match["number"] or 0))


class Plays:
    """Plays of one run of a stage on a rig; a play that is already on file is read, not played again.

    The run's name lives in the stage's working folder, which survives an interruption: the next start asks for the
    same plays in the same order and gets the finished ones from their files. A play counts once its file is whole on
    disk, drive and response together; the same name with another drive is another play. With `go_on`, the name of an
    earlier run (see `run_to_go_on`), that run's plays are used too.
    """

    def __init__(
        self, ws: Workspace, link: RigLink, stage: str, responses: tuple[str, ...], *, go_on: str = ""
    ) -> None:
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
            anew = f"{stage}-{datetime.now(UTC):%Y%m%d-%H%M%S}-{secrets.token_hex(2)}"
            write_whole(mark, go_on or anew)
            _sync_folder(mark.parent)
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
        except RigError:
            # Said by the link itself, which knows how the rig stands: a wait that took too long goes on when restarted.
            raise
        except BaseException:
            # Stopped by the user, or something that should not be: the rig comes to rest before anything else.
            self.link.stop()
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
        with whole_file(file) as part:
            save_arrays(part, arrays)
            with part.open("rb+") as stream:
                os.fsync(stream.fileno())
        _sync_folder(file.parent)


def run_to_go_on(folder: Path, stage: str, reads: Any, free: set[str]) -> str:
    """Name of the finished run whose plays a new run of `stage` may go on from; empty when everything is played anew.

    A run is gone on with when nothing but the settings named in `free` (as ``"replicate.plays"``) has changed since:
    the rig, the vehicle and what is to be matched are as they were, so that each play that is asked for again would
    bring what it brought. Run again with nothing changed at all, the user wants new plays.
    """
    record = read_record(folder, stage)
    mark = folder / "stages" / stage / ".run"
    if record is None or not mark.is_file():
        return ""
    now, then = _flat(to_plain(reads)), _flat(record.settings)
    changed = {key for key in {*now, *then} if now.get(key) != then.get(key)}
    if not changed or not changed <= free:
        return ""
    for name, digest in record.inputs.items():
        needed, _slash, file = name.partition("/")
        if not file:
            continue
        before = read_record(folder, needed)
        if before is None or before.outputs.get(file) != digest:
            return ""
    return mark.read_text(encoding="utf-8")


def _flat(table: Mapping[str, Any]) -> dict[str, Any]:
    """Settings two levels deep, under names like ``replicate.plays``."""
    found: dict[str, Any] = {}
    for key, value in table.items():
        if isinstance(value, Mapping):
            found.update({f"{key}.{inner}": item for inner, item in value.items()})
        else:
            found[key] = value
    return found


def _sync_folder(folder: Path) -> None:
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
