"""Working copies made a few channels at a time: the same, bit for bit, as mending the whole lap in memory."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from washboard.errors import Cancelled, ChannelError, StorageError, WashboardError
from washboard.recording import (
    Channel,
    DerivedChannel,
    Fault,
    Recording,
    RepairStep,
    derive,
    find_faults,
    plant_faults,
    read_recording,
    repair,
    resample,
    resample_file,
    write_recording,
    write_working_copy,
)
from washboard.recording import _working_copy as module
from washboard.recording._netcdf import NetcdfRows
from washboard.recording._uff58 import write_uff58

NAMES = ("front left", "front right", "rear left", "rear right", "spare")
STEPS = (
    RepairStep(do="despike", channel="front*"),
    RepairStep(do="swap", channel="rear left", to="rear right"),
    RepairStep(do="offset", channel="rear left", amount="0.3 g"),
    RepairStep(do="flip", channel="rear right"),
    RepairStep(do="drift", channel="spare", low_hz=0.2),
    RepairStep(do="bad", channel="*", start_s=1.0, end_s=2.0, note="stop"),
    RepairStep(do="filter", channel="pitch", high_hz=30.0),
    RepairStep(do="despike", channel="front left", event="elsewhere"),
)
CUT = RepairStep(do="cut", start_s=8.0, end_s=9.5, keep=False)
DERIVED = (
    DerivedChannel(
        name="pitch",
        expression='(ch("rear left") - ch("spare")) / base',
        unit="1/s2",
        constant={"base": "4 m"},
    ),
    DerivedChannel(name="twice", expression="2 * pitch", unit="1/s2"),
)
WANTED = ("rear right", "pitch", "front left", "front right", "twice", "rear left")


def lap(dtype=np.float32) -> Recording:
    rng = np.random.default_rng(4)
    smooth = np.apply_along_axis(np.convolve, 1, rng.standard_normal((5, 8192 + 31)), np.hanning(32) / 16, "valid")
    channels = tuple(
        Channel(
            name=name,
            unit="g",
            quantity="acceleration",
            direction="+z",
            position_m=(4.0 * (number < 2), 1.0 - 2 * (number % 2), 0.5),
            limits=(-50.0, 50.0),
        )
        for number, name in enumerate(NAMES)
    )
    one = Recording(samples=(2 * smooth).astype(dtype), rate_hz=512.0, channels=channels, name="rough, lap 2")
    return plant_faults(one, [Fault(kind="spike", channel="front left", count=3, level=3.0)], seed=3)


def mended_in_memory(one: Recording, steps) -> Recording:
    si = one.in_si()
    names = {entry.name for entry in DERIVED}
    first = repair(si, [step for step in steps if step.channel not in names], event="rough", lap=2)
    made = derive(first.recording, DERIVED)
    return repair(made, [step for step in steps if step.channel in names], event="rough", lap=2).recording


def made(path: Path, copy: Path, steps, **more):
    return write_working_copy(
        path,
        copy,
        channels=NAMES,
        describe=lambda rows: rows.header,
        wanted=WANTED,
        steps=steps,
        derived=DERIVED,
        event="rough",
        lap=2,
        effect=lambda effect: (effect.step.do, effect.channel.name, effect.n_samples),
        **more,
    )


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("ending", ["nc", "mf4", "uff"])
@pytest.mark.parametrize("cut", [False, True])
def test_a_copy_made_by_channels_is_the_copy_made_in_memory(tmp_path, ending, dtype, cut):
    one = lap(dtype)
    file, copy = tmp_path / f"a.{ending}", tmp_path / "copy.nc"
    write_recording(one, file)
    steps = (*STEPS[:-2], CUT, *STEPS[-2:]) if cut else STEPS
    found = made(file, copy, steps)
    whole = mended_in_memory(one, steps)
    got = read_recording(copy)
    assert got.names == WANTED
    for name in WANTED:
        np.testing.assert_array_equal(got.values(name), whole.values(name), err_msg=name)
        assert got.channel(name) == whole.channel(name)
    assert set(got.spans) == set(whole.select(WANTED).spans)
    assert got.history == whole.history
    assert {path.name for path in tmp_path.iterdir()} == {file.name, "copy.nc"}
    by_step = [do for do, _name, _count in found.effects]
    assert by_step == sorted(by_step, key=[step.do for step in steps].index)
    expected = repair(one.in_si(), [step for step in steps if step.channel != "pitch"], event="rough", lap=2).effects
    counted = {(effect.step.do, effect.channel.name, effect.n_samples) for effect in expected}
    assert counted <= set(found.effects)
    before = {(f.kind, f.channel, f.text) for f in find_faults(one.in_si().select(["rear right", "front left"]))}
    assert {entry for entry in before if entry[0] == "spike"} <= {(f.kind, f.channel, f.text) for f in found.before}
    assert sorted(map(str, found.after)) == sorted(map(str, find_faults(whole.select(WANTED))))


def test_nothing_to_do_leaves_every_bit(tmp_path):
    one = lap().in_si()
    write_recording(one, tmp_path / "a.mf4")
    found = write_working_copy(
        tmp_path / "a.mf4",
        tmp_path / "copy.nc",
        channels=NAMES,
        describe=lambda rows: rows.header,
        wanted=NAMES,
        effect=lambda effect: effect,
    )
    np.testing.assert_array_equal(read_recording(tmp_path / "copy.nc").samples, one.samples)
    assert found.before == found.after
    assert {(f.kind, f.channel) for f in found.after} == {(f.kind, f.channel) for f in find_faults(one)}


def test_a_long_lap_is_compared_by_its_middle_and_says_the_same(tmp_path, monkeypatch):
    from washboard.testing._rough_channel import rough_channel

    rough = rough_channel(1)
    rng = np.random.default_rng(2)
    rows = [rough.samples + 0.05 * rough.samples.std() * rng.standard_normal(rough.samples.size) for _ in range(4)]
    rows[2] = -rows[2]
    channels = tuple(
        Channel(name=name, unit="m/s2", quantity="acceleration", direction="+z", position_m=(x, y, 0.5))
        for name, x, y in (("fl", 4.0, 1.0), ("fr", 4.0, -1.0), ("rl", 0.0, 1.0), ("rr", 0.0, -1.0))
    )
    one = Recording(samples=np.stack(rows).astype(np.float32), rate_hz=rough.rate_hz, channels=channels)
    write_recording(one, tmp_path / "a.nc")
    kinds = []
    for most in (10**9, 1000):
        monkeypatch.setattr(module, "MOST_VALUES", most)
        found = write_working_copy(
            tmp_path / "a.nc",
            tmp_path / "copy.nc",
            channels=one.names,
            describe=lambda rows: rows.header,
            wanted=one.names,
            effect=lambda effect: effect,
        )
        kinds.append({(finding.kind, finding.channel) for finding in found.after})
    assert ("polarity", "rl") in kinds[0]
    assert kinds[0] == kinds[1]


@pytest.mark.parametrize("ending", ["nc", "mf4"])
def test_a_copy_that_is_stopped_midway_leaves_nothing(tmp_path, ending):
    write_recording(lap(), tmp_path / f"a.{ending}")

    def stop(share: float, _words: str) -> None:
        if share > 0.5:
            raise Cancelled("stopped")

    with pytest.raises(Cancelled):
        made(tmp_path / f"a.{ending}", tmp_path / "copy.nc", STEPS, progress=stop)
    assert [path.name for path in tmp_path.iterdir()] == [f"a.{ending}"]


def test_a_step_for_a_channel_that_is_not_there_names_the_nearest(tmp_path):
    write_recording(lap(), tmp_path / "a.nc")
    with pytest.raises(ChannelError, match="has no channel 'frnt left'; did you mean 'front left'"):
        made(tmp_path / "a.nc", tmp_path / "copy.nc", (RepairStep(do="despike", channel="frnt left"),))
    assert not (tmp_path / "copy.nc").exists()


def test_resampling_a_file_is_resampling_the_recording(tmp_path):
    one = lap()
    write_recording(one, tmp_path / "a.nc")
    resample_file(tmp_path / "a.nc", 200.0)
    got, whole = read_recording(tmp_path / "a.nc"), resample(one, 200.0)
    np.testing.assert_array_equal(got.samples, whole.samples)
    assert got.history == whole.history
    assert got.rate_hz == 200.0


def test_ascii_uff_goes_the_same_way(tmp_path):
    one = lap()
    write_uff58(one, tmp_path / "a.uff", binary=False)
    made(tmp_path / "a.uff", tmp_path / "copy.nc", ())
    assert read_recording(tmp_path / "copy.nc").names == WANTED


KILLED = """
import os, sys, signal
import numpy as np
from pathlib import Path
from washboard.recording import Channel, Recording, write_recording
from washboard.recording import _netcdf
channels = tuple(Channel(name=f"c{k}", unit="m") for k in range(8))
one = Recording(samples=np.ones((8, 50_000), np.float32), rate_hz=100.0, channels=channels)
original = _netcdf.NetcdfRows.put
count = 0
def put(self, row, values, at=0):
    global count
    count += 1
    if count == 5:
        os.kill(os.getpid(), signal.SIGKILL)
    original(self, row, values, at)
