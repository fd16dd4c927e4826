"""Estimators against closed forms (Bendat and Piersol, Random Data: chapters 6, 7, 9) and scipy.signal."""

import numpy as np
import pytest
import scipy.signal

from washboard.errors import DataError
from washboard.identify import (
    coherences,
    common_delay_s,
    cross_spectra,
    frf_h1,
    frf_h2,
    frf_hv,
    independent_averages,
    interpolated,
    ordinary_coherence,
    partial_coherence,
)

RATE = 256.0


def white(rng, rows, seconds):
    return rng.standard_normal((rows, int(seconds * RATE)))


def through(signal, delay=0):
    b, a = scipy.signal.butter(2, 0.3)
    return np.roll(scipy.signal.lfilter(b, a, signal), delay, axis=-1)


def test_spectra_agree_with_scipy():
    rng = np.random.default_rng(1)
    u, y = white(rng, 3, 60), white(rng, 2, 60) + 0.5
    ours = cross_spectra(u, y, RATE, block_s=2.0)
    assert ours.freq_hz[1] == 0.5
    for i in range(2):
        for j in range(3):
            f, theirs = scipy.signal.csd(u[j], y[i], RATE, nperseg=512, noverlap=256, detrend="constant")
            np.testing.assert_allclose(ours.cross[:, i, j], theirs, rtol=1e-9, atol=1e-12)
            _, theirs = scipy.signal.csd(u[j], u[(j + 1) % 3], RATE, nperseg=512, noverlap=256, detrend="constant")
            np.testing.assert_allclose(ours.drive[:, (j + 1) % 3, j], theirs, rtol=1e-9, atol=1e-12)
        _, theirs = scipy.signal.welch(y[i], RATE, nperseg=512, noverlap=256, detrend="constant")
        np.testing.assert_allclose(ours.response[:, i], theirs, rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(ours.freq_hz, f)


@pytest.mark.parametrize(
    ("n", "n_drives", "n_responses"), [(125, 1, 1), (96, 3, 6), (270, 1, 15), (500, 5, 21), (5, 2, 1)]
)
def test_spectra_of_any_length_and_any_number_of_channels(n, n_drives, n_responses):
    rng = np.random.default_rng(9)
    signals = rng.standard_normal((n_drives + n_responses, 12 * n + 7)) + 3.0
    ours = cross_spectra(signals[:n_drives], signals[n_drives:], float(n), block_s=1.0, overlap=0.4)
    starts = range(0, signals.shape[1] - n + 1, round(0.6 * n))
    cut = np.stack([signals[:, s : s + n] - signals[:, s : s + n].mean(axis=1, keepdims=True) for s in starts])
    lines = np.fft.rfft(cut * scipy.signal.get_window("hann", n), axis=-1)
    products = np.einsum("sif,sjf->fij", lines, lines[:, :n_drives].conj())
    assert ours.n_segments == len(starts)
    # Both one-sided and scaled alike: one scale for all lines but the first and the last.
    inner = slice(1, (n - 1) // 2 + 1)
    scale = ours.response[1, 0] / np.sum(np.abs(lines[:, n_drives, 1]) ** 2)
    largest = scale * np.abs(products).max()
    np.testing.assert_allclose(ours.drive[inner], scale * products[inner, :n_drives], atol=1e-13 * largest)
    np.testing.assert_allclose(ours.cross[inner], scale * products[inner, n_drives:], atol=1e-13 * largest)
    power = scale * np.sum(np.abs(lines) ** 2, axis=0).T
    np.testing.assert_allclose(ours.response[inner], power[inner, n_drives:], rtol=1e-12)
    np.testing.assert_array_equal(ours.drive, ours.drive.conj().transpose(0, 2, 1))


@pytest.mark.parametrize(("kind", "close"), [(np.float32, 1e-4), (np.float64, 1e-11)])
def test_small_channels_beside_large_ones_are_as_exact_as_alone(kind, close):
    # Microstrain beside newtons on a large offset: all channels are transformed together.
    rng = np.random.default_rng(11)
    size = np.array([1e-6, 1e5, 1.0, 1e-9, 3e4] * 5)
    signals = ((rng.standard_normal((25, 6000)) + 20.0 * (np.arange(25) % 5 == 4)[:, None]) * size[:, None]).astype(
        kind
    )
    together = cross_spectra(signals[:3], signals, RATE, block_s=2.0)
    for i in range(25):
        exact = cross_spectra(signals[:1].astype(float), signals[i : i + 1].astype(float), RATE, block_s=2.0)
        np.testing.assert_allclose(together.response[1:, i], exact.response[1:, 0], rtol=close, atol=0)
        scale = np.sqrt(exact.response[:, 0] * exact.drive[:, 0, 0].real)
        assert np.abs((together.cross[:, i, 0] - exact.cross[:, 0, 0]) / scale)[1:].max() < close


def test_a_channel_with_gaps_spoils_no_other():
    rng = np.random.default_rng(12)
    u, y = white(rng, 2, 60), white(rng, 9, 60)
    clean = cross_spectra(u, y, RATE, block_s=2.0)
    y[3, 700], y[8, 9000] = np.nan, np.inf
    found = cross_spectra(u, y, RATE, block_s=2.0)
    kept = [0, 1, 2, 4, 5, 6, 7]
    np.testing.assert_allclose(found.cross[:, kept], clean.cross[:, kept], atol=1e-15)
    np.testing.assert_allclose(found.response[:, kept], clean.response[:, kept], rtol=1e-11)
    assert np.isnan(found.response[:, [3, 8]]).all()
    assert np.isnan(found.cross[:, [3, 8]]).all()
    u[1, 5] = np.nan
    found = cross_spectra(u, y, RATE, block_s=2.0)
    np.testing.assert_allclose(found.cross[:, kept, 0], clean.cross[:, kept, 0], atol=1e-15)
    assert np.isnan(found.drive[:, 1, 0]).all()


@pytest.mark.parametrize(
    ("up_to_hz", "last_hz"), [(20.0, 20.0), (20.1, 20.5), (0.0, 0.0), (127.9, 128.0), (500.0, 128.0)]
)
def test_lines_past_the_wanted_ones_are_left_out(up_to_hz, last_hz):
    rng = np.random.default_rng(10)
    u, y = white(rng, 2, 30), white(rng, 3, 30)
    whole = cross_spectra(u, y, RATE, block_s=2.0)
    some = cross_spectra(u, y, RATE, block_s=2.0, up_to_hz=up_to_hz)
    assert some.freq_hz[-1] == last_hz
    for name in ("freq_hz", "drive", "cross", "response"):
        np.testing.assert_array_equal(getattr(some, name), getattr(whole, name)[: some.freq_hz.size])


def test_single_precision_agrees():
    rng = np.random.default_rng(2)
    u, y = white(rng, 2, 60), white(rng, 2, 60)
    fine = cross_spectra(u, y, RATE)
    coarse = cross_spectra(u.astype(np.float32), y.astype(np.float32), RATE)
    np.testing.assert_allclose(coarse.cross, fine.cross, atol=2e-5 * np.abs(fine.cross).max())


def test_independent_averages_of_half_overlapped_hann():
    # Welch (1967): 100 half-overlapped Hann segments are worth 94.8 independent ones.
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(1024) / 1024)
    assert independent_averages(100, window, 512) == pytest.approx(94.79, abs=0.05)


@pytest.mark.parametrize(("coherence", "n"), [(0.8, 75), (0.5, 20), (0.9, 20)])
def test_random_error_of_h1_and_bias_of_h1_h2(coherence, n):
    # Bendat and Piersol: eps|H1| = sqrt((1 - g2) / (2 n g2)); H2 is biased by 1 / g2 with noise on the response.
    rng = np.random.default_rng(3)
    size = 64
    runs, first, second, raw = 60, [], [], []
    for _run in range(runs):
        u = rng.standard_normal((1, n * size))
        y = u + np.sqrt(1 / coherence - 1) * rng.standard_normal((1, n * size))
        spectra = cross_spectra(u, y, size / 1.0, block_s=1.0, overlap=0.0, window="boxcar")
        first.append(frf_h1(spectra).values[2:-2, 0, 0])
        second.append(frf_h2(spectra)[2:-2, 0, 0])
        raw.append(frf_h1(spectra).coherence[2:-2, 0])
    first = np.array(first)
    assert np.abs(first).std() == pytest.approx(np.sqrt((1 - coherence) / (2 * n * coherence)), rel=0.06)
    assert np.abs(first.mean()) == pytest.approx(1.0, abs=0.01)
    assert np.abs(np.mean(second)) == pytest.approx(1 / coherence, rel=0.08)
    # The bias of the coherence, (1 - g2)/n for one drive, is taken off.
    assert np.mean(raw) == pytest.approx(coherence, abs=0.012)


def test_variance_of_h1_with_correlated_drives():
    rng = np.random.default_rng(4)
    mix = np.array([[1, 0, 0], [0.8, 0.6, 0], [0.5, 0.3, 0.8]])
    seen, said = [], []
    for _run in range(80):
        u = mix @ rng.standard_normal((3, 32 * 64))
        y = np.array([[1.0, -0.5, 2.0]]) @ u + rng.standard_normal((1, 32 * 64))
        frf = frf_h1(cross_spectra(u, y, 64.0, block_s=1.0, overlap=0.0, window="boxcar"))
        seen.append(frf.values[3:-3, 0])
        said.append(frf.variance[3:-3, 0].mean(axis=0))
    true = np.mean(np.abs(np.array(seen) - np.array([1.0, -0.5, 2.0])) ** 2, axis=(0, 1))
    np.testing.assert_allclose(np.mean(said, axis=0), true, rtol=0.1)


def test_hv_has_no_bias_where_drive_and_response_are_equally_noisy():
    rng = np.random.default_rng(5)
    true = rng.standard_normal((2, 512 * 400))
    u = true + 0.3 * rng.standard_normal(true.shape)
    y = (true.sum(axis=0) + 0.3 * rng.standard_normal(true.shape[1]) * np.sqrt(2))[None]
    spectra = cross_spectra(u, y, 512.0, block_s=0.25)
    assert np.abs(frf_h1(spectra).values[5:-5].mean()) == pytest.approx(1 / 1.09, abs=0.01)
    assert np.abs(frf_hv(spectra)[5:-5].mean()) == pytest.approx(1.0, abs=0.02)


def test_partial_coherence_takes_the_other_drives_out():
    rng = np.random.default_rng(6)
    u = rng.standard_normal((2, 256 * 400))
    y = (u[0] + 0.2 * u[1] + 0.2 * rng.standard_normal(u.shape[1]))[None]
    spectra = cross_spectra(u, y, 256.0, block_s=1.0)
    # After drive 1 is out, 0.2 u2 against 0.2 noise: half. Ordinary: 0.04 / 1.08.
    assert partial_coherence(spectra)[5:-5, 0, 1].mean() == pytest.approx(0.5, abs=0.02)
    assert ordinary_coherence(spectra)[5:-5, 0, 1].mean() == pytest.approx(0.04 / 1.08, abs=0.01)


def test_coherences_of_an_frf_are_those_of_its_spectra():
    rng = np.random.default_rng(8)
    u = np.array([[1.0, 0.0], [0.6, 0.8]]) @ rng.standard_normal((2, 256 * 400))
    y = np.array([[1.0, 0.2], [0.3, -1.0]]) @ u + 0.4 * rng.standard_normal((2, u.shape[1]))
    spectra = cross_spectra(u, y, 256.0, block_s=1.0)
    found = coherences(frf_h1(spectra))
    # What is left differs only by the degrees of freedom the FRF took.
    np.testing.assert_allclose(found.partial, partial_coherence(spectra), atol=0.01)
    np.testing.assert_allclose(found.ordinary, ordinary_coherence(spectra), atol=0.01)
    # Closed form: drive 2 of response 1 has 0.04 * (1 - 0.36) left of its power against 0.16 of noise.
    assert found.partial[5:-5, 0, 1].mean() == pytest.approx(0.04 * 0.64 / (0.04 * 0.64 + 0.16), abs=0.02)


def test_delay_is_found_and_interpolation_keeps_it():
    rng = np.random.default_rng(7)
    u = white(rng, 1, 400)
    y = through(u, delay=8)
    frf = frf_h1(cross_spectra(u, y, RATE, block_s=4.0))
    assert common_delay_s(frf) > 8 / RATE
    f = frf.freq_hz[:-1] + 0.1
    keep = (f > 1) & (f < 30)
    b, a = scipy.signal.butter(2, 0.3)
    _, true = scipy.signal.freqz(b, a, worN=2 * np.pi * f / RATE)
    true = true * np.exp(-2j * np.pi * f * 8 / RATE)
    # A delay of 1 % of the block biases |H| by about as much at most (boxcar law 1 - tau/T; less under Hann).
    np.testing.assert_allclose(interpolated(frf, f)[keep, 0, 0], true[keep], atol=0.03)


def test_too_short_is_refused():
    with pytest.raises(DataError, match="shorter than one block"):
        cross_spectra(np.zeros((1, 100)), np.zeros((1, 100)), RATE)
