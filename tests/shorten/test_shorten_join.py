"""Joins: what is known in closed form, and what must hold of any."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from washboard.errors import DataError
from washboard.shorten import fade_weights, join_runs

RATE = 256


def test_whole_periods_taken_out_of_a_sine_leave_no_trace() -> None:
    # 2 Hz at 256 Hz: a period is 128 samples. Cutting out whole periods must give the same sine, through the fade too.
    time = np.arange(20 * RATE) / RATE
    x = np.stack([np.sin(2 * np.pi * 2 * time), 3 * np.cos(2 * np.pi * 2 * time)])
    runs = np.array([[0, 1024], [1024 + 5 * 128, 3000], [3000 + 3 * 128, 5120]])
    joined = join_runs(x, runs, fade=64, search=0)
    n = joined.samples.shape[1]
    assert n == 5120 - 8 * 128
    np.testing.assert_allclose(joined.samples, x[:, :n], atol=1e-12)
    np.testing.assert_array_equal(joined.joins, [1024, 3000 - 640])


def test_search_finds_the_cut_that_matches_level_and_slope() -> None:
    # The same, with the second stretch begun 9 samples off: the search has to bring phase back on both channels.
    time = np.arange(20 * RATE) / RATE
    x = np.stack([np.sin(2 * np.pi * 2 * time), 3 * np.cos(2 * np.pi * 2 * time)])
    off = join_runs(x, np.array([[0, 1024], [1024 + 640 + 9, 5120]]), fade=64, search=0)
    found = join_runs(x, np.array([[0, 1024], [1024 + 640 + 9, 5120]]), fade=64, search=16)
    apart = (found.runs[1, 0] - found.runs[0, 1]) % 128
    assert min(apart, 128 - apart) <= 2
    assert found.step.max() < 0.3 * off.step.max()


def test_level_and_slope_meet_at_both_ends_of_the_fade() -> None:
    rng = np.random.default_rng(2)
    x = np.cumsum(rng.normal(size=(3, 4000)), axis=1)
    fade = 200
    joined = join_runs(x, np.array([[0, 1500], [2500, 4000]]), fade=fade, search=0)
    first, last = 1500 - fade // 2, 1500 + fade // 2
    before = joined.samples - x[:, : joined.samples.shape[1]]
    after = joined.samples[:, first:] - x[:, 2500 - fade // 2 :]
    # The fade leaves either side with the square of the distance from its end: no step, no kink.
    apart = np.abs(x[:, 2500 - fade // 2 : 2500 + fade // 2] - x[:, first:last]).max(axis=1)
    for k in (1, 2, 5):
        bound = 0.5 * (1 - np.cos(np.pi * (k - 0.5) / fade)) * apart * 1.0000001
        assert np.all(np.abs(before[:, first + k - 1]) <= bound)
        assert np.all(np.abs(after[:, fade - k]) <= bound)
    np.testing.assert_array_equal(before[:, :first], 0)
    np.testing.assert_array_equal(after[:, fade:], 0)


def test_weights_of_both_sides_add_up_to_one() -> None:
    weights = fade_weights(50)
    np.testing.assert_allclose(weights + weights[::-1], 1.0, atol=1e-15)
    assert np.all(np.diff(weights) > 0)


@given(seed=st.integers(0, 10_000), n_runs=st.integers(1, 5), search=st.integers(0, 12))
@settings(max_examples=60, deadline=None)
def test_a_join_never_leaves_the_range_of_its_sides_and_keeps_channels_together(
    seed: int, n_runs: int, search: int
) -> None:
    rng = np.random.default_rng(seed)
    x = rng.normal(size=(2, 1200)).cumsum(axis=1).astype(np.float32)
    x = np.concatenate([x, 2 * x[:1] + 1])  # a third channel that is the first one in another unit
    edges = np.sort(rng.choice(np.arange(1, 20), 2 * n_runs - 1, replace=False)) * 60
    edges = np.concatenate([[0], edges, [1200]])[: 2 * n_runs]
    joined = join_runs(x, edges.reshape(-1, 2), fade=20, search=search)
    assert joined.samples.dtype == np.float32
    assert joined.samples.shape[1] == int((joined.runs[:, 1] - joined.runs[:, 0]).sum())
    assert np.all(np.abs(joined.runs - edges.reshape(-1, 2)) <= search)
    np.testing.assert_allclose(joined.samples[2], 2 * joined.samples[0] + 1, rtol=1e-5, atol=1e-4)
    assert joined.samples.max(axis=1) == pytest.approx(np.minimum(joined.samples.max(axis=1), x.max(axis=1)), rel=1e-6)
    for place, end, start in zip(joined.joins, joined.runs[:-1, 1], joined.runs[1:, 0], strict=True):
        sides = np.stack([x[:, end - 10 : end + 10], x[:, start - 10 : start + 10]])
        part = joined.samples[:, place - 10 : place + 10]
        assert np.all(part <= sides.max(axis=0) + 1e-4)
        assert np.all(part >= sides.min(axis=0) - 1e-4)


@given(seed=st.integers(0, 10_000))
@settings(max_examples=40, deadline=None)
def test_samples_that_must_come_through_do(seed: int) -> None:
    rng = np.random.default_rng(seed)
    x = rng.normal(size=(2, 1000))
    wanted = np.array([int(rng.integers(30, 370)), int(rng.integers(630, 970))])
    joined = join_runs(x, np.array([[0, 400], [600, 1000]]), fade=40, search=60, keep_at=wanted)
    inside = {
        int(place)
        for (first, last), offset in zip(joined.runs, (0, joined.joins[0]), strict=True)
        for place in wanted
        if first <= place < last and np.array_equal(joined.samples[:, place - first + offset], x[:, place])
    }
    assert inside == set(wanted.tolist())


def test_a_stretch_shorter_than_the_fade_is_refused() -> None:
    with pytest.raises(DataError, match="shorter than the fade"):
        join_runs(np.zeros((1, 1000)), np.array([[0, 30], [500, 1000]]), fade=64, search=0)


def test_nothing_kept_is_refused() -> None:
    with pytest.raises(DataError, match="nothing is kept"):
        join_runs(np.zeros((1, 1000)), np.zeros((0, 2), int), fade=64, search=0)
