"""Excitation and limits: orthogonality, from and to rest, and that no drive ever leaves its limits."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from washboard.errors import InputError
from washboard.identify import (
    DriveLimits,
    best_linear_approximation,
    drive_spectrum,
    hold_to_limits,
    limits_of,
    lines_of,
    mixing_matrix,
    orthogonal_multisine,
    rest_taper,
)
from washboard.recording import Channel
from washboard.rig import Actuator

RATE = 256.0


@pytest.mark.parametrize("n", [1, 2, 3, 4, 6, 8])
def test_mixing_matrix_is_orthogonal(n):
    mix = mixing_matrix(n)
    np.testing.assert_allclose(mix @ mix.conj().T, n * np.eye(n), atol=1e-12)


def multisine(q, seed=1, **more):
    settings = {"period": 1024, "rate_hz": RATE, "n_periods": 2, "settle_s": 2.0, "taper_s": 1.0, **more}
    lines = np.arange(4, 80)
    amplitude = np.full((q, lines.size), 1e-3)
    return orthogonal_multisine(amplitude, line_index=lines, rng=np.random.default_rng(seed), **settings)


def test_experiments_are_orthogonal_on_every_line_and_start_and_end_at_rest():
    signal = multisine(4)
    u = signal.spectrum.transpose(1, 2, 0)
    inner = u @ np.conj(u.transpose(0, 2, 1))
    off = inner - inner[:, :1, :1] * np.eye(4)
    assert np.abs(off).max() < 1e-12 * np.abs(inner).max()
    assert np.all(signal.samples[:, :, 0] == 0)
    assert np.all(signal.samples[:, :, -1] == 0)
    # The counted periods hold exactly the lines they say.
    back = lines_of(signal, list(signal.samples))
    np.testing.assert_allclose(back.response[:, 0], signal.spectrum, atol=1e-12)


def responses_of(signal, gain, rng, noise, cubic):
    linear = np.einsum("ij,ejt->eit", gain, signal.samples)
    return list(linear + cubic * linear**3 + noise * rng.standard_normal(linear.shape))


def test_noise_and_distortion_are_told_apart():
    rng = np.random.default_rng(2)
    gain = np.array([[1.0, 0.3], [-0.4, 2.0], [0.5, 0.5]]) * 1e3
    names = {"responses": ("a", "b", "c"), "drives": ("d", "e")}
    found = {}
    for kind, (noise, cubic) in {"noise": (0.5, 0.0), "bent": (0.001, 1e-3)}.items():
        signals = [multisine(2, seed, n_periods=4) for seed in range(6)]
        sets = [lines_of(s, responses_of(s, gain, rng, noise, cubic)) for s in signals]
        found[kind] = best_linear_approximation(sets, signals[0].freq_hz, smoothing=0.0, **names)
    noisy, bent = found["noise"], found["bent"]
    assert np.mean(noisy.noise / noisy.residual) > 0.8
    assert np.mean(bent.noise / bent.residual) < 0.05
    # Line power of white noise of variance s2 over P periods of N samples: s2 / (N P).
    assert noisy.noise.mean() == pytest.approx(0.25 / 1024 / 4, rel=0.1)
    # The stated variance is the one seen against the truth.
    seen = np.mean(np.abs(noisy.values - gain) ** 2)
    assert noisy.variance.mean() == pytest.approx(seen, rel=0.15)


def test_drive_spectrum_reaches_a_goal_that_can_be_reached():
    rng = np.random.default_rng(3)
    gain = rng.uniform(0.1, 1, (5, 6, 3))
    power = rng.uniform(0.5, 2, (5, 3))
    goal = np.einsum("fij,fj->fi", gain, power)
    found = drive_spectrum(gain, goal, rounds=2000)
    np.testing.assert_allclose(np.einsum("fij,fj->fi", gain, found), goal, rtol=0.02)


@given(
    scale=st.floats(1e-4, 10.0),
    slope=st.floats(0.0, 3.0),
    spike=st.floats(0.0, 0.5),
    reach=st.floats(0.01, 0.3),
    velocity=st.floats(0.05, 3.0),
    acceleration=st.floats(1.0, 200.0),
    seed=st.integers(0, 1000),
)
def test_no_drive_ever_leaves_its_limits(scale, slope, spike, reach, velocity, acceleration, seed):
    rng = np.random.default_rng(seed)
    n = 2000
    f = np.fft.rfftfreq(n, 1 / RATE)
    inside = (f > 0.5) & (f < 25)
    spectrum = np.zeros((2, f.size), complex)
    spectrum[:, inside] = rng.standard_normal((2, inside.sum(), 2)).view(complex)[:, :, 0] / f[inside] ** slope
    drive = np.fft.irfft(spectrum, n)
    drive *= scale / drive.std()
    drive[:, n // 2] += spike
    limits = DriveLimits(
        names=("a", "b"), reach=np.full(2, reach), velocity=np.full(2, velocity), acceleration=np.full(2, acceleration)
    )
    held = hold_to_limits(drive, RATE, limits, band_hz=(0.6, 20.0), taper=rest_taper(n, RATE, 1.0))
    assert np.abs(held.samples).max() <= reach
    assert np.abs(np.diff(held.samples)).max() * RATE <= velocity
    assert np.abs(np.diff(held.samples, n=2)).max() * RATE**2 <= acceleration
    assert np.all(held.samples[:, [0, -1]] == 0)
    assert held.used.largest <= 1.0


def test_a_drive_inside_its_limits_is_only_tapered():
    rng = np.random.default_rng(1)
    drive = 1e-3 * rng.standard_normal((1, 1000))
    wide = DriveLimits(names=("a",), reach=np.ones(1), velocity=np.full(1, 1e3), acceleration=np.full(1, 1e6))
    taper = rest_taper(1000, RATE, 0.5)
    held = hold_to_limits(drive, RATE, wide, band_hz=(0.6, 20.0), taper=taper)
    np.testing.assert_array_equal(held.samples, drive * taper)
    assert held.removed[0] == 0


def test_limits_come_from_the_narrower_of_actuator_and_link():
    actuator = Actuator(name="post", position_m=(0.0, 1.0), stroke_m=0.2, snubbing_m=0.0)
    narrow = Channel(name="post", unit="m", limits=(-0.05, 0.05))
    assert limits_of((actuator,), (narrow,)).reach[0] == 0.05
    assert limits_of((actuator,), (Channel(name="post", unit="m"),)).reach[0] == 0.1
    with pytest.raises(InputError, match="2 drives"):
        limits_of((actuator,), (narrow, Channel(name="other", unit="m")))
