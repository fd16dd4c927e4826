"""Plays mixed stretch by stretch: what was good anywhere is kept, and chance is not fitted."""

from itertools import pairwise

import numpy as np
import pytest

from washboard.identify import DriveLimits, Frf
from washboard.replicate import Iteration, group_lines, make_problem, prepare_target
from washboard.replicate._combine import _stretches, combined
from washboard.replicate._measures import overall_error

RATE, BAND = 256.0, (0.6, 20.0)


@pytest.fixture(scope="module")
def target():
    samples = np.random.default_rng(1).standard_normal((4, int(40 * RATE)))
    return prepare_target(samples, RATE, names=tuple("abcd"), band_hz=BAND, taper_s=2.0)


def mixed(target, plays, *, noise=1e-9):
    """`combined` of a rig whose response is its drive, all channels alike."""
    weight = np.broadcast_to(1 / target.rms, target.spectrum.shape) * target.edge[:, None]
    bands = group_lines(target.freq_hz, width_hz=0.6, share=0.2, least=8)
    pairs = [(target.to_lines(play), target.to_lines(play)) for play in plays]
    floor = np.full(target.spectrum.shape, noise)
    return combined(target, bands, weight, target.spectrum, pairs[0], pairs[1:], floor)


def off(target, lines):
    error = (target.in_band(target.to_time(lines)) - target.samples)[:, target.span]
    return np.sqrt(np.mean(error**2)) / np.sqrt(np.mean(target.samples[:, target.span] ** 2))


@pytest.mark.parametrize("length_s", [0.5, 3.0, 1000.0])
def test_stretches_add_up_to_one(target, length_s):
    found = _stretches(target, length_s)
    np.testing.assert_allclose(np.asarray(found.sum(axis=0)).ravel(), 1.0, atol=1e-12)


def test_one_play_is_its_own_mixture(target):
    drive, response = mixed(target, [0.7 * target.samples])
    np.testing.assert_array_equal(drive, target.to_lines(0.7 * target.samples))
    np.testing.assert_array_equal(response, drive)


def test_what_was_good_in_either_half_is_kept(target):
    rng = np.random.default_rng(2)
    wrong = target.in_band(rng.standard_normal(target.samples.shape))
    half = (np.arange(target.n_samples) > target.n_samples // 2).astype(float)
    plays = [target.samples + 1.0 * half * wrong, target.samples + 1.0 * (1 - half) * wrong]
    drive, response = mixed(target, plays)
    each = [off(target, target.to_lines(play)) for play in plays]
    # With the ridge as large as the power of the difference half of what one play has wrong is taken away.
    assert off(target, response) < 0.6 * min(each)
    np.testing.assert_allclose(drive, response, atol=1e-12)


def test_plays_that_differ_by_chance_are_not_fitted(target):
    rng = np.random.default_rng(3)
    size = 0.02
    lines = target.spectrum.shape
    power = size**2 * np.mean(np.abs(target.spectrum) ** 2)
    plays = [
        target.samples + target.to_time(np.sqrt(power / 2) * (rng.normal(size=lines) + 1j * rng.normal(size=lines)))
        for _play in range(9)
    ]
    _drive, response = mixed(target, plays, noise=power)
    first = off(target, target.to_lines(plays[0]))
    # Seven tenths would be the mean of two; less would claim that noise was foreseen.
    assert 0.7 * first < off(target, response) < first


def test_overall_error_counts_channels_by_importance():
    relative = np.array([0.1, 0.3])
    assert overall_error(relative, np.ones(2)) == pytest.approx(np.sqrt(0.05))
    assert overall_error(relative, np.array([1.0, 0.2])) == pytest.approx(np.sqrt((0.01 + 0.0036) / 1.04))
    assert overall_error(relative, np.zeros(2)) == pytest.approx(np.sqrt(0.05))


def test_after_a_jump_levels_creep_and_nothing_is_mixed():
    # A rig whose response jumps to a larger motion above 0.9 of the target.
    samples = np.random.default_rng(5).standard_normal((2, int(30 * RATE)))
    target = prepare_target(samples, RATE, names=("a", "b"), band_hz=BAND, taper_s=2.0)
    f = np.arange(0.25, 30.0, 0.125)
    ones = np.ones((f.size, 2))
    frf = Frf(
        values=np.broadcast_to(np.eye(2), (f.size, 2, 2)).astype(complex), freq_hz=f, responses=("a", "b"),
        drives=("1", "2"), residual=ones * 1e-9, noise=ones * 1e-12,
        information=np.broadcast_to(np.eye(2), (f.size, 2, 2)) + 0j, coherence=ones, n_experiments=8.0,
        averaged=np.ones(f.size),
    )  # fmt: skip
    wide = DriveLimits(names=("1", "2"), reach=np.full(2, 1e6), velocity=np.full(2, 1e9), acceleration=np.full(2, 1e12))
    iteration = Iteration(problem=make_problem(target, frf, limits=wide))
    levels = []
    for _number in range(7):
        proposal = iteration.propose()
        levels.append(proposal.level)
        size = np.sqrt(np.mean(proposal.drive**2) / np.mean(target.samples**2))
        iteration.answered(proposal, (2.0 if size > 0.9 else 0.97) * proposal.drive)
    assert iteration.jumped()
    jump = levels.index(1.0)
    # Halfway back, then up by small steps; never at once to the whole again.
    assert levels[jump + 1] < 1.0
    assert all(late - early < 0.5 * (1 - early) for early, late in pairwise(levels[jump + 1 :]) if early < 0.95)
    drive, response = iteration.base(1.0)
    assert any(
        np.array_equal(drive, play.drive) and np.array_equal(response, play.response) for play in iteration.plays
    )
