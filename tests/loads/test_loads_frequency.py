"""Spectra, damage by band and damage spectra against closed forms and general-purpose libraries."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import signal

from washboard.errors import DataError, InputError
from washboard.loads import (
    character,
    cross_spectra,
    damage_by_band,
    damage_in_band,
    damage_spectrum,
    log_spaced,
    psd,
    pseudo_damage,
    recommended_band,
)

PUBLISHED = json.loads((Path(__file__).parents[1] / "references" / "damage.json").read_text())
RATE = 512.0


def noise(seed, n, low, high, *, rate=RATE):
    sos = signal.butter(6, [low, high], "band", fs=rate, output="sos")
    return signal.sosfiltfilt(sos, np.random.default_rng(seed).standard_normal(n))


def test_psd_is_that_of_scipy():
    x = np.random.default_rng(1).standard_normal((3, 20_000))
    f, wanted = signal.welch(x, RATE, nperseg=1024, detrend="constant")
    found = psd(x, RATE, block_s=2.0)
    np.testing.assert_allclose(found.frequency_hz, f)
    np.testing.assert_allclose(found.values, wanted, rtol=1e-10)


def test_psd_of_a_sine_holds_its_mean_square():
    t = np.arange(65_536) / RATE
    x = 3 * np.sin(2 * np.pi * 20 * t)
    assert psd(x, RATE).rms()[0] == pytest.approx(3 / np.sqrt(2), rel=1e-3)
    assert psd(x, RATE).rms(19, 21)[0] == pytest.approx(3 / np.sqrt(2), rel=1e-3)


def test_cross_spectra_are_those_of_scipy():
    x = np.random.default_rng(2).standard_normal((3, 40_000))
    x[2] = 0.7 * np.roll(x[0], 5) + 0.2 * x[2]
    found = cross_spectra(x, RATE, block_s=2.0)
    for i in range(3):
        for j in range(3):
            # scipy's csd conjugates its first argument.
            _, wanted = signal.csd(x[j], x[i], RATE, nperseg=1024)
            np.testing.assert_allclose(found.values[:, i, j], wanted, rtol=1e-9, atol=1e-15)
    _, wanted = signal.coherence(x[0], x[2], RATE, nperseg=1024)
    np.testing.assert_allclose(found.coherence[:, 0, 2], wanted, rtol=1e-9)
    low, high = found.coherence_interval(0.95)
    truth = 0.7**2 / (0.7**2 + 0.2**2)
    inside = (low[1:-1, 0, 2] <= truth) & (truth <= high[1:-1, 0, 2])
    assert inside.mean() > 0.85
    unrelated = found.coherence[1:-1, 0, 1]
    assert np.mean(unrelated > found.coherence_by_chance(0.95)) < 0.12


def test_psd_interval_holds_the_true_density():
    # White noise of variance 1: density 2 / rate; 90 of 100 lines within the 90 % interval.
    x = np.random.default_rng(5).standard_normal(400_000)
    low, high = psd(x, RATE, block_s=4.0).interval(0.9)
    inside = (low[0, 2:-2] <= 2 / RATE) & (high[0, 2:-2] >= 2 / RATE)
    assert 0.86 < inside.mean() < 0.94


def test_recording_shorter_than_a_block_is_refused():
    with pytest.raises(DataError, match=r"lasts 2 s, less than one spectral block of 8 s"):
        psd(np.zeros(1024), RATE)


def plain_reference(x, hz, slope, response, *, times=16):
    """Input resampled 16 times by its Fourier series, a ramp-invariant filter of scipy, rainflow."""
    n, lead = x.size, 4096
    lines = np.fft.rfft(np.concatenate([np.zeros(lead), x - x[0], np.zeros(lead)]))
    total = n + 2 * lead
    raised = np.fft.irfft(lines * times, total * times)[: (n + lead - 1) * times + 1]
    w, zeta = 2 * np.pi * hz, 0.05
    top = [-1.0] if response == "relative" else [2 * zeta * w, w * w]
    b, a, _ = signal.cont2discrete((top, [1, 2 * zeta * w, w * w]), 1 / RATE / times, method="foh")
    return pseudo_damage(signal.lfilter(np.ravel(b), a, raised), slope)


@pytest.mark.parametrize("response", ["relative", "absolute"])
def test_damage_spectrum_is_right_to_one_percent_up_to_a_fifth_of_the_rate(response):
    x = noise(3, 20_000, 1, 200)
    hz = np.array([2.0, 20.0, 31.0, 63.0, 66.0, RATE / 5])
    found = damage_spectrum(x, RATE, hz, [3.0, 5.0], response=response)
    for number, f in enumerate(hz):
        for column, slope in enumerate((3.0, 5.0)):
            wanted = plain_reference(x, f, slope, response)
            assert found.damage[0, 0, number, column] == pytest.approx(wanted, rel=0.01), f


def test_plain_filter_at_the_sample_rate_loses_a_third_of_the_damage_at_a_fifth_of_it():
    # The trap: what straight lines lose and peaks between samples.
    x = noise(3, 60_000, 1, 200)
    w, zeta = 2 * np.pi * RATE / 5, 0.05
    b, a, _ = signal.cont2discrete(([-1.0], [1, 2 * zeta * w, w * w]), 1 / RATE, method="foh")
    plain = pseudo_damage(signal.lfilter(np.ravel(b), a, x - x[0]), 5.0)
    assert plain < 0.7 * plain_reference(x, RATE / 5, 5.0, "relative")


@pytest.mark.slow
@pytest.mark.parametrize("hz", [20, 40, 100])
def test_damage_spectrum_of_white_noise_is_that_of_miles(hz):
    # Closed form by amplitudes; by ranges 2^b times as much. Wide-band response of Q 10 is narrow enough for 10 %.
    rate, seconds = 2000.0, 600.0
    ratios = []
    for seed in range(3):
        # White to half the rate, G = 1: variance rate / 2.
        x = np.random.default_rng(seed).standard_normal(int(rate * seconds)) * np.sqrt(rate / 2)
        found = damage_spectrum(x, rate, float(hz), 5.0).damage[0, 0, 0, 0] / 2**5
        ratios.append(found / PUBLISHED["damage_spectrum_white"]["damage"][str(hz)])
    assert np.mean(ratios) == pytest.approx(1.0, abs=0.12)


def test_sine_at_resonance_is_amplified_by_q():
    # |z| = A Q / w^2 (relative), so D = f T (2 A Q / w^2)^b once it rings.
    seconds, hz, amplitude, q = 120.0, 20.0, 10.0, 10.0
    t = np.arange(int(RATE * seconds)) / RATE
    x = amplitude * np.sin(2 * np.pi * hz * t)
    found = damage_spectrum(x, RATE, hz, 5.0, q=q)
    wanted = hz * seconds * (2 * amplitude * q / (2 * np.pi * hz) ** 2) ** 5
    assert found.damage[0, 0, 0, 0] == pytest.approx(wanted, rel=0.01)
    assert found.peak[0, 0, 0] == pytest.approx(amplitude * q / (2 * np.pi * hz) ** 2, rel=2e-3)


def test_fatigueds_agrees_where_it_is_right():
    # FatigueDS 0.3 (Lalanne): amplitudes, no care of peaks between samples, so compare well below rate / 25.
    from FatigueDS import Spectrum

    x = noise(6, 8_000, 2, 60)
    hz = [6.0, 8.0, 10.0, 12.0, 14.0, 16.0]
    other = Spectrum(freq_data=(6, 16, 2), damp=0.05)
    other.set_random_load((x, 1 / RATE), unit="ms2")
    other.get_fds(k=5, C=1, p=1)
    mine = damage_spectrum(x, RATE, hz, 5.0).damage[0, 0, :, 0] / 2**5
    np.testing.assert_allclose(mine, other.fds, rtol=0.06)


def test_damage_spectrum_does_not_depend_on_the_mean_nor_on_company():
    x = noise(7, 30_000, 1, 100)
    hz = log_spaced(1.0, 100.0, 19)
    alone = damage_spectrum(x, RATE, hz, [3.0, 5.5], q=[5.0, 10.0])
    lifted = damage_spectrum(np.stack([x + 9.81, 2 * x]), RATE, hz, [3.0, 5.5], q=[5.0, 10.0])
    np.testing.assert_allclose(lifted.damage[0], alone.damage[0], rtol=1e-6)
    np.testing.assert_allclose(lifted.damage[1], alone.damage[0] * [2**3.0, 2**5.5], rtol=1e-9)
    single = damage_spectrum(x, RATE, hz[7], 5.5, q=5.0).damage[0, 0, 0, 0]
    assert single == pytest.approx(alone.damage[0, 0, 7, 1], rel=1e-12)


def test_damage_spectrum_refuses_what_it_cannot_do():
    with pytest.raises(InputError, match=r"0\.4 of the sample rate"):
        damage_spectrum(np.zeros(100), RATE, [300.0], 5.0)
    with pytest.raises(InputError, match="quality"):
        damage_spectrum(np.zeros(100), RATE, [10.0], 5.0, q=0.4)


def two_tones():
    t = np.arange(60_000) / RATE
    slow, fast = np.sin(2 * np.pi * 2 * t), np.sin(2 * np.pi * 30 * t)
    return slow, fast


def test_damage_by_band_tells_two_tones_apart():
    slow, fast = two_tones()
    found = damage_by_band(3 * slow + fast, RATE, [1.0, 8.0, 60.0], 5.0)
    whole = pseudo_damage(3 * slow + fast, 5.0)
    assert found.without_above[0, 1, 0] == pytest.approx(pseudo_damage(3 * slow, 5.0) / whole, rel=0.02)
    assert found.without_below[0, 1, 0] == pytest.approx(pseudo_damage(fast, 5.0) / whole, rel=0.02)
    assert found.without_below[0, 0, 0] == pytest.approx(1.0, rel=0.01)
    assert found.without_above[0, 2, 0] == pytest.approx(1.0, rel=0.01)
    kept = damage_in_band(3 * slow + fast, RATE, 1.0, 8.0, 5.0)
    assert kept[0, 0] == pytest.approx(found.without_above[0, 1, 0], rel=0.01)


def test_recommended_band_names_channel_and_cost():
    slow, fast = two_tones()
    rows = np.stack([slow, fast])
    found = damage_by_band(rows, RATE, log_spaced(0.5, 120.0, 25), 5.0)
    band = recommended_band(found, ("pitch", "axle"), [5.0, 5.0], keep=0.98)
    assert 1.0 < band.low_hz < 2.0
    assert 30.0 < band.high_hz < 45.0
    assert (band.low_channel, band.high_channel) == ("pitch", "axle")
    assert band.cost.max() < 0.05
    poor = recommended_band(found, ("pitch", "axle"), [5.0, 5.0], keep=0.98, rig_low_hz=4.0)
    assert poor.low_hz == 4.0
    assert poor.cost[0] > 0.95
    assert poor.cost[1] < 0.05
    assert "'pitch' loses about 100% of its damage" in poor.text
    assert "from 4 Hz on, where the rig's band begins" in poor.text
    assert "band ends" not in poor.text


def test_gaussian_stationary_noise_is_said_to_be_both():
    rows = np.stack([noise(seed, 100_000, 2, 30) for seed in range(8)])
    said = character(rows, RATE)
    assert sum(one.stationary for one in said) >= 7
    assert all(one.gaussian for one in said)
    assert said[0].kurtosis == pytest.approx(3.0, abs=0.2)


def test_bursts_and_swells_are_noticed():
    x = noise(1, 100_000, 2, 30)
    t = np.arange(x.size) / x.size
    swelling = character(x * (1 + 2 * t), RATE)[0]
    assert not swelling.stationary
    burst = x.copy()
    burst[50_000:50_400] *= 12
    said = character(burst, RATE)[0]
    assert not said.gaussian
    assert said.gaussian_share < 0.5
    assert "single strong events" in said.text
