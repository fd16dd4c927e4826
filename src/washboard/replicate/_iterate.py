"""The iteration: from what was played and what came back, the next drive to play; limits, trips and stop rules."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from washboard.identify import DriveLimits, Frf, HeldDrive, hold_to_limits
from washboard.replicate._combine import combined
from washboard.replicate._measures import overall_error
from washboard.replicate._model import (
    LineGroups,
    LineModel,
    group_lines,
    line_model,
    refreshed,
    refreshed_inverse,
    weighted_inverse,
)
from washboard.replicate._target import PreparedTarget

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

#: Changes between plays that the refreshed FRF learns from: older ones belong to another operating point.
_MEMORY = 2
#: Plays that the base of a step is mixed from, beside the one it is built on.
_MIXED = 9
#: Weight of the refreshed FRF before it has foretold anything; what a play older counts for in that judgement.
_UNTRIED, _FORGET = 0.5, 0.6
#: Weight of the last play's surprise as uncertainty of the next step, and the most it may count.
_WARY, _MOST_WARY = 0.5, 0.5
#: Weight of unforetold power against the drives' own in the ridge.
_HOLD = 0.3
#: Share of the FRF's uncertainty counted in the ridge: most of it is distortion, which comes back the same with the
#: same drive, so the plays correct it; noise is taken off the gain instead.
_UNREPEATED = 0.1
#: How much worse than the best the last play may be to go on from it.
_WORSE = 1.15
#: A play above this share of the best error before it did not pay.
_UNPAID = 0.985
#: Most a level is raised by from one play to the next: near lift-off a vehicle may jump to a larger motion when the
#: last play is simply extrapolated to the whole level.
_RAISE = 1.7
#: Share of the learned step in the first step after a play, the rest is the plain one; it is wrong in other ways, and
#: the mean overshoots less.
_LEARNED = 0.7
#: That share after a play that did not pay, after one that did, both over the share before; and after a mostly plain
#: step that did not pay.
_DOUBT, _RENEWED, _EVEN = 0.1, 1.2, 0.5
#: Gain after a mostly plain step that did not pay, and after a play that did, over the gain before.
_SMALLER, _LARGER = 0.6, 1.25
#: The plain step: Tikhonov constant over the largest diagonal element, and gain.
_PLAIN_RIDGE, _PLAIN_GAIN = 1e-3, 0.7


@dataclass(frozen=True, kw_only=True, slots=True)
class Problem:
    """Everything that stays the same while one event's drive is sought.

    Parameters
    ----------
    target : PreparedTarget
    model : LineModel
        The identified FRF on the target's lines, control channels only.
    weight : ndarray, shape (line, response)
        Importance, usually 1/RMS of the target times the user's weight.
    limits : DriveLimits
    plays : int
        The most often the rig may play, without the confirming play.
    first_level : float
        Share of the target asked for first.
    goal : float
        Relative RMS error at which it is good enough.
    """

    target: PreparedTarget
    model: LineModel
    weight: Floats
    limits: DriveLimits
    plays: int = 10
    first_level: float = 0.5
    goal: float = 0.05

    @property
    def importance(self) -> Floats:
        """Of each channel, shape (response,): its weight without 1/RMS. [-]"""
        return np.asarray(self.weight[0] * self.target.rms)


@dataclass(frozen=True, kw_only=True, slots=True)
class Proposal:
    """The next drive: samples (drive, time), at what level of the target, how it was held, what it should bring."""

    drive: Floats
    level: float
    held: HeldDrive
    predicted: Complexes
    base: Complexes
    words: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Play:
    """One finished play.

    Parameters
    ----------
    drive : ndarray, shape (line, drive)
        Lines of what was played.
    response : ndarray, shape (line, response)
        Lines of what came back, control channels; zeros where the rig tripped.
    level : float
        Share of the target asked for.
    error : ndarray, shape (response,)
        Relative RMS error against the whole target, in band. [-]
    overall : float
        Its root mean square over the channels, each counted by its importance. [-]
    surprise : ndarray, shape (band,)
        Unpredicted change of the response over the predicted change and what was wrong before, in power. [-]
    missed : ndarray, shape (band,)
        Weighted power of the unpredicted change, noise taken off.
    """

    drive: Complexes
    response: Complexes
    level: float
    error: Floats
    surprise: Floats
    missed: Floats
    overall: float
    held: HeldDrive
    words: str = ""
    tripped: bool = False


@dataclass(kw_only=True)
class Iteration:
    """The course of one event: hand `propose()` to the rig, give back what happened by `answered` or `tripped`.

    Same plays, same answers: same proposals, so an interrupted iteration goes on by answering again what was already
    played.
    """

    problem: Problem
    groups: LineGroups = field(init=False)
    bands: LineGroups = field(init=False)
    plays: list[Play] = field(default_factory=list)
    ceiling: float = 1.0
    step_share: float = 1.0
    _refreshed: dict[int, Complexes] = field(default_factory=dict, repr=False)
    _foretold: dict[int, Floats] = field(default_factory=dict, repr=False)
    _belied: dict[int, tuple[float, float]] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        f = self.problem.target.freq_hz
        self.groups = group_lines(f)
        self.bands = group_lines(f, width_hz=0.6, share=0.2, least=8)

    # What is known so far

    @property
    def answers(self) -> list[Play]:
        """Plays with a response."""
        return [play for play in self.plays if not play.tripped]

    @property
    def best(self) -> int | None:
        """Number (from 0) of the play with the lowest overall error among those at the highest level reached."""
        found = [(play.overall, k) for k, play in enumerate(self.plays) if not play.tripped]
        return min(found)[1] if found else None

    def level(self) -> float:
        """Share of the target to ask for now: raised as fast as the last play came near what it was asked for."""
        answers = self.answers
        if not answers:
            return min(self.problem.first_level, self.ceiling)
        last, best = answers[-1], min(answers, key=lambda play: play.overall)
        if best.level < last.level and last.overall > _WORSE * best.overall:
            # The rise was too steep (wheels left the posts, say): halfway back.
            return min(0.5 * (best.level + last.level), self.ceiling)
        if last.level >= 1.0:
            return min(1.0, self.ceiling)
        off = self.distance(last)
        factor = _RAISE if off < 0.45 else 1.5 if off < 0.8 else 1.0
        if sum(abs(play.level - last.level) < 1e-9 for play in answers) > 1:
            factor = max(factor, 1.5)
        raised = last.level * factor
        near = 0.9
        if self.jumped():
            # Creep up: a second jump costs a play and shakes the vehicle for nothing.
            raised, near = min(raised, last.level + 0.4 * (1.0 - last.level)), 0.97
        return min(1.0 if raised > near else raised, self.ceiling)

    def distance(self, play: Play) -> float:
        """Weighted error of a play against what it was asked for, relative to that. [-]"""
        target, weight = self.problem.target, self.problem.weight
        wanted = play.level * target.spectrum
        off = np.linalg.norm(weight * (wanted - play.response * target.edge[:, None]))
        return float(off / np.linalg.norm(weight * wanted))

    def noise(self) -> Floats:
        """Power on a line that does not repeat, shape (line, response)."""
        target = self.problem.target
        return np.asarray(self.problem.model.noise * (target.rate_hz / target.n_samples))

    def floor(self) -> float:
        """Overall relative error that noise alone makes in the band. [-]"""
        target = self.problem.target
        power = (self.noise() * (target.edge**2)[:, None]).sum(axis=0) * 2
        return overall_error(np.sqrt(power) / target.rms, self.problem.importance)

    def model(self) -> Complexes:
        """The FRF as far as it is known now: between the identified one and the one refreshed from the plays.

        Which of the two counts, band by band, is decided by how well each foretold the plays it had not seen.
        """
        answers = self.answers
        identified = self.problem.model.frf
        if not answers:
            return identified
        # Judged first: the FRF refreshed from all but the last answer is then still at hand.
        share = np.full(self.bands.n_groups, _UNTRIED)
        if len(answers) > 1:
            missed = np.zeros((self.bands.n_groups, 2))
            for number in range(1, len(answers)):
                missed = _FORGET * missed + self.foretold(number)
            power = missed**2
            share = power[:, 0] / np.maximum(power.sum(axis=1), 1e-300)
        blend = np.real(self.bands.smooth(share, self.problem.target.freq_hz))
        return np.asarray(identified + blend[:, None, None] * (self.refresh(len(answers)) - identified))

    def refresh(self, count: int) -> Complexes:
        """The FRF refreshed from the first `count` answers; the latest is remembered, as it is judged a play later."""
        if count in self._refreshed:
            return self._refreshed[count]
        pairs = self.pairs(_MEMORY, count)
        found = refreshed(
            self.problem.model, self.groups, self.problem.target.freq_hz, pairs, self.problem.weight, self.noise()
        )
        self._refreshed = {count: found}
        return found

    def foretold(self, number: int) -> Floats:
        """What the identified and the refreshed FRF missed of the change answer `number` brought, (band, 2). [-]"""
        if number not in self._foretold:
            early, late = self.answers[number - 1 : number + 1]
            drive, response = late.drive - early.drive, late.response - early.response
            weight = self.problem.weight * self.problem.target.edge[:, None]

            def power(values: Complexes) -> Floats:
                return np.asarray(self.bands.total((np.abs(weight * values) ** 2).sum(axis=1)))

            identified = np.einsum("fij,fj->fi", self.problem.model.frf, drive)
            refreshed_too = np.einsum("fij,fj->fi", self.refresh(number), drive)
            size = np.maximum(power(identified), 1e-300)
            missed = [power(response - identified) / size, power(response - refreshed_too) / size]
            self._foretold[number] = np.stack(missed, axis=1)
        return self._foretold[number]

    def base(self, level: float) -> tuple[Complexes, Complexes]:
        """Drive and response lines to start the next step from: the plays mixed so that they come nearest."""
        answers, target = self.answers, self.problem.target
        if not answers:
            q = self.problem.model.frf.shape[2]
            return np.zeros((target.freq_hz.size, q), complex), np.zeros_like(target.spectrum)
        chosen = self.centre()
        if self.jumped():
            return chosen.drive, chosen.response
        others = [play for play in answers if play is not chosen][-_MIXED:]
        return combined(
            target, self.bands, self.problem.weight * target.edge[:, None], level * target.spectrum,
            (chosen.drive, chosen.response), [(play.drive, play.response) for play in others], self.noise(),
        )  # fmt: skip

    def jumped(self) -> bool:
        """Whether a rise ended in another, larger motion (wheels that leave their posts): no mixture leads past that.

        Carried on along the differences between plays, the next one would jump again.
        """
        return any(
            late.level > early.level and late.overall > _WORSE * early.overall for early, late in pairwise(self.answers)
        )

    def centre(self) -> Play:
        """The play the others are differences from.

        The last play, as only its response shows every band beside every other as they are now (friction and lift-off
        carry one band's motion into another); the best one again where the last was clearly worse.
        """
        last, best = self.answers[-1], min(self.answers, key=lambda play: play.overall)
        worse = last.overall > _WORSE * best.overall or (self.unpaid() and last.level <= best.level)
        return best if worse else last

    def unpaid(self) -> int:
        """How many plays in a row at the whole level brought no clear progress; the first at a level never counts."""
        count, best, level = 0, np.inf, 0.0
        for play in self.answers:
            rising = play.level > level + 1e-9 or play.level < min(1.0, self.ceiling) - 1e-9
            paid = play.overall < _UNPAID * best or rising
            count = 0 if paid else count + 1
            best, level = min(best, play.overall), max(level, play.level)
        return count

    def trust(self) -> tuple[float, float]:
        """Share of the learned step in the next one, the rest being the plain step; and the gain of both.

        Plays that pay raise the share. One that does not hands most of it to the plain step; where that does not pay
        either, both go on by halves and with less gain.
        """
        share, gain, best, level = _LEARNED, 1.0, np.inf, 0.0
        for play in self.answers:
            higher = play.level > level + 1e-9
            if higher or play.level < min(1.0, self.ceiling) - 1e-9:
                if higher and play.overall > _WORSE * best:
                    share *= _DOUBT
            elif play.overall < _UNPAID * best:
                share, gain = min(1.0, share * _RENEWED), min(1.0, gain * _LARGER)
            elif share < 0.5:
                share, gain = _EVEN, gain * _SMALLER
            else:
                share *= _DOUBT
            best, level = min(best, play.overall), max(level, play.level)
        return share, gain

    def plain_worth(self) -> float:
        """What plain steps are worth here: all while plays belie the identified FRF by less than half its power.

        A step by the inverse of an FRF that is wrong by as much as itself leads away from the target: worth nothing.
        """
        weight = self.problem.weight * self.problem.target.edge[:, None]
        off, made = 0.0, 0.0
        for number, play in enumerate(self.answers):
            if number not in self._belied:
                early = self.answers[number - 1] if number else None
                drive = play.drive if early is None else play.drive - early.drive
                response = play.response if early is None else play.response - early.response
                foretold = np.einsum("fij,fj->fi", self.problem.model.frf, drive)
                self._belied[number] = (
                    float(np.sum(np.abs(weight * (response - foretold)) ** 2)),
                    float(np.sum(np.abs(weight * foretold) ** 2)),
                )
            off, made = off + self._belied[number][0], made + self._belied[number][1]
        return float(np.clip(2.0 - 2.0 * off / max(made, 1e-300), 0.0, 1.0))

    def plain_step(self, error: Complexes) -> Complexes:
        """The plain step: identified FRF, one Tikhonov constant, fixed gain."""
        frf, weight = self.problem.model.frf, self.problem.weight
        scale = np.sqrt((np.abs(frf * weight[:, :, None]) ** 2).sum(axis=1).max(axis=0))
        inverse = weighted_inverse(frf / scale, weight, np.full((frf.shape[0], frf.shape[2]), _PLAIN_RIDGE))
        step = np.einsum("fji,fi->fj", inverse, error) / scale * self.problem.target.edge[:, None]
        return np.asarray(_PLAIN_GAIN * step)

    def learned_inverse(self) -> Complexes:
        """The inverse as the plays show it: least squares from changes of response to changes of drive."""
        problem, answers = self.problem, self.answers
        frf, edge = problem.model.frf, np.minimum(1.0, 4.0 * problem.target.edge)[:, None]
        variance = problem.model.ridge(problem.weight) * (_UNREPEATED if answers else 1.0)
        identified = weighted_inverse(frf, problem.weight, variance)
        if answers:
            identified = refreshed_inverse(
                identified, self.groups, problem.target.freq_hz, self.pairs(_MEMORY + 1), problem.weight
            )
        return np.asarray(identified * edge[:, :, None])

    def pairs(self, memory: int, count: int | None = None) -> list[tuple[Complexes, Complexes]]:
        """Last play and the changes between the last plays: drives and responses, of the first `count` answers."""
        answers = self.answers[:count]
        found = [(answers[-1].drive, answers[-1].response)]
        found += [
            (late.drive - early.drive, late.response - early.response)
            for early, late in pairwise(answers[-memory - 1 :])
        ]
        return found

    def propose(self) -> Proposal:
        """The next drive to play, inside every limit."""
        problem, target = self.problem, self.problem.target
        level = self.level()
        frf = self.model()
        base_drive, base_response = self.base(level)
        error = level * target.spectrum - base_response * target.edge[:, None]
        weight = problem.weight * target.edge[:, None]
        inverse = weighted_inverse(frf, weight, self.ridge(frf, weight))
        # Two estimates of the same inverse, wrong in different ways: their mean is nearer than either.
        inverse = 0.5 * (inverse + self.learned_inverse())
        step = self.gain(frf, inverse, error)[:, None] * np.einsum("fji,fi->fj", inverse, error)
        share, gain = self.trust()
        if self.answers:
            worth = self.plain_worth()
            plain = (1.0 - share) * worth
            step = (1.0 - plain) * step + plain * self.plain_step(error)
            step *= 1.0 - worth * (1.0 - gain)
        step *= self.step_share
        held = hold_to_limits(
            target.to_time(base_drive + step),
            target.rate_hz,
            problem.limits,
            band_hz=target.band_hz,
            taper=target.taper,
        )
        lines = target.to_lines(held.samples)
        predicted = base_response + np.einsum("fij,fj->fi", frf, lines - base_drive)
        words = f"asks for {level:.0%} of the target"
        if held.removed.max() > 0.01:
            words += f"; held to limits, {held.removed.max():.0%} of a drive taken away"
        return Proposal(
            drive=held.samples, level=level, held=held, predicted=predicted, base=base_response, words=words
        )

    def ridge(self, frf: Complexes, weight: Floats) -> Complexes:
        """What the uncertainty of the FRF costs per drive, plus what past predictions fell short by."""
        problem = self.problem
        q = frf.shape[2]
        weighted = frf * weight[:, :, None]
        normal = np.conj(weighted.transpose(0, 2, 1)) @ weighted
        diagonal = problem.model.ridge(problem.weight * np.maximum(problem.target.edge, 0.05)[:, None])
        answers = self.answers
        share = answers[-1].surprise if len(answers) > 1 else np.zeros(self.bands.n_groups)
        extra = np.real(self.bands.smooth(np.minimum(_WARY * share, _MOST_WARY), problem.target.freq_hz))
        out = normal * extra[:, None, None]
        if len(answers) > 1:
            # What came unforetold moves, through the inverse, the weakly held drives most: hold them in proportion.
            power = np.asarray(self.bands.total(np.abs(answers[-1].drive) ** 2))
            hold = self.damping() * answers[-1].missed[:, None] / np.maximum(power, 1e-300)
            diagonal = diagonal + np.exp(self.bands.smooth(np.log(hold + 1e-30), problem.target.freq_hz))
        out[:, np.arange(q), np.arange(q)] += diagonal
        # Before anything was played nothing tells distortion that comes back from an FRF that is wrong.
        return np.asarray(out * (_UNREPEATED if answers else 1.0))

    def damping(self) -> float:
        """Weight of what came unforetold in the ridge: raised by every play worse than the best before it."""
        factor, best = 1.0, np.inf
        for play in self.answers:
            if play.level < 0.999:
                continue
            factor = min(factor * 6.0, 1000.0) if play.overall > best else max(factor * 0.7, 1.0)
            best = min(best, play.overall)
        return _HOLD * factor

    def gain(self, frf: Complexes, inverse: Complexes, error: Complexes) -> Floats:
        """1 less the share of noise in what the step would correct, per line."""
        weight = self.problem.weight
        projector = weight[:, :, None] * (frf @ inverse)
        seen = np.asarray(self.bands.total((np.abs(np.einsum("fij,fj->fi", projector, error)) ** 2).sum(axis=1)))
        noise = np.asarray(self.bands.total(np.einsum("fij,fj->f", np.abs(projector) ** 2, self.noise())))
        share = np.clip(1 - np.divide(noise, seen, out=np.zeros_like(noise), where=seen > 0), 0.0, 1.0)
        return np.real(self.bands.smooth(share, self.problem.target.freq_hz))

    # What happened

    def answered(self, proposal: Proposal, response: Floats) -> Play:
        """The rig played the proposal and the control channels did `response` (response, time)."""
        target = self.problem.target
        lines = target.to_lines(response)
        error = self.error(lines)
        weight = self.problem.weight * target.edge[:, None]
        wanted = weight * (proposal.predicted - proposal.base)
        missed = weight * (proposal.predicted - lines)
        wrong = weight * (proposal.level * target.spectrum - proposal.base * target.edge[:, None])
        power = np.asarray(self.bands.total((np.abs(wanted) ** 2 + np.abs(wrong) ** 2).sum(axis=1)))
        surprise = np.asarray(self.bands.total((np.abs(missed) ** 2).sum(axis=1)))
        floor = np.asarray(self.bands.total((weight**2 * self.noise()).sum(axis=1)))
        play = Play(
            drive=target.to_lines(proposal.drive), response=lines, level=proposal.level, error=error,
            overall=overall_error(error, self.problem.importance),
            surprise=np.maximum(surprise - 2 * floor, 0) / np.maximum(power, 1e-300),
            missed=np.maximum(surprise - 2 * floor, 0), held=proposal.held, words=proposal.words,
        )  # fmt: skip
        self.plays.append(play)
        if proposal.level >= self.ceiling - 1e-9 and self.ceiling < 1.0:
            # It went well just below where the rig tripped: halfway up again, if that is worth a play.
            trips = [entry.level for entry in self.plays if entry.tripped and entry.level > proposal.level + 1e-9]
            higher = proposal.level + 0.5 * (min(trips, default=1.0) - proposal.level)
            self.ceiling = higher if higher > 1.04 * proposal.level and len(trips) < 3 else self.ceiling
        return play

    def tripped(self, proposal: Proposal) -> None:
        """The rig tripped on the proposal: nothing came back, later steps are smaller."""
        target = self.problem.target
        n_bands = self.bands.n_groups
        self.plays.append(
            Play(
                drive=target.to_lines(proposal.drive), response=np.zeros_like(target.spectrum), level=proposal.level,
                error=np.full(len(target.names), np.nan),
                surprise=np.full(n_bands, np.nan), missed=np.full(n_bands, np.nan), overall=np.nan, held=proposal.held,
                tripped=True, words=proposal.words + "; the rig tripped",
            )
        )  # fmt: skip
        if any(play.level >= proposal.level for play in self.answers):
            self.step_share *= 0.5
        else:
            done = max((play.level for play in self.answers), default=0.0)
            self.ceiling = done + 0.5 * (proposal.level - done)

    def error(self, lines: Complexes) -> Floats:
        """Relative RMS error per channel over the target itself, in band."""
        target = self.problem.target
        off = target.to_time(target.spectrum - lines * target.edge[:, None])[:, target.span]
        return np.asarray(np.sqrt(np.mean(off**2, axis=1)) / target.rms)


def make_problem(
    target: PreparedTarget,
    frf: Frf,
    *,
    limits: DriveLimits,
    importance: Floats | None = None,
    plays: int = 10,
    first_level: float = 0.5,
    goal: float = 0.05,
) -> Problem:
    """The problem of one event: FRF on its lines, weights so that all channels count alike times `importance`."""
    importance = np.ones(len(target.names)) if importance is None else importance
    weight = np.broadcast_to(importance / target.rms, (target.freq_hz.size, len(target.names))).copy()
    return Problem(
        target=target, model=line_model(frf.pick(target.names), target.freq_hz), weight=weight, limits=limits,
        plays=plays, first_level=first_level, goal=goal,
    )  # fmt: skip
