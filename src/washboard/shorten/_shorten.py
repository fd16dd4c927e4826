"""Shorten: choose, join, recount, and choose again until every channel really holds its share."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.errors import DataError, InputError
from washboard.recording import Samples
from washboard.settings import Progress, no_progress
from washboard.shorten._count import damage_by_stretch
from washboard.shorten._join import Joined, join_runs
from washboard.shorten._select import CutLoss, Rules, Selection, may_leave, runs_of, select_windows
from washboard.shorten._settings import ShortenSettings
from washboard.shorten._windows import Windows, windows_of

_ROUNDS = 12
_FREE = 3  # turns whose corrections follow the recount either way
_MISSES = 2  # turns without a shorter result before the best is taken
_LEFT = 0.3  # of what need not be kept, the part that no correction asks for
_HOLDS = 1e-6
_NOTHING_TO_SPARE = 1.003
_NODES = 3000  # of the search tree in one turn; a count, so that results do not depend on how busy a machine is
_TRIM_COUNTS = 60
_TRIM_SAMPLES = 3e8


@dataclass(frozen=True, kw_only=True, slots=True)
class Round:
    """One turn of choosing, joining and recounting.

    Parameters
    ----------
    selection : Selection
        What was chosen, with its proof.
    worst : float
        Least of share held over share required, by recount; 1 or more when all hold. [-]
    join_damage : float
        Most damage that joins made on any channel, as a share of its damage. [-]
    added_only : bool
        Whether the windows of the turn before were all kept and only others added.
    """

    selection: Selection
    worst: float
    join_damage: float
    added_only: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Shortened:
    """A recording shortened with its damage kept.

    Parameters
    ----------
    joined : Joined
        The time history and where it comes from.
    windows : Windows
        What there was to choose from.
    kept : ndarray of bool, shape (window,)
        What was chosen.
    damage : ndarray, shape (channel, window, slope)
        Damage of each window in the original.
    required : ndarray, shape (channel, slope)
        Share asked for; 0 for a channel that is only watched. [-]
    held : ndarray, shape (channel, slope)
        Share held, counted on the joined history: the truth. [-]
    join_damage : ndarray, shape (channel, slope)
        Damage in the fades beyond what the original has at the same places, over the damage of the whole. [-]
    rounds : tuple of Round
        How it came about.
    filled : int
        Windows that were added at the end because choosing anew did not settle.
    proof_s : float
        No choice of these windows that adds up to the shares, as corrected by the recount, is shorter. [s]
    """

    joined: Joined
    windows: Windows
    kept: NDArray[np.bool_]
    damage: NDArray[np.float64]
    required: NDArray[np.float64]
    held: NDArray[np.float64]
    join_damage: NDArray[np.float64]
    rounds: tuple[Round, ...]
    filled: int
    proof_s: float

    @property
    def duration_s(self) -> float:
        """Length of the shortened recording. [s]"""
        return float(self.joined.samples.shape[1] / self.windows.rate_hz)

    @property
    def original_s(self) -> float:
        """Length of the original. [s]"""
        return float(self.windows.edges[-1] / self.windows.rate_hz)

    @property
    def held_damage(self) -> NDArray[np.float64]:
        """Damage of the shortened recording, shape (channel, slope)."""
        damage: NDArray[np.float64] = self.held * self.damage.sum(axis=1)
        return damage

    @property
    def kept_s(self) -> float:
        """Length of the chosen windows, before cuts were moved to match. [s]"""
        return float(self.windows.duration_s[self.kept].sum())

    @property
    def bound_s(self) -> float:
        """No choice of these windows whose damage, as counted in the original, adds up to the shares is shorter. [s]"""
        return self.rounds[0].selection.bound_s

    @property
    def relaxed_s(self) -> float:
        """The linear relaxation's bound on the same. [s]"""
        return self.rounds[0].selection.relaxed_s

    @property
    def greedy_s(self) -> float:
        """Length that taking the best window next, again and again, comes to. [s]"""
        return self.rounds[0].selection.greedy_s

    @property
    def gap(self) -> float:
        """Proven: by which share the length could at most be lowered, shares as corrected by recount. [-]"""
        return max(0.0, self.kept_s - self.proof_s) / self.kept_s

    @property
    def above_bound(self) -> float:
        """By which share the length lies above `bound_s`, which knows nothing of cuts and joins. [-]"""
        return max(0.0, self.kept_s - self.bound_s) / self.kept_s


