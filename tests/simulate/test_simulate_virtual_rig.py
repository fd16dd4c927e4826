"""The virtual rig as a rig: what it takes and gives, its limits, its trips, and that it repeats itself."""

import dataclasses

import numpy as np
import pytest
from scipy import signal

from washboard import simulate
from washboard.errors import Cancelled, ChannelError, DataError, InputError, RigTripped
from washboard.programme import EXAMPLES, example_text, parse_plan
from washboard.recording import Channel, Recording
from washboard.rig import Actuator, RigLink, Sensor
from washboard.units import QUANTITIES, factor_to_si

PLAN = parse_plan(example_text("quarry-tipper"))


def virtual(plan=PLAN, **changes):
    return simulate.VirtualRig(
        **{"specimen": plan.specimen, "rig": plan.rig, "sensors": plan.channel, "seed": 7, **changes}
    )


def drive_of(samples, plan=PLAN, rate_hz=512.0):
    channels = tuple(Channel(name=a.name, unit=a.unit) for a in plan.rig.actuators)
    return Recording(samples=samples, rate_hz=rate_hz, channels=channels, name="drive")


def bounce(seconds=6.0, size_m=0.01, seed=0, n=4):
    rng = np.random.default_rng(seed)
    sos = signal.butter(2, [1.0, 15.0], "band", fs=512, output="sos")
    u = signal.sosfilt(sos, rng.standard_normal((n, round(seconds * 512))), axis=1)
    window = signal.windows.tukey(u.shape[1], 0.3)
    return size_m * u / u.std() * window


@pytest.mark.parametrize("example", EXAMPLES)
def test_every_example_stands_still_when_nothing_is_played(example):
    plan = parse_plan(example_text(example))
    quiet = tuple(dataclasses.replace(c, noise=0.0, resolution=0.0) for c in plan.channel)
    rig = virtual(plan, sensors=quiet)
    assert isinstance(rig, RigLink)
    response = rig.play(drive_of(np.zeros((len(plan.rig.actuators), 2048)), plan))
    assert np.abs(response.samples).max() < 1e-8
    # The wheels carry the whole weight: statics.
    mass = plan.specimen.frame.mass_kg + sum(b.mass_kg for b in (*plan.specimen.axle, *plan.specimen.part))
    assert rig.model.support_static.sum() == pytest.approx(mass * 9.80665, rel=1e-9)


def test_channels_are_those_of_the_plan_in_si():
    channels = virtual().channels()
    assert [c.name for c in channels.drives] == [a.name for a in PLAN.rig.post]
    assert [c.limits for c in channels.drives] == [(-0.115, 0.115)] * 4
    assert [c.name for c in channels.responses] == [c.name for c in PLAN.channel]
    assert [c.unit for c in channels.responses] == [QUANTITIES[c.quantity] for c in PLAN.channel]
    assert channels.rate_hz == 512


def test_a_label_played_again_gives_the_same_to_the_bit():
    drive = drive_of(bounce())
    first = virtual().play(drive, label="pass 1")
    rig = virtual()
    rig.play(drive_of(bounce(seed=5)), label="another")
    again, other = rig.play(drive, label="pass 1"), rig.play(drive, label="pass 2")
    assert np.array_equal(first.samples, again.samples)
    assert not np.array_equal(first.samples, other.samples)
    difference = (first.samples.astype(float) - other.samples).std(axis=1)
    noise = np.array([c.noise for c in PLAN.channel])
    scale = np.array([factor_to_si(c.unit, c.quantity)[0] for c in PLAN.channel])
    # Two plays differ by the noise of two readings.
    assert difference == pytest.approx(np.sqrt(2) * noise * scale, rel=0.1)


def test_response_has_rate_and_length_of_the_drive():
    response = virtual().play(drive_of(bounce(seconds=3.0)))
    assert (response.n_samples, response.rate_hz) == (1536, 512.0)


