"""Counts in classes against the standards' examples, and against the exact cycles they come from."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from washboard.errors import InputError
from washboard.loads import (
    from_to_matrix,
    level_crossings,
    rainflow,
    range_counts,
    range_mean_matrix,
    range_pairs,
)

PUBLISHED = json.loads((Path(__file__).parents[1] / "references" / "rainflow.json").read_text())


@pytest.mark.parametrize("name", ["ASTM_E1049_Fig6", "Lee2011_fourpoint", "ISO12110-2_classes"])
def test_range_pairs_are_those_published(name):
    found = range_pairs(PUBLISHED[name]["history"])
    wanted = {float(size): count for size, count in PUBLISHED[name]["range_pair_by_range"]}
    assert dict(zip(found.range, found.count, strict=True)) == wanted


def test_iso_12110_2_range_counts():
    example = PUBLISHED["ISO12110-2_full"]
    cycles = rainflow(PUBLISHED["ISO12110-2_classes"]["history"], residue="repeat")
    counted = np.bincount(cycles.range.astype(int), cycles.count, 13)[1:]
    assert list(counted) == example["range_counts_1_to_12"]


def test_astm_from_to_and_range_mean():
    cycles = rainflow(PUBLISHED["ASTM_E1049_Fig6"]["history"])
    matrix = from_to_matrix(cycles, np.arange(-4.5, 6.0))
    assert matrix.counts.sum() == 4.0
    assert matrix.counts[-1 + 4, 3 + 4] == 1.0
    assert matrix.counts[5 + 4, -4 + 4] == 0.5
    by_mean = range_mean_matrix(cycles, np.arange(0.5, 10), np.arange(-1.25, 1.5, 0.5))
    # Ranges 3: 0.5; 4: 1.5; 6: 0.5; 8: 1.0; 9: 0.5 (ASTM E1049, Fig. 6).
    assert list(by_mean.counts.sum(axis=1)) == [0, 0, 0.5, 1.5, 0, 0.5, 0, 1.0, 0.5]
    assert by_mean.counts[7, 4] == 0.5  # range 8 about mean 1
    assert by_mean.counts[7, 2] == 0.5  # range 8 about mean 0


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(2, 3000), st.integers(4, 80))
def test_matrices_hold_every_cycle(seed, size, classes):
    cycles = rainflow(np.random.default_rng(seed).standard_normal(size))
    assert from_to_matrix(cycles, classes).counts.sum() == cycles.count.sum()
    assert range_mean_matrix(cycles, classes, classes).counts.sum() == cycles.count.sum()
    counted = range_counts(cycles)
    assert np.all(np.diff(counted.range) < 0)
    assert counted.cumulated[-1] == cycles.count.sum()


def test_classes_that_leave_cycles_outside_are_refused():
    cycles = rainflow([0.0, 5.0, -5.0, 1.0])
    with pytest.raises(InputError, match="no cycle may fall outside"):
        from_to_matrix(cycles, [-1.0, 0.0, 1.0])


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(2, 2000))
def test_level_crossings_written_out(seed, size):
    x = np.random.default_rng(seed).standard_normal(size)
    levels = np.linspace(-2, 2, 17)
    found = level_crossings(x, levels)
    for number, level in enumerate(levels):
        above = x >= level
        assert found.up[0, number] == np.sum(~above[:-1] & above[1:])
        assert found.down[0, number] == np.sum(above[:-1] & ~above[1:])


def test_crossings_of_rice():
    # Gaussian noise crosses its mean sqrt(m2/m0) times a second, a level a fewer by exp(-a^2 / 2 sigma^2) (Rice 1944).
    from scipy import signal

    rate = 400.0
    sos = signal.butter(4, [5, 20], "band", fs=rate, output="sos")
    x = signal.sosfiltfilt(sos, np.random.default_rng(0).standard_normal(800_000))
    x /= x.std()
    up = level_crossings(x, [0.0, 1.0, 2.0]).up[0]
    np.testing.assert_allclose(up / up[0], np.exp([0.0, -0.5, -2.0]), rtol=0.04)
