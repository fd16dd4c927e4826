"""Links to a rig behind a program or a folder, with every fault injected that a rig's own software can produce."""

import json
import os
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from washboard.errors import Cancelled, InputError, RigError, RigTripped
from washboard.recording import Channel, Recording, write_recording
from washboard.rig import CommandLink, FolderLink, RigChannels, RigLink, read_response

RATE = 256.0
CHANNELS = RigChannels(
    drives=(
        Channel(name="p1", unit="m", quantity="displacement", limits=(-0.1, 0.1)),
        Channel(name="p2", unit="m", quantity="displacement", limits=(-0.1, 0.1)),
    ),
    responses=(
        Channel(name="a", unit="m/s2", quantity="acceleration"),
        Channel(name="b", unit="m", quantity="displacement"),
    ),
    rate_hz=RATE,
)

#: A rig that reads the drive with nothing but the standard library and answers a = 10 p1, b = p2 (in mm where told).
PROGRAM = """
import csv, os, sys, time
mode, drive, response = sys.argv[1:4]
open(os.path.join(os.path.dirname(__file__), "runs.txt"), "a").write(mode + "\\n")
if mode == "hang":
    time.sleep(60)
if mode == "fail":
    print("valve 2 does not answer"); sys.exit(7)
if mode == "trip":
    print("tilt switch opened"); sys.exit(3)
if mode == "nothing":
    sys.exit(0)
names, *rows = list(csv.reader(open(drive)))
rows = [[float(v) for v in row] for row in rows]
assert names == ["time", "p1", "p2"], names
t = [r[0] for r in rows]; p1 = [r[1] for r in rows]; p2 = [r[2] for r in rows]
cols = {"time": ("s", t), "a": ("m/s2", [10 * v for v in p1]), "b": ("m", p2)}
if mode == "order": cols = {"time": cols["time"], "b": cols["b"], "extra": ("V", t), "a": cols["a"]}
if mode == "units": cols["a"] = ("g0", [v / 9.80665 for v in cols["a"][1]]); cols["b"] = ("mm", [1e3 * v for v in p2])
if mode == "no units": cols = {k: ("", v) for k, (u, v) in cols.items()}
if mode == "no time": del cols["time"]
if mode == "wrong unit": cols["a"] = ("kN", cols["a"][1])
if mode == "missing": del cols["b"]
if mode == "short": cols = {k: (u, v[: len(v) // 2]) for k, (u, v) in cols.items()}
if mode == "nearly": cols = {k: (u, v[:-5]) for k, (u, v) in cols.items()}
if mode == "half rate": cols = {k: (u, v[::2]) for k, (u, v) in cols.items()}
if mode == "early":
    n = 64; cols = {"time": ("s", [(i - n) / 256.0 for i in range(n + len(t))])}
    cols["a"] = ("m/s2", [0.0] * n + [10 * v for v in p1]); cols["b"] = ("m", [0.0] * n + p2)
if mode == "lag":
    n = 77; pad = lambda v: [0.0] * n + v
    cols = {"time": ("s", [i / 256.0 for i in range(n + len(t))])}
    cols |= {"a": ("m/s2", pad([10 * v for v in p1])), "b": ("m", pad(p2)), "p1": ("m", pad(p1)), "p2": ("m", pad(p2))}
if mode == "clock": cols["time"] = ("s", [1.7e6 + v for v in t])
if mode == "hole": cols["b"][1][500:503] = ["", "", ""]
if mode == "spike": cols["a"][1][500] += 300.0; cols["b"][1][123] -= 2.0
if mode == "dead": cols["b"][1][450:] = [cols["b"][1][450]] * (len(t) - 450)
if mode == "offset": cols["a"] = ("m/s2", [v + 3.0 for v in cols["a"][1]])
if mode == "gap": cols["b"][1][300:400] = [""] * 100
with open(response, "w") as out:
    if mode == "garbage":
        out.write("\\x00\\x01 this is no table"); sys.exit(0)
    out.write(",".join(cols) + "\\n")
    if mode not in ("no units", "no time"): out.write(",".join(u for u, _ in cols.values()) + "\\n")
    for row in zip(*(v for _, v in cols.values())):
        out.write(",".join(str(v) for v in row) + "\\n")
    if mode == "cut off": out.flush(); os.truncate(response, os.path.getsize(response) // 3 + 7)
"""