@pytest.mark.parametrize("rate_hz", [200.0, 1024.0, 4096.0])
def test_sample_rate_changes_little(rate_hz):
    quiet = tuple(dataclasses.replace(c, noise=0.0) for c in PLAN.channel[4:])
    seconds = 4.0
    time = np.arange(round(seconds * rate_hz)) / rate_hz
    window = signal.windows.tukey(len(time), 0.4)
    u = 0.01 * np.sin(2 * np.pi * np.outer([2.0, 3.0, 1.5, 2.5], time)) * window
    fine_time = np.arange(round(seconds * 512)) / 512
    fine = 0.01 * np.sin(2 * np.pi * np.outer([2.0, 3.0, 1.5, 2.5], fine_time)) * signal.windows.tukey(2048, 0.4)
    a = virtual(sensors=quiet, rate_hz=rate_hz).play(drive_of(u, rate_hz=rate_hz))
    b = virtual(sensors=quiet).play(drive_of(fine))
    for one, other in zip(a.samples, b.samples, strict=True):
        error = np.interp(fine_time, time, one.astype(float)) - other
        assert error.std() < 0.02 * other.std()


def test_a_post_is_a_second_order_loop_with_delay():
    # Butterworth of the stated bandwidth, 3 dB down there, and the delay as phase; the oil gives under the load.
    post = Actuator(name="p", position_m=(0, 0))
    rig = dataclasses.replace(
        PLAN.rig,
        post=tuple(
            dataclasses.replace(p, bandwidth_hz=30.0, delay_s=0.004, piston_area_m2=0.02, rated_flow_m3_s=0.1)
            for p in PLAN.rig.post
        ),
    )
    assert post.delay_s == 0.004
    model = simulate.assemble(PLAN.specimen)
    from washboard.simulate._march import record
    from washboard.simulate._rates import to_half_steps
    from washboard.simulate._tables import tables_on_posts

    tables = tables_on_posts(model, rig)
    for freq_hz in (1.0, 10.0, 30.0):
        time = np.arange(4 * 512) / 512
        u = np.repeat((1e-4 * np.sin(2 * np.pi * freq_hz * time) * np.clip(time, 0, 1))[None], 4, axis=0)
        motion = record(tables, *[to_half_steps(u, 512.0, delay_s=0.004)] * 2, 1 / 2048)
        turn = np.exp(-2j * np.pi * freq_hz * np.arange(4096) / 2048) * 2j / 4096 / 1e-4
        found = turn @ motion.part("servo")[4096:, 0]
        s = 1j * freq_hz / 30.0
        expected = 1 / (s * s + np.sqrt(2) * s + 1) * np.exp(-2j * np.pi * freq_hz * 0.004)
        assert abs(found / expected - 1) < 2e-3
        piston = turn @ motion.part("base")[4096:, 0]
        assert abs(piston / expected - 1) < 0.12


def test_a_post_is_no_faster_than_its_valve():
    # Orifice law (Merritt 1967): no-load speed is rated flow times sqrt(supply / rated drop) over the area.
    slow = tuple(dataclasses.replace(p, rated_flow_m3_s=100e-3 / 60, max_velocity_m_s=9.0) for p in PLAN.rig.post)
    rig = virtual(rig=dataclasses.replace(PLAN.rig, post=slow))
    time = np.arange(4 * 512) / 512
    u = np.repeat((0.1 * np.sin(2 * np.pi * 3 * time) * signal.windows.tukey(2048, 0.5))[None], 4, axis=0)
    rig.play(drive_of(u))
    no_load = 100e-3 / 60 * np.sqrt(275 / 70) / 50e-4
    # Down under load it may run a little faster, since the weight helps: by sqrt(1 + load / stall).
    assert rig.log.peak_velocity.max() < no_load * np.sqrt(1.4)
    assert rig.log.peak_velocity.max() > 0.8 * no_load
    assert rig.log.peak.max() < 0.07


def test_too_much_tilt_trips_with_what_when_and_how_much():
    rig = virtual(
        rig=dataclasses.replace(PLAN.rig, restraint=dataclasses.replace(PLAN.rig.restraint, trip_roll_rad=0.05))
    )
    time = np.arange(6 * 512) / 512
    left = 0.11 * np.sin(2 * np.pi * 0.9 * time) * np.clip(time / 3, 0, 1)
    u = np.stack([left, -left, left, -left])
    with pytest.raises(RigTripped, match=r"play 'roll': the specimen rolled [23]\.\d deg at \d\.\d\d s.* 2\.9 deg"):
        rig.play(drive_of(u), label="roll")


