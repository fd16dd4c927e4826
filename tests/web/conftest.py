"""A small programme folder to look at: an invented two-axle truck on four posts, two events, recordings made here."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from washboard.recording import Channel, Recording, write_recording


@pytest.fixture(autouse=True)
def modules_stay() -> Iterator[None]:
    """NiceGUI's test fixture drops the app's modules and their parents; tests that follow need the same ones back."""
    before = {name: module for name, module in sys.modules.items() if name.split(".")[0] == "washboard"}
    yield
    sys.modules.update(before)


#: Events and duty of the truck's service.
SERVICE = """
[[event]]
name = "haul ramp"
recordings = ["recordings/ramp-*.nc"]
distance = "800 m"
repeats = 120     # counted by the quarry

[[event]]
name = "kerb strikes"
recordings = ["recordings/kerb.nc"]
distance = "60 m"
repeats = 40

[duty]
distance = "60000 km"
"""

POSTS = """
[rig]
name = "four posts"

[[rig.post]]
name = "front left"
position = ["0 m", "1.0 m"]

[[rig.post]]
name = "front right"
position = ["0 m", "-1.0 m"]

[[rig.post]]
name = "rear left"
position = ["-3.8 m", "0.95 m"]

[[rig.post]]
name = "rear right"
position = ["-3.8 m", "-0.95 m"]
"""

SPECIMEN = """
[specimen]
name = "tipper"

[specimen.frame]
mass = "9000 kg"
cog = ["-2.2 m", "0 m", "1.4 m"]

[[specimen.axle]]
name = "front axle"
x = "0 m"
track = "2.0 m"

[[specimen.axle]]
name = "rear axle"
x = "-3.8 m"
track = "1.9 m"
"""

PROGRAMME = (
    """\
# Written by hand; this comment must survive every edit.
[programme]
name = "Tipper, first try"
vehicle = "two-axle tipper"

[band]
low = "0.6 Hz"      # the rig follows down to here
high = "20 Hz"

[[channel]]
name = "front left axle"
quantity = "acceleration"
unit = "m/s2"
role = "control"

[[channel]]
name = "front right axle"
quantity = "acceleration"
unit = "m/s2"

[[channel]]
name = "frame strain"
quantity = "strain"
unit = "um/m"
role = "monitor"
"""
    + SERVICE
    + POSTS
    + """
[rig.link]
kind = "folder"
folder = "handover"
"""
)


#: The same truck with its posts and itself described: for the virtual rig, which can play drives.
VIRTUAL = (
    """\
# Written by hand; this comment must survive every edit.
[programme]
name = "Tipper on the virtual rig"

[band]
low = "1.5 Hz"      # the rig follows down to here
high = "15 Hz"

[[channel]]
name = "front left az"
quantity = "acceleration"
unit = "m/s2"
on = "front axle"
position = ["0 m", "1.0 m", "0.5 m"]

[[channel]]
name = "front right az"
quantity = "acceleration"
unit = "m/s2"
on = "front axle"
position = ["0 m", "-1.0 m", "0.5 m"]

[[channel]]
name = "rear left az"
quantity = "acceleration"
unit = "m/s2"
on = "rear axle"
position = ["-3.8 m", "0.95 m", "0.5 m"]

[[channel]]
name = "rear right az"
quantity = "acceleration"
unit = "m/s2"
on = "rear axle"
position = ["-3.8 m", "-0.95 m", "0.5 m"]
"""
    + SERVICE
    + """
[identify]
budget = "40 s"
period = "8 s"

[replicate]
plays = 3
taper = "1 s"
goal = 0.001

[endure]
passes = 2
reference_passes = 1
"""
    + POSTS
    + """
[rig.link]
kind = "virtual"
rate = "256 Hz"
"""
    + SPECIMEN
)


def axle_recording(seconds: float, seed: int, *, spike: bool = False, rate_hz: float = 256.0) -> Recording:
    """Accelerations as axles have them, most between 4 and 10 Hz, one channel with a spike of known place."""
    rng = np.random.default_rng(seed)
    n = int(seconds * rate_hz)
    freq_hz = np.fft.rfftfreq(n, 1 / rate_hz)
    shape = (freq_hz / 6) ** 2 / (1 + (freq_hz / 6) ** 2) / (1 + (freq_hz / 9) ** 8)
    samples = np.fft.irfft(np.fft.rfft(rng.standard_normal((4, n)), axis=1) * shape, n, axis=1)
    samples = (2.0 * samples / samples.std(axis=1, keepdims=True)).astype(np.float32)
    if spike:
        samples[0, int(2.5 * rate_hz)] = 400.0
    names = [f"{end} {side} az" for end in ("front", "rear") for side in ("left", "right")]
    channels = tuple(Channel(name=name, unit="m/s2", quantity="acceleration") for name in names)
    return Recording(samples=samples, rate_hz=rate_hz, channels=channels, name=f"made {seed}")


def laid_out(root: Path, programme: str, made: Callable[..., Recording], seconds: tuple[float, float, float]) -> Path:
    """A programme folder with two recordings of the haul ramp, one of kerb strikes, and nothing run yet."""
    (root / "recordings").mkdir(parents=True)
    (root / "programme.toml").write_text(programme, encoding="utf-8")
    for seed, name in enumerate(("ramp-1", "ramp-2", "kerb"), start=1):
        recording = made(seconds[seed - 1], seed, spike=name == "ramp-2")
        write_recording(recording, root / "recordings" / f"{name}.nc")
    return root


def virtual_in(where: Path) -> Path:
    """A programme on the virtual rig with three recordings and nothing run yet."""
    return laid_out(where / "virtual", VIRTUAL, axle_recording, (12.0, 11.0, 8.0))


@pytest.fixture
def virtual(tmp_path: Path) -> Path:
    """A programme on the virtual rig with three recordings and nothing run yet."""
    return virtual_in(tmp_path)


@pytest.fixture(scope="session")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A programme on the virtual rig with every stage up to the report run: to be looked at, not changed."""
    from washboard.programme import all_stages, read_plan, run_stage, stage_named

    root = virtual_in(tmp_path_factory.mktemp("whole"))
    run_stage(stage_named("report"), all_stages(), root, read_plan(root))
    return root