def drive(seed: int = 1, seconds: float = 4.0) -> Recording:
    n = int(seconds * RATE)
    rng = np.random.default_rng(seed)
    slow = np.cumsum(rng.standard_normal((2, n)), axis=1)
    slow = np.stack([np.convolve(row, np.hanning(21) / 10.5, mode="same") for row in slow])
    fade = np.sin(np.pi * np.arange(n) / n) ** 2
    samples = 0.02 * (slow - slow.mean(axis=1, keepdims=True)) * fade / np.abs(slow).max()
    return Recording(samples=samples, rate_hz=RATE, channels=CHANNELS.drives, name="drive")


@pytest.fixture
def program(tmp_path):
    file = tmp_path / "my rig.py"
    file.write_text(PROGRAM)
    return file


def link(tmp_path, program, mode="good", **changes) -> CommandLink:
    command = f'"{sys.executable}" "{program}" "{mode}" {{drive}} {{response}}'
    settings = {"command": command, "channels": CHANNELS, "folder": tmp_path / "exchange", "working": tmp_path}
    return CommandLink(**{**settings, **changes})


def runs(program) -> int:
    file = program.parent / "runs.txt"
    return len(file.read_text().splitlines()) if file.exists() else 0


def right(response, played, tolerance=1e-6):
    assert response.names == ("a", "b")
    assert response.rate_hz == RATE
    assert response.n_samples == played.n_samples
    assert [channel.unit for channel in response.channels] == ["m/s2", "m"]
    assert np.abs(response.samples[0] - 10 * played.samples[0]).max() < 10 * tolerance
    assert np.abs(response.samples[1] - played.samples[1]).max() < tolerance


@pytest.mark.parametrize("mode", ["good", "order", "units", "no units", "no time", "clock", "early", "lag"])
def test_a_response_is_understood_whatever_its_order_units_and_time(tmp_path, program, mode):
    right(link(tmp_path, program, mode).play(drive(), label="one"), drive())


def test_half_the_sample_rate_is_resampled(tmp_path, program):
    response = link(tmp_path, program, "half rate").play(drive(), label="one")
    right(response, drive(), tolerance=2e-4)


def test_a_few_samples_missing_at_the_end_are_held_and_marked(tmp_path, program):
    response = link(tmp_path, program, "nearly").play(drive(), label="one")
    assert response.n_samples == drive().n_samples
    assert [span.kind for span in response.spans] == ["repaired"]


def test_a_short_hole_is_bridged_and_marked(tmp_path, program):
    response = link(tmp_path, program, "hole").play(drive(), label="one")
    right(response, drive(), tolerance=1e-4)
    assert any(span.channel == "b" and span.kind == "repaired" for span in response.spans)


def test_spikes_are_bridged_and_marked(tmp_path, program):
    response = link(tmp_path, program, "spike").play(drive(), label="one")
    right(response, drive(), tolerance=2e-3)
    assert [(span.channel, span.note) for span in response.spans] == [("a", "spike bridged"), ("b", "spike bridged")]


def test_an_offset_is_left_as_it_is_since_the_band_leaves_it_out(tmp_path, program):
    response = link(tmp_path, program, "offset").play(drive(), label="one")
    assert np.abs(response.samples[0] - 10 * drive().samples[0] - 3.0).max() < 1e-5


@pytest.mark.parametrize(
    ("mode", "words"),
    [
        ("fail", "ended with status 7. It said: valve 2 does not answer"),
        ("nothing", "there is no such file"),
        ("missing", "has no channel 'b'"),
        ("short", r"ends at 2\.00 s, the drive lasts 4\.00 s"),
        ("gap", r"'b' in .* has no numbers from 1\.172 to 1\.562 s"),
        ("dead", r"'b' in .* moves until 1\.7\d s and then stays"),
        ("wrong unit", "channel 'a'"),
        ("garbage", "cannot be used"),
        ("cut off", "."),
    ],
)
def test_what_cannot_be_used_is_an_error_in_words_and_the_file_stays(tmp_path, program, mode, words):
    with pytest.raises(RigError, match=words):
        link(tmp_path, program, mode).play(drive(), label="one")
    assert list((tmp_path / "exchange").glob("*.drive.csv"))
    if mode not in ("fail", "nothing"):
        assert list((tmp_path / "exchange").glob("*.response.csv"))


