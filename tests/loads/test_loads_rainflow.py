"""Counting against the published examples of ASTM E1049-85, ISO 12110-2 and handbooks."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from washboard.errors import DataError, InputError
from washboard.loads import (
    damage_by_window,
    level_crossings,
    pseudo_damage,
    rainflow,
    turning_points,
)

PUBLISHED = json.loads((Path(__file__).parents[1] / "references" / "rainflow.json").read_text())
HISTORIES = [name for name in PUBLISHED if "astm_by_range" in PUBLISHED[name]]
ASTM = PUBLISHED["ASTM_E1049_Fig6"]["history"]


def by_range(cycles):
    counts = Counter()
    for size, count in zip(cycles.range, cycles.count, strict=True):
        counts[float(size)] += float(count)
    return dict(counts)


@pytest.mark.parametrize("name", HISTORIES)
def test_counts_by_range_are_those_published(name):
    example = PUBLISHED[name]
    assert by_range(rainflow(example["history"])) == {float(size): count for size, count in example["astm_by_range"]}


@pytest.mark.parametrize("name", [name for name in HISTORIES if "repeating_by_range" in PUBLISHED[name]])
def test_repeating_history_is_that_published(name):
    example = PUBLISHED[name]
    counted = by_range(rainflow(example["history"], residue="repeat"))
    assert counted == {float(size): count for size, count in example["repeating_by_range"]}


def test_astm_figure_6_cycle_by_cycle():
    cycles = rainflow(ASTM)
    found = sorted(zip(cycles.start, cycles.end, cycles.count, cycles.range, cycles.mean, strict=True))
    wanted = sorted(
        (c["start"], c["end"], c["count"], c["range"], c["mean"]) for c in PUBLISHED["ASTM_E1049_Fig6"]["astm_rainflow"]
    )
    assert found == wanted
    assert cycles.n_closed == 1
    assert cycles.treatment == "half"
    assert list(cycles.residue.values) == PUBLISHED["ASTM_E1049_Fig6"]["four_point_residue"]
    assert [ASTM[i] for i in cycles.start_index] == list(cycles.start)
    assert [ASTM[i] for i in cycles.end_index] == list(cycles.end)


@pytest.mark.parametrize("slope, damage", [(3, 1094), (4, 8449), (5, 67838), (6, 557701), (8, 39241969)])
def test_pseudo_damage_of_astm_figure_6(slope, damage):
    # Sum of n range^k over the printed count: hand calculation.
    assert pseudo_damage(ASTM, slope) == damage


def test_iso_12110_2_turning_points_and_cycles():
    example = PUBLISHED["ISO12110-2_full"]
    classes = PUBLISHED["ISO12110-2_classes"]
    turns = turning_points(np.array(classes["history"], float))
    assert list(turns.values) == example["reversals_in_classes"]
    cycles = rainflow(classes["history"], residue="none")
    assert [list(pair) for pair in zip(cycles.start, cycles.end, strict=True)] == classes["four_point_cycles"]
    assert list(cycles.residue.values) == example["residue"]
    repeated = rainflow(classes["history"], residue="repeat")
    added = zip(repeated.start[cycles.n_closed :], repeated.end[cycles.n_closed :], strict=True)
    assert sorted(list(pair) for pair in added) == sorted(example["cycles_from_residue_concatenated_with_itself"])


def test_level_crossings_of_astm_figure_2():
    example = PUBLISHED["E1049_Fig2_level_crossing"]
    levels = sorted(int(level) for level in example["counts"])
    counted = level_crossings(example["history"], levels, reference=example["reference_level"])
    assert list(counted.astm[0]) == [example["counts"][str(level)] for level in levels]


def test_constant_signal_has_no_cycles():
    assert rainflow(np.ones(50)).range.size == 0
    assert pseudo_damage(np.ones(50), 5.0) == 0.0


def test_plateau_turns_once_at_its_last_sample():
    turns = turning_points([0.0, 1.0, 1.0, 1.0, 0.5, 0.5, 2.0])
    assert list(turns.values) == [0.0, 1.0, 0.5, 2.0]
    assert list(turns.indices) == [0, 3, 5, 6]


def test_windows_sum_to_the_whole():
    x = np.random.default_rng(4).standard_normal((3, 5000))
    whole = pseudo_damage(x, [3.0, 5.0])
    for credit in ("split", "close"):
        windows = damage_by_window(x, 128, [3.0, 5.0], credit=credit)
        assert windows.shape == (3, 40, 2)
        np.testing.assert_allclose(windows.sum(axis=1), whole, rtol=1e-12)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_samples_that_are_not_finite_are_refused_with_their_place(bad):
    x = np.random.default_rng(1).standard_normal((3, 1000))
    x[1, 417] = bad
    with pytest.raises(DataError, match=r"channel number 2 has one sample that is not a finite number.*index 417"):
        pseudo_damage(x, 5.0)
    with pytest.raises(DataError, match="index 417"):
        rainflow(x[1])
    with pytest.raises(DataError, match=r"channel number 2.*index 417"):
        damage_by_window(x, 100, 5.0)


def test_wrong_arguments_are_refused():
    with pytest.raises(InputError, match="slopes"):
        pseudo_damage([0.0, 1.0], -1.0)
    with pytest.raises(InputError, match="residue"):
        rainflow([0.0, 1.0], residue="whole")
    with pytest.raises(DataError, match="at least 2 samples"):
        rainflow([1.0])
