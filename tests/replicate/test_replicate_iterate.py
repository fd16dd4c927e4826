"""The iteration: known answers on linear rigs, limits and trips on a non-linear one, never worse than a plain one."""

import dataclasses

import numpy as np
import pytest

from washboard.errors import DataError, RigTripped
from washboard.identify import DriveLimits, Frf, IdentifySettings, field_goal, identify_rig
from washboard.recording import Recording
from washboard.replicate import (
    Iteration,
    error_measures,
    forecast,
    global_asd_error_db,
    global_rms_error_db,
    make_problem,
    prepare_target,
    replicate_event,
    weighted_inverse,
)
from washboard.testing import RESPONSES, BenchRig, BenchVehicle, any_vehicle, field_target

RATE, BAND = 256.0, (0.6, 20.0)
LIMITS = DriveLimits(
    names=tuple("1234"), reach=np.full(4, 0.115), velocity=np.full(4, 1.5), acceleration=np.full(4, 80.0)
)


def flat_frf(gain, p, q):
    f = np.arange(0.25, 30.0, 0.125)
    ones = np.ones((f.size, p))
    return Frf(
        values=np.broadcast_to(gain, (f.size, p, q)).astype(complex), freq_hz=f,
        responses=tuple(f"r{k}" for k in range(p)), drives=tuple(f"d{k}" for k in range(q)), residual=ones * 1e-9,
        noise=ones * 1e-12, information=np.broadcast_to(np.eye(q), (f.size, q, q)) + 0j, coherence=ones,
        n_experiments=8.0, averaged=np.ones(f.size),
    )  # fmt: skip


def wide(q):
    return DriveLimits(
        names=tuple(f"d{k}" for k in range(q)), reach=np.full(q, 1e6), velocity=np.full(q, 1e9),
        acceleration=np.full(q, 1e12),
    )  # fmt: skip


def random_target(p, seconds=30.0, seed=1):
    rng = np.random.default_rng(seed)
    names = tuple(f"r{k}" for k in range(p))
    samples = rng.standard_normal((p, int(seconds * RATE)))
    return prepare_target(samples, RATE, names=names, band_hz=BAND, taper_s=2.0)


def test_inverse_is_weighted_least_squares():
    rng = np.random.default_rng(1)
    frf = rng.standard_normal((3, 6, 2)) + 1j * rng.standard_normal((3, 6, 2))
    weight = rng.uniform(0.5, 2, (3, 6))
    y = rng.standard_normal((3, 6)) + 0j
    found = np.einsum("fji,fi->fj", weighted_inverse(frf, weight, np.zeros((3, 2))), y)
    for line in range(3):
        best, *_ = np.linalg.lstsq(weight[line][:, None] * frf[line], weight[line] * y[line], rcond=None)
        np.testing.assert_allclose(found[line], best, rtol=1e-9)


def test_linear_rig_reaches_the_projection_residual_that_was_forecast():
    rng = np.random.default_rng(2)
    gain = rng.standard_normal((6, 2))
    target = random_target(6)
    problem = make_problem(target, flat_frf(gain, 6, 2), limits=wide(2))
    # Independent channels of equal power: the residual is the trace of I - projector, 4 of 6.
    weighted = gain / target.rms[:, None]
    projector = weighted @ np.linalg.pinv(weighted)
    expected = np.sqrt(np.trace(np.eye(6) - projector) / 6)
    said = forecast(problem)
    assert said.overall == pytest.approx(expected, abs=0.01)
    iteration = Iteration(problem=problem)
    for _number in range(3):
        proposal = iteration.propose()
        iteration.answered(proposal, gain @ proposal.drive)
    assert iteration.plays[-1].overall == pytest.approx(said.overall, rel=0.02)


def test_a_model_half_wrong_is_refreshed_from_the_plays():
    rng = np.random.default_rng(3)
    gain = rng.standard_normal((2, 2)) + 3 * np.eye(2)
    wrong = gain * np.array([[1.4, 0.6], [0.7, 0.75]])
    iteration = Iteration(problem=make_problem(random_target(2), flat_frf(wrong, 2, 2), limits=wide(2)))
    for _number in range(6):
        proposal = iteration.propose()
        iteration.answered(proposal, gain @ proposal.drive)
    assert iteration.plays[-1].overall < 0.02


def test_run_in_carries_no_offset():
    # Ends far from zero: what is put before them must not become a slow motion.
    time = np.arange(int(30 * RATE)) / RATE
    samples = 10 * np.cos(2 * np.pi * 5 * time)[None]
    target = prepare_target(samples, RATE, names=("a",), band_hz=BAND, taper_s=3.0)
    slow = target.freq_hz < 2.0
    share = np.sum(np.abs(target.spectrum[slow]) ** 2) / np.sum(np.abs(target.spectrum) ** 2)
    assert share < 1e-4


@pytest.mark.parametrize("fault", ["short", "nan", "silent"])
def test_unusable_targets_are_refused(fault):
    samples = np.random.default_rng(1).standard_normal((2, 4000))
    if fault == "short":
        samples = samples[:, :300]
    elif fault == "nan":
        samples[1, 7] = np.nan
    else:
        samples[1] = 0.0
    with pytest.raises(DataError, match={"short": "periods", "nan": "'b'", "silent": "'b'"}[fault]):
        prepare_target(samples, RATE, names=("a", "b"), band_hz=BAND, taper_s=2.0)


