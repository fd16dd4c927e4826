"""The whole identification on the test vehicle: against its true FRF, in its budget, and faults named in words."""

import dataclasses

import numpy as np
import pytest
from scipy.signal import butter, lfilter

from washboard.errors import RigError, RigTripped
from washboard.identify import (
    DriveLimits,
    IdentifySettings,
    field_goal,
    identification_findings,
    identify_rig,
    interpolated,
)
from washboard.recording import Recording
from washboard.testing import RESPONSES, BenchRig, BenchVehicle, bench_plan, field_target, vehicle_response
from washboard.testing._bench_vehicle import posts

RATE, BAND = 256.0, (0.6, 20.0)
LIMITS = DriveLimits(
    names=tuple("1234"), reach=np.full(4, 0.115), velocity=np.full(4, 1.5), acceleration=np.full(4, 80.0)
)


def identified(vehicle, spoil=lambda samples: samples, play=None, **settings):
    rig = BenchRig(vehicle)

    def played(samples, label):
        drive = Recording(samples=samples, rate_hz=RATE, channels=rig.channels().drives)
        return spoil(np.array(rig.play(drive).samples))

    field = field_target(vehicle, roughness=128e-6, duration_s=40.0)
    goal = field_goal([(np.asarray(field.samples), RATE)], band_hz=BAND)
    found = identify_rig(
        play(played) if play else played, responses=RESPONSES, drives=LIMITS.names, rate_hz=RATE, limits=LIMITS,
        band_hz=BAND, goal=goal, settings=IdentifySettings(**settings),
    )  # fmt: skip
    return found, goal, rig


def findings(found, goal):
    plan = bench_plan()
    return identification_findings(found, goal=goal, band_hz=BAND, sensors=plan.channel, actuators=plan.rig.actuators)


def test_a_linear_vehicle_is_identified_as_it_is():
    vehicle = BenchVehicle().linear()
    found, goal, rig = identified(vehicle)
    assert found.rig_time_s <= 600
    n = int(RATE * 64)
    impulse, true = np.zeros((4, 4, n)), []
    for j in range(4):
        impulse[j, j, 10] = 1e-3
        response, _ = vehicle_response(vehicle, posts(impulse[j], RATE, vehicle), RATE, rolling=False)
        true.append(np.fft.rfft(response) / np.fft.rfft(impulse[j, j]))
    true = np.stack(true, axis=-1).transpose(1, 0, 2)
    f = np.fft.rfftfreq(n, 1 / RATE)
    inside = (f > 0.7) & (f < 20)
    off = np.linalg.norm(interpolated(found.frf, f[inside]) - true[inside], axis=2)
    error = off / np.linalg.norm(true[inside], axis=2)
    assert np.sqrt(np.mean(error**2)) < 0.02
    assert not [finding for finding in findings(found, goal) if finding.severity == "error"]
    assert max(np.abs(drive).max() for drive in rig.played) < 0.7 * 0.115 * 1.001


def test_random_noise_finds_what_multisines_find():
    vehicle = dataclasses.replace(BenchVehicle().linear(), noise=0.02)
    periodic, _goal, _rig = identified(vehicle)
    noise, _goal, rig = identified(vehicle, excitation="random")
    assert noise.rig_time_s <= 600
    assert max(np.abs(drive).max() for drive in rig.played) < 0.7 * 0.115 * 1.001
    f = periodic.frf.freq_hz
    inside = (f > 1.0) & (f < 20)
    np.testing.assert_array_equal(noise.frf.freq_hz, f)
    off = np.linalg.norm((noise.frf.values - periodic.frf.values)[inside], axis=2)
    size = np.linalg.norm(periodic.frf.values[inside], axis=2)
    assert np.median(off / size) < 0.04
    # On a linear rig all that is left is noise, and the repeated play shows that it is: the same with both.
    assert periodic.frf.n_periods == 2
    split = noise.frf.noise[inside].mean(axis=0) / periodic.frf.noise[inside].mean(axis=0) / 2
    np.testing.assert_allclose(split[:8], 1.0, rtol=0.25)


@pytest.mark.parametrize(("budget_s", "sets"), [(120.0, 1), (160.0, 1), (200.0, 2), (300.0, 3)])
def test_noise_with_one_drive_keeps_its_budget_though_every_set_is_played_twice(budget_s, sets):
    b, a = butter(2, 8.0 / (RATE / 2))
    limits = DriveLimits(
        names=("one",), reach=np.full(1, 0.115), velocity=np.full(1, 1.5), acceleration=np.full(1, 80.0)
    )

    def played(samples, _label):
        return 400 * lfilter(b, a, samples, axis=1)

    field = played(0.004 * np.random.default_rng(0).standard_normal((1, int(60 * RATE))), "")
    found = identify_rig(
        played, responses=("wheel",), drives=limits.names, rate_hz=RATE, limits=limits, band_hz=BAND,
        goal=field_goal([(field, RATE)], band_hz=BAND),
        settings=IdentifySettings(excitation="random", budget_s=budget_s),
    )  # fmt: skip
    assert found.rig_time_s <= budget_s
    assert sum(step.name.startswith("main") for step in found.steps) == sets


def test_dead_reversed_and_swapped_channels_are_named():
    order = list(range(12))
    order[0], order[1] = 1, 0

    def spoil(samples):
        samples = samples[order]
        samples[4] *= -1
        samples[9] = 0.0
        return samples

    found, goal, _rig = identified(BenchVehicle(), spoil, budget_s=300.0)
    said = findings(found, goal)
    assert {f.channel for f in said if f.kind == "dead channel"} == {"roof_ax"}
    assert {f.channel for f in said if f.kind == "wrong sign"} == {"body_1_left_az"}
    swapped = [f for f in said if f.kind == "swapped"]
    assert {f.channel for f in swapped} == {"axle_1_left_az", "axle_1_right_az"}
    assert all("swapped" in f.text for f in swapped)


def test_a_clean_non_linear_vehicle_raises_no_false_alarm():
    found, goal, _rig = identified(BenchVehicle(), budget_s=300.0)
    assert not [finding for finding in findings(found, goal) if finding.severity == "error"]


def test_a_rig_that_trips_is_identified_at_a_lower_level():
    def touchy(play):
        def guarded(samples, label):
            if np.abs(samples).max() > 0.006:
                raise RigTripped("tilt")
            return play(samples, label)

        return guarded

    found, _goal, _rig = identified(dataclasses.replace(BenchVehicle(), noise=0.001), play=touchy, budget_s=300.0)
    assert any("tripped" in step.words for step in found.steps)
    assert np.isfinite(found.frf.values).all()


def test_a_rig_that_always_trips_is_left_alone_with_what_it_said_last():
    def tripping(_play):
        def guarded(_samples, _label):
            raise RigTripped("post 3 drifted")

        return guarded

    with pytest.raises(RigError, match=r"trips even at .* The last trip: post 3 drifted"):
        identified(BenchVehicle(), play=tripping)


@pytest.mark.parametrize("factor", [0.2, 5.0])
def test_the_level_asked_for_is_met_whatever_the_vehicle_weighs(factor):
    vehicle = dataclasses.replace(BenchVehicle(), body_kg=5200 * factor**0.5, pitch_kg_m2=7000 * factor**0.5)
    found, _goal, _rig = identified(vehicle, budget_s=300.0)
    assert 0.55 < found.level < 1.0
