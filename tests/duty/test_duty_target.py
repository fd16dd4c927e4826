"""Target damage, percentile users, representative laps, and the uncertainty of few laps, against scipy's statistics."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from washboard.duty import (
    DutySettings,
    EventLoads,
    EventPlan,
    Usage,
    UserGroup,
    laps_needed,
    representative_lap,
    target_damage,
    target_scatter,
    usage,
)
from washboard.errors import DataError, InputError


def _mix(laps: list[list[float]], weights: list[float] | None = None) -> Usage:
    n = len(laps)
    return Usage(
        events=tuple("abc"[: len(laps[0])]),
        groups=tuple(f"group {k}" for k in range(n)),
        laps=np.array(laps, float),
        weights=np.array(weights or [1 / n] * n),
        service="1 km",
        covered=np.ones(n),
    )


def _loads(*damage: np.ndarray) -> list[EventLoads]:
    return [
        EventLoads(name=name, damage=np.asarray(d, float), duration_s=np.full(len(d), 10.0))
        for name, d in zip("abc", damage, strict=False)
    ]


def test_miner_sum_by_hand() -> None:
    # Two events, two laps each, one channel, two slopes.
    a = np.array([[[1.0, 10.0]], [[3.0, 30.0]]])
    b = np.array([[[5.0, 1.0]], [[7.0, 3.0]]])
    target = target_damage(_loads(a, b), _mix([[100, 10]]), channels=("x",), slopes=(3.0, 5.0))
    np.testing.assert_allclose(target.damage, [[100 * 2 + 10 * 6, 100 * 20 + 10 * 2]])
    np.testing.assert_allclose(target.share[:, 0, 0], [200 / 260, 60 / 260])
    np.testing.assert_allclose(target.share.sum(axis=0), 1.0)


def test_percentile_user_is_that_of_a_log_normal_through_the_groups() -> None:
    a = np.array([[[1.0]]])
    laps = [[100.0], [300.0], [900.0], [500.0]]
    target = target_damage(_loads(a), _mix(laps), channels=("x",), slopes=(5.0,), percentile=0.95)
    logs = np.log([100, 300, 900, 500])
    wanted = stats.lognorm.ppf(0.95, s=logs.std(ddof=1), scale=np.exp(logs.mean()))
    assert target.damage[0, 0] == pytest.approx(wanted, rel=1e-12)
    assert target.percentile_factor[0, 0] == pytest.approx(wanted / 450)


def test_a_percentile_needs_two_groups() -> None:
    with pytest.raises(InputError, match="at least two groups"):
        target_damage(_loads(np.ones((1, 1, 1))), _mix([[5]]), channels=("x",), slopes=(5.0,), percentile=0.9)


def test_the_representative_lap_is_typical_where_the_event_matters() -> None:
    damage = np.array([[[1.0], [100.0]], [[2.0], [10.0]], [[3.0], [1.0]]])  # means 2 and 37
    assert representative_lap(damage, np.array([[1.0], [0.0]])) == 1
    assert representative_lap(damage, np.array([[0.0], [1.0]])) == 0
    assert representative_lap(np.zeros((2, 1, 1)), np.zeros((1, 1))) == 0


def test_a_dead_channel_is_named_unless_it_is_only_watched() -> None:
    loads = _loads(np.array([[[1.0], [0.0]]]))
    with pytest.raises(DataError, match="channel 'y' has no damage in any event"):
        target_damage(loads, _mix([[5]]), channels=("x", "y"), slopes=(5.0,))
    target = target_damage(loads, _mix([[5]]), channels=("x", "y"), slopes=(5.0,), watched=("y",))
    assert target.damage[1, 0] == 0
    assert np.isfinite(target.share).all()


def test_an_event_without_a_lap_is_named() -> None:
    with pytest.raises(DataError, match="event 'a' has no lap left"):
        target_damage(_loads(np.zeros((0, 1, 1))), _mix([[5]]), channels=("x",), slopes=(5.0,))


def test_half_width_of_one_event_is_students_interval() -> None:
    damage = np.random.default_rng(2).lognormal(0, 0.4, (6, 1, 1))
    scatter = target_scatter(_loads(damage), _mix([[123]]), confidence=0.9)
    low, high = stats.t.interval(0.9, 5, loc=damage.mean(), scale=stats.sem(damage.ravel()))
    assert scatter.half_width[0, 0] == pytest.approx((high - low) / 2 / damage.mean(), rel=1e-9)


def test_half_width_of_two_events_is_welchs_interval() -> None:
    # The interval of a sum of two means is as wide as that of their difference, which scipy gives.
    rng = np.random.default_rng(3)
    a, b = rng.normal(10, 2, (4, 1, 1)), rng.normal(10, 5, (7, 1, 1))
    scatter = target_scatter(_loads(a, b), _mix([[1, 1]]), confidence=0.95)
    interval = stats.ttest_ind(a.ravel(), b.ravel(), equal_var=False).confidence_interval(0.95)
    wanted = (interval.high - interval.low) / 2 / (a.mean() + b.mean())
    assert scatter.half_width[0, 0] == pytest.approx(wanted, rel=1e-9)


def test_bootstrap_agrees_with_scipys() -> None:
    damage = np.random.default_rng(4).lognormal(0, 0.5, (12, 1, 1))
    scatter = target_scatter(_loads(damage), _mix([[7]]), confidence=0.9, draws=20_000, seed=1)
    reference = stats.bootstrap(
        (damage.ravel(),), np.mean, confidence_level=0.9, n_resamples=20_000, method="percentile", rng=5
    ).confidence_interval
    assert scatter.low[0, 0] == pytest.approx(reference.low / damage.mean(), rel=0.01)
    assert scatter.high[0, 0] == pytest.approx(reference.high / damage.mean(), rel=0.01)
    again = target_scatter(_loads(damage), _mix([[7]]), confidence=0.9, draws=20_000, seed=1)
    np.testing.assert_array_equal(scatter.low, again.low)


def test_interval_covers_the_truth_as_often_as_it_says() -> None:
    rng = np.random.default_rng(6)
    damage = rng.normal(10.0, 2.0, (400, 5, 1, 1))
    covered = 0
    for laps in damage:
        width = target_scatter(_loads(laps), _mix([[1]]), confidence=0.9, draws=2).half_width[0, 0]
        covered += abs(10.0 - laps.mean()) <= width * laps.mean()
    # Binomial with 400 trials at 0.9: four standard deviations are 0.06.
    assert covered / 400 == pytest.approx(0.9, abs=0.06)


def test_laps_enough_reach_the_width_and_one_less_does_not() -> None:
    damage = np.random.default_rng(7).lognormal(0, 0.5, (4, 1, 1))
    loads = _loads(damage)
    scatter = target_scatter(loads, _mix([[10]]))
    need = laps_needed(scatter, [4], channels=("x",), slopes=(5.0,), uncertainty=0.2)
    deviation = damage.std(ddof=1) / damage.mean()
    for laps, holds in ((need.laps[0], True), (need.laps[0] - 1, False)):
        width = stats.t.ppf(0.95, laps - 1) * deviation / np.sqrt(laps)
        assert bool(width <= 0.2) is holds
    assert need.reached
    assert need.channel == "x"
    assert need.path_laps == tuple(range(4, need.laps[0] + 1))
    wanted = [stats.t.ppf(0.95, laps - 1) * deviation / np.sqrt(laps) for laps in need.path_laps]
    np.testing.assert_allclose(need.path_half_width, wanted, rtol=1e-9)


def test_more_laps_go_to_the_event_that_scatters_more() -> None:
    rng = np.random.default_rng(8)
    calm, wild = rng.normal(10, 0.2, (3, 1, 1)), rng.normal(10, 4, (3, 1, 1))
    scatter = target_scatter(_loads(calm, wild), _mix([[1, 1]]))
    need = laps_needed(scatter, [3, 3], channels=("x",), slopes=(5.0,), uncertainty=0.1)
    assert need.laps[0] == 3
    assert need.laps[1] > 3


def test_a_single_lap_leaves_its_scatter_unknown() -> None:
    a, b = np.ones((1, 1, 1)), np.array([[[1.0]], [[1.2]], [[0.9]]])
    scatter = target_scatter(_loads(a, b), _mix([[1, 1]]))
    assert scatter.single == ("a",)
    assert np.isnan(scatter.half_width).all()
    assert np.isfinite(scatter.low).all()
    need = laps_needed(scatter, [1, 3], channels=("x",), slopes=(5.0,), uncertainty=0.5)
    assert need.laps[0] >= 2
    assert not need.reached


def test_groups_and_percentile_from_settings_to_target() -> None:
    events = (EventPlan(name="a", recordings=("r",), distance_m=100.0), EventPlan(name="b", recordings=("r",)))
    duty = DutySettings(
        time_s=3600.0,
        group=(UserGroup(name="hard", share={"a": 0.5}), UserGroup(name="soft", share={"a": 0.1, "b": 0.2})),
    )
    mix = usage(events, duty, {"a": 10.0, "b": 20.0})
    target = target_damage(
        _loads(np.full((2, 1, 1), 4.0), np.full((2, 1, 1), 3.0)), mix, channels=("x",), slopes=(5.0,)
    )
    hard, soft = 0.5 * 360 * 4, 0.1 * 360 * 4 + 0.2 * 180 * 3
    assert target.damage[0, 0] == pytest.approx((hard + soft) / 2)
    np.testing.assert_allclose(target.group_damage[:, 0, 0], [hard, soft])


def _with_blocks(blocks: np.ndarray) -> list[EventLoads]:
    """One event of one channel and slope from damage of pieces, shape (lap, block)."""
    laps = len(blocks)
    return [
        EventLoads(
            name="a",
            damage=blocks.sum(axis=1)[:, None, None],
            duration_s=np.full(laps, 30.0),
            blocks=tuple(one[:, None, None] for one in blocks),
        )
    ]


def _mean_of_one(blocks: np.ndarray) -> float:
    return float(blocks.sum(axis=1).mean())


@pytest.mark.parametrize("beyond", [0.0, 1.0, 3.0])
def test_pieces_of_laps_cover_the_truth_however_laps_differ(beyond: float) -> None:
    # Binomial with 600 trials at 0.9: four standard deviations are 0.05. `beyond`: what laps scatter by besides their
    # pieces, over what the pieces let expect.
    rng = np.random.default_rng(21)
    covered, widths, by_laps = 0, [], []
    for _ in range(600):
        blocks = 10 + beyond / np.sqrt(15) * rng.standard_normal((3, 1)) + rng.standard_normal((3, 15))
        scatter = target_scatter(_with_blocks(blocks), _mix([[1]]), confidence=0.9, draws=2)
        width = float(scatter.half_width[0, 0])
        covered += abs(150 - _mean_of_one(blocks)) <= width * _mean_of_one(blocks)
        widths.append(width)
        laps = blocks.sum(axis=1)
        by_laps.append(stats.t.ppf(0.95, 2) * stats.sem(laps) / laps.mean())
    assert covered / 600 == pytest.approx(0.9, abs=0.05)
    if beyond == 0:
        # Fresh ground: laps that happen to agree promise too much, pieces do not let them.
        assert np.quantile(widths, 0.1) > 1.2 * np.quantile(by_laps, 0.1)
        assert np.mean(widths) < np.mean(by_laps)


def test_laps_that_repeat_the_same_ground_count_as_laps() -> None:
    rng = np.random.default_rng(22)
    once = rng.lognormal(0, 1, 15)
    blocks = once * (1 + 0.01 * rng.standard_normal((4, 1)))
    laps = blocks.sum(axis=1)
    scatter = target_scatter(_with_blocks(blocks), _mix([[1]]))
    assert not scatter.by_blocks.any()
    wanted = stats.t.ppf(0.95, 3) * stats.sem(laps) / laps.mean()
    assert scatter.half_width[0, 0] == pytest.approx(wanted, rel=1e-9)


def test_a_single_lap_has_the_scatter_of_its_pieces() -> None:
    blocks = np.random.default_rng(23).lognormal(0, 0.6, (1, 40))
    scatter = target_scatter(_with_blocks(blocks), _mix([[17]]), draws=20_000)
    # A sum of 40 pieces: its standard error from theirs, Student's t with 39 degrees of freedom.
    wanted = stats.t.ppf(0.95, 39) * blocks.std(ddof=1) * np.sqrt(40) / blocks.sum()
    assert scatter.half_width[0, 0] == pytest.approx(wanted, rel=1e-9)
    assert scatter.single == ("a",)
    reference = stats.bootstrap(
        (blocks[0],), np.mean, confidence_level=0.9, n_resamples=20_000, method="percentile", rng=5
    ).confidence_interval
    assert scatter.low[0, 0] == pytest.approx(reference.low / blocks.mean(), rel=0.01)
    assert scatter.high[0, 0] == pytest.approx(reference.high / blocks.mean(), rel=0.01)
    need = laps_needed(scatter, [1], channels=("x",), slopes=(5.0,), uncertainty=0.5 * wanted)
    # Half the width takes four times the ground, a little less with more degrees of freedom.
    assert need.reached
    assert need.laps[0] == 4


def test_a_lap_of_few_pieces_leaves_its_scatter_unknown() -> None:
    scatter = target_scatter(_with_blocks(np.ones((1, 3))), _mix([[1]]))
    assert np.isnan(scatter.half_width).all()
