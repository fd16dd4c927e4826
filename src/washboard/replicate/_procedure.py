"""Replication of one event as a procedure: play, learn, play again, until it is good or as good as it gets."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.errors import RigTripped
from washboard.identify import LimitUse
from washboard.replicate._iterate import Iteration, Problem
from washboard.replicate._measures import ErrorMeasures, error_measures, overall_error
from washboard.settings import Progress, no_progress

Floats = NDArray[np.float64]

Player = Callable[[Floats, str], Floats]
"""Plays drives (drive, time) under a name and returns the control channels' response; raises RigTripped."""


@dataclass(frozen=True, kw_only=True, slots=True)
class PlayNote:
    """One play as it is reported: errors per channel, what was asked, whether and how it was held to limits."""

    number: int
    level: float
    overall: float
    error: tuple[float, ...]
    tripped: bool
    use: float
    removed: float
    words: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Replication:
    """What was found for one event.

    Parameters
    ----------
    drive : ndarray, shape (drive, time)
        The best drive, run-in and run-out included. [m or rad]
    response : ndarray, shape (response, time)
        What it brought, as measured.
    best : int
        Its number, from 1; 0 when nothing could be played.
    plays : tuple of PlayNote
        All plays, in order, the confirming one included.
    measures : ErrorMeasures or None
        Of the best play against the target.
    repeatability : float
        RMS difference of two plays of the best drive over sqrt(2) and over the target's RMS, over all channels as the
        overall error; NaN where it was not played twice. [-]
    confirmed : ndarray, shape (response,)
        Relative errors of the confirming play; empty without one. [-]
    use : LimitUse or None
        Of the best drive.
    stop : str
        Why no more was played.
    verdict : str
        In words.
    good : bool
        Every control channel at the goal or as near as the repeatability allows.
    """

    drive: Floats
    response: Floats
    best: int
    plays: tuple[PlayNote, ...]
    measures: ErrorMeasures | None
    repeatability: float
    confirmed: Floats
    use: LimitUse | None
    stop: str
    verdict: str
    good: bool


def replicate_event(
    play: Player,
    problem: Problem,
    *,
    slopes: tuple[float, ...] = (3.0, 5.0, 8.0),
    confirm: bool = True,
    keep: int = 0,
    progress: Progress = no_progress,
) -> Replication:
    """Find the drive of one event on a rig.

    A rig that trips is never the end: the next drive is smaller, and the best one so far is kept; or play number `keep`
    (from 1), where that was made and did not trip.
    """
    iteration = Iteration(problem=problem)
    drives: list[Floats] = []
    responses: list[Floats | None] = []
    while not (stop := stop_reason(iteration)):
        number = len(iteration.plays) + 1
        progress(min(0.95, (number - 1) / problem.plays), f"play {number}")
        proposal = iteration.propose()
        drives.append(proposal.drive)
        try:
            response = play(proposal.drive, f"play-{number}")
        except RigTripped:
            iteration.tripped(proposal)
            responses.append(None)
            continue
        iteration.answered(proposal, response)
        responses.append(response)
    return _conclude(play, iteration, drives, responses, stop, slopes, confirm, keep)


def stop_reason(iteration: Iteration) -> str:
    """Why to stop now, in words; empty to go on."""
    problem, plays = iteration.problem, iteration.plays
    answers = iteration.answers
    whole = [entry for entry in answers if entry.level >= min(1.0, iteration.ceiling) - 1e-9]
    trips = len(plays) - len(answers)
    if trips >= 4:
        return f"the rig tripped {trips} times"
    if len(plays) >= problem.plays:
        return f"all {problem.plays} plays are used"
    if not whole:
        return ""
    best = min(entry.overall for entry in whole)
    if min(float(entry.error.max()) for entry in whole) <= problem.goal:
        return f"every control channel is within {problem.goal:.0%}"
    floor = iteration.floor()
    if best <= 1.1 * floor:
        return f"the error is down to what does not repeat from play to play ({floor:.1%})"
    if len(whole) >= 3 and whole[-1].overall > 2 * best and whole[-2].overall > 2 * best:
        return "the error grew twice in a row"
    if len(whole) >= 4 and best > 0.98 * min(entry.overall for entry in whole[:-3]):
        return "three plays in a row brought no progress"
    return ""