_netcdf.NetcdfRows.put = put
write_recording(one, Path(sys.argv[1]))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL there")
def test_a_writer_killed_midway_leaves_no_file_of_that_name(tmp_path):
    done = subprocess.run([sys.executable, "-c", KILLED, str(tmp_path / "a.nc")], check=False)
    assert done.returncode == -9
    assert not (tmp_path / "a.nc").exists()
    # What is left behind is hidden, and is no recording.
    for left in tmp_path.iterdir():
        assert left.name.startswith(".a.")
        with pytest.raises(WashboardError):
            read_recording(left)


KILLED_LAST = """
import os, signal, sys
from pathlib import Path
import numpy as np
from washboard.recording import Channel, Recording, write_recording
one = Recording(samples=np.ones((2, 5000), np.float32), rate_hz=100.0, channels=tuple(Channel(name=n) for n in "ab"))
for ending in ("nc", "mf4", "csv", "uff", "mat", "parquet"):
    child = os.fork()
    if child == 0:
        Path.replace = lambda self, target: os.kill(os.getpid(), signal.SIGKILL)
        write_recording(one, Path(sys.argv[1]) / f"a.{ending}")
    assert os.waitpid(child, 0)[1] == signal.SIGKILL
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_a_writer_of_any_format_killed_at_the_last_moment_leaves_no_file_of_that_name(tmp_path):
    done = subprocess.run([sys.executable, "-c", KILLED_LAST, str(tmp_path)], check=False, capture_output=True)
    assert done.returncode == 0, done.stderr.decode()
    left = sorted(path.name for path in tmp_path.iterdir())
    assert len(left) == 6
    assert all(name.startswith(".a.") for name in left)


@pytest.mark.parametrize("ending", ["nc", "mf4"])
def test_a_full_disk_leaves_no_copy(tmp_path, monkeypatch, ending):
    write_recording(lap(), tmp_path / f"a.{ending}")
    original, count = NetcdfRows.put, []

    def put(self, row, values, at=0):
        count.append(row)
        if len(count) > 3:
            raise OSError(errno.ENOSPC, "No space left on device")
        original(self, row, values, at)

    monkeypatch.setattr(NetcdfRows, "put", put)
    with pytest.raises(StorageError, match="No space left on device"):
        made(tmp_path / f"a.{ending}", tmp_path / "copy.nc", STEPS)
    assert [path.name for path in tmp_path.iterdir()] == [f"a.{ending}"]


BIG = """
import sys
from pathlib import Path
from washboard.recording import write_working_copy
names = [f"c{k}" for k in range(64)]
def peak():
    return int(Path("/proc/self/status").read_text().split("VmHWM:")[1].split()[0]) // 1024
import asammdf, h5netcdf, scipy.signal, scipy.stats, numba
print(peak())
write_working_copy(Path(sys.argv[1]), Path(sys.argv[2]), channels=names, describe=lambda rows: rows.header, wanted=names,
                   effect=lambda effect: None)
print(peak())
"""


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="reads the peak memory from /proc")
def test_memory_does_not_grow_with_the_lap(tmp_path):
    rng = np.random.default_rng(1)
    channels = tuple(Channel(name=f"c{k}", unit="m/s2", quantity="acceleration") for k in range(64))
    samples = rng.standard_normal((64, 1800 * 512), dtype=np.float32)
    write_recording(Recording(samples=samples, rate_hz=512.0, channels=channels, owned=True), tmp_path / "a.mf4")
    size = (tmp_path / "a.mf4").stat().st_size / 2**20
    done = subprocess.run(
        [sys.executable, "-c", BIG, str(tmp_path / "a.mf4"), str(tmp_path / "c.nc")], check=True, capture_output=True
    )
    before, after = (int(word) for word in done.stdout.split())
    assert size > 220
    assert after - before < 0.9 * size
