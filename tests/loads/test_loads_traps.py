"""Traps others fell into, each held with its figure; and what other counters mean by the same word."""

from __future__ import annotations

import os
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

from washboard.loads import damage_spectrum, level_crossings, pseudo_damage, rainflow, turning_points, walker

REFERENCES = Path(__file__).parents[1] / "references"
#: Folder with data of others that may not be handed on with this project; tests without it are skipped.
ELSEWHERE = os.environ.get("WASHBOARD_REFERENCE_DATA", "")


def on_line(cycles, width: float = 1.0) -> float:
    """Damage on N = 1e7 (amplitude / 1000)^-5."""
    return float(np.sum(cycles.count * (width * cycles.amplitude / 1000) ** 5) / 1e7)


LONG = np.loadtxt(REFERENCES / "long_series.csv")


@pytest.mark.parametrize(
    ("residue", "plain", "classed"),
    [("none", 1.1843695445134333e-7, 1.1485633496093776e-7), ("repeat", 9.923415938317496e-6, 9.893358426757816e-6)],
)
def test_residue_of_an_open_series_changes_its_damage_86_fold(residue, plain, classed):
    # Series and damage without and with the residue repeated: source repository of rfcnt (BSD-2-Clause, see
    # references/long_series.LICENSE.txt); class width 50, offset -2025, hysteresis 50, N = 1e7 (Sa / 1000)^-5.
    cycles = rainflow(LONG, residue=residue)
    assert turning_points(LONG).values.size == 4728
    assert cycles.n_closed == 2358
    assert on_line(cycles) == pytest.approx(plain, rel=1e-12)
    classes = np.floor((turning_points(LONG, gate=50.0).values + 2025) / 50)
    in_classes = rainflow(classes, residue=residue)
    assert in_classes.n_closed == 640
    assert on_line(in_classes, 50.0) == pytest.approx(classed, rel=1e-12)


def test_half_cycles_of_the_residue_lie_between():
    none, half, repeat = (on_line(rainflow(LONG, residue=way)) for way in ("none", "half", "repeat"))
    assert 60 < half / none < 70
    assert 80 < repeat / none < 90


@pytest.mark.parametrize(
    ("slope", "closed", "half", "repeated"),
    [
        (3, 143956.78589627572, 168912.20582090167, 169343.6904818096),
        (5, 20477840.278195255, 27186812.241520647, 27482637.861784507),
    ],
)
def test_measured_strain_of_py_fatigue(slope, closed, half, repeated):
    # tests/data/strain_signal.txt of the py_fatigue repository (GPL-3, not handed on here), values times 1e6.
    file = Path(ELSEWHERE) / "strain_signal.txt"
    if not ELSEWHERE or not file.is_file():
        pytest.skip("needs strain_signal.txt of py_fatigue's repository in the folder WASHBOARD_REFERENCE_DATA")
    x = np.loadtxt(file) * 1e6
    assert turning_points(x).values.size == 18581
    for residue, wanted in (("none", closed), ("half", half), ("repeat", repeated)):
        assert pseudo_damage(x, slope, residue=residue) == pytest.approx(wanted, rel=1e-12)


def test_walker_of_py_fatigue_takes_and_gives_amplitudes_though_it_says_range():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from py_fatigue.mean_stress.corrections import walker_mean_stress_correction
    theirs = float(np.squeeze(walker_mean_stress_correction(np.array([50.0]), np.array([100.0]), 0.65)))
    assert theirs == pytest.approx(float(walker(100.0, 50.0, exponent=0.65)), rel=1e-9)
    assert theirs != pytest.approx(2 * float(walker(100.0, 50.0, exponent=0.65)), rel=0.1)


def test_fatpack_given_raw_samples_finds_other_cycles_without_complaint():
    x = np.array([-1.5, 1, 0.2, -3, 10, 4, -1, 3, -8, 4, -2, 6, -1, -4, -8, 2, 1, -5, 0, 2.5, -4, 1, 0, 2, -0.5])

    def damage(values):
        found, left = fatpack.find_rainflow_cycles(values)
        found = np.asarray(found).reshape(-1, 2)
        return float(np.sum(np.abs(np.diff(found, axis=1)) ** 3) + 0.5 * np.sum(np.abs(np.diff(left)) ** 3))

    assert damage(turning_points(x).values) == pytest.approx(float(pseudo_damage(x, 3.0)), rel=1e-12)
    assert damage(x) != pytest.approx(float(pseudo_damage(x, 3.0)), rel=1e-3)


HISTORIES = st.lists(st.integers(-12, 12), min_size=3, max_size=60).filter(lambda x: len(set(x)) > 1)


@settings(max_examples=300, deadline=None)
@given(HISTORIES)
def test_what_each_counter_means_by_rainflow(history):
    """Their counts of closed cycles are one and the same; they differ in what becomes of the rest."""
    x = np.array(history, float)
    none, half = rainflow(x, residue="none"), rainflow(x)
    closed, wanted = np.sort(none.range), np.sort(half.range)
    # rainflow (ASTM E1049, 5.4.4): residue as half cycles, closed ones as whole.
    astm = sorted((size, count) for size, _mean, count, _i, _j in rainflow_package.extract_cycles(x))
    assert sum(count * size**3 for size, count in astm) == pytest.approx(float(pseudo_damage(x, 3.0)), rel=1e-12)
    assert sum(count for _size, count in astm) == pytest.approx(float(np.sum(half.count)))
    # pylife: four points, the residue kept apart and in no count, open ends included.
    recorder = LoopValueRecorder()
    detector = FourPointDetector(recorder=recorder).process(x)
    sizes = np.sort(np.abs(np.subtract(recorder.values_from, recorder.values_to)))
    np.testing.assert_allclose(sizes, closed)
    rest = np.abs(np.diff(detector.residuals))
    np.testing.assert_allclose(np.sort(np.concatenate([sizes, rest])), wanted)
    # fatpack keeps the residue apart too.
    turns = turning_points(x).values
    if turns.size > 3:
        found, _left = fatpack.find_rainflow_cycles(turns)
        np.testing.assert_allclose(np.sort(np.abs(np.diff(np.reshape(found, (-1, 2)), axis=1)).ravel()), closed)


