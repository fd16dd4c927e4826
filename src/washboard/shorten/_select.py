"""Select: the windows that keep every channel's damage in least time, with the proof of how near to least."""

from __future__ import annotations

import dataclasses
import heapq
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from washboard.duty import Optimum, least_cost
from washboard.errors import DataError

if TYPE_CHECKING:
    from scipy.sparse import csr_matrix

_HOLDS = 1e-9


@dataclass(frozen=True, kw_only=True, slots=True)
class Selection:
    """Windows to keep.

    Parameters
    ----------
    kept : ndarray of bool, shape (window,)
        The selection.
    time_s : float
        Its length. [s]
    bound_s : float
        No selection that keeps the damage asked for is shorter. [s]
    relaxed_s : float
        Length if windows could be kept in part (the linear relaxation): a bound found without any search. [s]
    greedy_s : float
        Length of the selection that takes the best window next, again and again. [s]
    share : ndarray, shape (channel, slope)
        Damage of the kept windows over that of the whole, before joining. [-]
    status : str
        ``"optimal"`` within the gap asked for, ``"node limit"`` or ``"time limit"``.
    """

    kept: NDArray[np.bool_]
    time_s: float
    bound_s: float
    relaxed_s: float
    greedy_s: float
    share: NDArray[np.float64]
    status: str

    @property
    def gap(self) -> float:
        """By which share of itself the length could at most be lowered. [-]"""
        return max(0.0, self.time_s - self.bound_s) / self.time_s if self.time_s > 0 else 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Rules:
    """What a selection has to respect besides damage.

    Parameters
    ----------
    mandatory : ndarray of bool, shape (window,)
        Windows to keep in any case.
    whole_edges : ndarray of int
        Edges between two windows (number of the later one) where no cut is allowed: both are kept or neither.
    shortest_s : float
        Least length kept between two cuts. [s]
    shortest_gap_s : float
        Least length taken out between two that are kept. [s]
    """

    mandatory: NDArray[np.bool_]
    whole_edges: NDArray[np.int64]
    shortest_s: float = 0.0
    shortest_gap_s: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class CutLoss:
    """Damage that a fade takes away where a kept stretch begins or ends.

    Parameters
    ----------
    first, last : ndarray, shape (channel, window, slope)
        Lost when the window is the first, or the last, of a kept stretch; in the unit of the damage. The very first and
        the very last window of a recording have no fade on their outer side: what stands there is not looked at.
    """

    first: NDArray[np.float64]
    last: NDArray[np.float64]


def no_rules(n_windows: int) -> Rules:
    """Rules that ask for nothing."""
    return Rules(mandatory=np.zeros(n_windows, bool), whole_edges=np.zeros(0, np.int64))


