"""The choice of control channels: against least squares in time, and against what a rig then does."""

import dataclasses

import numpy as np
import pytest

from washboard.errors import DataError
from washboard.identify import DriveLimits, Frf, IdentifySettings, field_goal, identify_rig
from washboard.recording import Recording
from washboard.replicate import (
    control_choice,
    field_cross_spectra,
    forecast,
    make_problem,
    prepare_target,
    replicate_event,
)
from washboard.testing import RESPONSES, BenchRig, BenchVehicle, field_target

RATE, BAND = 256.0, (0.6, 20.0)


def flat(gain):
    f = np.arange(0.25, 30.0, 0.125)
    p, q = gain.shape
    ones = np.ones((f.size, p))
    return Frf(
        values=np.broadcast_to(gain, (f.size, p, q)).astype(complex), freq_hz=f,
        responses=tuple(f"r{k}" for k in range(p)), drives=tuple(f"d{k}" for k in range(q)), residual=ones * 1e-12,
        noise=ones * 1e-12, information=np.broadcast_to(np.eye(q), (f.size, q, q)) + 0j, coherence=ones,
        n_experiments=8.0, averaged=np.ones(f.size),
    )  # fmt: skip


@pytest.mark.parametrize("control", [("r0", "r1", "r2", "r3", "r4"), ("r0", "r2"), ("r1", "r2", "r4")])
def test_reach_is_what_least_squares_in_time_leaves(control):
    rng = np.random.default_rng(1)
    gain = rng.standard_normal((5, 2))
    field = gain @ rng.standard_normal((2, 30000)) + 0.3 * rng.standard_normal((5, 30000))
    frf = flat(gain)
    choice = control_choice(
        frf, field_cross_spectra([(field, RATE)], frf.freq_hz), control=control, band_hz=(0.5, 29.0)
    )
    # numpy's least squares on the samples themselves, channels over their RMS.
    rows = [frf.responses.index(name) for name in control]
    size = field.std(axis=1)[:, None]
    drives = np.linalg.lstsq((gain / size)[rows], (field / size)[rows], rcond=None)[0]
    left = (field - gain @ drives).std(axis=1) / size[:, 0]
    np.testing.assert_allclose(choice.now.error, left, rtol=0.06, atol=0.02)


def test_the_worth_of_channels_falls_and_twins_come_last():
    rng = np.random.default_rng(2)
    gain = rng.standard_normal((5, 3))
    gain[4] = 0.98 * gain[0]
    frf = flat(gain)
    field = field_cross_spectra([(gain @ rng.standard_normal((3, 20000)), RATE)], frf.freq_hz)
    choice = control_choice(frf, field, control=frf.responses, band_hz=BAND)
    assert set(choice.order) == set(frf.responses)
    assert np.all(np.diff(choice.worth) <= 1e-9)
    assert choice.order.index("r4") > 2 or choice.order.index("r0") > 2


def test_a_channel_no_drive_makes_is_said_to_be_left_out_and_a_useful_one_added():
    rng = np.random.default_rng(3)
    # What the others hardly see of the second drive, r1 sees; r5 sees it too, but is moved by something else as well.
    gain = np.array([[1, 0.02], [0.1, 1.0], [1.1, -0.03], [0.9, 0.02], [0.5, 0.01], [0.1, 2.0]])
    field = gain @ rng.standard_normal((2, 20000)) + 0.03 * rng.standard_normal((6, 20000))
    field[5] += 3.0 * rng.standard_normal(20000)
    frf = flat(gain)
    spectra = field_cross_spectra([(field, RATE)], frf.freq_hz)

    def said(*control):
        return control_choice(frf, spectra, control=control, band_hz=BAND).advice()

    assert any(words.startswith("leave out r5") for words in said("r0", "r1", "r2", "r5"))
    assert any(words.startswith("control r1 too") for words in said("r0", "r2", "r3", "r4"))
    assert not said("r0", "r1", "r2")


def test_axles_and_what_distortion_explains_are_never_given_up():
    rng = np.random.default_rng(3)
    gain = np.array([[1, 0.02], [0.1, 1.0], [1.1, -0.03], [0.1, 2.0]])
    field = gain @ rng.standard_normal((2, 20000)) + 0.03 * rng.standard_normal((4, 20000))
    field[3] += 3.0 * rng.standard_normal(20000)
    frf = flat(gain)
    spectra = field_cross_spectra([(field, RATE)], frf.freq_hz)
    choice = control_choice(frf, spectra, control=frf.responses, band_hz=BAND)
    assert choice.advice()[0].startswith("leave out r3")
    assert not choice.advice(keep=("r3",))
    # The same field, but the identification saw as much distortion on that channel: it may come back by itself.
    bent = frf.residual.copy()
    bent[:, 3] = 9.0 / 8
    rough = control_choice(
        dataclasses.replace(frf, residual=bent, averaged=np.full(frf.freq_hz.size, 100.0)), spectra,
        control=frf.responses, band_hz=BAND,
    )  # fmt: skip
    assert rough.now.linear[3] < 0.5 < rough.now.error[3]
    assert not rough.advice()


