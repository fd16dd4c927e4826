"""A rig without dynamics whose gains, noise and faults a test sets, and a small test to run on it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

from washboard.endure import EndureSettings, Journal, RunResult, mixed_sequence, run_sequence
from washboard.recording import Channel, Recording
from washboard.rig import RigChannels

RATE_HZ = 128.0
SLOPES = (3.0, 5.0)
BANDS = ((0.5, 2.0), (2.0, 8.0), (8.0, 32.0))


@dataclass
class Bench:
    """Four response channels, each a gain times one of two drives plus noise."""

    gains: np.ndarray = field(default_factory=lambda: np.array([1.0, 2.0, 3.0, 4.0]))
    noise: float = 0.002
    played: list[str] = field(default_factory=list)
    stops: int = 0
    before: Callable[[str], None] = lambda _label: None
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(7))

    def channels(self) -> RigChannels:
        drives = tuple(Channel(name=name, unit="m", limits=(-0.1, 0.1)) for name in ("left", "right"))
        responses = tuple(Channel(name=f"r{k}", unit="m/s2") for k in range(4))
        return RigChannels(drives=drives, responses=responses, rate_hz=RATE_HZ)

    def play(self, drive, *, label="", progress=lambda share, words: None):
        self.before(label)
        self.played.append(label)
        progress(0.5, "")
        clean = self.gains[:, None] * np.repeat(drive.samples, 2, axis=0)
        samples = clean + self.noise * self.rng.standard_normal(clean.shape)
        return Recording(samples=samples, rate_hz=RATE_HZ, channels=self.channels().responses, name=label)

    def stop(self) -> None:
        self.stops += 1


def drive(seed: int, seconds: float = 8.0) -> Recording:
    samples = 0.05 * np.random.default_rng(seed).standard_normal((2, int(seconds * RATE_HZ)))
    return Recording(samples=samples, rate_hz=RATE_HZ, channels=Bench().channels().drives)


@dataclass
class Small:
    """A test of twelve passes: eight of one event, four of another."""

    file: Path
    bench: Bench = field(default_factory=Bench)
    settings: EndureSettings = field(default_factory=lambda: EndureSettings(blocks=2))
    plays: dict[str, int] = field(default_factory=lambda: {"yard": 8, "ramp": 4})
    drives: dict[str, Recording] = field(default_factory=lambda: {"yard": drive(1), "ramp": drive(2)})

    def run(self, **options) -> RunResult:
        with Journal(self.file) as journal:
            return run_sequence(
                self.bench,
                journal,
                mixed_sequence(self.plays, blocks=self.settings.blocks),
                self.drives,
                self.settings,
                slopes=SLOPES,
                bands_hz=BANDS,
                **options,
            )

    def passes(self):
        with Journal(self.file) as journal:
            return journal.passes()

    def runs(self):
        with Journal(self.file) as journal:
            return journal.runs()


@pytest.fixture
def small(tmp_path: Path) -> Small:
    return Small(tmp_path / "journal.db")
