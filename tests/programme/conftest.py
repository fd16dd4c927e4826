"""A small programme folder with stages that count their runs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from washboard.programme import FILE_NAME, Outcome, Plan, Stage, Workspace, read_plan

TEXT = """
[programme]
name = "small"

[[channel]]
name = "axle left"
quantity = "acceleration"
unit = "m/s2"

[[event]]
name = "yard"
recordings = ["recordings/yard-*.csv"]
repeats = 100
distance = "500 m"

[[event]]
name = "ramp"
recordings = ["recordings/ramp.csv"]
repeats = 20
distance = "800 m"

[duty]
distance = "60000 km"

[rig.link]
kind = "folder"
folder = "rig"

[[rig.post]]
name = "left"
position = ["0 m", "1 m"]
"""


@dataclass
class Job:
    """A folder, its stages, and how often each ran."""

    folder: Path
    stages: tuple[Stage, ...]
    runs: list[str] = field(default_factory=list)
    before: dict[str, Callable[[Workspace], None]] = field(default_factory=dict)

    @property
    def plan(self) -> Plan:
        return read_plan(self.folder)

    def edit(self, old: str, new: str) -> None:
        file = self.folder / FILE_NAME
        text = file.read_text()
        assert old in text
        file.write_text(text.replace(old, new))


@pytest.fixture
def job(tmp_path: Path) -> Job:
    folder = tmp_path / "job"
    (folder / "recordings").mkdir(parents=True)
    (folder / FILE_NAME).write_text(TEXT)
    for name in ("yard-1", "yard-2", "ramp"):
        (folder / "recordings" / f"{name}.csv").write_text(f"samples of {name}\n")
    made = Job(folder, ())

    def runner(name: str, work: Callable[[Workspace], str]) -> Callable[[Workspace], Outcome]:
        def run(ws: Workspace) -> Outcome:
            made.runs.append(name)
            if name in made.before:
                made.before[name](ws)
            (ws.out / "result.txt").write_text(work(ws))
            return Outcome(verdict="fine", summary=f"{name} done", figures={"n": len(made.runs)})

        return run

    def first(ws: Workspace) -> str:
        (ws.out / "notes.txt").write_text("for people")
        return "".join(file.read_text() for file in sorted((ws.folder / "recordings").iterdir()))

    made.stages = (
        Stage(
            name="check",
            title="reads recordings",
            needs={},
            reads=lambda plan: plan.channel,
            recordings=True,
            run=runner("check", first),
        ),
        Stage(
            name="target",
            title="reads repeats",
            needs={"check": ("result.*",)},
            reads=lambda plan: [(event.name, event.repeats) for event in plan.event],
            run=runner("target", lambda ws: str([event.repeats for event in ws.plan.event])),
        ),
        Stage(
            name="identify",
            title="reads neither",
            needs={"check": ("result.*",)},
            reads=lambda plan: plan.identify,
            run=runner("identify", lambda ws: "frf"),
        ),
        Stage(
            name="endure",
            title="reads both",
            needs={"target": (), "identify": ()},
            reads=lambda plan: plan.endure,
            run=runner("endure", lambda ws: (ws.of("target") / "result.txt").read_text()),
        ),
    )
    return made