def select_windows(
    damage: NDArray[np.float64],
    share: NDArray[np.float64],
    duration_s: NDArray[np.float64],
    *,
    rules: Rules | None = None,
    cut_loss: CutLoss | None = None,
    gap: float = 0.01,
    nodes: int | None = None,
    time_limit_s: float = 60.0,
) -> Selection:
    """Windows whose damage adds up to at least `share` on every channel for every slope, in least time.

    An integer programme: least ``sum(duration * kept)`` with ``sum(damage * kept) >= share * sum(damage)`` for each
    channel and slope, runs and gaps not too short (start variables after Rajan and Takriti). The linear relaxation
    bounds it from below; rounding and a greedy selection from above; where they are further apart than `gap`, HiGHS
    branches.

    Parameters
    ----------
    damage : ndarray, shape (channel, window, slope)
        Not negative; in any unit, each channel and slope by itself.
    share : ndarray, shape (channel, slope)
        Required. [-]
    duration_s : ndarray, shape (window,)
        Length of each window. [s]
    rules : Rules, optional
        What has to be kept, and together.
    cut_loss : CutLoss, optional
        Damage that beginning and ending a kept stretch costs; the shares hold with it taken off.
    gap : float
        Proven distance from the shortest that is good enough, as a share. [-]
    nodes : int, optional
        Most nodes of the search tree; the best so far is returned with its proven gap. Unlike a time, it gives the same
        result on a busy machine.
    time_limit_s : float
        For the search, to end it in any case. [s]

    Raises
    ------
    DataError
        A channel without damage, or a share that all windows together cannot give.

    References
    ----------
    Rajan and Takriti, Minimum up/down polytopes of the unit commitment problem, IBM RC23628, 2005 (run lengths).
    """
    n_channels, n_windows, n_slopes = damage.shape
    total = damage.sum(axis=1)
    if not (np.isfinite(total).all() and (total > 0).all()):
        row = int(np.argmin(np.where(np.isfinite(total), total, 0).min(axis=1)))
        raise DataError(f"channel {row + 1} of {n_channels} has no damage to keep; leave it out of shortening")
    if np.any(share > 1 + 1e-12):
        raise DataError(f"a share of {share.max():.4g} of the damage is more than there is; ask for at most 1")
    by_channel = _rows(damage, total)
    first, last = np.zeros_like(by_channel), np.zeros_like(by_channel)
    if cut_loss is not None:
        first[:, 1:] = _rows(cut_loss.first, total)[:, 1:]
        # Booked on the first window left out after the stretch, where its fall is.
        last[:, 1:] = _rows(cut_loss.last, total)[:, :-1]
    need = np.minimum(share, 1.0).reshape(-1)
    # Rows in an order of their own, so that the order of channels changes nothing, not even among equally good choices.
    order = np.lexsort((*by_channel.T, need))
    matrix = np.ascontiguousarray(by_channel[order])
    problem = _Cover(
        matrix=matrix,
        rise_loss=first[order],
        fall_loss=last[order],
        need=need[order],
        duration_s=np.asarray(duration_s, np.float64),
        rules=no_rules(n_windows) if rules is None else rules,
    )
    if np.any(problem.need >= 1.0 - 1e-12):
        # Everything that carries damage of a channel kept whole: rounding must not decide here.
        whole = problem.need >= 1.0 - 1e-12
        forced = problem.rules.mandatory | np.any(matrix[whole] > 0, axis=0)
        if problem.cuts_cost:
            forced = np.ones(n_windows, bool)
        problem = problem.with_mandatory(forced)
    greedy = problem.tidy(problem.greedy())
    relaxed = problem.relaxed()
    candidates = [greedy]
    if relaxed.values.size:
        candidates.append(problem.tidy(relaxed.values[:n_windows] > 1e-9))
    best = min(candidates, key=problem.time)
    bound, status = relaxed.cost, "optimal"
    if problem.time(best) - bound > gap * problem.time(best):
        found = problem.branch(best, gap, nodes, time_limit_s)
        bound, status = max(bound, found.bound), found.status
        if found.values.size:
            better = problem.prune(found.values[:n_windows] > 0.5)
            best = min((best, better), key=problem.time) if problem.holds(better) else best
        if problem.time(best) - bound <= gap * problem.time(best) * (1 + 1e-9):
            status = "optimal"
    return Selection(
        kept=best,
        time_s=problem.time(best),
        bound_s=min(bound, problem.time(best)),
        relaxed_s=relaxed.cost,
        greedy_s=problem.time(greedy),
        share=problem.got(best)[np.argsort(order)].reshape(n_channels, n_slopes),
        status=status,
    )


def _rows(damage: NDArray[np.float64], total: NDArray[np.float64]) -> NDArray[np.float64]:
    """Shares of the whole, one row per channel and slope, shape (row, window)."""
    return (damage / total[:, None, :]).transpose(0, 2, 1).reshape(-1, damage.shape[1])


