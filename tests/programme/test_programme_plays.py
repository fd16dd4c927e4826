"""Plays on file: their names, going on with an earlier run, and keeping a chosen play."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from washboard.errors import Cancelled, RigError, StorageError
from washboard.programme import Workspace, ask_to_stop, holder_of, play_name
from washboard.programme._lock import FolderLock
from washboard.programme._plays import Plays, run_to_go_on
from washboard.recording import Channel, Recording
from washboard.rig import RigChannels
from washboard.settings import Progress, no_progress

RUN = "replicate-20260102-030405-ab12"


def test_a_play_is_told_from_its_name() -> None:
    found = play_name(Path(f"{RUN}-haul-ramp-play-12-0123abcd.nc"))
    assert found is not None
    assert (found.run, found.stem, found.number) == (RUN, "haul-ramp", 12)
    again = play_name(Path(f"{RUN}-kerb-play-ground-confirm-0123abcd.nc"))
    assert again is not None
    assert (again.stem, again.number) == ("kerb-play-ground", 0)
    assert play_name(Path("identify-20260102-030405-ab12-main-1-0123abcd.nc")) is None


class Bench:
    """A rig that does not come to the end of a play."""

    def __init__(self, trouble: BaseException) -> None:
        self.trouble, self.stops = trouble, 0

    def channels(self) -> RigChannels:
        one = Channel(name="post", unit="m", quantity="displacement")
        return RigChannels(rate_hz=100.0, drives=(one,), responses=(Channel(name="axle az", unit="m/s2"),))

    def play(self, drive: Recording, *, label: str = "", progress: Progress = no_progress) -> Recording:
        raise self.trouble

    def stop(self) -> None:
        self.stops += 1


@pytest.mark.parametrize(
    ("trouble", "stops"), [(Cancelled("stopped"), 1), (KeyboardInterrupt(), 1), (RigError("no answer yet"), 0)]
)
def test_a_play_that_is_broken_off_brings_the_rig_to_rest(tmp_path: Path, trouble: BaseException, stops: int) -> None:
    bench = Bench(trouble)
    ws = Workspace(plan=None, folder=tmp_path, out=tmp_path / "out")  # type: ignore[arg-type]
    ws.out.mkdir()
    plays = Plays(ws, bench, "replicate", ("axle az",))
    with pytest.raises(type(trouble)):
        plays.play(np.zeros((1, 50)), "ramp-play-1")
    assert bench.stops == stops
    assert list((tmp_path / "plays").glob("*.nc")) == []


def _record(folder: Path, stage: str, **changes: object) -> None:
    table = {
        "stage": stage, "inputs": {}, "settings": {}, "version": "0", "started": "", "seconds": 1.0, "verdict": "fine",
        "summary": "", "figures": {}, "findings": [], "outputs": {}, **changes,
    }  # fmt: skip
    (folder / "stages" / stage).mkdir(parents=True, exist_ok=True)
    (folder / "stages" / stage / "stage.json").write_text(json.dumps(table))


def _settings(**replicate: object) -> dict[str, object]:
    return {"band": {"low_hz": 1.0}, "replicate": {"plays": 8, "taper_s": 3.0, **replicate}}


def test_plays_are_gone_on_with_only_while_all_else_is_as_it_was(tmp_path: Path) -> None:
    free = {"replicate.plays", "replicate.keep"}
    assert run_to_go_on(tmp_path, "replicate", _settings(), free) == ""
    _record(tmp_path, "identify", outputs={"frf.nc": "one"})
    _record(tmp_path, "replicate", settings=_settings(), inputs={"plan": "x", "identify/frf.nc": "one"})
    (tmp_path / "stages" / "replicate" / ".run").write_text(RUN)
    assert run_to_go_on(tmp_path, "replicate", _settings(), free) == "", "again, with nothing changed, is anew"
    assert run_to_go_on(tmp_path, "replicate", _settings(plays=12), free) == RUN
    assert run_to_go_on(tmp_path, "replicate", _settings(keep={"ramp": 3}), free) == RUN
    assert run_to_go_on(tmp_path, "replicate", _settings(taper_s=2.0), free) == ""
    _record(tmp_path, "identify", outputs={"frf.nc": "two"})
    assert run_to_go_on(tmp_path, "replicate", _settings(plays=12), free) == "", "the rig was identified anew"


def test_who_works_on_a_programme_is_seen_and_only_washboard_is_stopped(tmp_path: Path) -> None:
    assert holder_of(tmp_path) is None
    code = (
        "import sys, time; from pathlib import Path; from washboard.programme._lock import FolderLock\n"
        "with FolderLock(Path(sys.argv[1])): print('held', flush=True); time.sleep(30)"
    )
    with subprocess.Popen([sys.executable, "-c", code, str(tmp_path)], stdout=subprocess.PIPE) as other:
        assert other.stdout is not None
        other.stdout.readline()
        holder = holder_of(tmp_path)
        assert holder is not None
        assert holder.pid == other.pid
        assert not holder.ours, "a process that is no command of Washboard's"
        with pytest.raises(StorageError, match="stop it where it was started"):
            ask_to_stop(holder)
        assert other.poll() is None
        other.kill()
    deadline = time.monotonic() + 5
    while holder_of(tmp_path) is not None and time.monotonic() < deadline:
        time.sleep(0.05)
    with FolderLock(tmp_path):
        found = holder_of(tmp_path)
        assert found is not None
        assert found.pid == os.getpid()
