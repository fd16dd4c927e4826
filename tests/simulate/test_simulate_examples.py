"""The invented examples: complete, as documented, and the same whenever they are made."""

import dataclasses

import numpy as np
import pytest

from washboard import simulate
from washboard.errors import InputError
from washboard.programme import EXAMPLES, PLANTED, _new, event_files, example_text, new_programme, parse_plan
from washboard.recording import read_recording


@pytest.mark.parametrize("example", EXAMPLES)
def test_every_event_of_a_plan_has_a_course_and_faults_hit_what_is_there(example):
    plan = parse_plan(example_text(example))
    courses = {course.name: course for course in simulate.courses(example)}
    assert [event.name for event in plan.event] == list(courses)
    for event in plan.event:
        if event.distance_m is not None:
            assert event.distance_m == pytest.approx(courses[event.name].distance_m)
        seconds = courses[event.name].distance_m / courses[event.name].speed_m_s
        assert 20 <= seconds <= 40
    for planted in PLANTED[example]:
        assert planted.event in courses
        assert planted.fault.channel in {channel.name for channel in plan.channel}


@pytest.mark.parametrize(
    ("example", "posts", "kingpin", "control"),
    [("quarry-tipper", 4, 0, 5), ("vineyard-sprayer", 4, 0, 12), ("timber-trailer", 6, 2, 10)],
)
def test_the_scenarios_have_their_actuators_and_channels(example, posts, kingpin, control):
    plan = parse_plan(example_text(example))
    assert (len(plan.rig.post), len(plan.rig.kingpin), len(plan.control)) == (posts, kingpin, control)


def test_the_sprayer_rolls_pitches_and_bounces_at_a_few_hertz_badly_damped():
    from washboard import rig

    plan = parse_plan(example_text("vineyard-sprayer"))
    modes = rig.linear_model(plan.specimen, plan.rig, linearisation=rig.Linearisation(friction="stuck")).modes()
    low = {name: (freq, damping) for name, freq, damping in zip(modes.names, modes.freq_hz, modes.damping, strict=True)}
    # Rolling about its feet is named after the sway of its high centre of gravity.
    for name in ("sway", "pitch", "bounce"):
        assert 0.7 < low[name][0] < 5.0
        assert low[name][1] < 0.12


def test_a_programme_from_an_example(tmp_path, monkeypatch):
    monkeypatch.setattr(_new, "_LAPS", 1)
    folder = tmp_path / "tipper"
    plan = new_programme(folder, "quarry-tipper")
    assert (folder / "programme.toml").read_text(encoding="utf-8") == example_text("quarry-tipper")
    files = event_files(folder, plan)
    assert {event: len(laps) for event, laps in files.items()} == {event.name: 1 for event in plan.event}
    peak = {}
    for event, (file,) in files.items():
        recording = read_recording(file)
        assert recording.names == tuple(channel.name for channel in plan.channel)
        assert [c.unit for c in recording.channels][9:12] == ["mm", "mm", "microstrain"]
        assert recording.rate_hz == pytest.approx(512)
        assert 20 < recording.duration_s < 40
        assert np.isfinite(recording.samples).all()
        axle, cab = recording.values("rear axle left az"), recording.values("cab floor az")
        peak[event] = np.abs(axle).max()
        assert 2 < axle.std() < 40
        assert 0.4 < cab.std() < 3
    assert min(peak.values()) < 40 < 60 < max(peak.values())
    with pytest.raises(InputError, match="not empty"):
        new_programme(folder, "quarry-tipper")
    with pytest.raises(InputError, match="there is no example 'lorry'; there are quarry-tipper"):
        new_programme(tmp_path / "x", "lorry")
    blank = new_programme(tmp_path / "blank")
    assert blank.event
    assert not list((tmp_path / "blank" / "recordings").iterdir())


def test_a_lap_is_the_same_whenever_it_is_driven_and_laps_differ():
    plan = parse_plan(example_text("quarry-tipper"))
    course = simulate.courses("quarry-tipper")[4]
    first, again, other = (
        simulate.drive_lap(course, plan.specimen, plan.channel, lap=lap, seed=5) for lap in (1, 1, 2)
    )
    assert np.array_equal(first.samples, again.samples)
    assert first.n_samples != other.n_samples
    # The same kerbs: as severe, though not the same.
    ratio = other.samples.std(axis=1) / first.samples.std(axis=1)
    assert (np.abs(ratio - 1) < 0.3).all()
    assert np.abs(ratio - 1).max() > 0.003


def test_a_road_must_be_long_enough():
    plan = parse_plan(example_text("quarry-tipper"))
    with pytest.raises(InputError, match=r"is 20 m long; at 8\.0 m/s it must be 52 m or more"):
        simulate.drive_over(plan.specimen, plan.channel, simulate.flat_road(20.0), speed_m_s=8.0, seed=1)


def test_a_level_road_moves_nothing_but_noise():
    plan = parse_plan(example_text("timber-trailer"))
    quiet = tuple(dataclasses.replace(channel, noise=0.0) for channel in plan.channel)
    lap = simulate.drive_over(plan.specimen, quiet, simulate.flat_road(120.0), speed_m_s=6.0, seed=1)
    assert np.abs(lap.samples).max() < 1e-6