def test_a_trip_is_told_apart_from_a_failure(tmp_path, program):
    with pytest.raises(RigTripped, match="tilt switch opened"):
        link(tmp_path, program, "trip").play(drive(), label="one")


def test_a_program_that_hangs_is_ended(tmp_path, program):
    started = time.monotonic()
    with pytest.raises(RigError, match="gave no answer in"):
        link(tmp_path, program, "hang", timeout_s=0.5).play(drive(seconds=0.5), label="one")
    assert time.monotonic() - started < 15


def test_cancelling_ends_the_program(tmp_path, program):
    def cancel(share, words):
        raise Cancelled("stopped by the user")

    with pytest.raises(Cancelled):
        link(tmp_path, program, "hang").play(drive(), label="one", progress=cancel)


def test_stop_from_another_thread_ends_the_play(tmp_path, program):
    rig = link(tmp_path, program, "hang")
    threading.Timer(1.0, rig.stop).start()
    with pytest.raises(RigError, match="ended with status"):
        rig.play(drive(), label="one")
    rig.stop()


def test_one_label_moves_the_rig_once_even_after_a_restart(tmp_path, program):
    first = link(tmp_path, program).play(drive(), label="one")
    again = link(tmp_path, program).play(drive(), label="one")
    assert np.array_equal(first.samples, again.samples)
    assert runs(program) == 1
    link(tmp_path, program).play(drive(seed=2), label="one")
    assert runs(program) == 2


def test_a_finished_play_that_was_not_collected_is_collected_not_repeated(tmp_path, program):
    """Killed between the program's end and the reading: the ledger says sent, the response is whole."""
    link(tmp_path, program).play(drive(), label="one")
    ledger = tmp_path / "exchange" / "plays.jsonl"
    kept = [line for line in ledger.read_text().splitlines() if json.loads(line)["state"] == "sent"]
    ledger.write_text("\n".join(kept) + '\n{"label": "cut o')
    right(link(tmp_path, program).play(drive(), label="one"), drive())
    assert runs(program) == 1


def test_a_failed_play_may_be_repeated_under_its_label(tmp_path, program):
    with pytest.raises(RigError):
        link(tmp_path, program, "fail").play(drive(), label="one")
    right(link(tmp_path, program).play(drive(), label="one"), drive())


@pytest.mark.parametrize("file_format", ["netcdf", "mdf4", "csv"])
def test_drive_files_in_other_formats(tmp_path, file_format):
    program = tmp_path / "rig.py"
    program.write_text(
        "import sys\nfrom washboard.recording import *\nd = read_recording(sys.argv[1])\n"
        "c = (Channel(name='a', unit='m/s2', quantity='acceleration'), Channel(name='b', unit='m'))\n"
        "write_recording(d.replace(samples=d.samples * [[10.0], [1.0]], channels=c), sys.argv[2])\n"
    )
    rig = CommandLink(
        command=f'"{sys.executable}" "{program}" {{drive}} {{response}}', channels=CHANNELS,
        folder=tmp_path / "x", working=tmp_path, file_format=file_format,
    )  # fmt: skip
    right(rig.play(drive(), label="one"), drive())
    assert isinstance(rig, RigLink)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"samples": np.full((2, 100), np.nan)}, "'p1' holds NaN"),
        ({"samples": np.full((2, 100), 0.2)}, "reaches 0.1 m; it was not played"),
        ({"rate_hz": 100.0}, "has 100 samples a second"),
        ({"channels": CHANNELS.drives[::-1]}, "has the channels p2, p1; the rig takes p1, p2"),
    ],
)
def test_a_drive_that_does_not_fit_never_reaches_the_rig(tmp_path, program, change, words):
    with pytest.raises(RigError, match=words):
        link(tmp_path, program).play(drive().replace(**change), label="one")
    assert runs(program) == 0


@pytest.mark.parametrize(
    ("command", "words"),
    [("myrig --out {response}", "does not say where {drive} goes"), ('myrig "{drive} {response}', "close its quotes")],
)
def test_a_command_that_cannot_work_is_refused(tmp_path, command, words):
    with pytest.raises(InputError, match=words):
        CommandLink(command=command, channels=CHANNELS, folder=tmp_path, working=tmp_path)


