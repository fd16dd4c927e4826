"""Damage, mean stress and spectral lives against handbook examples, closed forms and other people's libraries."""

from __future__ import annotations

import json
import math
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from washboard.errors import DataError, InputError
from washboard.loads import (
    SnLine,
    damage_on,
    equivalent_amplitude,
    fkm,
    gerber,
    goodman,
    miner_sum,
    morrow,
    pseudo_damage,
    rainflow,
    smith_watson_topper,
    soderberg,
    spectral_damage,
    spectral_moments,
    walker,
)

PUBLISHED = json.loads((Path(__file__).parents[1] / "references" / "damage.json").read_text())


def blocks(cumulated):
    amplitudes, counts = np.array(cumulated, float).T
    order = np.argsort(amplitudes)[::-1]
    return amplitudes[order], np.diff(counts[order], prepend=0.0)


def test_miner_elementary_of_haibach():
    example = PUBLISHED["haibach_elementary"]
    amplitudes, counts = blocks(example["amplitude_cumulated"])
    line = SnLine(slope=example["slope"], knee_amplitude=example["knee_amplitude"], knee_cycles=example["knee_cycles"])
    cycles = counts.sum() / miner_sum(amplitudes, counts, line)
    assert cycles == pytest.approx(example["cycles_to_failure"], rel=5e-6)


@pytest.mark.parametrize("largest, published", PUBLISHED["haibach_modified"]["largest_amplitude_to_cycles"])
def test_miner_modified_of_haibach(largest, published):
    example = PUBLISHED["haibach_modified"]
    relative, counts = blocks(example["relative_amplitude_cumulated"])
    line = SnLine(slope=example["slope"], knee_amplitude=100, knee_cycles=example["knee_cycles"], rule="modified")
    assert line.slope_below == example["slope_below"]
    cycles = counts.sum() / miner_sum(relative * largest, counts, line)
    assert cycles == pytest.approx(published, rel=5e-6)


def test_miner_rules_differ_only_below_the_knee():
    def life(rule, amplitude):
        return float(SnLine(slope=5, knee_amplitude=100, knee_cycles=1e6, rule=rule).cycles_to_failure(amplitude))

    assert life("original", 99) == math.inf
    assert life("elementary", 50) == pytest.approx(1e6 * 2**5)
    assert life("modified", 50) == pytest.approx(1e6 * 2**9)
    assert life("original", 200) == life("elementary", 200) == life("modified", 200) == pytest.approx(1e6 / 2**5)
    two = SnLine(slope=5, knee_amplitude=100, knee_cycles=1e6, second_slope=22)
    assert float(two.cycles_to_failure(50)) == pytest.approx(1e6 * 2**22)


def test_mean_stress_of_textbooks():
    example = PUBLISHED["mean_stress"]
    a, m = example["amplitude"], example["mean"]
    assert goodman(a, m, ultimate=400) == pytest.approx(example["goodman_400"])
    assert gerber(a, m, ultimate=400) == pytest.approx(example["gerber_400"])
    assert soderberg(a, m, yield_strength=300) == pytest.approx(example["soderberg_300"])
    assert morrow(a, m, true_fracture=600) == pytest.approx(example["morrow_600"])
    # Both in and out are amplitudes; some libraries take an amplitude where their argument says range.
    assert smith_watson_topper(a, m) == pytest.approx(example["smith_watson_topper"])
    assert walker(a, m, exponent=0.5) == pytest.approx(example["smith_watson_topper"])
    assert walker(a, m, exponent=0.65) == pytest.approx(example["walker_0.65"])
    ratio = (m - a) / (m + a)
    assert walker(a, m, exponent=0.65) == pytest.approx(a * (2 / (1 - ratio)) ** 0.35)


def test_mean_stress_beyond_its_range_is_refused_or_harmless():
    with pytest.raises(DataError, match="reaches the ultimate strength of 400"):
        goodman(100, 400, ultimate=400)
    with pytest.raises(InputError, match="exponent"):
        walker(1, 0, exponent=1.2)
    assert smith_watson_topper(50, -80) == 0
    assert gerber(100, -50, ultimate=400) == 100


