"""The command line run as users run it, in a process of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from washboard.recording import Channel, Recording, write_recording

PROGRAMME = """\
[programme]
name = "Yard test"

[band]
low = "1 Hz"
high = "20 Hz"

[[channel]]
name = "axle left az"
quantity = "acceleration"
unit = "m/s2"
on = "axle"
position = ["0 m", "0.9 m", "0.5 m"]

[[channel]]
name = "axle right az"
quantity = "acceleration"
unit = "m/s2"
on = "axle"
position = ["0 m", "-0.9 m", "0.5 m"]

[[event]]
name = "yard"
recordings = ["recordings/yard-*.csv"]
repeats = 100
distance = "500 m"

[duty]
distance = "60000 km"

[loads]
block = "4 s"

[rig.link]
kind = "folder"
folder = "rig"

[[rig.post]]
name = "left"
position = ["0 m", "0.9 m"]

[[rig.post]]
name = "right"
position = ["0 m", "-0.9 m"]
"""


@dataclass
class Told:
    """What a command said and how it ended."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out)


def washboard(*arguments: object, cwd: Path | None = None, **environment: str) -> Told:
    done = subprocess.run(
        [sys.executable, "-m", "washboard", *map(str, arguments)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        cwd=cwd,
        env={**os.environ, "COLUMNS": "200", **environment},
        check=False,
        timeout=100,
    )
    return Told(done.returncode, done.stdout, done.stderr)


def lap(seed: int, seconds: float = 12.0, rate_hz: float = 128.0, names=("axle left az", "axle right az")) -> Recording:
    samples = 5 * np.random.default_rng(seed).standard_normal((len(names), int(seconds * rate_hz)))
    channels = tuple(Channel(name=name, unit="m/s2", quantity="acceleration") for name in names)
    return Recording(samples=samples, rate_hz=rate_hz, channels=channels)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A programme with two good laps of one event."""
    made = tmp_path / "yard-test"
    (made / "recordings").mkdir(parents=True)
    (made / "programme.toml").write_text(PROGRAMME)
    for number in (1, 2):
        write_recording(lap(number), made / "recordings" / f"yard-{number}.csv")
    return made


@pytest.fixture(scope="session")
def wb():
    """The command, as a function."""
    return washboard