@settings(max_examples=60, deadline=None)
@given(HISTORIES)
def test_py_fatigue_gives_amplitudes_with_half_cycles(history):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from py_fatigue.cycle_count.rainflow import rainflow as count

        x = np.array(history, float)
        if turning_points(x).values.size < 4:
            return
        found = count(x.copy(), extended_output=False)
    by_amplitude = np.sum(found[:, 2] * found[:, 0] ** 3)
    assert 2**3 * by_amplitude == pytest.approx(float(pseudo_damage(x, 3.0)), rel=1e-9)


@settings(max_examples=200, deadline=None)
@given(HISTORIES)
def test_the_residue_put_behind_itself_closes_and_comes_back(history):
    # Amzallag et al., Int. J. Fatigue 16 (1994) 287: residue with residue gives its cycles and the same residue again.
    x = np.array(history, float)
    left = rainflow(x, residue="none").residue.values
    if left.size < 2:
        return
    twice = rainflow(np.concatenate([left, left]), residue="none")
    whole = np.sort(np.concatenate([rainflow(x, residue="none").range, twice.range]))
    np.testing.assert_allclose(np.sum(whole**3), np.sum(rainflow(x, residue="repeat").range ** 3), rtol=1e-9)
    again = rainflow(np.concatenate([left, left, left]), residue="none")
    assert again.n_closed - twice.n_closed == twice.n_closed


def test_flife_moments_are_in_radians():
    import FLife

    from washboard.loads import spectral_moments

    f = np.linspace(0.0, 60.0, 6001)
    density = np.where((f >= 5) & (f <= 40), 2.0, 0.0)
    data = FLife.SpectralData(input={"PSD": density, "f": f})
    theirs = data.get_spectral_moments(moments=[0, 2, 4])[0]
    mine = spectral_moments(f, density)
    for number, (order, value) in enumerate(((0, mine.m0), (2, mine.m2), (4, mine.m4))):
        assert theirs[number] == pytest.approx((2 * np.pi) ** order * float(value[0]), rel=1e-3)


FDS_WHITE = {20: 4.0189118922e-10, 100: 1.1502797039e-14, 200: 1.2708915295e-16}
ERS_WHITE = {20: 76.82176477, 100: 185.91427066, 200: 271.07822534}


def test_fatigueds_and_the_closed_form_of_white_noise():
    # G = 1 (m/s2)2/Hz, Q 10, b 5, 600 s: D = f T (sqrt2 sigma)^b Gamma(1 + b/2), sigma^2 = Q G / (32 pi^3 f^3); largest
    # response sqrt(2 ln(f T)) sqrt(pi f Q G / 2) (Miles 1954; Lalanne, vols. 3 and 5). The interface is that of
    # FatigueDS 0.3; 0.1 had the same formulas under other names.
    from math import gamma

    from FatigueDS import Spectrum

    for hz, wanted in FDS_WHITE.items():
        sigma = np.sqrt(10 / (32 * np.pi**3 * hz**3))
        assert hz * 600 * (np.sqrt(2) * sigma) ** 5 * gamma(3.5) == pytest.approx(wanted, rel=1e-9)
        rms = np.sqrt(np.pi * hz * 10 / 2)
        assert np.sqrt(2 * np.log(hz * 600)) * rms == pytest.approx(ERS_WHITE[hz], rel=1e-8)
    other = Spectrum(freq_data=(20, 200, 20), damp=0.05)
    f = np.arange(0.5, 20_000, 0.5)
    other.set_random_load((np.ones_like(f), f), unit="ms2", T=600)
    other.get_fds(k=5, C=1, p=1)
    found = dict(zip(np.round(other.f0_range).astype(int).tolist(), np.asarray(other.fds).tolist(), strict=True))
    for hz, wanted in FDS_WHITE.items():
        assert found[hz] == pytest.approx(wanted, rel=5e-3)


@pytest.mark.parametrize("hz", [20.0, 60.0])
def test_oscillators_swing_as_miles_says(hz):
    # At slope 2 the damage of narrow-band Gaussian motion is 8 f T sigma^2 in ranges: Miles' variance itself.
    rate, seconds = 1024.0, 400.0
    x = np.random.default_rng(4).standard_normal((4, int(rate * seconds))) * np.sqrt(rate / 2)
    found = damage_spectrum(x, rate, hz, 2.0).damage[:, 0, 0, 0].mean()
    sigma2 = 10 / (32 * np.pi**3 * hz**3)
    assert found == pytest.approx(8 * hz * seconds * sigma2, rel=0.05)


def test_an_oscillator_is_crossed_upwards_at_its_natural_frequency():
    # Rice 1944: a narrow band crosses its mean upwards once a period.
    rate, hz = 512.0, 16.0
    t = np.arange(4096) / rate
    assert level_crossings(np.sin(2 * np.pi * hz * t - 0.3), [0.0]).up[0, 0] == pytest.approx(hz * 8, abs=1)
