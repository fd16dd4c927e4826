"""Identification and replication on a rig that is none of ours: MuJoCo behind a command, all defaults but the budget."""

import importlib.util
import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from washboard.programme import load_table
from washboard.programme.stages import identify, replicate
from washboard.recording import Channel, Recording
from washboard.rig import CommandLink
from washboard.testing import RESPONSES, BenchRig, bench_folder, bench_plan, bench_workspace

pytest.importorskip("mujoco")
PROGRAM = Path(__file__).parent / "foreign_rig.py"
RATE = 256.0


def foreign():
    spec = importlib.util.spec_from_file_location("foreign_rig", PROGRAM)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def road_target(seconds=14.0, seed=4):
    """What the same vehicle feels on rolling tyres over a rough road, wheel by wheel."""
    rng = np.random.default_rng(seed)
    n = round(seconds * RATE)
    f = np.fft.rfftfreq(n, 1 / RATE)
    shape = np.where((f > 0.5) & (f < 25), 1 / np.maximum(f, 0.5), 0.0)
    road = np.fft.irfft(shape * np.exp(2j * np.pi * rng.random((4, f.size))), n)
    road *= 0.009 / road.std() * np.minimum(1, np.minimum(np.arange(n), np.arange(n)[::-1]) / RATE)
    found = foreign().responses(road, RATE, rolling=True)
    channels = tuple(
        Channel(name=name, unit="m", quantity="displacement")
        if name.startswith("spring")
        else Channel(name=name, unit="m/s2", quantity="acceleration")
        for name in RESPONSES
    )
    return Recording(samples=np.stack([found[name] for name in RESPONSES]), rate_hz=RATE, channels=channels, name="r")


@pytest.mark.timeout(240)
def test_a_vehicle_in_another_engine_is_identified_and_replicated_behind_a_command(tmp_path, monkeypatch):
    link = CommandLink(
        command=f'"{sys.executable}" "{PROGRAM}" --drive {{drive}} --response {{response}}',
        channels=BenchRig().channels(), folder=tmp_path / "exchange", working=tmp_path,
    )  # fmt: skip
    monkeypatch.setattr("washboard.programme._rig_link.open_link", lambda plan, folder: link)
    monkeypatch.setenv("OMP_NUM_THREADS", "1")
    bench_folder(tmp_path, {"random": road_target()})
    plan = bench_plan(extra='[identify]\nbudget = "240 s"\n[replicate]\nplays = 7\n')
    identify.run(bench_workspace(tmp_path, plan, "identify"))
    replicate.run(bench_workspace(tmp_path, plan, "replicate"))
    event = load_table(tmp_path / "stages/replicate/replicate.json")["events"]["random"]
    course = [entry["overall"] for entry in event["history"]]
    assert event["overall"] < 0.2, course
    assert max(event["error"].values()) < 0.35
    ratio = np.array(list(event["damage_ratio"].values()))[:, 1]
    assert 0.5 < ratio.min() < ratio.max() < 1.6


#: A rig that answers at once: four delays and sums, nothing but the standard library and NumPy.
LINEAR = """
import csv, sys, numpy as np
rows = list(csv.reader(open(sys.argv[1])))
head = rows[0]
table = np.array([[float(v) for v in row] for row in rows[1:] if row and row[0][:1].isdigit()]).T
open("runs.txt", "a").write("1\\n")
u = table[1:5]
acc = np.gradient(np.gradient(u, axis=1), axis=1) * 256.0**2
mix = np.random.default_rng(1).normal(size=(8, 4)) * 0.3 + np.concatenate([np.eye(4), 0.5 * np.eye(4)])
y = np.roll(mix @ acc, 2, axis=1)
names = sys.argv[3].split(",")
out = csv.writer(open(sys.argv[2] + ".part", "w", newline=""))
out.writerow(["time", *names]); out.writerow(["s"] + ["m/s2"] * 8)
out.writerows([f"{t:.9f}", *(f"{v:.9g}" for v in row)] for t, row in zip(table[0], y.T))
del out
import os; os.replace(sys.argv[2] + ".part", sys.argv[2])
"""

#: Both stages in a process of their own, to be killed.
DRIVER = """
import sys
from pathlib import Path
import washboard.programme._rig_link as links
from washboard.programme.stages import identify, replicate
from washboard.rig import CommandLink, RigChannels
from washboard.testing import RESPONSES, BenchRig, bench_plan, bench_workspace
folder = Path(sys.argv[1])
whole = BenchRig().channels()
names = RESPONSES[:8]
channels = RigChannels(drives=whole.drives, responses=whole.responses[:8], rate_hz=256.0)
link = CommandLink(command=f'"{sys.executable}" rig.py {{drive}} {{response}} {",".join(names)}', channels=channels,
                   folder=folder / "exchange", working=folder)
links.open_link = lambda plan, folder: link
plan = bench_plan(control=names, extra='[identify]\\nbudget = "200 s"\\n[replicate]\\nplays = 5\\ngoal = 1e-9\\n')
if not (folder / "stages/identify/identify.json").exists():
    identify.run(bench_workspace(folder, plan, "identify"))
replicate.run(bench_workspace(folder, plan, "replicate"))
"""


def linear_folder(folder):
    folder.mkdir()
    (folder / "rig.py").write_text(LINEAR)
    (folder / "driver.py").write_text(DRIVER)
    rng = np.random.default_rng(3)
    n = round(12 * RATE)
    channels = BenchRig().channels().responses[:8]
    samples = rng.standard_normal((8, n))
    bench_folder(folder, {"random": Recording(samples=samples, rate_hz=RATE, channels=channels, name="random")})
    return [sys.executable, str(folder / "driver.py"), str(folder)]


@pytest.mark.slow
@pytest.mark.timeout(600)
@pytest.mark.skipif(os.name == "nt", reason="kill -9")
def test_killed_at_any_moment_the_next_start_goes_on_and_nothing_is_played_twice(tmp_path):
    whole = linear_folder(tmp_path / "whole")
    subprocess.run(whole, check=True, cwd=tmp_path / "whole")
    command, folder = linear_folder(tmp_path / "killed"), tmp_path / "killed"
    draw = random.Random(5)
    kills = 0
    while True:
        process = subprocess.Popen(command, cwd=folder)
        try:
            assert process.wait(timeout=draw.uniform(1.0, 5.0) if kills < 8 else 300) == 0
            break
        except subprocess.TimeoutExpired:
            process.send_signal(signal.SIGKILL)
            process.wait()
            kills += 1
            time.sleep(0.5)  # the rig's own program, not killed, may still finish its play
    assert kills
    one, other = (
        json.loads((place / "stages/replicate/replicate.json").read_text())["events"]["random"]
        for place in (tmp_path / "whole", folder)
    )
    assert other["history"] == one["history"]
    ran = [len((place / "runs.txt").read_text().splitlines()) for place in (tmp_path / "whole", folder)]
    kept = [len(list((place / "plays").glob("*.nc"))) for place in (tmp_path / "whole", folder)]
    assert kept[1] == kept[0]
    assert ran[1] <= ran[0] + kills  # at most the play that was under way when killed
    labels = [json.loads(line) for line in (folder / "exchange/plays.jsonl").read_text().splitlines()]
    done = [(line["label"], line["drive"]) for line in labels if line["state"] == "done"]
    assert len(done) == len(set(done))
