"""The stages of the job in order; their code is imported only when asked for."""

from __future__ import annotations

from functools import cache
from importlib import import_module

from washboard.programme._stage import Stage

#: In the order of the job.
STAGE_NAMES = (
    "check",
    "loads",
    "target",
    "shorten",
    "plan",
    "identify",
    "replicate",
    "endure",
    "correlate",
    "report",
)


@cache
def all_stages() -> tuple[Stage, ...]:
    """Every stage, in the order of the job."""
    return tuple(stage_named(name) for name in STAGE_NAMES)


@cache
def stage_named(name: str) -> Stage:
    """The stage `name`, one of `STAGE_NAMES`."""
    stage: Stage = import_module(f"washboard.programme.stages.{name}").STAGE
    return stage