def _conclude(
    play: Player,
    iteration: Iteration,
    drives: list[Floats],
    responses: list[Floats | None],
    stop: str,
    slopes: tuple[float, ...],
    confirm: bool,
    keep: int,
) -> Replication:
    problem = iteration.problem
    target = problem.target
    notes = [
        PlayNote(
            number=k + 1, level=entry.level, overall=entry.overall,
            error=tuple(float(value) for value in entry.error), tripped=entry.tripped,
            use=entry.held.used.largest, removed=float(entry.held.removed.max()), words=entry.words,
        )
        for k, entry in enumerate(iteration.plays)
    ]  # fmt: skip
    best = keep - 1 if 0 < keep <= len(responses) and responses[keep - 1] is not None else iteration.best
    if best is None:
        n = target.n_samples
        return Replication(
            drive=np.zeros((len(problem.limits.names), n)), response=np.zeros((len(target.names), n)), best=0,
            plays=tuple(notes), measures=None, repeatability=float("nan"), confirmed=np.array([]), use=None, stop=stop,
            verdict=f"No drive could be played: {stop}.", good=False,
        )  # fmt: skip
    response = responses[best]
    assert response is not None
    repeatability, confirmed = float("nan"), np.array([])
    if confirm:
        try:
            again = play(drives[best], "confirm")
            first, second = target.in_band(response)[:, target.span], target.in_band(again)[:, target.span]
            apart = np.sqrt(np.mean((first - second) ** 2, axis=1) / 2) / target.rms
            repeatability = overall_error(apart, problem.importance)
            confirmed = iteration.error(target.to_lines(again))
            notes.append(
                PlayNote(
                    number=len(notes) + 1, level=iteration.plays[best].level,
                    overall=overall_error(confirmed, problem.importance),
                    error=tuple(float(value) for value in confirmed), tripped=False,
                    use=iteration.plays[best].held.used.largest, removed=0.0,
                    words=f"the drive of play {best + 1} once more",
                )
            )  # fmt: skip
        except RigTripped:
            notes.append(
                PlayNote(
                    number=len(notes) + 1, level=iteration.plays[best].level, overall=float("nan"), error=(),
                    tripped=True, use=iteration.plays[best].held.used.largest, removed=0.0,
                    words=f"the drive of play {best + 1} once more; the rig tripped",
                )
            )  # fmt: skip
    span = target.span
    measures = error_measures(
        target.in_band(response)[:, span], target.samples[:, span], target.rate_hz, names=target.names, slopes=slopes,
        band_hz=target.band_hz, importance=problem.importance,
    )  # fmt: skip
    good, verdict = _verdict(measures, problem, repeatability, stop, iteration.plays[best].level)
    return Replication(
        drive=drives[best], response=response, best=best + 1, plays=tuple(notes), measures=measures,
        repeatability=repeatability, confirmed=confirmed, use=iteration.plays[best].held.used, stop=stop,
        verdict=verdict, good=good,
    )  # fmt: skip


def _verdict(
    measures: ErrorMeasures, problem: Problem, repeatability: float, stop: str, level: float
) -> tuple[bool, str]:
    worst = int(np.argmax(measures.relative))
    good = bool(measures.relative[worst] <= max(problem.goal, 0.0))
    words = (
        f"Relative RMS error {measures.overall:.1%} overall, {measures.relative[worst]:.1%} on the worst channel "
        f"({measures.names[worst]})"
    )
    middle = measures.slopes.index(5.0) if 5.0 in measures.slopes else len(measures.slopes) // 2
    ratio = measures.damage_ratio[:, middle]
    words += f"; damage {ratio.min():.2f} to {ratio.max():.2f} times the target's at slope {measures.slopes[middle]:g}"
    if level < 0.999:
        words += f"; only {level:.0%} of the target could be asked for"
    if np.isfinite(repeatability):
        words += f"; the same drive twice differs by {repeatability:.1%}"
    return good, f"{words}. Stopped because {stop}."