def test_what_limits_take_away_is_foretold_within_a_fifth():
    """A linear vehicle whose posts are too short for the road: what was said before any play is what ten plays reach."""
    vehicle = dataclasses.replace(BenchVehicle().linear(), noise=0.003)
    rig = BenchRig(vehicle)

    def play(samples, _label=""):
        return np.asarray(rig.play(Recording(samples=samples, rate_hz=RATE, channels=rig.channels().drives)).samples)

    def limits(reach):
        return DriveLimits(
            names=tuple("1234"), reach=np.full(4, reach), velocity=np.full(4, 9.0), acceleration=np.full(4, 900.0)
        )

    control = RESPONSES[:8]
    samples = np.asarray(field_target(vehicle, roughness=256e-6, lateral=1500.0, duration_s=40.0).samples)
    found = identify_rig(
        play, responses=RESPONSES, drives=tuple("1234"), rate_hz=RATE, limits=limits(0.3), band_hz=BAND,
        goal=field_goal([(samples, RATE)], band_hz=BAND), settings=IdentifySettings(),
    )  # fmt: skip
    target = prepare_target(samples[:8], RATE, names=control, band_hz=BAND, taper_s=2.0)
    said, reached = [], []
    for share in (2.0, 0.8):
        need = forecast(make_problem(target, found.frf, limits=limits(1.0))).use.stroke.max()
        problem = make_problem(target, found.frf, limits=limits(share * need), plays=10, goal=1e-4)
        before = forecast(problem)
        said.append(before.reachable)
        done = replicate_event(lambda drive, _name: play(drive)[:8], problem, confirm=False)
        reached.append(done.measures.overall)
        assert (before.held.max() > 0) == (share < 1)
    assert said[1] > said[0]
    np.testing.assert_allclose(said, reached, rtol=0.2)


def test_an_unknown_control_channel_is_refused():
    frf = flat(np.ones((2, 1)))
    with pytest.raises(DataError, match="no response 'x'"):
        control_choice(frf, np.ones((frf.freq_hz.size, 2, 2)) + 0j, control=("x",), band_hz=BAND)


def test_monitor_channels_follow_on_the_rig_as_was_said():
    """Axles controlled, body watched: what was said before any play is what four plays then bring."""
    vehicle = dataclasses.replace(BenchVehicle().linear(), noise=0.003)
    limits = DriveLimits(
        names=tuple("1234"), reach=np.full(4, 0.3), velocity=np.full(4, 9.0), acceleration=np.full(4, 900.0)
    )
    rig = BenchRig(vehicle)

    def play(samples, _label=""):
        return np.asarray(rig.play(Recording(samples=samples, rate_hz=RATE, channels=rig.channels().drives)).samples)

    road = field_target(vehicle, roughness=128e-6, lateral=1500.0, duration_s=40.0)
    samples = np.asarray(road.samples)
    found = identify_rig(
        play, responses=RESPONSES, drives=limits.names, rate_hz=RATE, limits=limits, band_hz=BAND,
        goal=field_goal([(samples, RATE)], band_hz=BAND), settings=IdentifySettings(),
    )  # fmt: skip
    spectra = field_cross_spectra([(samples, RATE)], found.frf.freq_hz)
    axles, more = RESPONSES[:4], (*RESPONSES[:4], "roof_ay", "body_1_left_az")
    for control in (axles, more):
        choice = control_choice(found.frf, spectra, control=control, band_hz=BAND)
        rows = [RESPONSES.index(name) for name in control]
        target = prepare_target(samples[rows], RATE, names=control, band_hz=BAND, taper_s=2.0)
        problem = make_problem(target, found.frf, limits=limits, plays=6, goal=1e-4)
        done = replicate_event(lambda drive, _name, r=rows: play(drive)[r], problem, confirm=False)
        whole = prepare_target(samples, RATE, names=RESPONSES, band_hz=BAND, taper_s=2.0)
        off = (whole.in_band(play(done.drive)) - whole.samples)[:, whole.span]
        reached = np.sqrt(np.mean(off**2, axis=1)) / whole.rms
        large = choice.now.error > 0.08
        assert large.any()
        np.testing.assert_allclose(choice.now.error[large], reached[large], rtol=0.2)