#: The system's browser, offline: nothing it might fetch by itself is fetched.
ARGUMENTS = [
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """A real Chromium."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=ARGUMENTS)
        yield chromium
        chromium.close()


def made_recording(seconds: float, seed: int, *, spike: bool = False, rate_hz: float = 256.0) -> Recording:
    """Noise below some 10 Hz on three channels, one with a spike of known place and height."""
    rng = np.random.default_rng(seed)
    n = int(seconds * rate_hz)
    spectrum = np.fft.rfft(rng.standard_normal((3, n)), axis=1)
    freq_hz = np.fft.rfftfreq(n, 1 / rate_hz)
    spectrum *= 1 / (1 + (freq_hz / 8) ** 8)
    smooth = np.fft.irfft(spectrum, n, axis=1)
    smooth /= smooth.std(axis=1, keepdims=True)
    samples = (smooth * np.array([[3.0], [2.5], [40e-6]])).astype(np.float32)
    if spike:
        samples[0, int(2.5 * rate_hz)] = 400.0
    channels = (
        Channel(name="front left axle", unit="m/s2", quantity="acceleration"),
        Channel(name="front right axle", unit="m/s2", quantity="acceleration"),
        Channel(name="frame strain", unit="m/m", quantity="strain"),
    )
    return Recording(samples=samples, rate_hz=rate_hz, channels=channels, name=f"made {seed}")


def folder_in(where: Path) -> Path:
    """A programme folder with three recordings and nothing run yet."""
    return laid_out(where / "tipper", PROGRAMME, made_recording, (30.0, 28.0, 12.0))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A programme folder with three recordings and nothing run yet."""
    return folder_in(tmp_path)


@pytest.fixture
def described(folder: Path) -> Path:
    """The same folder with the truck itself described too."""
    file = folder / "programme.toml"
    file.write_text(file.read_text(encoding="utf-8") + SPECIMEN, encoding="utf-8")
    return folder


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with check, target and shorten really run, once for all tests: to be copied, not changed."""
    from washboard.programme import all_stages, read_plan, run_stage, stage_named

    root = folder_in(tmp_path_factory.mktemp("made"))
    run_stage(stage_named("shorten"), all_stages(), root, read_plan(root))
    return root


@pytest.fixture
def shortened(made: Path, tmp_path: Path) -> Path:
    """A copy of it to change."""
    return Path(shutil.copytree(made, tmp_path / "copy"))


@pytest.fixture
def checked(folder: Path) -> Path:
    """The same folder with its recordings checked by the real stage."""
    from washboard.programme import read_plan, run_stage, stage_named

    check = stage_named("check")
    run_stage(check, (check,), folder, read_plan(folder))
    return folder


def free_port() -> int:
    """A port nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    return port


class Server:
    """The app in a process of its own, as its user runs it."""

    def __init__(self, folder: Path, port: int, token: str | None = None) -> None:
        self.address = f"http://127.0.0.1:{port}"
        code = (
            "import sys; from pathlib import Path; from washboard.web import serve; "
            "serve(Path(sys.argv[1]), port=int(sys.argv[2]), token=sys.argv[3] or None)"
        )
        command = [sys.executable, "-c", code, str(folder), str(port), token or ""]
        environment = {k: v for k, v in os.environ.items() if not k.startswith(("NICEGUI", "PYTEST"))}
        self.log = folder / "server.log"
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(command, stdout=log, stderr=subprocess.STDOUT, env=environment)
        started = time.monotonic()
        while True:
            try:
                urllib.request.urlopen(f"{self.address}/assets/washboard.css", timeout=2).read()
                break
            except urllib.error.HTTPError:
                break
            except OSError:
                if self.process.poll() is not None or time.monotonic() - started > 40:
                    raise RuntimeError(f"the server did not start: {self.log.read_text()}") from None
                time.sleep(0.1)

    def stop(self) -> None:
        """End it as Ctrl+C would; by force when it does not listen."""
        self.process.send_signal(signal.SIGINT)
        try:
            self.process.wait(10)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait(10)


@pytest.fixture
def serve_folder() -> Iterator[Callable[..., Server]]:
    """Starts servers and ends them after the test."""
    running: list[Server] = []

    def start(folder: Path, token: str | None = None) -> Server:
        running.append(Server(folder, free_port(), token))
        return running[-1]

    yield start
    for server in running:
        if server.process.poll() is None:
            server.stop()