@dataclass(frozen=True, kw_only=True, slots=True)
class _Cover:
    """Rows of shares (row, window), what each row needs, and the rules."""

    matrix: NDArray[np.float64]
    rise_loss: NDArray[np.float64]
    fall_loss: NDArray[np.float64]
    need: NDArray[np.float64]
    duration_s: NDArray[np.float64]
    rules: Rules

    def with_mandatory(self, mandatory: NDArray[np.bool_]) -> _Cover:
        return dataclasses.replace(self, rules=dataclasses.replace(self.rules, mandatory=mandatory))

    @property
    def cuts_cost(self) -> bool:
        return bool(self.rise_loss.any() or self.fall_loss.any())

    def got(self, kept: NDArray[np.bool_]) -> NDArray[np.float64]:
        """Share of each row that a selection holds, shape (row,)."""
        change = np.diff(kept.astype(np.int8), prepend=0)
        got: NDArray[np.float64] = self.matrix @ kept
        if self.cuts_cost:
            got = got - self.rise_loss @ (change > 0) - self.fall_loss @ (change < 0)
        return got

    def got_without(self, got: NDArray[np.float64], kept: NDArray[np.bool_], j: int) -> NDArray[np.float64]:
        """`got` once the kept window `j` is taken out."""
        less = self.matrix[:, j].copy()
        if self.cuts_cost:
            before, after = j > 0 and bool(kept[j - 1]), j + 1 < len(kept)
            less += self.fall_loss[:, j] if before else -self.rise_loss[:, j]
            if after:
                less += self.rise_loss[:, j + 1] if kept[j + 1] else -self.fall_loss[:, j + 1]
        return got - less

    def time(self, kept: NDArray[np.bool_]) -> float:
        return float(self.duration_s[kept].sum())

    def holds(self, kept: NDArray[np.bool_]) -> bool:
        return bool(np.all(self.got(kept) >= self.need - _HOLDS)) and self.lawful(kept)

    def lawful(self, kept: NDArray[np.bool_]) -> bool:
        edges = self.rules.whole_edges
        if np.any(self.rules.mandatory & ~kept) or np.any(kept[edges] != kept[edges - 1]):
            return False
        return all(self.run_is_long_enough(run) for run in runs_of(kept)) and all(
            self.gap_is_long_enough(run, len(kept)) for run in runs_of(~kept)
        )

    def run_is_long_enough(self, run: tuple[int, int]) -> bool:
        return _run_is_long_enough(run, self.duration_s, self.rules)

    def gap_is_long_enough(self, run: tuple[int, int], n: int) -> bool:
        return _gap_is_long_enough(run, n, self.duration_s, self.rules)

    def greedy(self) -> NDArray[np.bool_]:
        """Take the window that gives most of what is still missing per second, again and again (lazily evaluated)."""
        kept = self.rules.mandatory.copy()
        missing = np.maximum(self.need - self.matrix @ kept, 0.0)
        gain = np.minimum(self.matrix, missing[:, None]).sum(axis=0) / self.duration_s
        heap = [(-float(gain[j]), int(j)) for j in np.flatnonzero(~kept)]
        heapq.heapify(heap)
        while heap and np.any(missing > _HOLDS):
            value, j = heapq.heappop(heap)
            now = float(np.minimum(self.matrix[:, j], missing).sum() / self.duration_s[j])
            # Gains only shrink: the first whose fresh value still leads is the best.
            if now < -value - 1e-15 and heap and now < -heap[0][0]:
                heapq.heappush(heap, (-now, j))
                continue
            kept[j] = True
            missing = np.maximum(missing - self.matrix[:, j], 0.0)
        return kept

    def tidy(self, kept: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """A lawful selection that holds, from one that may be neither: windows added, then spare ones taken out."""
        kept = self.make_lawful(kept | self.rules.mandatory)
        while not kept.all():
            short = self.need - self.got(kept)
            if np.all(short <= _HOLDS):
                break
            more = dataclasses.replace(
                self,
                need=self.matrix @ kept + np.maximum(short, 0.0),
                rules=dataclasses.replace(no_rules(len(kept)), mandatory=kept),
            ).greedy()
            if np.array_equal(more, kept):
                # Nothing left gives what is short: only cuts less would.
                more = np.ones_like(kept)
            kept = self.make_lawful(more)
        return self.prune(kept)

    def make_lawful(self, kept: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Add windows until edges, runs and gaps are as the rules ask."""
        kept = kept.copy()
        edges = self.rules.whole_edges
        for _round in range(len(kept)):
            before = int(kept.sum())
            split = edges[kept[edges] != kept[edges - 1]]
            kept[split] = True
            kept[split - 1] = True
            for run in runs_of(~kept):
                if not self.gap_is_long_enough(run, len(kept)):
                    kept[run[0] : run[1]] = True
            for run in runs_of(kept):
                if not self.run_is_long_enough(run):
                    kept[self.richer_neighbour(run, kept)] = True
            if int(kept.sum()) == before:
                break
        return kept

    def richer_neighbour(self, run: tuple[int, int], kept: NDArray[np.bool_]) -> int:
        sides = [j for j in (run[0] - 1, run[1]) if 0 <= j < len(kept)]
        return max(sides, key=lambda j: float(self.matrix[:, j].sum() / self.duration_s[j]))

    def prune(self, kept: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Take out windows that nothing needs, those first that give least where it is scarce."""
        kept = kept.copy()
        got = self.got(kept)
        spare = np.maximum(got - self.need, 1e-12)
        worth = (self.matrix / spare[:, None]).max(axis=0) / self.duration_s
        free = not (self.rules.whole_edges.size or self.rules.shortest_s or self.rules.shortest_gap_s)
        for j in np.flatnonzero(kept)[np.argsort(worth[kept])]:
            if self.rules.mandatory[j]:
                continue
            left = self.got_without(got, kept, int(j))
            if np.any(left < self.need - _HOLDS) or not (free or self.may_leave(kept, int(j))):
                continue
            kept[j] = False
            got = left
        return kept

    def may_leave(self, kept: NDArray[np.bool_], j: int) -> bool:
        return may_leave(kept, j, self.duration_s, self.rules)

    def relaxed(self) -> Optimum:
        rows, low, high, lower, upper = self.rows()
        cost = np.concatenate([self.duration_s, np.zeros(len(lower) - len(self.duration_s))])
        return least_cost(cost, rows, low, high, lower=lower, upper=upper)

    def branch(self, start: NDArray[np.bool_], gap: float, nodes: int | None, time_limit_s: float) -> Optimum:
        rows, low, high, lower, upper = self.rows()
        n, extra = len(start), len(lower) - len(start)
        cost = np.concatenate([self.duration_s, np.zeros(extra)])
        whole = np.concatenate([np.ones(n, bool), np.zeros(extra, bool)])
        begin = start.astype(np.float64)
        if extra:
            rises = np.maximum(np.diff(begin, prepend=0.0), 0.0)
            falls = np.maximum(-np.diff(begin, prepend=0.0), 0.0)
            begin = np.concatenate([begin, rises, falls])
        return least_cost(
            cost,
            rows,
            low,
            high,
            lower=lower,
            upper=upper,
            integer=whole,
            gap=gap,
            nodes=nodes,
            time_limit_s=time_limit_s,
            start=begin,
        )

    def rows(
        self,
    ) -> tuple[csr_matrix, NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Rows with their bounds, and bounds of the variables: kept, then (where runs matter) rises and falls."""
        from scipy.sparse import csr_matrix, hstack, vstack

        n = len(self.duration_s)
        # Coefficients too small to matter for any window are left out, on the safe side.
        cover = csr_matrix(np.where(self.matrix > 1e-9, self.matrix, 0.0))
        edges = self.rules.whole_edges
        ends = (np.tile([1.0, -1.0], len(edges)), np.stack([edges, edges - 1], axis=1).ravel())
        pair = csr_matrix((ends[0], (np.repeat(np.arange(len(edges)), 2), ends[1])), shape=(len(edges), n))
        blocks = [cover, pair]
        low = [self.need - _HOLDS, np.zeros(len(edges))]
        high = [np.full(len(self.need), np.inf), np.zeros(len(edges))]
        lower, upper = self.rules.mandatory.astype(np.float64), np.ones(n)
        shortest = float(self.duration_s.min())
        if self.cuts_cost or max(self.rules.shortest_s, self.rules.shortest_gap_s) > shortest + 1e-9:
            runs, fall_upper, rise_upper = self.run_rows()
            losses = csr_matrix(-np.hstack([self.rise_loss, self.fall_loss]))
            blocks = [
                hstack([cover, losses], format="csr"),
                hstack([pair, csr_matrix((len(edges), 2 * n))], format="csr"),
            ]
            blocks.append(runs)
            low.append(np.concatenate([np.zeros(n), np.full(2 * n, -np.inf)]))
            high.append(np.concatenate([np.zeros(n), np.zeros(n), np.ones(n)]))
            lower = np.concatenate([lower, np.zeros(2 * n)])
            upper = np.concatenate([upper, rise_upper, fall_upper])
        return vstack(blocks, format="csr"), np.concatenate(low), np.concatenate(high), lower, upper

    def run_rows(self) -> tuple[csr_matrix, NDArray[np.float64], NDArray[np.float64]]:
        """Rows: keeping changes by rises less falls; a rise keeps what follows, a fall keeps it out, long enough."""
        from scipy.sparse import csr_matrix

        n = len(self.duration_s)
        ends = np.cumsum(self.duration_s)
        least = min(self.rules.shortest_s, float(ends[-1]))
        entries: list[tuple[int, int, float]] = []
        for j in range(n):
            entries += [(j, j, 1.0), (j, n + j, -1.0), (j, 2 * n + j, 1.0)]
            if j:
                entries.append((j, j - 1, -1.0))
            entries += [(n + j, j, -1.0), (2 * n + j, j, 1.0)]
            begin = float(ends[j] - self.duration_s[j])
            for row, column, length in ((n, n, least), (2 * n, 2 * n, self.rules.shortest_gap_s)):
                for later in range(j, n):
                    if later > j and ends[later - 1] - begin >= length - 1e-9:
                        break
                    entries.append((row + later, column + j, 1.0))
        table = np.array(entries)
        matrix = csr_matrix((table[:, 2], (table[:, 0].astype(int), table[:, 1].astype(int))), shape=(3 * n, 3 * n))
        left = ends[-1] - (ends - self.duration_s)
        rise_upper = (left >= least - 1e-9).astype(np.float64)
        fall_upper = np.ones(n)
        fall_upper[0] = 0.0
        return matrix, fall_upper, rise_upper


def runs_of(kept: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Stretches of consecutive true entries as (first, one past the last)."""
    change = np.diff(np.concatenate([[0], kept.astype(np.int8), [0]]))
    return list(zip(np.flatnonzero(change == 1).tolist(), np.flatnonzero(change == -1).tolist(), strict=True))


def _run_is_long_enough(run: tuple[int, int], duration_s: NDArray[np.float64], rules: Rules) -> bool:
    least = min(rules.shortest_s, float(duration_s.sum()))
    return float(duration_s[run[0] : run[1]].sum()) >= least - 1e-9


def _gap_is_long_enough(run: tuple[int, int], n: int, duration_s: NDArray[np.float64], rules: Rules) -> bool:
    inside = run[0] > 0 and run[1] < n
    return not inside or float(duration_s[run[0] : run[1]].sum()) >= rules.shortest_gap_s - 1e-9


def may_leave(kept: NDArray[np.bool_], j: int, duration_s: NDArray[np.float64], rules: Rules) -> bool:
    """Whether the rules allow the kept window `j` to be taken out of a lawful selection."""
    if rules.mandatory[j] or np.any(rules.whole_edges == j) or np.any(rules.whole_edges == j + 1):
        return False
    first, last = j, j + 1
    while first > 0 and kept[first - 1]:
        first -= 1
    while last < len(kept) and kept[last]:
        last += 1
    parts = [run for run in ((first, j), (j + 1, last)) if run[1] > run[0]]
    low, high = j, j + 1
    while low > 0 and not kept[low - 1]:
        low -= 1
    while high < len(kept) and not kept[high]:
        high += 1
    return all(_run_is_long_enough(run, duration_s, rules) for run in parts) and _gap_is_long_enough(
        (low, high), len(kept), duration_s, rules
    )
