"""Schedule: how often each event is played so that the test reaches the target on every channel in least rig time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.duty._optimum import Optimum, least_cost
from washboard.errors import InputError

# Excess below this share is rounding, not a conflict.
_SLACK = 3e-3


@dataclass(frozen=True, kw_only=True, slots=True)
class Conflict:
    """Why no schedule can keep every channel within its bounds.

    Parameters
    ----------
    channel : str
        The channel that cannot be kept.
    slope : float
        At this Basquin slope. [-]
    side : str
        ``"under"``: the events cannot give it enough; ``"over"``: they give it too much.
    ratio : float
        Test damage over target damage in the schedule that comes nearest. [-]
    against : str
        The channel whose own bound stands against it; empty when none does.
    text : str
        The sentence for the user: which channel, why, what would help.
    """

    channel: str
    slope: float
    side: str
    ratio: float
    against: str
    text: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Schedule:
    """Plays of each event in the test.

    Parameters
    ----------
    repeats : tuple of int
        Plays of each event.
    time_s : float
        Rig time of all plays. [s]
    bound_s : float
        No schedule within the bounds takes less. [s]
    ratio : ndarray, shape (channel, slope)
        Test damage over target damage. [-]
    fractions : ndarray, shape (event,)
        The plays before rounding to whole numbers. [-]
    price_s : ndarray, shape (channel,)
        Rig time that one percent more of this channel's target damage costs, at the margin. [s]
    without_s : ndarray, shape (channel,)
        Rig time of the schedule (before rounding) if this channel were no concern. [s]
    relaxed_s : float
        Rig time of the schedule before rounding, to compare `without_s` with. [s]
    conflicts : tuple of Conflict
        Empty when every channel is within its bounds.
    """

    repeats: tuple[int, ...]
    time_s: float
    bound_s: float
    ratio: NDArray[np.float64]
    fractions: NDArray[np.float64]
    price_s: NDArray[np.float64]
    without_s: NDArray[np.float64]
    relaxed_s: float
    conflicts: tuple[Conflict, ...]

    @property
    def gap(self) -> float:
        """By which share the rig time could at most be lowered. [-]"""
        return max(0.0, self.time_s - self.bound_s) / self.time_s if self.time_s > 0 else 0.0


def schedule(
    lap_damage: NDArray[np.float64],
    target: NDArray[np.float64],
    lap_s: NDArray[np.float64],
    *,
    events: tuple[str, ...],
    channels: tuple[str, ...],
    slopes: tuple[float, ...],
    under_test: float = 0.9,
    over_test: float | NDArray[np.float64] = 1.5,
    least_plays: NDArray[np.float64] | None = None,
    most_plays: NDArray[np.float64] | None = None,
    gap: float = 1e-3,
    time_limit_s: float = 20.0,
) -> Schedule:
    """Whole plays of each event with ``under_test <= test damage / target damage <= over_test`` and least rig time.

    Solved as an integer programme with a proven bound. Where no schedule keeps every bound, the one that leaves them
    least (smallest sum of relative excess, then least time) is returned with the conflicts in words.

    Parameters
    ----------
    lap_damage : ndarray, shape (event, channel, slope)
        Damage of one play.
    target : ndarray, shape (channel, slope)
        Damage of the whole service.
    lap_s : ndarray, shape (event,)
        Length of one play. [s]
    under_test : float
        Least ratio of test damage to target damage. [-]
    over_test : float or ndarray, shape (channel,)
        Most, for all channels or each; infinite where more than the target does not matter. [-]
    least_plays : ndarray, shape (event,), optional
        No event is played less often than this. [-]
    most_plays : ndarray, shape (event,), optional
        Nor more often than this. [-]

    Raises
    ------
    InputError
        Bounds that exclude each other, or a target that is not above zero.
    """
    over = np.broadcast_to(np.asarray(over_test, np.float64), len(channels))
    if not under_test <= over.min():
        raise InputError(f"duty: under_test {under_test:g} is above over_test {over.min():g}; swap or widen them")
    if not (target > 0).all():
        name = channels[int(np.argmin(target.min(axis=1)))]
        raise InputError(f"channel '{name}' has a target damage of zero; take it out of the control channels")
    problem = _Problem(
        rows=(lap_damage / target).reshape(len(events), -1).T,
        lap_s=lap_s,
        least=np.zeros(len(events)) if least_plays is None else np.ceil(np.asarray(least_plays, np.float64) - 1e-9),
        most=np.full(len(events), np.inf) if most_plays is None else np.floor(np.asarray(most_plays) + 1e-9),
        under=under_test,
        over=np.repeat(over, len(slopes)),
        channels=channels,
        slopes=slopes,
        events=events,
    )
    relaxed = problem.solve(integer=False, gap=0.0, time_limit_s=time_limit_s)
    whole = relaxed
    if relaxed.values.size:
        whole = problem.solve(integer=True, gap=gap, time_limit_s=time_limit_s)
    if whole.values.size:
        repeats = np.round(whole.values)
        return _finish(problem, repeats, whole.bound, relaxed, ())
    return _nearest(problem, relaxed, gap, time_limit_s)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Problem:
    rows: NDArray[np.float64]
    lap_s: NDArray[np.float64]
    least: NDArray[np.float64]
    most: NDArray[np.float64]
    under: float
    over: NDArray[np.float64]
    channels: tuple[str, ...]
    slopes: tuple[float, ...]
    events: tuple[str, ...]

    def solve(self, *, integer: bool, gap: float, time_limit_s: float, leave_out: int | None = None) -> Optimum:
        kept = np.ones(len(self.rows), bool)
        if leave_out is not None:
            kept[leave_out * len(self.slopes) : (leave_out + 1) * len(self.slopes)] = False
        return least_cost(
            self.lap_s / self.lap_s.max(),
            self.rows[kept],
            self.under,
            self.over[kept],
            lower=self.least,
            upper=self.most,
            integer=integer,
            gap=gap,
            time_limit_s=time_limit_s,
        )

    def elastic(self, *, most: float | None, integer: bool, gap: float, time_limit_s: float) -> Optimum:
        """With slack below and above every row: least slack, or (given the most slack) least time."""
        from scipy.sparse import csr_matrix, diags, hstack, vstack

        n_rows, n_events = self.rows.shape
        # Slack is counted relative to its bound: 10 % too little weighs as much as 10 % too much.
        below = diags(np.full(n_rows, self.under), format="csr")
        above = diags(np.where(np.isfinite(self.over), -self.over, -1.0), format="csr")
        matrix = hstack([csr_matrix(self.rows), below, above], format="csr")
        lower, upper = np.full(n_rows, self.under), self.over.copy()
        times = np.concatenate([self.lap_s / self.lap_s.max(), np.zeros(2 * n_rows)])
        slack = np.concatenate([np.zeros(n_events), np.ones(2 * n_rows)])
        cost = slack
        if most is not None:
            matrix = vstack([matrix, csr_matrix(slack[None])], format="csr")
            lower, upper = np.append(lower, -np.inf), np.append(upper, most)
            cost = times
        whole = np.concatenate([np.full(n_events, integer), np.zeros(2 * n_rows, bool)])
        return least_cost(
            cost,
            matrix,
            lower,
            upper,
            lower=np.concatenate([self.least, np.zeros(2 * n_rows)]),
            upper=np.concatenate([self.most, np.full(2 * n_rows, np.inf)]),
            integer=whole,
            gap=gap,
            time_limit_s=time_limit_s,
        )

    def loudest(self, row: int) -> int:
        """The event that may be played and loads a row most."""
        return int(np.argmax(np.where(self.most > 0, self.rows[row], -1.0)))

    def place(self, row: int) -> tuple[str, float]:
        return self.channels[row // len(self.slopes)], self.slopes[row % len(self.slopes)]


def _nearest(problem: _Problem, relaxed: Optimum, gap: float, time_limit_s: float) -> Schedule:
    least = problem.elastic(most=None, integer=True, gap=gap, time_limit_s=time_limit_s)
    most = least.cost * (1 + 1e-3) + 1e-9
    whole = problem.elastic(most=most, integer=True, gap=gap, time_limit_s=time_limit_s)
    if not whole.values.size:
        whole = least
    repeats = np.round(whole.values[: len(problem.events)])
    prices = problem.elastic(most=None, integer=False, gap=0.0, time_limit_s=time_limit_s).prices
    conflicts = _conflicts(problem, problem.rows @ repeats, prices)
    return _finish(problem, repeats, np.nan, relaxed, conflicts)


def _finish(
    problem: _Problem, repeats: NDArray[np.float64], bound: float, relaxed: Optimum, conflicts: tuple[Conflict, ...]
) -> Schedule:
    scale = float(problem.lap_s.max())
    n_channels, n_slopes = len(problem.channels), len(problem.slopes)
    time_s = float(repeats @ problem.lap_s)
    price, without = np.zeros(n_channels), np.full(n_channels, np.nan)
    fractions = repeats
    if relaxed.values.size:
        fractions = relaxed.values
        per_row = np.maximum(relaxed.prices, 0.0).reshape(n_channels, n_slopes)
        price = 0.01 * scale * per_row.sum(axis=1)
        for channel in range(n_channels):
            without[channel] = relaxed.cost * scale
            if per_row[channel].any() or np.any(relaxed.prices.reshape(n_channels, n_slopes)[channel] < 0):
                left = problem.solve(integer=False, gap=0.0, time_limit_s=10.0, leave_out=channel)
                without[channel] = left.cost * scale if left.values.size else np.nan
    return Schedule(
        repeats=tuple(int(entry) for entry in repeats),
        time_s=time_s,
        bound_s=float(bound) * scale if np.isfinite(bound) else time_s if conflicts == () else np.nan,
        ratio=(problem.rows @ repeats).reshape(n_channels, n_slopes),
        fractions=fractions,
        price_s=price,
        without_s=without,
        relaxed_s=relaxed.cost * scale if relaxed.values.size else np.nan,
        conflicts=conflicts,
    )


def _conflicts(problem: _Problem, ratio: NDArray[np.float64], prices: NDArray[np.float64]) -> tuple[Conflict, ...]:
    found: list[Conflict] = []
    excess = np.maximum(1 - ratio / problem.under, 0) + np.maximum(ratio / problem.over - 1, 0)
    seen: set[str] = set()
    for row in np.argsort(-excess):
        if excess[row] <= _SLACK and found:
            break
        channel, _slope = problem.place(int(row))
        if channel in seen:
            continue
        seen.add(channel)
        found.append(_conflict(problem, int(row), ratio, prices))
    return tuple(found)


def _conflict(problem: _Problem, row: int, ratio: NDArray[np.float64], prices: NDArray[np.float64]) -> Conflict:
    channel, slope = problem.place(row)
    under = bool(ratio[row] < problem.under)
    side = "under" if under else "over"
    if under and not np.any(problem.rows[row][problem.most > 0] > 0):
        text = (
            f"Channel '{channel}' gets no damage from any event's representative lap, so no number of plays reaches "
            "its target; add an event that loads it, or make it a monitor."
        )
        return Conflict(channel=channel, slope=slope, side=side, ratio=0.0, against="", text=text)
    against, would = _opponent(problem, row, ratio, prices, under)
    loud = problem.events[problem.loudest(row)]
    where = f"channel '{channel}' at slope {slope:g}"
    if under:
        text = (
            f"The test can give {where} only {ratio[row]:.2f} of its target damage (at least {problem.under:g} is "
            f"asked): more plays of '{loud}', which loads it most, would {would}. Raise over_test, lower under_test "
            f"to {_down(ratio[row]):g}, or add an event that loads '{channel}' more than the others."
        )
    else:
        other = f"'{against}'" if against and against != channel else "the others"
        text = (
            f"The test cannot give {where} less than {ratio[row]:.2f} times its target damage (at most "
            f"{problem.over[row]:g} is asked): fewer plays of '{loud}', which loads it most, would {would}. Raise "
            f"over_test to {_up(ratio[row]):g}, lower under_test, or add an event that loads {other} "
            f"without '{channel}'."
        )
    return Conflict(channel=channel, slope=slope, side=side, ratio=float(ratio[row]), against=against, text=text)


def _opponent(
    problem: _Problem, row: int, ratio: NDArray[np.float64], prices: NDArray[np.float64], under: bool
) -> tuple[str, str]:
    """The row whose opposite bound holds this one back: the dearest one that stands at that bound."""
    # Dual prices of the least-slack problem: above 0 for rows held up, below 0 for rows held down.
    pull = -prices if under else prices
    others = np.array([place for place in range(len(ratio)) if place != row and pull[place] > 1e-9], int)
    loud = problem.loudest(row)
    if (
        not under
        and problem.least[loud] > 0
        and float(problem.least[loud] * problem.rows[row, loud]) > problem.over[row]
    ):
        return "", f"go below the {problem.least[loud]:.0f} plays that its least share asks for"
    if not others.size:
        whole = "overshoot it: plays are whole numbers and each is too much" if under else "leave it with too little"
        return "", whole
    opponent = int(others[np.argmax(pull[others])])
    name, slope = problem.place(opponent)
    same = "" if name != problem.place(row)[0] else " (the same channel at another slope)"
    if under:
        return name, f"take '{name}' at slope {slope:g}{same} over its bound of {problem.over[opponent]:g}"
    return name, f"leave '{name}' at slope {slope:g}{same} under its bound of {problem.under:g}"


def _up(value: float) -> float:
    return float(np.ceil(value * 20 + 1e-9) / 20)


def _down(value: float) -> float:
    return float(np.floor(value * 20 - 1e-9) / 20)
