"""Sequence: which drive is played when, so that every part of the test is a small copy of the whole."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

from washboard.errors import InputError

MIXING = (
    "plays spread evenly over blocks; within a block each event evenly spaced, one that is played more often first "
    "where two fall together"
)


@dataclass(frozen=True, kw_only=True, slots=True)
class SequenceStep:
    """One pass to be run: its event and the block it belongs to, counted from 0."""

    event: str
    block: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Sequence:
    """The whole test in order, and in words how it was mixed."""

    steps: tuple[SequenceStep, ...]
    mixing: str = MIXING

    @property
    def plays(self) -> dict[str, int]:
        """Passes of each event in the whole test."""
        return dict(Counter(step.event for step in self.steps))

    def remaining(self, done: Mapping[str, int]) -> tuple[SequenceStep, ...]:
        """What is left when of each event as many passes as `done` says are behind: its first ones are taken out."""
        left = dict(done)
        steps = []
        for step in self.steps:
            if left.get(step.event, 0) > 0:
                left[step.event] -= 1
            else:
                steps.append(step)
        return tuple(steps)


def mixed_sequence(plays: Mapping[str, int], *, blocks: int = 10) -> Sequence:
    """Spread the plays of each event over the test.

    Damage depends on the order in which loads come, and a test may end early; so after any number of blocks every
    event has had its share of plays to within one pass (cumulative rounding), and within a block its plays are evenly
    spaced. Common practice for block programmes, no source for this rule.

    Parameters
    ----------
    plays : mapping of str to int
        Passes of each event in the whole test.
    blocks : int
        At least 1; fewer are used when no event has that many plays.

    Raises
    ------
    InputError
        A negative number of plays, no play at all, or no block.
    """
    if blocks < 1:
        raise InputError(f"endure.blocks must be at least 1, not {blocks}")
    for event, count in plays.items():
        if count < 0 or count != int(count):
            raise InputError(f"event '{event}': plays must be a whole number of at least 0, not {count!r}")
    most = max(plays.values(), default=0)
    if most == 0:
        raise InputError("the sequence holds no pass; run 'shorten' so that at least one event is played")
    n_blocks = min(blocks, most)
    steps: list[SequenceStep] = []
    for block in range(n_blocks):
        placed = []
        for rank, (event, count) in enumerate(plays.items()):
            here = _share(count, block + 1, n_blocks) - _share(count, block, n_blocks)
            placed += [((play + 0.5) / here, -here, rank, event) for play in range(here)]
        steps += [SequenceStep(event=event, block=block) for *_, event in sorted(placed)]
    return Sequence(steps=tuple(steps))


def _share(count: int, blocks: int, of: int) -> int:
    """Plays due after `blocks` of all blocks: rounded up, so that rare events come early rather than never."""
    return -(-count * blocks // of)
