"""One count, many roads to it: pieces, threads, processors, and other people's counters."""

from __future__ import annotations

import itertools
import os
import subprocess
import sys
import warnings
from pathlib import Path

import fatpack
import numpy as np
import pytest
import rainflow as rainflow_package
from hypothesis import given, settings
from hypothesis import strategies as st
from pylife.stress.rainflow import FourPointDetector
from pylife.stress.rainflow.recorders import LoopValueRecorder

from washboard.loads import (
    DamageStream,
    RainflowStream,
    damage_by_window,
    damage_history,
    pseudo_damage,
    rainflow,
    turning_points,
)

SEEDS = st.integers(0, 2**32 - 1)


def history(seed, size, *, ties):
    """A random walk around zero, optionally so coarse that ties and plateaus abound."""
    rng = np.random.default_rng(seed)
    x = rng.standard_normal(size) + 0.3 * np.cumsum(rng.standard_normal(size)) / np.sqrt(size)
    return np.round(2 * x) / 2 if ties else x


def plain_damage(x, slope):
    """Four-point rule written out: turning points, closed cycles, the rest as half cycles."""
    turns = [float(x[0])]
    for value in map(float, x[1:]):
        if value == turns[-1]:
            continue
        if len(turns) > 1 and (turns[-1] - turns[-2]) * (value - turns[-1]) > 0:
            turns[-1] = value
        else:
            turns.append(value)
    stack, total = [], 0.0
    for value in turns:
        stack.append(value)
        while len(stack) >= 4:
            a, b, c, d = stack[-4:]
            if abs(c - b) > abs(b - a) or abs(c - b) > abs(d - c):
                break
            total += abs(c - b) ** slope
            del stack[-3:-1]
    return total + 0.5 * sum(abs(b - a) ** slope for a, b in itertools.pairwise(stack))


@settings(max_examples=150, deadline=None)
@given(SEEDS, st.integers(2, 9000), st.booleans(), st.sampled_from([np.float32, np.float64]))
def test_vector_passes_count_like_the_plain_rule(seed, size, ties, kind):
    x = history(seed, size, ties=ties).astype(kind)
    slopes = [3.0, 5.0, 5.5]
    wanted = [plain_damage(x, slope) for slope in slopes]
    np.testing.assert_allclose(pseudo_damage(x, slopes), wanted, rtol=1e-12)
    cycles = rainflow(x)
    np.testing.assert_allclose([np.sum(cycles.count * cycles.range**k) for k in slopes], wanted, rtol=1e-12)


@settings(max_examples=60, deadline=None)
@given(SEEDS, st.integers(10, 3000), st.booleans())
def test_agrees_with_open_counters(seed, size, ties):
    # rainflow 3, pylife 2.3 (Bosch), fatpack 0.7.8: other authors' counters, half cycles for the residue.
    x = history(seed, size, ties=ties)
    wanted = sum(count * size_**5 for size_, _mean, count, _i, _j in rainflow_package.extract_cycles(x))
    damage = pseudo_damage(x, 5.0)
    assert damage == pytest.approx(wanted, rel=1e-12)
    recorder = LoopValueRecorder()
    detector = FourPointDetector(recorder=recorder).process(x)
    sizes = np.abs(np.subtract(recorder.values_from, recorder.values_to))
    residue = np.abs(np.diff(detector.residuals))
    assert damage == pytest.approx(np.sum(sizes**5) + 0.5 * np.sum(residue**5), rel=1e-12)
    if not ties:
        # fatpack's cycle finder takes reversals, as its manual says; raw samples give other cycles without complaint.
        found, left = fatpack.find_rainflow_cycles(turning_points(x).values)
        found = np.asarray(found).reshape(-1, 2)
        closed = np.sum(np.abs(found[:, 1] - found[:, 0]) ** 5)
        assert damage == pytest.approx(closed + 0.5 * np.sum(np.abs(np.diff(left)) ** 5), rel=1e-12)


