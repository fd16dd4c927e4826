"""Faults put into a rig on purpose, one by one: each is named in words, on its own channel, and none where there is none.

The sizes that count as a fault are common practice, no source.
"""

import dataclasses

import numpy as np
import pytest

from washboard.identify import DriveLimits, IdentifySettings, field_goal, identification_findings, identify_rig
from washboard.recording import Recording
from washboard.testing import RESPONSES, BenchRig, BenchVehicle, bench_plan, field_target

RATE, BAND = 256.0, (0.6, 20.0)
LIMITS = DriveLimits(
    names=("post_1", "post_2", "post_3", "post_4"), reach=np.full(4, 0.115), velocity=np.full(4, 1.5),
    acceleration=np.full(4, 80.0),
)  # fmt: skip


def said(
    vehicle=None, *, response=lambda samples, rng: samples, drive=lambda samples: samples, sensors=None, limits=LIMITS,
    level=0.5, roughness=64e-6,
):  # fmt: skip
    """Findings of an identification with responses or drives spoilt on their way."""
    vehicle = vehicle or BenchVehicle()
    rig, rng = BenchRig(vehicle), np.random.default_rng(7)

    def play(samples, _label):
        out = rig.play(Recording(samples=drive(np.array(samples)), rate_hz=RATE, channels=rig.channels().drives))
        return response(np.array(out.samples), rng)

    field = field_target(BenchVehicle(), roughness=roughness, duration_s=40.0)
    goal = field_goal([(np.asarray(field.samples), RATE)], band_hz=BAND)
    found = identify_rig(
        play, responses=RESPONSES, drives=limits.names, rate_hz=RATE, limits=limits, band_hz=BAND, goal=goal,
        settings=IdentifySettings(budget_s=300.0, level=level),
    )  # fmt: skip
    plan = bench_plan()
    return identification_findings(
        found, goal=goal, band_hz=BAND, sensors=sensors or plan.channel, actuators=plan.rig.actuators
    )


def of_kind(findings, kind):
    return [finding for finding in findings if finding.kind == kind]


FAULTS = {
    "dead channel",
    "dead drive",
    "wrong sign",
    "swapped",
    "wrong scale",
    "saturation",
    "thin excitation",
    "out of time",
}


def test_a_sound_rig_has_no_fault():
    found = said()
    assert not [finding for finding in found if finding.kind in FAULTS]
    # Non-linear distortion is told once, not per channel.
    assert len(of_kind(found, "low coherence")) <= 2


@pytest.mark.parametrize(("late_s", "word"), [(-0.35, "before"), (0.5, "after")])
def test_responses_timed_wrongly(late_s, word):
    def spoil(samples, _rng):
        return np.roll(samples, round(late_s * RATE), axis=1)

    (found,) = of_kind(said(response=spoil), "out of time")
    assert word in found.text
    # Known to within the group delay of posts and vehicle.
    assert found.measured == pytest.approx(late_s, abs=0.1)


@pytest.mark.parametrize("noisy", [False, True])
def test_a_dead_channel(noisy):
    def spoil(samples, rng):
        samples[6] = 0.3 * rng.standard_normal(samples.shape[1]) if noisy else 0.02
        return samples

    (found,) = of_kind(said(response=spoil), "dead channel")
    assert found.channel == "body_2_left_az"
    assert found.severity == "error"
    assert "does not follow any drive" in found.text


def test_a_reversed_channel():
    def spoil(samples, _rng):
        samples[2] *= -1
        return samples

    (found,) = of_kind(said(response=spoil), "wrong sign")
    assert found.channel == "axle_2_left_az"
    assert "falls when all posts rise" in found.text


def test_two_swapped_cables():
    def spoil(samples, _rng):
        samples[[1, 3]] = samples[[3, 1]]
        return samples

    found = of_kind(said(response=spoil), "swapped")
    assert {f.channel for f in found} == {"axle_1_right_az", "axle_2_right_az"}
    assert all("cables look swapped" in f.text for f in found)


def test_two_swapped_drives_show_as_swapped_channels():
    found = of_kind(said(drive=lambda samples: samples[[1, 0, 2, 3]]), "swapped")
    assert {f.channel for f in found} == {"axle_1_left_az", "axle_1_right_az"}


def test_a_dead_drive():
    def spoil(samples):
        samples[2] = 0.0
        return samples

    found = said(drive=spoil)
    assert [f.channel for f in of_kind(found, "dead drive")] == ["post_3"]


def test_a_channel_in_the_wrong_unit():
    def spoil(samples, _rng):
        samples[5] /= 9.80665
        return samples

    (found,) = of_kind(said(response=spoil), "wrong scale")
    assert found.channel == "body_1_right_az"


@pytest.mark.parametrize("stated", [True, False])
def test_a_saturated_channel_with_and_without_a_stated_range(stated):
    top = 2.0

    def spoil(samples, _rng):
        samples[0] = np.clip(samples[0], -top, top)
        return samples

    sensors = list(bench_plan().channel)
    if stated:
        # In the sensor's own unit, as a plan states it.
        sensors[0] = dataclasses.replace(sensors[0], unit="g", limit=top / 9.80665)
    (found,) = of_kind(said(response=spoil, sensors=tuple(sensors)), "saturation")
    assert found.channel == "axle_1_left_az"
    assert ("% of its range" if stated else "flat at its largest") in found.text


def test_wheels_that_leave_their_posts():
    # Posts strong enough to throw the vehicle, so that nothing else holds the excitation.
    strong = dataclasses.replace(
        LIMITS, reach=np.full(4, 0.4), velocity=np.full(4, 8.0), acceleration=np.full(4, 500.0)
    )
    vehicle = dataclasses.replace(BenchVehicle(), max_velocity_m_s=10.0, trip_rad=1.0)
    rough = {"limits": strong, "roughness": 16384e-6, "level": 1.0}
    (found,) = of_kind(said(vehicle, **rough), "lift-off")
    assert "leave the posts" in found.text
    assert not of_kind(said(dataclasses.replace(vehicle, lift=False), **rough), "lift-off")


def test_too_little_excitation_at_the_low_edge():
    # Accelerometers whose noise swamps what little the posts can do slowly.
    def spoil(samples, rng):
        samples[:10] += 0.3 * rng.standard_normal((10, samples.shape[1]))
        return samples

    (found,) = of_kind(said(response=spoil, roughness=16e-6), "thin excitation")
    assert "0.6 to 0.9 Hz" in found.text
    assert "mm" in found.text