def test_error_measures_of_a_scaled_response():
    rng = np.random.default_rng(4)
    target = rng.standard_normal((2, 8000))
    made = error_measures(1.1 * target, target, RATE, names=("a", "b"), slopes=(5.0,), band_hz=BAND)
    np.testing.assert_allclose(made.relative, 0.1, rtol=1e-9)
    np.testing.assert_allclose(made.damage_ratio[:, 0], 1.1**5, rtol=1e-6)
    # Forms of MIL-STD-810H Method 527: a gain of 1.1 is 20 log10 1.1 dB in both.
    np.testing.assert_allclose(made.grms_db, 20 * np.log10(1.1), rtol=1e-9)
    np.testing.assert_allclose(made.asd_db, 20 * np.log10(1.1), rtol=1e-9)
    np.testing.assert_allclose(made.psd_ratio, 1.21, rtol=1e-9)


def test_global_errors_weight_by_the_target():
    # One loud frame right, one quiet frame 6 dB off: weights rms^2 / sum rms^2 = 0.99 and 0.01.
    target = np.concatenate([10 * np.ones(100), np.ones(100)])[None]
    response = np.concatenate([10 * np.ones(100), 2 * np.ones(100)])[None]
    expected = 1 / 101 * 20 * np.log10(2)
    assert global_rms_error_db(response, target, 100.0)[0] == pytest.approx(expected)
    # Lines weight by G^2 / sum G^2.
    assert global_asd_error_db(np.array([[4.0, 2.0]]), np.array([[4.0, 1.0]]))[0] == pytest.approx(
        1 / 17 * 10 * np.log10(2)
    )


def setting(vehicle, road, names=RESPONSES, seed=1):
    rig = BenchRig(vehicle, seed=seed)

    def play(samples, _label=""):
        drive = Recording(samples=samples, rate_hz=RATE, channels=rig.channels().drives)
        return np.asarray(rig.play(drive).samples)

    found = identify_rig(
        play, responses=RESPONSES, drives=LIMITS.names, rate_hz=RATE, limits=LIMITS, band_hz=BAND,
        goal=field_goal([(np.asarray(road.samples), RATE)], band_hz=BAND), settings=IdentifySettings(budget_s=400.0),
        seed=seed,
    )  # fmt: skip
    target = prepare_target(np.asarray(road.select(names).samples), RATE, names=tuple(names), band_hz=BAND, taper_s=3.0)
    rows = [RESPONSES.index(name) for name in names]
    rig.played.clear()
    return rig, make_problem(target, found.frf, limits=LIMITS), lambda s, label="": play(s)[rows]


@pytest.mark.parametrize("kind", ["random", "furrows", "twist"])
def test_non_linear_vehicle_is_replicated_and_no_played_drive_leaves_the_limits(kind):
    vehicle = BenchVehicle()
    rig, problem, play = setting(vehicle, field_target(vehicle, kind=kind, roughness=256e-6, duration_s=40.0))
    found = replicate_event(play, problem)
    assert found.measures.overall < 0.12
    assert found.measures.overall == pytest.approx(min(n.overall for n in found.plays[:-1]), rel=1e-6)
    assert found.stop
    assert np.isfinite(found.repeatability)
    for drive in rig.played:
        assert np.abs(drive).max() <= 0.115
        assert np.abs(np.diff(drive)).max() * RATE <= 1.5
        assert np.abs(np.diff(drive, n=2)).max() * RATE**2 <= 80.0
        assert np.all(drive[:, [0, -1]] == 0)


def test_a_trip_is_stepped_back_from_and_the_best_is_kept():
    vehicle = dataclasses.replace(BenchVehicle(), noise=0.001)
    _rig, problem, play = setting(vehicle, field_target(vehicle, roughness=128e-6, duration_s=30.0))
    count = [0]

    def touchy(samples, label=""):
        count[0] += 1
        if count[0] == 2:
            raise RigTripped("tilt")
        return play(samples)

    found = replicate_event(touchy, problem)
    assert [note.tripped for note in found.plays][:3] == [False, True, False]
    assert found.plays[2].level < found.plays[1].level
    assert found.measures.overall < 0.3


def test_a_rig_that_always_trips_ends_in_words():
    vehicle = BenchVehicle()
    _rig, problem, _play = setting(vehicle, field_target(vehicle, roughness=128e-6, duration_s=30.0))

    def never(_samples, _label):
        raise RigTripped("tilt")

    found = replicate_event(never, problem)
    assert found.best == 0
    assert "tripped 4 times" in found.verdict


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_never_worse_than_a_plain_iteration_on_random_vehicles():
    from importlib.util import module_from_spec, spec_from_file_location
    from pathlib import Path

    spec = spec_from_file_location("bench_replicate", Path(__file__).parents[2] / "bench" / "bench_replicate.py")
    bench = module_from_spec(spec)
    spec.loader.exec_module(bench)
    for seed in range(1, 13):
        vehicle = any_vehicle(seed)
        kind = ("random", "furrows", "twist")[seed % 3]
        names = RESPONSES if seed % 2 else RESPONSES[:4]
        road = field_target(vehicle, kind=kind, roughness=256e-6, lateral=800.0, seed=seed, duration_s=40.0)
        _rig, problem, play = setting(vehicle, road, names, seed)
        own = min(entry.overall for entry in bench.ours(problem, play, plays=10).answers)
        plain = np.nanmin(bench.plain(problem, play, plays=10, gain=0.7))
        assert own <= 1.05 * plain, (seed, kind, own, plain)