@pytest.mark.parametrize("amplitude, mean, equivalent", PUBLISHED["fkm"]["amplitude_mean_equivalent"])
def test_fkm_fields(amplitude, mean, equivalent):
    assert fkm(amplitude, mean, sensitivity=0.3, sensitivity_high=0.1) == pytest.approx(equivalent)


def test_fkm_is_continuous_and_level_beyond_a_ratio_of_one_half():
    means = np.linspace(-300, 600, 2001)
    values = fkm(100.0, means, sensitivity=0.3)
    assert np.abs(np.diff(values)).max() < 0.15
    assert fkm(100, 400, sensitivity=0.3) == fkm(100, 300, sensitivity=0.3)


def test_damage_of_a_sine_is_its_closed_form():
    # f T (2A)^k; half a cycle at either end is what counting adds or loses.
    rate, seconds, hz, amplitude = 1000.0, 60.0, 5.0, 10.0
    t = np.arange(int(rate * seconds)) / rate
    damage = pseudo_damage(amplitude * np.sin(2 * np.pi * hz * t), 5.0)
    assert damage == pytest.approx(hz * seconds * (2 * amplitude) ** 5, rel=5e-3)


def test_range_and_amplitude_differ_by_two_to_the_slope():
    x = np.random.default_rng(2).standard_normal(5000)
    cycles = rainflow(x)
    by_amplitude = np.sum(cycles.count * cycles.amplitude**5)
    assert pseudo_damage(x, 5.0) == pytest.approx(2**5 * by_amplitude)
    line = SnLine(slope=5, knee_amplitude=1.0, knee_cycles=1.0)
    assert damage_on(cycles, line) == pytest.approx(by_amplitude)