def test_unfit_drives_are_refused_before_anything_moves():
    rig = virtual()
    u = bounce(seconds=2.0)
    with pytest.raises(ChannelError, match=r"takes front left post, .* in this order"):
        rig.play(drive_of(u).select(["front right post", "front left post", "rear left post", "rear right post"]))
    with pytest.raises(DataError, match=r"256 samples a second, this rig plays 512"):
        rig.play(drive_of(u, rate_hz=256.0))
    with pytest.raises(DataError, match=r"asks 150\.0 mm of actuator 'front left post', which reaches 115\.0 mm"):
        rig.play(drive_of(u * 0 + 0.15))
    bad = u.copy()
    bad[2, 100] = np.nan
    with pytest.raises(DataError, match=r"NaN or infinite samples on 'rear left post'"):
        rig.play(drive_of(bad))


def test_it_stops_when_asked():
    def stop(_share, _words):
        raise Cancelled("stopped")

    with pytest.raises(Cancelled):
        virtual().play(drive_of(bounce()), progress=stop)


def test_a_rig_that_does_not_fit_the_specimen_is_refused():
    with pytest.raises(InputError, match="needs 4 posts"):
        virtual(rig=dataclasses.replace(PLAN.rig, post=PLAN.rig.post[:3]))
    weak = tuple(dataclasses.replace(p, rated_force_n=20e3) for p in PLAN.rig.post)
    load_kn = virtual().model.support_static[0] / 1e3
    assert 20 < load_kn < 60
    with pytest.raises(InputError, match=rf"actuator 'front left post' has 20 kN but stands under {load_kn:.0f} kN"):
        virtual(rig=dataclasses.replace(PLAN.rig, post=weak))
    lost = (Sensor(name="x", quantity="acceleration", unit="m/s2", on="nowhere"),)
    with pytest.raises(InputError, match="no body 'nowhere'"):
        virtual(sensors=lost)
    tall = dataclasses.replace(PLAN.specimen.frame, cog_m=(2.0, 0.0, 1.4))
    with pytest.raises(InputError, match="does not stand"):
        virtual(specimen=dataclasses.replace(PLAN.specimen, frame=tall))


def test_a_tilted_accelerometer_feels_gravity():
    # All left posts up slowly by a little: a level roof sensor reads g times the tilt.
    sensors = (
        Sensor(name="ay", quantity="acceleration", unit="m/s2", position_m=(0, 0, 2), direction="+y"),
        Sensor(name="roll", quantity="angle", unit="rad", direction="+x"),
        Sensor(name="ax", quantity="acceleration", unit="m/s2", position_m=(0, 0, 2), direction="+x"),
        Sensor(name="pitch", quantity="angle", unit="rad", direction="+y"),
        Sensor(name="z left", quantity="displacement", unit="m", position_m=(-2.35, 1.03, 1)),
        Sensor(name="z front", quantity="displacement", unit="m", position_m=(0, 0.03, 1)),
    )
    time = np.arange(16 * 512) / 512
    rise = np.clip(time / 6, 0, 1)
    rise = rise**2 * (3 - 2 * rise)
    rig = virtual(sensors=sensors)
    ay, roll, _ax, _pitch, left, _front = rig.play(
        drive_of(np.array([[0.02], [-0.02], [0.02], [-0.02]]) * rise)
    ).samples
    assert roll[-1] > 0.01
    assert ay[-512:].mean() == pytest.approx(9.80665 * roll[-1], rel=0.01)
    assert left[-1] == pytest.approx(roll[-1] * 1.0, rel=0.05)
    _ay, _roll, ax, pitch, _left, front = rig.play(
        drive_of(np.array([[-0.02], [-0.02], [0.02], [0.02]]) * rise)
    ).samples
    assert pitch[-1] > 0.005
    assert ax[-512:].mean() == pytest.approx(-9.80665 * pitch[-1], rel=0.01)
    assert front[-1] == pytest.approx(-0.02, rel=0.05)
    assert pitch[-1] == pytest.approx(0.04 / 3.9, rel=0.05)


def test_noise_range_and_resolution_of_a_sensor():
    sensors = (
        Sensor(name="coarse", quantity="acceleration", unit="m/s2", on="front axle", resolution=0.5),
        Sensor(name="small", quantity="acceleration", unit="m/s2", on="front axle", limit=5.0),
    )
    coarse, small = virtual(sensors=sensors).play(drive_of(bounce(size_m=0.02))).samples
    assert np.allclose(coarse * 2, np.round(coarse * 2), atol=1e-4)
    assert np.abs(small).max() == 5.0