def test_no_shell_reads_the_command(tmp_path, program):
    rig = link(tmp_path, program, "good; touch hacked $(touch hacked2)")
    right(rig.play(drive(), label="$(touch hacked3)"), drive())
    assert not list(tmp_path.glob("hacked*"))


def test_a_program_that_is_not_there_is_told(tmp_path):
    rig = CommandLink(command="no-such-rig {drive} {response}", channels=CHANNELS, folder=tmp_path, working=tmp_path)
    with pytest.raises(RigError, match="'no-such-rig' cannot be started"):
        rig.play(drive(), label="one")


class Controller(threading.Thread):
    """The rig's side of a drop folder: answers each drive once, after a while, in a way that can go wrong."""

    def __init__(self, shared, how="good", after_s=0.2):
        super().__init__(daemon=True)
        self.shared, self.how, self.after_s, self.seen = shared, how, after_s, []
        self.going = True
        self.start()

    def run(self):
        from washboard.recording import read_recording

        while self.going:
            time.sleep(0.05)
            for file in sorted(self.shared.glob("drive-*.csv")) if self.shared.exists() else []:
                if file.name in self.seen:
                    continue
                self.seen.append(file.name)
                played = read_recording(file)
                time.sleep(self.after_s)
                number = file.stem.split("-")[1]
                if self.how == "error":
                    (self.shared / f"error-{number}.txt").write_text("tripped: post 2 out of stroke")
                    continue
                answer = Recording(
                    samples=played.samples * [[10.0], [1.0]], rate_hz=RATE, channels=CHANNELS.responses, name="r"
                )
                out = self.shared / f"response-{number}.csv"
                if self.how == "slow writer":
                    write_recording(answer, self.shared / "whole.csv")
                    text = (self.shared / "whole.csv").read_text()
                    for part in (text[:9000], text[9000:30000], text[30000:]):
                        with out.open("a") as stream:
                            stream.write(part)
                        time.sleep(0.5)
                else:
                    write_recording(answer, out)

    def stop(self):
        self.going = False
        self.join()


def folder_link(tmp_path, timeout_s=20.0) -> FolderLink:
    return FolderLink(
        shared=tmp_path / "shared", channels=CHANNELS, ledger=tmp_path / "plays.jsonl", timeout_s=timeout_s
    )


@pytest.mark.parametrize("how", ["good", "slow writer"])
def test_a_drop_folder_answers(tmp_path, how):
    controller = Controller(tmp_path / "shared", how)
    try:
        right(folder_link(tmp_path).play(drive(), label="one"), drive())
        assert controller.seen == ["drive-0001.csv"]
        assert "nothing is waited for" in (tmp_path / "shared" / "waiting.txt").read_text()
    finally:
        controller.stop()


def test_a_drop_folder_survives_a_restart_and_never_asks_twice(tmp_path):
    with pytest.raises(RigError, match=r"no response-0001\.\* appeared"):
        folder_link(tmp_path, timeout_s=-3.5).play(drive(), label="one")
    assert "waiting for response-0001.*" in (tmp_path / "shared" / "waiting.txt").read_text()
    controller = Controller(tmp_path / "shared")
    try:
        right(folder_link(tmp_path).play(drive(), label="one"), drive())
        right(folder_link(tmp_path).play(drive(), label="one"), drive())
        folder_link(tmp_path).play(drive(seed=2), label="two")
        assert controller.seen == ["drive-0001.csv", "drive-0002.csv"]
    finally:
        controller.stop()


def test_a_crash_between_ledger_and_hand_over_is_mended(tmp_path):
    """The drive was written under its hidden name and entered, but not yet renamed."""
    with pytest.raises(RigError):
        folder_link(tmp_path, timeout_s=-3.5).play(drive(), label="one")
    shared = tmp_path / "shared"
    (shared / "drive-0001.csv").rename(shared / ".prepared-0001.csv")
    controller = Controller(shared)
    try:
        right(folder_link(tmp_path).play(drive(), label="one"), drive())
    finally:
        controller.stop()