@pytest.mark.slow
@pytest.mark.parametrize("slope, wanted", [(3, 3.759942), (5, 18.799712)])
def test_narrow_band_noise_does_rayleigh_damage(slope, wanted):
    # nu T (sqrt2 sigma)^k Gamma(1 + k/2) per unit nu, T, sigma (Miles 1954; Bendat): by amplitudes.
    rng = np.random.default_rng(11)
    rate, seconds, centre = 400.0, 10_000.0, 10.0
    n = int(rate * seconds)
    lines = np.zeros(n // 2 + 1, complex)
    f = np.fft.rfftfreq(n, 1 / rate)
    inside = np.abs(f - centre) < 0.2
    lines[inside] = rng.standard_normal(inside.sum()) + 1j * rng.standard_normal(inside.sum())
    x = np.fft.irfft(lines)
    x /= x.std()
    assert pseudo_damage(x, slope) / 2**slope / (centre * seconds) == pytest.approx(wanted, rel=0.06)


def flat(low, high, density, points=200_001):
    f = np.linspace(low, high, points)
    return f, np.full(points, density)


def test_dirlik_of_a_flat_spectrum():
    example = PUBLISHED["dirlik"]
    moments = spectral_moments(*flat(1, 10, 1.0))
    for name in ("m0", "m1", "m2", "m4", "peaks_hz", "crossings_hz", "irregularity"):
        assert getattr(moments, name)[0] == pytest.approx(example[name], rel=1e-6)
    for slope, damage in example["per_second"].items():
        assert spectral_damage(moments, float(slope))[0, 0] == pytest.approx(damage, rel=1e-6)
    for slope, damage in example["narrow_band_per_second"].items():
        found = spectral_damage(moments, float(slope), method="narrow-band")[0, 0]
        assert found == pytest.approx(damage, rel=1e-6)


@pytest.mark.parametrize("method", ["dirlik", "narrow-band", "tovo-benasciutti"])
def test_spectral_lives_of_flife(method):
    # FLife counts amplitudes and its moments are in rad/s: 2^k and 2 pi are the trap.
    example = PUBLISHED["flife_bimodal"]
    f = np.linspace(0.0, 140.0, 1_400_001)
    psd = np.where((f >= 20) & (f <= 60), 5 / 40, 0.0) + np.where((f >= 100) & (f <= 120), 2 / 20, 0.0)
    per_second = spectral_damage(spectral_moments(f, psd), example["k"], method=method)[0, 0] / 2 ** example["k"]
    assert example["C"] / per_second == pytest.approx(example["life_s"][method], rel=2e-4)


def test_flife_agrees_on_a_history():
    import FLife
    from scipy import signal

    rng = np.random.default_rng(4)
    rate = 512.0
    sos = signal.butter(4, [5, 60], "band", fs=rate, output="sos")
    x = signal.sosfiltfilt(sos, rng.standard_normal(200_000))
    data = FLife.SpectralData(input={"time_history": x, "dt": 1 / rate}, nperseg=4096)
    f, density = data.psd[:, 0], data.psd[:, 1]
    mine = spectral_damage(spectral_moments(f, density), 5.0)[0, 0] / 2**5
    assert FLife.Dirlik(data).get_life(C=1.0, k=5.0) == pytest.approx(1 / mine, rel=1e-3)


def test_dirlik_meets_rainflow_on_gaussian_noise():
    from scipy import signal

    rng = np.random.default_rng(9)
    rate, n = 400.0, 1_000_000
    x = signal.sosfiltfilt(signal.butter(4, [2, 30], "band", fs=rate, output="sos"), rng.standard_normal(n))
    f, density = signal.welch(x, rate, nperseg=8192)
    predicted = spectral_damage(spectral_moments(f, density), 5.0)[0, 0] * n / rate
    assert pseudo_damage(x, 5.0) == pytest.approx(predicted, rel=0.12)


@given(st.floats(1e-3, 1e6), st.floats(1, 1e6), st.floats(1, 20))
def test_equivalent_amplitude_of_one_block_is_its_own(amplitude, count, slope):
    assert equivalent_amplitude([amplitude], [count], slope) == pytest.approx(amplitude)


def test_equivalent_amplitude_does_the_same_damage():
    cycles = rainflow(np.random.default_rng(3).standard_normal(3000))
    same = equivalent_amplitude(cycles.amplitude, cycles.count, 5.0, cycles=1e6)
    assert 1e6 * same**5 == pytest.approx(np.sum(cycles.count * cycles.amplitude**5))


def test_residue_decides_the_damage_of_a_record_with_one_large_move():
    # A slow rise under small ripple: closed cycles miss the rise, half cycles and repetition hold it.
    t = np.linspace(0, 1, 5000)
    x = 100 * t + np.sin(2 * np.pi * 50 * t)
    none, half, repeat = (pseudo_damage(x, 5.0, residue=name) for name in ("none", "half", "repeat"))
    assert half > 80 * none
    assert repeat == pytest.approx(2 * half, rel=0.05)
    assert {rainflow(x, residue=name).treatment for name in ("none", "half", "repeat")} == {"none", "half", "repeat"}


@pytest.mark.parametrize("slope", [1.0, 1.5, 2.5, 3.0, 5.5, 9.5, 10.0, 10.5, 17.0, 31.5, 32.0, 5.3])
def test_every_way_of_raising_to_a_power_agrees_with_numpy(slope: float) -> None:
    # Whole and half powers up to 10 have loops of their own, others up to 31.5 share one, the rest goes by logarithms.
    rng = np.random.default_rng(3)
    inner = rng.uniform(0.1, 2.0, 400)
    x = np.empty(802)
    x[0], x[-1] = -5.0, 5.0
    x[1:-1:2], x[2:-1:2] = inner, 0.0
    cycles = rainflow(x)
    expected = float(np.sum(cycles.count * np.power(cycles.range, slope)))
    assert float(pseudo_damage(x, slope)) == pytest.approx(expected, rel=1e-13)


def test_setting_the_compiler_up_does_not_import_linear_algebra() -> None:
    # It takes longer than anything else on the way from a file to its damage.
    code = (
        "import sys, numpy as np; from washboard.loads import pseudo_damage; pseudo_damage(np.arange(9.0) % 2, 5.0); "
        "import numba.np.linalg as la; assert la.ensure_blas.__module__ == 'numba.np.linalg'; "
        "sys.exit('scipy.linalg' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
