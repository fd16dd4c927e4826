"""Roads: the PSD of ISO 8608, tracks that agree in long waves, tyres that bridge what is short."""

import numpy as np
import pytest
from scipy import signal

from washboard import simulate
from washboard.errors import InputError
from washboard.simulate._field import _supports


@pytest.fixture(scope="module")
def long_road():
    return simulate.random_road(40_000, roughness_m3=simulate.class_roughness("C"), seed=5, spacing_m=0.05)


def test_class_means_are_those_of_iso_8608():
    # ISO 8608:2016, geometric means of Gd(n0) at 0.1 cycles/m.
    means = [16e-6, 64e-6, 256e-6, 1024e-6, 4096e-6, 16384e-6, 65536e-6, 262144e-6]
    assert [simulate.class_roughness(name) for name in "ABCDEFGH"] == pytest.approx(means, rel=1e-12)
    with pytest.raises(InputError, match="A to H"):
        simulate.class_roughness("J")


def test_psd_of_both_tracks_is_the_class_mean(long_road):
    for track in long_road.height_m:
        wave, density = signal.welch(track, fs=1 / long_road.spacing_m, nperseg=8192, window="hann")
        for low in 0.022 * 2.0 ** np.arange(7):
            inside = (wave >= low) & (wave < 2 * low)
            level = np.mean(density[inside] * (wave[inside] / 0.1) ** 2)
            assert level == pytest.approx(256e-6, rel=0.10), f"octave from {low:.3f} /m"


def test_tracks_agree_in_long_waves_and_not_in_short_ones(long_road):
    left, right = long_road.height_m
    wave, cross = signal.csd(left, right, fs=1 / long_road.spacing_m, nperseg=4096)
    _wave, own = signal.welch(left, fs=1 / long_road.spacing_m, nperseg=4096)
    share = (cross / own).real
    expected = simulate.track_coherence(wave, track_m=2.0, roughness_m3=256e-6)
    for low in (0.03, 0.06, 0.12, 0.25, 0.5):
        inside = (wave >= low) & (wave < 1.5 * low)
        assert share[inside].mean() == pytest.approx(expected[inside].mean(), abs=0.06)
    assert np.abs(share[(wave > 3) & (wave < 6)].mean()) < 0.03


def test_roughness_index_of_a_random_road(long_road):
    # Without the 250 mm mean, IRI = 2.21 sqrt(Gd(1 rad/m) * 1e6) mm/m at waviness 2 (Kropac and Mucka, quoted from
    # memory); Gd(1 rad/m) of class C is 16e-6 m3.
    k1, k2, mu, c, v = 653.0, 63.3, 0.15, 6.0, 80 / 3.6
    a = np.array([[0, 1, 0, 0], [-k2, -c, k2, c], [0, 0, 0, 1], [k2 / mu, c / mu, -(k1 + k2) / mu, -c / mu]])
    system = (a, np.array([[0], [0], [0], [k1 / mu]]), np.array([[0, 1, 0, -1.0]]), np.array([[0.0]]))
    discrete = signal.cont2discrete(system, long_road.spacing_m / v, method="foh")
    above, below = signal.ss2tf(*discrete[:4])
    for track in long_road.height_m:
        speed = signal.lfilter(above[0], below, track)[2000:]
        assert np.abs(speed).mean() / v * 1e3 == pytest.approx(2.21 * 4, rel=0.04)


def test_the_same_seed_gives_the_same_road():
    one, same, other = (simulate.random_road(200, roughness_m3=64e-6, seed=seed) for seed in (1, 1, 2))
    assert np.array_equal(one.height_m, same.height_m)
    assert not np.allclose(one.height_m, other.height_m)


def test_a_wheel_bridges_a_gap_and_climbs_a_step_early():
    x = np.arange(-3, 3, 0.01)
    gap = np.where(np.abs(x) < 0.05, -0.2, 0.0)
    deep = simulate.rolling_height(gap, 0.01, radius_m=0.5, patch_m=0.01)
    # A disc of radius R sinks R - sqrt(R^2 - (w/2)^2) into a gap of width w: geometry.
    assert -deep.min() == pytest.approx(0.5 - np.sqrt(0.25 - 0.05**2), abs=3e-4)
    step = np.where(x > 0, 0.1, 0.0)
    rise = simulate.rolling_height(step, 0.01, radius_m=0.5, patch_m=0.01)
    # It touches the edge sqrt(2 R h - h^2) before it.
    first = x[np.flatnonzero(rise > 1e-3)[0]]
    assert first == pytest.approx(-np.sqrt(2 * 0.5 * 0.1 - 0.01), abs=0.02)
    wave = 0.02 * np.sin(2 * np.pi * x / 4.0)
    assert np.abs(simulate.rolling_height(wave, 0.01, radius_m=0.5, patch_m=0.2) - wave).max() < 1e-3


def test_rear_wheels_meet_the_road_of_the_front_ones_later():
    from washboard.programme import example_text, parse_plan

    model = simulate.assemble(parse_plan(example_text("quarry-tipper")).specimen)
    road = simulate.random_road(120, roughness_m3=256e-6, seed=1)
    half_s, speed = 1 / 4000, 7.8
    travel = np.arange(4000 * 8) * half_s * speed
    height, _rate = _supports(model, road, travel, half_s, 1)
    delay = round(3.9 / speed / half_s)
    front, rear = height[:-delay, 0], height[delay:, 2]
    # Each counts from its own start.
    assert np.ptp((front - rear)[10:]) < 1e-9
