"""Schedules against every combination, an independent solver, and prices known in closed form."""

from __future__ import annotations

import itertools
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp

from washboard.duty import least_cost, schedule
from washboard.errors import InputError


def _plan(lap, target, lap_s, **options):  # type: ignore[no-untyped-def]
    lap, target = np.asarray(lap, float), np.asarray(target, float)
    return schedule(
        lap,
        target,
        np.asarray(lap_s, float),
        events=tuple(f"event {k}" for k in range(lap.shape[0])),
        channels=tuple(f"channel {k}" for k in range(lap.shape[1])),
        slopes=(3.0, 5.0, 8.0)[: lap.shape[2]],
        **options,
    )


def test_one_event_is_played_as_often_as_the_lower_bound_asks() -> None:
    found = _plan([[[2.0]]], [[1000.0]], [30.0], under_test=0.9, over_test=1.1)
    assert found.repeats == (450,)
    assert found.time_s == 450 * 30
    assert found.ratio[0, 0] == pytest.approx(0.9)
    # One percent of 1000 is 10 damage, 5 plays, 150 s.
    assert found.price_s[0] == pytest.approx(150.0)


def test_the_quicker_of_two_equal_events_is_taken() -> None:
    found = _plan([[[2.0]], [[2.0]]], [[100.0]], [30.0, 20.0], under_test=1.0)
    assert found.repeats == (0, 50)


@pytest.mark.parametrize("seed", range(20))
def test_no_combination_of_plays_is_quicker(seed: int) -> None:
    rng = np.random.default_rng(seed)
    lap = rng.lognormal(0, 0.7, (3, 2, 2))
    plays = rng.integers(2, 8, 3)
    target = np.einsum("e,ecs->cs", plays, lap) * rng.uniform(0.9, 1.1)
    lap_s = rng.uniform(10, 60, 3).round()
    best = np.inf
    for combination in itertools.product(range(40), repeat=3):
        ratio = np.einsum("e,ecs->cs", np.array(combination), lap) / target
        if ratio.min() >= 0.9 and ratio.max() <= 1.3:
            best = min(best, float(np.dot(combination, lap_s)))
    found = _plan(lap, target, lap_s, under_test=0.9, over_test=1.3, gap=0.0)
    if np.isinf(best):
        assert found.conflicts
        assert all(conflict.text for conflict in found.conflicts)
    else:
        assert not found.conflicts
        assert found.time_s == pytest.approx(best)
        assert found.bound_s <= best + 1e-6


@pytest.mark.parametrize("seed", range(5))
def test_same_time_as_an_independent_solver(seed: int) -> None:
    rng = np.random.default_rng(50 + seed)
    lap = rng.lognormal(0, 1.0, (7, 8, 3))
    target = np.einsum("e,ecs->cs", rng.uniform(500, 5000, 7), lap)
    lap_s = rng.uniform(10, 90, 7)
    rows = (lap / target).reshape(7, -1).T
    reference = milp(
        lap_s,
        integrality=np.ones(7),
        bounds=Bounds(0, np.inf),
        constraints=LinearConstraint(rows, 0.9, 1.5),
        options={"mip_rel_gap": 1e-4},
    )
    found = _plan(lap, target, lap_s, gap=1e-4)
    assert reference.success
    assert found.time_s == pytest.approx(reference.fun, rel=2.5e-4)


def test_price_is_what_a_little_more_target_costs() -> None:
    rng = np.random.default_rng(9)
    lap = rng.lognormal(0, 1.0, (5, 4, 2))
    target = np.einsum("e,ecs->cs", rng.uniform(5000, 50000, 5), lap)
    lap_s = rng.uniform(10, 90, 5)
    found = _plan(lap, target, lap_s, under_test=0.9, over_test=1e9)
    assert found.price_s.max() > 0
    for channel in np.flatnonzero(found.price_s > 0):
        more = target.copy()
        more[channel] *= 1 + 0.01 / 0.9 * 1e-3
        # A thousandth of a percent more: marginal prices hold exactly for small changes.
        again = _plan(lap, more, lap_s, under_test=0.9, over_test=1e9)
        assert again.relaxed_s - found.relaxed_s == pytest.approx(found.price_s[channel] * 1e-3, rel=0.02)


def test_without_a_channel_the_schedule_is_that_of_the_others() -> None:
    rng = np.random.default_rng(10)
    lap = rng.lognormal(0, 1.0, (5, 4, 2))
    target = np.einsum("e,ecs->cs", rng.uniform(5000, 50000, 5), lap)
    lap_s = rng.uniform(10, 90, 5)
    found = _plan(lap, target, lap_s)
    for channel in range(4):
        kept = [row for row in range(4) if row != channel]
        alone = _plan(lap[:, kept], target[kept], lap_s)
        assert found.without_s[channel] == pytest.approx(alone.relaxed_s, rel=1e-6)
        assert found.without_s[channel] <= found.relaxed_s * (1 + 1e-9)


def test_a_channel_without_upper_bound_asks_for_enough_only() -> None:
    lap = [[[1.0], [3.0]]]
    found = _plan(lap, [[100.0], [100.0]], [10.0], under_test=0.9, over_test=np.array([1.5, np.inf]))
    assert not found.conflicts
    assert found.repeats == (90,)
    stuck = _plan(lap, [[100.0], [100.0]], [10.0], under_test=0.9, over_test=np.array([np.inf, 1.5]))
    assert [conflict.channel for conflict in stuck.conflicts]
    assert stuck.ratio[1, 0] <= 3.0