def shorten(
    samples: Samples,
    rate_hz: float,
    *,
    share: NDArray[np.float64],
    slopes: tuple[float, ...],
    settings: ShortenSettings,
    names: tuple[str, ...] = (),
    progress: Progress = no_progress,
) -> Shortened:
    """Shorten a recording to least time with at least `share` of its damage kept on every channel, for every slope.

    Cycles whose turning points lie in different windows make damage by window only nearly additive, and joins take a
    little away. So the shares asked of the windows are corrected by what a recount of the joined history shows, and the
    choice is made again until every channel holds its share by recount. The windows with each channel's highest and
    lowest sample, the turning points of its largest cycle, are always kept.

    Parameters
    ----------
    samples : ndarray, shape (channel, time)
        Float32 or float64, may be a memory map. [any unit per channel]
    share : ndarray, shape (channel,)
        Least share of damage to keep; 0 for a channel that is only watched. [-]
    slopes : tuple of float
        Basquin slopes, each of which must hold. [-]
    settings : ShortenSettings
        Windows, fades, gap.
    names : tuple of str
        Channel names for messages.

    Raises
    ------
    DataError
        A channel with a share to keep but no damage.
    InputError
        A fade longer than the shortest stretch, a share above 1.
    """
    required = _required(samples, share, slopes, settings, names)
    windows = windows_of(samples, rate_hz, window_s=settings.window_s, fade_s=settings.fade_s)
    progress(0.02, "counting damage by window")
    half = max(1, round(settings.fade_s * rate_hz / 2))
    damage, at_ends = _damage_by_window(samples, windows.edges, half, slopes)
    _check_damage(damage, required, names)
    asked = np.flatnonzero(required[:, 0] > 0)
    task = _Task(
        samples=samples, rate_hz=rate_hz, windows=windows, damage=damage, at_ends=at_ends, asked=asked,
        required=required, slopes=slopes, settings=settings, extremes=_extremes(samples, asked),
    )  # fmt: skip
    return task.run(progress)


def _required(
    samples: Samples,
    share: NDArray[np.float64],
    slopes: tuple[float, ...],
    settings: ShortenSettings,
    names: tuple[str, ...],
) -> NDArray[np.float64]:
    share = np.asarray(share, np.float64)
    if share.shape != (samples.shape[0],) or (names and len(names) != samples.shape[0]):
        raise InputError(f"one share and one name per channel are needed: {samples.shape[0]}, not {share.shape[0]}")
    if not (np.isfinite(share).all() and share.min() >= 0 and share.max() <= 1):
        raise InputError("shares of damage to keep lie between 0 and 1")
    if not share.any():
        raise InputError("no channel is asked to keep any damage; give at least one a share above 0")
    if settings.fade_s > settings.shortest_s:
        raise InputError(
            f"shorten: fade ({settings.fade_s:g} s) is longer than shortest ({settings.shortest_s:g} s); "
            "a kept stretch must be longer than the fades at its ends"
        )
    return np.repeat(share[:, None], len(slopes), axis=1)


