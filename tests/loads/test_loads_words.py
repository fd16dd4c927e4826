"""Counting by words of 64 samples: ends of words and batches, plateaus, views, what is not finite, every way of packing."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numba import njit

from washboard.errors import DataError
from washboard.loads import DamageStream, _lanes, _powers, damage_by_window, pseudo_damage, rainflow
from washboard.loads._powers import add_powers8, raise8
from washboard.loads._vector import peel_run, turns_run


def by_cycles(x, slope):
    """Damage from the exact cycles, which a plain stack finds."""
    cycles = rainflow(x)
    return np.sum(cycles.count * cycles.range**slope)


@settings(max_examples=120)
@given(
    st.lists(st.tuples(st.integers(-3, 3), st.integers(1, 70)), min_size=2, max_size=40),
    st.sampled_from([np.float32, np.float64]),
    st.integers(0, 9),
    st.integers(1, 90),
)
def test_plateaus_of_any_length(steps, kind, offset, window):
    # Runs of equal samples across words, on the way up and down, at the start and the end, from any place in memory.
    x = np.repeat([value for value, _ in steps], [count for _, count in steps]).astype(kind)
    x = np.concatenate([np.zeros(offset, kind), x])[offset:]
    assert pseudo_damage(x, 5.0) == pytest.approx(by_cycles(x, 5.0), rel=1e-12, abs=1e-12)
    cycles = rainflow(x)
    share = 0.5 * cycles.count * cycles.range**5
    count = -(-x.size // window)
    wanted = np.bincount(cycles.start_index // window, share, count)
    wanted += np.bincount(cycles.end_index // window, share, count)
    np.testing.assert_allclose(damage_by_window(x, window, 5.0), wanted, rtol=1e-11, atol=1e-9)


@pytest.mark.parametrize("size", [2, 3, 4, 63, 64, 65, 66, 127, 128, 129, 4095, 4096, 4097, 4160, 8191, 8193, 20_001])
def test_sizes_about_words_and_batches(size):
    # Saw teeth of growing and shrinking height: every sample turns, and cycles close in both directions.
    rng = np.random.default_rng(size)
    x = rng.uniform(0.5, 1.0, size) * (-1.0) ** np.arange(size)
    assert pseudo_damage(x, 5.0) == pytest.approx(by_cycles(x, 5.0), rel=1e-12)
    assert pseudo_damage(x, 5.3) == pytest.approx(by_cycles(x, 5.3), rel=1e-12)
    grid = np.round(4 * x) / 4
    assert pseudo_damage(grid, 5.0) == pytest.approx(by_cycles(grid, 5.0), rel=1e-12)


@settings(max_examples=25)
@given(st.integers(0, 2**32 - 1), st.booleans(), st.sampled_from([0.0, 0.4]), st.integers(1, 4999))
def test_small_pieces_give_the_bits_of_the_whole(seed, ties, gate, piece):
    rng = np.random.default_rng(seed)
    x = rng.standard_normal(30_000)
    x = np.round(2 * x) / 2 if ties else x
    stream = DamageStream(1, [3.0, 5.5, 6.1], gate=gate)
    edges = [*range(0, x.size, piece), x.size] if piece > 50 else [0, *range(1, 300), 301, x.size]
    for first, last in itertools.pairwise(edges):
        stream.add(x[None, first:last])
        if first % 7 == 0:
            stream.damage()
    assert np.array_equal(stream.damage()[0], pseudo_damage(x, [3.0, 5.5, 6.1], gate=gate))


def test_views_are_counted_as_their_copies():
    x = np.random.default_rng(4).standard_normal((3, 12_000))
    for view in (x[:, ::2], x[:, ::-1], x[1:2, 5:9000], np.asfortranarray(x), x[:, 1:].astype(">f8"), x.T[:, :2].T):
        assert np.array_equal(pseudo_damage(view, [3.0, 5.3]), pseudo_damage(np.array(view), [3.0, 5.3]))
        assert np.array_equal(damage_by_window(view, 700, 5.0), damage_by_window(np.array(view), 700, 5.0))


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("place", [0, 1, 2, 62, 63, 64, 65, 700, 4095, 4096, 9997, 9998, 9999])
def test_what_is_not_finite_is_refused_with_its_place(bad, place):
    x = np.random.default_rng(5).standard_normal(10_000)
    x[place] = bad
    for count in (lambda: pseudo_damage(x, 5.0), lambda: damage_by_window(x, 100, 5.0)):
        with pytest.raises(DataError, match=f"index {place}"):
            count()


def test_a_sum_that_overflows_is_no_fault_of_a_sample():
    x = np.tile([1.6e308, 1.5e308], 500)
    assert pseudo_damage(x, 1.0) == pytest.approx(999 * 0.1e308, rel=1e-9)


@settings(max_examples=60)
@given(
    st.lists(st.floats(1e-60, 1e60, allow_subnormal=False), min_size=1, max_size=70),
    st.floats(0.3, 5.0),
)
def test_any_power_is_that_of_the_mathematics_library(values, power):
    # Against numpy's power (the C library's); 1e-300 to 1e300 stays within a double. Ranges come with either sign.
    blocks = -(-len(values) // 8)
    ranges, out = np.zeros(8 * blocks), np.empty(8 * blocks)
    ranges[: len(values)] = values
    raised(ranges * np.where(np.arange(8 * blocks) % 2, -1.0, 1.0), blocks, power, out)
    np.testing.assert_allclose(out, ranges**power, rtol=2e-13)
    assert np.all(out[len(values) :] == 0.0)


@njit
def raised(ranges, blocks, power, out):
    raise8(ranges, blocks, power, out)


def _all_steps():
    """The vector steps compiled anew, so that they pack as they are told to just now."""

    @njit
    def steps(x, n, turns, found, check, ranges, sums):
        turns_run(x, 1, n, turns, found, check)
        k = found[0]
        found[1] = 0
        peel_run(turns, k, ranges, found)
        c = found[1]
        for i in range(c, c + 8):
            ranges[i] = 0.0
        add_powers8(ranges, (c + 7) // 8, 10, sums)
        raise8(ranges, (c + 7) // 8, 5.3, ranges)
        return found[0], c

    return steps


def test_every_way_of_packing_gives_the_same_bits(monkeypatch):
    # "avx512" ways need such a processor; the table (AVX2) and lane by lane run on this one too.
    native = _lanes.flavour(str(_target_features()))
    ways = ["plain", "avx2", "avx512", "avx512 bytes"]
    ways = ways[: ways.index(native) + 1]
    rng = np.random.default_rng(9)
    records = [rng.standard_normal(4000), np.cumsum(rng.standard_normal(4000)), np.round(rng.standard_normal(4000))]
    records.append((-1.0) ** np.arange(4000) * rng.uniform(0.5, 1, 4000))
    seen = {}
    for way in ways:
        monkeypatch.setattr(_lanes, "flavour_of", lambda _context, way=way: way)
        monkeypatch.setattr(_powers, "flavour_of", lambda _context, way=way: way)
        steps = _all_steps()
        results = []
        for record, n in itertools.product(records, (3800, 1000, 67, 5)):
            turns, ranges = np.zeros(4200), np.zeros(4200)
            found, check, sums = np.array([0, 0]), np.zeros(8), np.zeros(8)
            left, cycles = steps(record, n, turns, found, check, ranges, sums)
            results += [turns[:left], ranges[:cycles], sums, check]
        seen[way] = np.concatenate(results).tobytes()
    assert len(set(seen.values())) == 1
    assert len(seen[native]) > 50_000


def _target_features():
    from numba.core.registry import cpu_target

    return cpu_target.target_context.codegen().magic_tuple()[2]