def test_the_controller_can_refuse_in_words(tmp_path):
    controller = Controller(tmp_path / "shared", "error")
    try:
        with pytest.raises(RigTripped, match="tripped: post 2 out of stroke"):
            folder_link(tmp_path).play(drive(), label="one")
    finally:
        controller.stop()


def test_stop_leaves_word_and_ends_the_wait(tmp_path):
    rig = folder_link(tmp_path)
    threading.Timer(0.7, rig.stop).start()
    with pytest.raises(RigError, match="was stopped while waiting"):
        rig.play(drive(), label="one")
    assert (tmp_path / "shared" / "stop").exists()


def test_a_play_that_was_stopped_is_taken_back_and_handed_over_anew(tmp_path):
    rig, shared = folder_link(tmp_path), tmp_path / "shared"
    threading.Timer(0.7, rig.stop).start()
    with pytest.raises(RigError, match="was stopped while waiting"):
        rig.play(drive(), label="one")
    assert [file.name for file in shared.glob("drive-*")] == ["drive-0001.csv"]
    controller = Controller(shared)
    controller.seen.append("drive-0001.csv")
    try:
        right(folder_link(tmp_path).play(drive(), label="one"), drive())
        assert [file.name for file in shared.glob("drive-*")] == ["drive-0002.csv"]
        assert not (shared / "stop").exists()
    finally:
        controller.stop()


def test_numbers_in_the_folder_are_never_used_again(tmp_path):
    (tmp_path / "shared").mkdir()
    (tmp_path / "shared" / "response-0041.mat").write_bytes(b"old")
    with pytest.raises(RigError, match=r"response-0042"):
        folder_link(tmp_path, timeout_s=-3.5).play(drive(), label="one")


def test_a_lag_without_the_drive_in_the_file_is_left_to_identification(tmp_path):
    """Nothing in the file tells a lag from the rig's own delay, so it is not guessed at."""
    played = drive()
    late = np.concatenate([np.zeros((2, 40)), played.samples[:, :-40]], axis=1) * [[10.0], [1.0]]
    write_recording(Recording(samples=late, rate_hz=RATE, channels=CHANNELS.responses), tmp_path / "r.nc")
    found = read_response(tmp_path / "r.nc", CHANNELS, played, label="one")
    assert np.abs(found.samples - late).max() < 1e-6


def test_a_response_with_the_drive_beside_it_is_read_from_the_disk_once(tmp_path, monkeypatch):
    from washboard.rig import _exchange

    played, reads = drive(), []
    both = Recording(
        samples=np.concatenate([10 * played.samples[:1], played.samples[1:], played.samples]), rate_hz=RATE,
        channels=(*CHANNELS.responses, *CHANNELS.drives),
    )  # fmt: skip
    write_recording(both, tmp_path / "r.csv")
    actual = _exchange.read_source
    monkeypatch.setattr(_exchange, "read_source", lambda path, **how: (reads.append(path), actual(path, **how))[1])
    found = read_response(tmp_path / "r.csv", CHANNELS, played, label="one")
    assert np.abs(found.samples - both.samples[:2]).max() < 1e-5
    assert reads == [tmp_path / "r.csv"]


@pytest.mark.skipif(os.name == "nt", reason="process groups")
def test_children_of_the_program_are_ended_too(tmp_path):
    program = tmp_path / "parent.py"
    program.write_text(
        "import subprocess, sys, time\n"
        "child = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(60)'])\n"
        "open(sys.argv[2] + '.pid', 'w').write(str(child.pid))\ntime.sleep(60)\n"
    )
    rig = CommandLink(
        command=f'"{sys.executable}" "{program}" {{drive}} {{response}}', channels=CHANNELS, folder=tmp_path / "x",
        working=tmp_path, timeout_s=0.8,
    )  # fmt: skip
    with pytest.raises(RigError, match="gave no answer"):
        rig.play(drive(seconds=0.5), label="one")
    pid = int(next((tmp_path / "x").glob("*.pid")).read_text())
    deadline = time.monotonic() + 5
    while time.monotonic() < deadline:
        try:
            os.kill(pid, 0)
        except ProcessLookupError:
            return
        status = Path(f"/proc/{pid}/stat")
        if status.exists() and status.read_text().rsplit(")", 1)[1].split()[0] == "Z":
            return
        time.sleep(0.1)
    pytest.fail("the program's child still runs")