def _damage_by_window(
    samples: Samples, edges: NDArray[np.int64], half: int, slopes: tuple[float, ...]
) -> tuple[NDArray[np.float64], CutLoss]:
    """Damage of each window, and of the half fades at its beginning and its end."""
    inner = edges[1:-1]
    half = min(half, int(np.diff(edges).min()) // 2)
    fine = np.unique(np.concatenate([edges, inner - half, inner + half]))
    counted = damage_by_stretch(samples, fine, slopes)
    first = counted[:, np.searchsorted(fine, edges[:-1])]
    last = counted[:, np.searchsorted(fine, edges[1:]) - 1]
    return np.add.reduceat(counted, np.searchsorted(fine, edges[:-1]), axis=1), CutLoss(first=first, last=last)


def _check_damage(damage: NDArray[np.float64], required: NDArray[np.float64], names: tuple[str, ...]) -> None:
    total = damage.sum(axis=1)
    for channel, row in enumerate(total):
        if required[channel, 0] > 0 and not (np.isfinite(row).all() and (row > 0).all()):
            name = f"'{names[channel]}'" if names else str(channel + 1)
            raise DataError(
                f"channel {name} has no damage in this recording (constant), so no share of it can be kept; "
                "look at the sensor, or set its keep or role otherwise"
            )


def _extremes(samples: Samples, asked: NDArray[np.int64]) -> NDArray[np.int64]:
    """Sample numbers of the highest and lowest sample of each channel that is asked to keep damage."""
    return np.unique([place for row in asked for place in (int(samples[row].argmax()), int(samples[row].argmin()))])


@dataclass(frozen=True, kw_only=True, slots=True)
class _Trial:
    kept: NDArray[np.bool_]
    joined: Joined
    held: NDArray[np.float64]
    join_damage: NDArray[np.float64]
    excess_at: NDArray[np.float64]
    lost: NDArray[np.float64]

    def worst(self, required: NDArray[np.float64]) -> float:
        asked = required > 0
        worst: float = (self.held[asked] / required[asked]).min()
        return worst


@dataclass(frozen=True, kw_only=True, slots=True)
class _Task:
    samples: Samples
    rate_hz: float
    windows: Windows
    damage: NDArray[np.float64]
    at_ends: CutLoss
    asked: NDArray[np.int64]
    required: NDArray[np.float64]
    slopes: tuple[float, ...]
    settings: ShortenSettings
    extremes: NDArray[np.int64]

    @property
    def total(self) -> NDArray[np.float64]:
        total: NDArray[np.float64] = self.damage.sum(axis=1)
        return total

    @property
    def fade(self) -> int:
        return max(2, 2 * round(self.settings.fade_s * self.rate_hz / 2))

    @property
    def search(self) -> int:
        return max(1, self.fade // 4)

    def rules(self, whole_edges: set[int]) -> Rules:
        edges, n = self.windows.edges, len(self.windows.edges) - 1
        mandatory = np.zeros(n, bool)
        # A fade reaches half its length into a window, and its middle may move: keep extremes clear of both.
        margin = self.fade // 2 + self.search + 1
        for place in self.extremes:
            first = int(np.searchsorted(edges, place - margin, side="right")) - 1
            last = int(np.searchsorted(edges, place + margin, side="right")) - 1
            mandatory[max(first, 0) : min(last, n - 1) + 1] = True
        fade_s = self.settings.fade_s
        return Rules(
            mandatory=mandatory,
            whole_edges=np.array(sorted(whole_edges), np.int64),
            shortest_s=max(self.settings.shortest_s, 2 * fade_s),
            shortest_gap_s=fade_s,
        )

    def run(self, progress: Progress) -> Shortened:
        """Choose, join, recount, correct, and choose again; at last take out what the recount shows to be spare."""
        extra, base = np.zeros_like(self.required), np.zeros(len(self.windows.edges) - 1, bool)
        whole_edges: set[int] = set()
        lost: NDArray[np.float64] | None = None
        rounds: list[Round] = []
        best: tuple[_Trial, float] | None = None
        proof_s, misses = 0.0, 0
        for turn in range(_ROUNDS):
            progress(0.1 + 0.7 * turn / _ROUNDS, f"choosing windows, turn {turn + 1}")
            chosen = self.choose(self.need(extra), whole_edges, base, lost)
            trial = self.try_out(chosen.kept)
            proof_s = proof_s if base.any() else chosen.bound_s
            worst, joins = trial.worst(self.required), float(trial.join_damage[self.asked].max(initial=0.0))
            good = self.is_good(trial)
            again = any(np.array_equal(chosen.kept, turned.selection.kept) for turned in rounds)
            rounds.append(Round(selection=chosen, worst=worst, join_damage=joins, added_only=bool(base.any())))
            if good and (best is None or self.time_s(trial) < self.time_s(best[0]) * (1 - 1e-9)):
                best = (trial, proof_s)
                if worst <= _NOTHING_TO_SPARE or base.any():
                    break
            elif best is not None:
                misses += 1
                if misses == _MISSES or again:
                    break
            extra = self.corrected(trial, extra, settle=turn >= _FREE, good=good)
            lost = trial.lost
            if joins > self.settings.join_damage:
                whole_edges |= self.bad_edges(trial)
                base = np.zeros_like(base)
            elif turn >= _FREE + 2 and not good and best is None:
                base = trial.kept
        filled = 0
        if best is None:
            trial, filled = self.fill(trial)
            best = (trial, proof_s)
        progress(0.85, "taking out what is spare")
        last = self.trimmed(best[0], self.rules(whole_edges))
        progress(1.0, "shortened")
        return Shortened(
            joined=last.joined,
            windows=self.windows,
            kept=last.kept,
            damage=self.damage,
            required=self.required,
            held=last.held,
            join_damage=last.join_damage,
            rounds=tuple(rounds),
            filled=filled,
            proof_s=best[1],
        )

    def time_s(self, trial: _Trial) -> float:
        return float(self.windows.duration_s[trial.kept].sum())

    def is_good(self, trial: _Trial) -> bool:
        joins = float(trial.join_damage[self.asked].max(initial=0.0))
        return trial.worst(self.required) >= 1 - _HOLDS and joins <= self.settings.join_damage

    def trimmed(self, trial: _Trial, rules: Rules) -> _Trial:
        """Take out windows, those with least damage first, as long as every share holds by recount.

        Windows whose damage is more than twice what is spare are not tried, and the number of recounts is limited by
        the size of the recording, so that a long one is not counted again and again.
        """
        left = min(_TRIM_COUNTS, int(_TRIM_SAMPLES / self.samples.size))
        damage = self.damage[self.asked] / self.total[self.asked][:, None, :]
        tried = ~trial.kept
        while left > 0:
            spare = np.maximum(trial.held - self.required, 1e-12)[self.asked]
            cost = (damage / spare[:, None, :]).max(axis=(0, 2))
            worth = np.where(tried | (cost > 2.0), np.inf, cost / self.windows.duration_s)
            window = int(np.argmin(worth))
            if not np.isfinite(worth[window]):
                break
            tried[window] = True
            if not may_leave(trial.kept, window, self.windows.duration_s, rules):
                continue
            kept = trial.kept.copy()
            kept[window] = False
            less = self.try_out(kept)
            left -= 1
            if self.is_good(less):
                trial = less
        return trial

    def choose(
        self,
        need: NDArray[np.float64],
        whole_edges: set[int],
        base: NDArray[np.bool_],
        lost: NDArray[np.float64] | None,
    ) -> Selection:
        rules, loss = self.rules(whole_edges), None
        if lost is not None:
            part = lost[self.asked][:, None, :]
            loss = CutLoss(first=part * self.at_ends.first[self.asked], last=part * self.at_ends.last[self.asked])
        return select_windows(
            self.damage[self.asked],
            need[self.asked],
            self.windows.duration_s,
            rules=dataclasses.replace(rules, mandatory=rules.mandatory | base),
            cut_loss=loss,
            gap=0.8 * self.settings.gap,
            nodes=_NODES,
            time_limit_s=self.settings.limit_s,
        )

    def try_out(self, kept: NDArray[np.bool_]) -> _Trial:
        edges = self.windows.edges
        runs = np.array([(edges[first], edges[last]) for first, last in runs_of(kept)], np.int64)
        joined = join_runs(self.samples, runs, fade=self.fade, search=self.search, keep_at=self.extremes)
        n, half = joined.samples.shape[1], joined.fade // 2
        zones = np.unique(np.concatenate([[0], joined.joins - half, joined.joins + half, [n]]))
        counted = damage_by_stretch(joined.samples, zones, self.slopes)
        total = np.where(self.total > 0, self.total, 1.0)
        held = counted.sum(axis=1) / total
        at = np.searchsorted(zones, joined.joins - half)
        original = self.original_at(joined, half)
        excess = (counted[:, at] - original) / total[:, None]
        before = original.sum(axis=1)
        lost = 1 - counted[:, at].sum(axis=1) / np.where(before > 0, before, 1.0)
        return _Trial(
            kept=kept,
            joined=joined,
            held=held,
            join_damage=np.maximum(excess, 0.0).sum(axis=1),
            excess_at=excess.max(axis=2),
            lost=np.clip(np.where(before > 0, lost, 0.0), 0.0, 1.0),
        )

    def original_at(self, joined: Joined, half: int) -> NDArray[np.float64]:
        """Damage that the original has in the half fades before and after each cut, shape (channel, join, slope)."""
        ends, starts = joined.runs[:-1, 1], joined.runs[1:, 0]
        if not len(ends):
            return np.zeros((len(self.damage), 0, len(self.slopes)))
        zones = np.unique(np.concatenate([[0], ends - half, ends, starts, starts + half, [self.samples.shape[1]]]))
        grown = damage_by_stretch(self.samples, zones, self.slopes).cumsum(axis=1)
        grown = np.concatenate([np.zeros((len(self.damage), 1, len(self.slopes))), grown], axis=1)

        def at(place: NDArray[np.int64]) -> NDArray[np.float64]:
            value: NDArray[np.float64] = grown[:, np.searchsorted(zones, place)]
            return value

        return at(ends) - at(ends - half) + at(starts + half) - at(starts)

    def need(self, extra: NDArray[np.float64]) -> NDArray[np.float64]:
        """Shares to ask of the windows: what is required and the correction, never quite all there is."""
        most = np.where(self.required < 1, 1 - _LEFT * (1 - self.required), 1.0)
        return np.where(self.required > 0, np.clip(self.required + extra, 0.5 * self.required, most), 0.0)

    def corrected(self, trial: _Trial, extra: NDArray[np.float64], *, settle: bool, good: bool) -> NDArray[np.float64]:
        """What to ask of the windows next beyond the required shares, from what the recount of the last choice showed.

        Where the recount found less than the sum of the windows (less what the fades were just seen to take), that
        much is asked for on top, and a little more; where it found more, less is asked for. Once it is to settle, a
        correction only grows while a share is missed, and goes half way back where all hold.
        """
        total = np.where(self.total > 0, self.total, 1.0)
        runs = np.array(runs_of(trial.kept))
        begun, ended = runs[runs[:, 0] > 0, 0], runs[runs[:, 1] < len(trial.kept), 1] - 1
        faded = self.at_ends.first[:, begun].sum(axis=1) + self.at_ends.last[:, ended].sum(axis=1)
        summed = (self.damage[:, trial.kept].sum(axis=1) - trial.lost * faded) / total
        beyond = summed - trial.held
        found = np.where(beyond > 0, 1.05 * beyond + 1e-4, 0.9 * beyond)
        if good:
            return np.asarray(0.5 * (extra + np.minimum(extra, found)))
        return np.asarray(np.maximum(extra, found) if settle else found)

    def bad_edges(self, trial: _Trial) -> set[int]:
        """Window edges of the joins that add most; cutting there is not allowed again."""
        excess = trial.excess_at[self.asked].max(axis=0)
        worst = np.argsort(-excess)[: max(1, len(excess) // 10)]
        runs, n = runs_of(trial.kept), len(trial.kept)
        found: set[int] = set()
        for join in worst:
            if excess[join] > 0:
                found |= {edge for edge in (runs[join][1], runs[join + 1][0]) if 0 < edge < n}
        return found

    def fill(self, trial: _Trial) -> tuple[_Trial, int]:
        """Add windows beside kept ones, those that give most to what is short, until every share holds."""
        kept, before = trial.kept.copy(), int(trial.kept.sum())
        while not kept.all():
            short = np.maximum(self.required - trial.held, 0.0)
            joins = float(trial.join_damage[self.asked].max(initial=0.0))
            if not short.any() and joins <= self.settings.join_damage:
                break
            gain = np.einsum("cws,cs->w", self.damage / self.total[:, None, :].clip(1e-300), short)
            if not short.any():
                gain = self.damage[self.asked].sum(axis=(0, 2))
            gain = np.where(kept, -1.0, gain / self.windows.duration_s)
            many = max(1, int((~kept).sum()) // 50)
            kept[np.argsort(-gain)[:many]] = True
            kept = self.grown(kept)
            trial = self.try_out(kept)
        return trial, int(kept.sum()) - before

    def grown(self, kept: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Runs and gaps that became too short, made whole."""
        duration_s, rules = self.windows.duration_s, self.rules(set())
        kept = kept.copy()
        for first, last in runs_of(kept):
            while duration_s[first:last].sum() < rules.shortest_s - 1e-9 and last - first < len(kept):
                first, last = max(0, first - 1), min(len(kept), last + 1)
                kept[first:last] = True
        for first, last in runs_of(~kept):
            if duration_s[first:last].sum() < rules.shortest_gap_s - 1e-9:
                kept[first:last] = True
        return kept