@pytest.fixture(scope="module")
def two_more():
    """py-fatigue 2.1 and py3wafo 0.4; both warn when they are imported."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from py_fatigue.cycle_count import rainflow as py_fatigue
        from wafo import misc as wafo
    return py_fatigue, wafo


@settings(max_examples=25, deadline=None)
@given(seed=SEEDS, size=st.integers(30, 2000))
def test_agrees_with_py_fatigue_and_wafo(two_more, seed, size):
    py_fatigue, wafo = two_more
    x = history(seed, size, ties=False)
    damage = pseudo_damage(x, 5.0)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found = py_fatigue.rainflow(x.copy(), extended_output=False)
        other = wafo.findrfc_astm(turning_points(x).values.copy())
    # Both give amplitudes; columns amplitude, mean, count.
    for table in (found, other):
        assert np.sum(table[:, 2] * (2 * table[:, 0]) ** 5) == pytest.approx(damage, rel=1e-10)


@settings(max_examples=60, deadline=None)
@given(SEEDS, st.integers(2, 12000), st.booleans(), st.sampled_from([0.0, 0.6]), st.lists(st.integers(0, 5000)))
def test_pieces_give_exactly_the_whole(seed, size, ties, gate, cuts):
    x = history(seed, size, ties=ties)
    rows = np.stack([x, -2 * x[::-1]])
    stream, exact = DamageStream(2, [3.0, 5.5], gate=gate), RainflowStream(gate=gate)
    edges = sorted({0, size, *(cut for cut in cuts if cut < size)})
    parts = []
    for first, last in itertools.pairwise(edges):
        stream.add(rows[:, first:last])
        parts.append(exact.add(x[first:last]))
    parts.append(exact.end())
    assert np.array_equal(stream.damage(), pseudo_damage(rows, [3.0, 5.5], gate=gate))
    assert np.array_equal(stream.damage(residue="repeat"), pseudo_damage(rows, [3.0, 5.5], gate=gate, residue="repeat"))
    whole = rainflow(x, gate=gate)
    for name in ("start", "end", "start_index", "end_index"):
        assert np.array_equal(np.concatenate([getattr(part, name) for part in parts]), getattr(whole, name))
    assert np.array_equal(parts[-1].residue.values, whole.residue.values)


@settings(max_examples=80, deadline=None)
@given(SEEDS, st.integers(2, 9000), st.booleans(), st.integers(1, 700), st.sampled_from(["split", "close"]))
def test_windows_book_each_cycle_where_it_turns(seed, size, ties, window, credit):
    x = history(seed, size, ties=ties)
    cycles = rainflow(x)
    damage = cycles.count * cycles.range**5.5
    count = -(-size // window)
    ends = np.bincount(cycles.end_index // window, damage, count)
    starts = np.bincount(cycles.start_index // window, damage, count) if credit == "split" else ends
    wanted = 0.5 * (starts + ends)
    found = damage_by_window(x, window, [2.0, 5.5], credit=credit)
    np.testing.assert_allclose(found[:, 1], wanted, rtol=1e-11, atol=1e-12 * damage.sum())


@settings(max_examples=60, deadline=None)
@given(SEEDS, st.integers(2, 2000), st.floats(0.0, 4.0))
def test_gate_leaves_only_larger_ranges_and_keeps_the_extremes(seed, size, gate):
    x = history(seed, size, ties=False)
    turns = turning_points(x, gate=gate).values
    if turns.size > 1:
        assert np.all(np.abs(np.diff(turns)) > gate)
        assert turns.max() == x.max()
        assert turns.min() == x.min()
    else:
        assert x.max() - x.min() <= gate


@settings(max_examples=40, deadline=None)
@given(SEEDS, st.integers(20, 3000), st.floats(0.1, 30.0), st.sampled_from([2.0, 3.0, 5.0, 6.3]))
def test_gain_scales_damage_by_its_power(seed, size, gain, slope):
    x = history(seed, size, ties=False)
    assert pseudo_damage(gain * x, slope) == pytest.approx(gain**slope * pseudo_damage(x, slope), rel=1e-10)


def test_damage_history_adds_up_and_is_that_of_windows_of_one_sample():
    x = history(12, 700, ties=True)
    for credit in ("split", "close"):
        found = damage_history(x, [3.0, 5.0], credit=credit)
        np.testing.assert_allclose(found.sum(axis=1), pseudo_damage(x, [3.0, 5.0]), rtol=1e-12)
        np.testing.assert_allclose(found.T, damage_by_window(x, 1, [3.0, 5.0], credit=credit), rtol=1e-9, atol=1e-9)
    # 0 up to 2, down to 1, up to 3: the inner cycle 2-1 closes by its second turning point, sample 2.
    assert list(damage_history([0.0, 2.0, 1.0, 3.0], 1.0)) == [0.0, 0.0, 1.0, 1.5]
    assert list(damage_history([0.0, 2.0, 1.0, 3.0], 1.0, credit="split")) == [0.75, 0.5, 0.5, 0.75]


def test_repeating_history_closes_everything():
    # Playing the record three times less playing it twice is one repetition: ASTM E1049's repeating history.
    x = history(5, 4000, ties=False)
    more = pseudo_damage(np.tile(x, 3), 5.0, residue="none") - pseudo_damage(np.tile(x, 2), 5.0, residue="none")
    assert pseudo_damage(x, 5.0, residue="repeat") == pytest.approx(more, rel=1e-10)


def test_float32_is_counted_as_it_is():
    x = history(3, 50_000, ties=False).astype(np.float32)
    assert pseudo_damage(x, 5.0) == pseudo_damage(x.astype(np.float64), 5.0)


def test_channels_on_threads_are_the_channels_alone():
    x = np.stack([history(seed, 120_000, ties=bool(seed % 2)) for seed in range(6)])
    alone = np.stack([pseudo_damage(row, [3.0, 5.0, 7.7]) for row in x])
    assert np.array_equal(pseudo_damage(x, [3.0, 5.0, 7.7]), alone)


SCRIPT = """
import numpy as np
from washboard.loads._lanes import flavour
from washboard.loads._damage import pseudo_damage
from numba.core.registry import cpu_target
rng = np.random.default_rng(8)
x = rng.standard_normal((4, 30_001)); x[1] = np.round(3 * x[1]); x[2] = np.cumsum(x[2])
damage = pseudo_damage(x, [3.0, 5.0, 5.5, 6.1])
print(flavour(cpu_target.target_context.codegen().magic_tuple()[2]), damage.tobytes().hex())
"""


@pytest.mark.slow
@pytest.mark.timeout(400)  # compiles the counting loop: a quarter of a minute on a free processor
@pytest.mark.parametrize("cpu, features, name", [("generic", "", "plain"), ("haswell", "+avx2,+avx,+popcnt", "avx2")])
def test_every_processor_gives_the_same_bits(cpu, features, name, tmp_path):
    if sys.platform != "linux" or "avx2" not in Path("/proc/cpuinfo").read_text():
        pytest.skip("needs a processor with AVX2")
    environment = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path)}
    environment |= {"NUMBA_CPU_NAME": cpu, "NUMBA_CPU_FEATURES": features}
    done = subprocess.run([sys.executable, "-c", SCRIPT], env=environment, capture_output=True, text=True, check=True)
    there = done.stdout.split()
    rng = np.random.default_rng(8)
    x = rng.standard_normal((4, 30_001))
    x[1], x[2] = np.round(3 * x[1]), np.cumsum(x[2])
    assert there == [name, pseudo_damage(x, [3.0, 5.0, 5.5, 6.1]).tobytes().hex()]