def test_no_event_is_played_less_than_asked() -> None:
    lap = [[[2.0]], [[2.0]]]
    found = _plan(lap, [[100.0]], [30.0, 20.0], under_test=1.0, least_plays=np.array([9.5, 0.0]))
    assert found.repeats == (10, 40)
    stuck = _plan(lap, [[100.0]], [30.0, 20.0], under_test=1.0, least_plays=np.array([90.0, 0.0]))
    assert stuck.repeats == (90, 0)
    assert stuck.conflicts[0].side == "over"
    assert "90 plays that its least share asks for" in stuck.conflicts[0].text


def test_two_channels_that_exclude_each_other_are_both_named() -> None:
    # One event loads both; channel 1 gets three times its target when channel 0 gets its own.
    found = _plan([[[1.0], [3.0]]], [[100.0], [100.0]], [10.0], under_test=0.9, over_test=1.5)
    assert found.conflicts
    text = " ".join(conflict.text for conflict in found.conflicts)
    assert "'channel 0'" in text
    assert "'channel 1'" in text
    assert "event 0" in text
    assert "over_test" in text
    # As far off at one end as at the other, and no further than it need be.
    assert found.ratio[1, 0] / found.ratio[0, 0] == pytest.approx(3.0)


def test_what_the_text_advises_does_help() -> None:
    lap, target = [[[1.0], [3.0]]], [[100.0], [100.0]]
    stuck = _plan(lap, target, [10.0], under_test=0.9, over_test=1.5)
    conflict = stuck.conflicts[0]
    bounds = {"under_test": 0.9, "over_test": 1.5}
    if conflict.side == "over":
        bounds["over_test"] = np.ceil(conflict.ratio * 20) / 20
    else:
        bounds["under_test"] = np.floor(conflict.ratio * 20) / 20
    assert not _plan(lap, target, [10.0], **bounds).conflicts


def test_a_channel_no_representative_lap_loads_is_named() -> None:
    found = _plan([[[1.0], [0.0]]], [[100.0], [100.0]], [10.0])
    texts = [conflict.text for conflict in found.conflicts if conflict.channel == "channel 1"]
    assert texts
    assert "no damage from any event's representative lap" in texts[0]


def test_plays_too_coarse_for_the_bounds_are_explained() -> None:
    found = _plan([[[70.0]]], [[100.0]], [10.0], under_test=0.9, over_test=1.1)
    assert found.conflicts
    assert found.repeats in ((1,), (2,))
    assert "whole numbers" in found.conflicts[0].text


@given(seed=st.integers(0, 10_000), order=st.permutations(range(4)))
@settings(max_examples=15, deadline=None)
def test_order_of_events_does_not_matter(seed: int, order: list[int]) -> None:
    rng = np.random.default_rng(seed)
    lap = rng.lognormal(0, 0.5, (4, 3, 2))
    target = np.einsum("e,ecs->cs", rng.uniform(50, 500, 4), lap)
    lap_s = rng.uniform(10, 60, 4)
    one, other = _plan(lap, target, lap_s, gap=0.0), _plan(lap[order], target, lap_s[order], gap=0.0)
    assert one.time_s == pytest.approx(other.time_s, rel=1e-6)
    assert not one.conflicts


def test_bounds_the_wrong_way_round_are_refused() -> None:
    with pytest.raises(InputError, match=r"under_test 2 is above over_test 1\.5"):
        _plan([[[1.0]]], [[1.0]], [1.0], under_test=2.0, over_test=1.5)


def test_a_target_of_zero_is_refused() -> None:
    with pytest.raises(InputError, match="'channel 1' has a target damage of zero"):
        _plan([[[1.0], [1.0]]], [[1.0], [0.0]], [1.0])


def test_least_cost_prices_and_bounds_of_a_textbook_programme() -> None:
    # max 3x + 5y, x <= 4, 2y <= 12, 3x + 2y <= 18: 36 at (2, 6), prices 0, 1.5, 1 (Hillier and Lieberman, Introduction
    # to Operations Research, the Wyndor example; from memory, checked by hand).
    rows = np.array([[1.0, 0.0], [0.0, 2.0], [3.0, 2.0]])
    found = least_cost([-3.0, -5.0], rows, -np.inf, [4.0, 12.0, 18.0])
    assert found.status == "optimal"
    np.testing.assert_allclose(found.values, [2.0, 6.0])
    assert found.cost == pytest.approx(-36.0)
    np.testing.assert_allclose(found.prices, [0.0, -1.5, -1.0])
    assert found.gap == pytest.approx(0.0)


def test_least_cost_says_infeasible() -> None:
    found = least_cost([1.0], np.array([[1.0]]), 2.0, np.inf, upper=1.0)
    assert found.status == "infeasible"
    assert found.values.size == 0


def test_nothing_is_printed() -> None:
    # In a process of its own: the solver's banner comes once per process, and results own standard output.
    code = (
        "import numpy as np; from washboard.duty import least_cost; least_cost([1.0], np.array([[1.0]]), 2.0, np.inf)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == ""
    assert done.stderr == ""
