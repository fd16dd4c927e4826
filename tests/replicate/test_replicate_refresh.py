"""What is learned from plays, on linear plants where the right answer is known."""

import numpy as np

from washboard.replicate import LineModel, group_lines, refreshed, refreshed_inverse, weighted_inverse

FREQ = np.arange(0.5, 12.0, 0.05)


def plant(seed, p=6, q=3):
    """A response matrix that changes slowly with frequency, and the same 30 % wrong."""
    rng = np.random.default_rng(seed)
    ends = rng.standard_normal((2, p, q)) + 1j * rng.standard_normal((2, p, q))
    share = ((FREQ - FREQ[0]) / np.ptp(FREQ))[:, None, None]
    true = ends[0] * (1 - share) + ends[1] * share
    wrong = rng.standard_normal((p, q)) + 1j * rng.standard_normal((p, q))
    return true, true + 0.3 * wrong * np.sqrt(np.mean(np.abs(true) ** 2) / np.mean(np.abs(wrong) ** 2))


def pairs(true, count, seed=2):
    rng = np.random.default_rng(seed)
    lines, _, q = true.shape
    drives = rng.standard_normal((count, lines, q)) + 1j * rng.standard_normal((count, lines, q))
    return [(drive, np.einsum("fij,fj->fi", true, drive)) for drive in drives]


def off(inverse, true):
    """How far an inverse is from bringing drives back, over all lines. [-]"""
    eye = np.eye(true.shape[2])
    return float(np.sqrt(np.mean(np.abs(inverse @ true - eye) ** 2) / np.mean(np.abs(eye) ** 2)))


def test_gathering_is_the_adjoint_of_spreading():
    # <spread a, b> over lines is <a, gather b> over groups, for any a and b.
    groups = group_lines(FREQ)
    rng = np.random.default_rng(1)
    ours = rng.standard_normal((groups.n_groups, 2))
    lines = rng.standard_normal((FREQ.size, 2)) + 1j * rng.standard_normal((FREQ.size, 2))
    np.testing.assert_allclose(
        np.sum(groups.smooth(ours, FREQ) * lines), np.sum(ours * groups.gather(lines, FREQ)), rtol=1e-12
    )
    np.testing.assert_allclose(groups.gather(np.ones(FREQ.size), FREQ).sum(), FREQ.size)


def test_an_inverse_that_is_wrong_is_mended_by_pairs_of_drive_and_response():
    true, wrong = plant(1)
    groups, weight = group_lines(FREQ), np.ones((FREQ.size, 6))
    start = weighted_inverse(wrong, weight, np.zeros((FREQ.size, 3)))
    mended = refreshed_inverse(start, groups, FREQ, pairs(true, 4), weight, prior_lines=0.01)
    assert off(start, true) > 0.2
    assert off(mended, true) < 0.1 * off(start, true)


def test_pairs_that_agree_with_the_inverse_leave_it_alone_whatever_their_size():
    true, _ = plant(3)
    groups, weight = group_lines(FREQ), np.full((FREQ.size, 6), 2.0)
    right = weighted_inverse(true, weight, np.zeros((FREQ.size, 3)))
    scaled = [(1e4 * drive, 1e4 * response) for drive, response in pairs(true, 2)]
    np.testing.assert_allclose(refreshed_inverse(right, groups, FREQ, scaled, weight), right, atol=1e-9)


def test_a_strong_line_between_two_groups_is_not_led_by_noise_beside_it():
    """One line holds all power, its neighbours 80 dB less with responses that belong to no drive."""
    true, wrong = plant(4)
    groups, weight = group_lines(FREQ), np.ones((FREQ.size, 6))
    line = int(groups.edges[5]) - 1
    rng = np.random.default_rng(7)
    drive, response = pairs(true, 1)[0]
    size = np.full((FREQ.size, 1), 1e-4)
    size[line] = 1.0
    response = response * size + (np.arange(FREQ.size) != line)[:, None] * 1e-3 * rng.standard_normal(response.shape)
    start = weighted_inverse(wrong, weight, np.zeros((FREQ.size, 3)))
    mended = refreshed_inverse(start, groups, FREQ, [(drive * size, response)], weight)
    before = np.linalg.norm(drive[line] - start[line] @ response[line])
    after = np.linalg.norm(drive[line] - mended[line] @ response[line])
    assert after < 0.7 * before


def test_an_frf_that_is_wrong_is_mended_and_noise_is_not_believed():
    true, wrong = plant(5)
    groups, weight = group_lines(FREQ), np.ones((FREQ.size, 6))
    ones = np.ones(FREQ.size)
    model = LineModel(
        frf=wrong, spread=np.ones((FREQ.size, 6)), shape=np.ones((FREQ.size, 3)), noise=np.ones((FREQ.size, 6)) * 1e-9,
        certainty=ones,
    )  # fmt: skip
    quiet = np.full((FREQ.size, 6), 1e-12)
    mended = refreshed(model, groups, FREQ, pairs(true, 4), weight, quiet, prior_lines=0.01)
    assert np.linalg.norm(mended - true) < 0.15 * np.linalg.norm(wrong - true)
    drowned = refreshed(model, groups, FREQ, pairs(true, 4), weight, np.full((FREQ.size, 6), 1e9))
    np.testing.assert_allclose(drowned, wrong, atol=1e-4)
