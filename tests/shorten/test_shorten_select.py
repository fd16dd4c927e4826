"""Selection against every subset, against scipy's own solver, and against what must hold of any selection."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp

from washboard.errors import DataError
from washboard.shorten import CutLoss, Rules, no_rules, runs_of, select_windows


def _lawful(kept: np.ndarray, duration: np.ndarray, rules: Rules) -> bool:
    if np.any(rules.mandatory & ~kept) or any(kept[e] != kept[e - 1] for e in rules.whole_edges):
        return False
    state, length, since = False, 0.0, None
    runs, gaps = [], []
    for j, on in enumerate([*kept.tolist(), None]):
        if on is not state:
            (runs if state else gaps).append((length, since, j))
            state, length, since = on, 0.0, j
        if on is not None:
            length += duration[j]
    least = min(rules.shortest_s, duration.sum())
    inner = [g for g in gaps if g[1] is not None and g[1] > 0 and g[2] < len(kept) and g[0] > 0]
    return all(run[0] >= least - 1e-9 for run in runs) and all(g[0] >= rules.shortest_gap_s - 1e-9 for g in inner)


def _shortest_of_all(damage: np.ndarray, share: np.ndarray, duration: np.ndarray, rules: Rules) -> float:
    total = damage.sum(axis=1)
    best = np.inf
    for bits in itertools.product((False, True), repeat=len(duration)):
        kept = np.array(bits)
        held = damage[:, kept].sum(axis=1) / total
        if np.all(held >= share - 1e-9) and _lawful(kept, duration, rules):
            best = min(best, float(duration[kept].sum()))
    return best


@pytest.mark.parametrize("seed", range(25))
def test_no_subset_is_shorter(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(4, 12))
    damage = np.exp(rng.normal(0, 1.5, (int(rng.integers(1, 5)), n, 2)))
    duration = rng.uniform(0.5, 2.0, n).round(2)
    share = rng.uniform(0.3, 0.95, (damage.shape[0], 2))
    rules = no_rules(n)
    if seed % 2:
        mandatory = rng.random(n) < 0.15
        whole = np.flatnonzero(rng.random(n) < 0.15)
        rules = Rules(
            mandatory=mandatory,
            whole_edges=whole[whole > 0],
            shortest_s=float(rng.choice([0.0, 2.0, 3.5])),
            shortest_gap_s=float(rng.choice([0.0, 1.2])),
        )
    found = select_windows(damage, share, duration, rules=rules, gap=0.0)
    assert found.status == "optimal"
    assert found.time_s == pytest.approx(_shortest_of_all(damage, share, duration, rules), abs=1e-9)
    assert found.bound_s == pytest.approx(found.time_s, abs=1e-6)
    assert _lawful(found.kept, duration, rules)
    assert np.all(found.share >= share - 1e-9)


@pytest.mark.parametrize("seed", range(12))
def test_no_subset_is_shorter_where_cuts_cost_damage(seed: int) -> None:
    rng = np.random.default_rng(200 + seed)
    n = int(rng.integers(4, 11))
    damage = np.exp(rng.normal(0, 1.0, (3, n, 2)))
    duration = rng.uniform(0.5, 2.0, n).round(2)
    share = rng.uniform(0.3, 0.9, (3, 2))
    loss = CutLoss(first=0.3 * damage * rng.random(damage.shape), last=0.3 * damage * rng.random(damage.shape))
    rules = Rules(
        mandatory=rng.random(n) < 0.1,
        whole_edges=np.zeros(0, np.int64),
        shortest_s=float(rng.choice([0.0, 2.5])),
        shortest_gap_s=0.0,
    )
    total, best = damage.sum(axis=1), np.inf
    for bits in itertools.product((False, True), repeat=n):
        kept = np.array(bits)
        held = damage[:, kept].sum(axis=1)
        for j in np.flatnonzero(kept):
            held = held - (loss.first[:, j] if j > 0 and not kept[j - 1] else 0.0)
            held = held - (loss.last[:, j] if j < n - 1 and not kept[j + 1] else 0.0)
        if np.all(held / total >= share - 1e-9) and _lawful(kept, duration, rules):
            best = min(best, float(duration[kept].sum()))
    found = select_windows(damage, share, duration, rules=rules, cut_loss=loss, gap=0.0)
    assert found.time_s == pytest.approx(best, abs=1e-9)
    assert found.bound_s == pytest.approx(best, abs=1e-6)
    assert np.all(found.share >= share - 1e-9)


@pytest.mark.parametrize("seed", range(3))
def test_same_length_as_an_independent_solver(seed: int) -> None:
    rng = np.random.default_rng(100 + seed)
    damage = np.exp(rng.normal(0, 1.0, (8, 45, 1)))
    duration = rng.uniform(0.5, 1.5, 45)
    share = np.full((8, 1), 0.8)
    rows = damage[:, :, 0] / damage[:, :, 0].sum(axis=1, keepdims=True)
    reference = milp(
        duration,
        integrality=np.ones(45),
        bounds=Bounds(0, 1),
        constraints=LinearConstraint(rows, lb=0.8),
        options={"mip_rel_gap": 1e-4},
    )
    found = select_windows(damage, share, duration, gap=1e-4)
    assert found.time_s == pytest.approx(reference.fun, rel=2.5e-4)
    assert found.bound_s <= reference.fun * (1 + 1e-6)


def test_one_channel_takes_the_densest_windows() -> None:
    # Closed form: equal lengths and one row make it a matter of sorting.
    rng = np.random.default_rng(3)
    damage = np.exp(rng.normal(0, 1, 40))
    share = 0.7
    order = np.sort(damage)[::-1].cumsum() / damage.sum()
    least = int(np.searchsorted(order, share)) + 1
    found = select_windows(damage[None, :, None], np.array([[share]]), np.ones(40), gap=0.0)
    assert found.time_s == least


def test_proof_for_twelve_channels_at_80_percent() -> None:
    rng = np.random.default_rng(8)
    damage = np.exp(rng.normal(0, 0.8, (12, 600, 3)))
    found = select_windows(damage, np.full((12, 3), 0.8), np.ones(600), gap=0.01)
    assert found.status == "optimal"
    assert found.gap <= 0.01
    assert found.relaxed_s <= found.bound_s + 1e-6 <= found.time_s + 2e-6
    assert found.time_s <= found.greedy_s
    # The relaxation's own bound, from scipy's solver.
    rows = (damage / damage.sum(axis=1, keepdims=True)).transpose(0, 2, 1).reshape(36, 600)
    from scipy.optimize import linprog

    reference = linprog(np.ones(600), A_ub=-rows, b_ub=np.full(36, -0.8), bounds=(0, 1))
    assert found.relaxed_s == pytest.approx(reference.fun, rel=1e-6)


@given(seed=st.integers(0, 10_000), order=st.permutations(range(4)), share=st.floats(0.05, 0.99))
@settings(max_examples=12, deadline=None)
def test_order_of_channels_does_not_matter(seed: int, order: list[int], share: float) -> None:
    damage = np.exp(np.random.default_rng(seed).normal(0, 1, (4, 25, 2)))
    shares = np.linspace(share, share / 2, 4)[:, None].repeat(2, axis=1)
    duration = np.ones(25)
    one = select_windows(damage, shares, duration, gap=0.0)
    other = select_windows(damage[order], shares[order], duration, gap=0.0)
    np.testing.assert_array_equal(one.kept, other.kept)


@given(
    seed=st.integers(0, 10_000),
    share=st.floats(0.01, 1.0),
    shortest=st.sampled_from([0.0, 2.0, 3.0]),
    spread=st.floats(0.0, 4.0),
)
@settings(max_examples=60, deadline=None)
def test_every_selection_holds_its_shares_and_rules(seed: int, share: float, shortest: float, spread: float) -> None:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 40))
    damage = np.exp(rng.normal(0, spread, (3, n, 2)))
    duration = rng.uniform(0.5, 1.5, n)
    rules = Rules(
        mandatory=rng.random(n) < 0.1, whole_edges=np.zeros(0, np.int64), shortest_s=shortest, shortest_gap_s=0.6
    )
    found = select_windows(damage, np.full((3, 2), share), duration, rules=rules, gap=0.02)
    assert np.all(found.share >= share - 1e-8)
    assert _lawful(found.kept, duration, rules)
    assert found.bound_s <= found.time_s + 1e-9


def test_all_of_the_damage_keeps_every_window_that_has_any() -> None:
    damage = np.array([[[1.0], [0.0], [1e-12], [2.0]]])
    found = select_windows(damage, np.ones((1, 1)), np.ones(4))
    np.testing.assert_array_equal(found.kept, [True, False, True, True])


def test_a_channel_without_damage_is_refused() -> None:
    damage = np.ones((2, 5, 1))
    damage[1] = 0
    with pytest.raises(DataError, match="channel 2 of 2 has no damage"):
        select_windows(damage, np.full((2, 1), 0.5), np.ones(5))


def test_a_share_above_one_is_refused() -> None:
    with pytest.raises(DataError, match=r"1\.2 of the damage is more than there is"):
        select_windows(np.ones((1, 5, 1)), np.full((1, 1), 1.2), np.ones(5))


def test_runs_of_finds_stretches() -> None:
    assert runs_of(np.array([True, False, True, True])) == [(0, 1), (2, 4)]
    assert runs_of(np.zeros(3, bool)) == []
