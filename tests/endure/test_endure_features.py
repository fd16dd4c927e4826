"""Measures of a pass, and how it is held against its reference."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from washboard.endure import PassFeatures, change_statement, compare_pass, octave_bands, pass_features, reference_of
from washboard.endure._change import Change, _student
from washboard.errors import DataError, InputError
from washboard.recording import Channel, Recording

RATE = 256.0


def recording(samples, rate_hz=RATE):
    samples = np.atleast_2d(samples)
    channels = tuple(Channel(name=f"r{k}", unit="m/s2") for k in range(len(samples)))
    return Recording(samples=samples, rate_hz=rate_hz, channels=channels)


def test_a_sine_has_its_textbook_level_peak_band_and_damage():
    # RMS A/sqrt(2), peak A; pseudo-damage f T (2A)^k (closed form, any fatigue textbook).
    amplitude, frequency_hz, seconds = 3.0, 5.0, 40.0
    t = np.arange(int(RATE * seconds)) / RATE
    found = pass_features(
        recording(amplitude * np.sin(2 * np.pi * frequency_hz * t) + 9.81),
        slopes=(3.0, 5.0),
        bands_hz=((1.0, 4.0), (4.0, 8.0)),
    )
    assert found.rms[0] == pytest.approx(amplitude / np.sqrt(2), rel=1e-12)
    assert found.peak[0] == pytest.approx(amplitude, rel=2e-3)
    assert found.band_rms[0] == pytest.approx([0.0, amplitude / np.sqrt(2)], abs=1e-12)
    expected = [frequency_hz * seconds * (2 * amplitude) ** k for k in (3, 5)]
    assert found.damage[0] == pytest.approx(expected, rel=0.01)


@given(seed=st.integers(0, 1000), n=st.integers(50, 401))
def test_levels_by_band_add_up_to_the_whole(seed, n):
    # Parseval's theorem, for even and odd lengths.
    samples = np.random.default_rng(seed).standard_normal((2, n))
    bands = ((0.0, 10.0), (10.0, 50.0), (50.0, RATE))
    found = pass_features(recording(samples), slopes=(5.0,), bands_hz=bands)
    assert np.sum(found.band_rms**2, axis=1) == pytest.approx(found.rms**2, rel=1e-10)


def test_bands_are_octaves_that_fill_the_range():
    bands = octave_bands(0.625, 20.0)
    assert bands[0][0] == pytest.approx(0.625)
    assert bands[-1][1] == pytest.approx(20.0)
    assert [high / low for low, high in bands] == pytest.approx([2.0] * 5)


def test_features_survive_the_journal():
    samples = np.random.default_rng(3).standard_normal((3, 500))
    found = pass_features(recording(samples), slopes=(3.0, 5.0), bands_hz=((1.0, 4.0),))
    again = PassFeatures.from_table(found.to_table())
    for name in ("rms", "peak", "damage", "band_rms"):
        assert np.array_equal(getattr(found, name), getattr(again, name))
    assert (again.channels, again.slopes, again.bands_hz) == (found.channels, found.slopes, found.bands_hz)


def test_a_sample_that_is_not_a_number_is_named():
    samples = np.zeros((2, 512))
    samples[1, 128] = np.nan
    with pytest.raises(DataError, match=r"'r1' is not a number at 0\.500 s"):
        pass_features(recording(samples), slopes=(5.0,), bands_hz=())


def test_student_quantile_is_that_of_the_printed_table():
    # Two-sided 0.001 (one-sided 0.0005): 31.599 at 2 degrees of freedom, 4.587 at 10, 3.291 at infinity; the usual
    # t table of statistics textbooks, from memory.
    assert _student(0.9995, 2) == pytest.approx(31.599, abs=5e-4)
    assert _student(0.9995, 10) == pytest.approx(4.587, abs=5e-4)
    assert _student(0.9995, 10_000_000) == pytest.approx(3.291, abs=5e-4)


def some(gains, *, noise=0.0, seed=0, n=1024):
    base = np.random.default_rng(99).standard_normal((len(gains), n))
    noisy = np.asarray(gains)[:, None] * base + noise * np.random.default_rng(seed).standard_normal(base.shape)
    return pass_features(recording(noisy), slopes=(3.0, 5.0), bands_hz=((1.0, 16.0), (16.0, 128.0)))


@given(factor=st.floats(0.3, 3.0).filter(lambda factor: abs(abs(factor - 1) - 0.1) > 1e-6))
def test_every_feature_scales_with_the_load(factor):
    reference = reference_of([some([1.0, 2.0])])
    found = compare_pass(some([factor, 2 * factor]), reference, tolerance=0.1)
    assert found.ratio == pytest.approx(np.full_like(found.ratio, factor), rel=1e-9)
    assert len(found.changes) == (2 if abs(factor - 1) > 0.1 else 0)


def test_a_change_of_one_channel_is_found_in_that_channel_only():
    reference = reference_of([some([1.0, 2.0, 3.0], noise=0.01, seed=seed) for seed in range(3)])
    assert compare_pass(some([1.0, 2.0, 3.0], noise=0.01, seed=8), reference, tolerance=0.1).changes == ()
    found = compare_pass(some([1.0, 2.0 * 0.85, 3.0], noise=0.01, seed=9), reference, tolerance=0.1)
    assert [change.channel for change in found.changes] == ["r1"]
    assert found.changes[0].ratio == pytest.approx(0.85, abs=0.02)


@pytest.mark.parametrize("n_reference", [2, 3, 6])
def test_scatter_alone_is_seldom_taken_for_a_change(n_reference):
    # 4 channels, 7 features each, 3 in 10 of scatter against a tolerance far below it: the interval must hold the
    # alarms to about one in a thousand per feature, so to a few percent per pass (ISO 16269-8's coverage).
    rng = np.random.default_rng(5)
    alarms = 0
    trials = 400
    for _ in range(trials):
        passes = [_scattered(rng) for _ in range(n_reference + 1)]
        reference = reference_of(passes[:-1])
        alarms += bool(compare_pass(passes[-1], reference, tolerance=1e-6).changes)
    assert alarms / trials < 0.05


def _scattered(rng):
    size = 1 + 0.1 * rng.standard_normal((4, 6))
    return PassFeatures(
        channels=("a", "b", "c", "d"), slopes=(3.0, 5.0), bands_hz=((1.0, 2.0), (2.0, 4.0)),
        rms=size[:, 0], peak=size[:, 1], damage=size[:, 2:4] ** np.array([3.0, 5.0]), band_rms=size[:, 4:],
    )  # fmt: skip


def test_passes_with_other_channels_make_no_reference():
    with pytest.raises(InputError, match="make no reference"):
        reference_of([some([1.0]), some([1.0, 2.0])])
    with pytest.raises(InputError, match="other channels or features"):
        compare_pass(some([1.0]), reference_of([some([1.0, 2.0])]), tolerance=0.1)


def test_the_statement_says_what_the_pattern_looks_like():
    def change(channel, ratio=0.7):
        return Change(channel=channel, feature="RMS", ratio=ratio, limit=0.1)

    ten = [f"r{k}" for k in range(10)]
    one = change_statement([change("r3")], ten, passes=2)
    assert "'r3' to 70 %" in one
    assert "sensor" in one
    assert "supply" in change_statement([change(name) for name in ten], ten, passes=2)
    some_of = change_statement([change("r1"), change("r2", 0.5)], ten, passes=2)
    assert "2 of 10" in some_of
    assert "'r2' to 50 %" in some_of
    assert "No channel" in change_statement([], ten, passes=0)
