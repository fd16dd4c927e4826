"""The steps of the job as pages: what each is called, where it lives, which stage makes what it shows."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True, slots=True)
class StepPage:
    """One page: its address, its words, the stage behind it (none for the overview)."""

    path: str
    title: str
    stage: str
    question: str


#: In the order of the job.
STEPS = (
    StepPage(path="/programme", title="Programme", stage="", question="Where does the test stand, and what is next?"),
    StepPage(path="/recordings", title="Recordings", stage="check", question="Can the recordings be trusted?"),
    StepPage(path="/loads", title="Loads", stage="loads", question="Which events and frequencies do the damage?"),
    StepPage(path="/target", title="Target", stage="target", question="How much damage must the test do?"),
    StepPage(path="/shortening", title="Shortening", stage="shorten", question="What can be left out?"),
    StepPage(path="/rig", title="Rig", stage="plan", question="Can the rig and the vehicle do it, safely?"),
    StepPage(path="/identification", title="Identification", stage="identify", question="How does the rig answer?"),
    StepPage(path="/replication", title="Replication", stage="replicate", question="Which drives give the target?"),
    StepPage(path="/run", title="Run", stage="endure", question="Is the vehicle still the same, how far are we?"),
    StepPage(path="/equivalence", title="Equivalence", stage="correlate", question="What is the running worth?"),
    StepPage(path="/report", title="Report", stage="report", question="What goes to those who asked for the test?"),
)


def step_at(path: str) -> StepPage:
    """The page at `path`."""
    return next(step for step in STEPS if step.path == path)


def step_of(stage: str) -> StepPage:
    """The page of `stage`."""
    return next(step for step in STEPS if step.stage == stage)
