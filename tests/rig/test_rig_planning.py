"""Planning: forecast drives, feasibility, controllability, findings, procedure, channel list, representative masses."""

import dataclasses
import math

import numpy as np
import pytest

from washboard.errors import ChannelError, InputError
from washboard.recording import Channel, Recording
from washboard.rig import (
    Actuator,
    Axle,
    Frame,
    Kingpin,
    Mount,
    MountedPart,
    Restraint,
    Rig,
    Sensor,
    Specimen,
    Supply,
    Tyre,
    WheelPan,
    body_candidates,
    controllable,
    dahl,
    dummy_effect,
    feasibility,
    forecast_drives,
    instrumentation,
    linear_model,
    model_at_level,
    models_around,
    movement,
    pan_room,
    plausibility,
    played_linear,
    procedure,
    relative_motions,
    stance,
    stance_findings,
    static_loads,
    static_on_actuators,
    support_forces,
    with_dummies,
)
from washboard.rig._following import followed

RATE = 256.0
BAND = (0.6, 20.0)


def vehicle(height=1.3, **frame) -> Specimen:
    tyre = Tyre(radius_m=0.52, width_m=0.3, stiffness_n_m=900e3)
    cab = MountedPart(
        name="cab", mass_kg=900.0, cog_m=(0.4, 0.0, 1.9), roll_inertia_kg_m2=500.0, pitch_inertia_kg_m2=550.0,
        mount=tuple(Mount(position_m=(x, y, 1.2), stiffness_n_m=150e3, damping_n_s_m=6e3) for x in (-0.3, 1.1) for y in (-0.5, 0.5)),
    )  # fmt: skip
    return Specimen(
        name="tipper",
        frame=Frame(mass_kg=8000.0, cog_m=(-2.2, 0.0, height), **frame),
        axle=(
            Axle(name="front", x_m=0.0, track_m=2.0, tyre=tyre),
            Axle(name="rear", x_m=-4.0, track_m=1.86, tyre=tyre),
        ),
        part=(cab,),
    )


def posts(specimen: Specimen, **changes) -> Rig:
    made = tuple(
        Actuator(name=f"{axle.name} {side}", position_m=(axle.x_m, sign * axle.track_m / 2), **changes)
        for axle in specimen.axle
        for side, sign in (("left", 1), ("right", -1))
    )
    return Rig(name="rig", post=made, pan=WheelPan(length_m=1.1, width_m=0.9))


def on_axles(specimen: Specimen) -> list[Sensor]:
    return [
        Sensor(name=f"{axle.name} {side}", quantity="acceleration", unit="m/s2", on=axle.name,
               position_m=(axle.x_m, sign * 0.8, 0.5))
        for axle in specimen.axle
        for side, sign in (("left", 1), ("right", -1))
    ]  # fmt: skip


def rough(seed=1, seconds=60.0, rms_m=0.006) -> np.ndarray:
    """Heights of four pans in the band, from and to rest."""
    rng = np.random.default_rng(seed)
    n = int(seconds * RATE)
    freq = np.fft.rfftfreq(n, 1 / RATE)
    spectrum = (rng.standard_normal((4, len(freq))) + 1j * rng.standard_normal((4, len(freq)))) / np.maximum(
        freq, 0.5
    ) ** 1.5
    spectrum[:, (freq < BAND[0] * 1.3) | (freq > BAND[1] * 0.9)] = 0
    x = np.fft.irfft(spectrum, n) * np.minimum(1, np.minimum(np.arange(n), np.arange(n)[::-1]) / (3 * RATE))
    return rms_m * x / x.std()


def recorded(samples, sensors) -> Recording:
    channels = tuple(Channel(name=s.name, unit=s.unit, quantity=s.quantity) for s in sensors)
    return Recording(samples=samples, rate_hz=RATE, channels=channels, name="target")


def test_a_target_the_model_made_is_traced_back_to_its_drives():
    specimen = vehicle()
    model, sensors, drives = linear_model(specimen, posts(specimen)), on_axles(specimen), rough()
    made = played_linear(model, drives, RATE, sensors)
    found = forecast_drives(recorded(made, sensors), model, sensors, band_hz=BAND)
    assert np.std(found.drives - drives) / np.std(drives) < 0.05
    assert max(found.beyond.values()) < 0.02


def test_units_of_the_target_do_not_matter():
    specimen = vehicle()
    model, sensors = linear_model(specimen, posts(specimen)), on_axles(specimen)
    made = played_linear(model, rough(), RATE, sensors)
    in_g = tuple(Channel(name=s.name, unit="g", quantity="acceleration") for s in sensors)
    plain = forecast_drives(recorded(made, sensors), model, sensors, band_hz=BAND)
    other = Recording(samples=made / 9.80665, rate_hz=RATE, channels=in_g)
    assert forecast_drives(other, model, sensors, band_hz=BAND).drives == pytest.approx(plain.drives, abs=1e-9)


def test_what_posts_cannot_make_is_told_per_channel():
    """Side acceleration that has nothing to do with the posts stays beyond them, and costs the others."""
    specimen = vehicle()
    model = linear_model(specimen, posts(specimen))
    side = Sensor(name="side", quantity="acceleration", unit="m/s2", direction="+y", position_m=(-2, 0, 2))
    sensors = [*on_axles(specimen), side]
    made = played_linear(model, rough(), RATE, sensors)
    made[4] = 10 * made[4].std() * rough(seed=9)[0] / rough(seed=9)[0].std()
    found = forecast_drives(recorded(made, sensors), model, sensors, band_hz=BAND)
    assert found.beyond["side"] > 0.4
    assert found.beyond["side"] == max(found.beyond.values())
    axles = forecast_drives(recorded(made[:4], sensors[:4]), model, sensors[:4], band_hz=BAND)
    assert max(axles.beyond.values()) < 0.02


def test_support_forces_carry_the_whole_vehicle():
    """Newton: changes of all wheel loads together are mass times acceleration of all its parts."""
    specimen = vehicle()
    model, drives = linear_model(specimen, posts(specimen)), rough()
    forces = support_forces(model, drives, RATE)
    centres = [Sensor(name="frame", quantity="acceleration", unit="m/s2", position_m=specimen.frame.cog_m)]
    centres += [
        Sensor(name=a.name, quantity="acceleration", unit="m/s2", on=a.name, position_m=(a.x_m, 0, 0.5))
        for a in specimen.axle
    ]
    centres += [Sensor(name="cab", quantity="acceleration", unit="m/s2", on="cab", position_m=(0.4, 0.0, 1.9))]
    moved = played_linear(model, drives, RATE, centres)
    total = np.array([8000.0, 600.0, 600.0, 900.0]) @ moved
    assert np.abs(forces.sum(axis=0) - total).max() < 1e-6 * np.abs(total).max()


def test_feasibility_names_the_post_the_limit_and_the_scale():
    specimen = vehicle()
    rig = posts(specimen, stroke_m=0.04, snubbing_m=0.002)
    model, sensors = linear_model(specimen, rig), on_axles(specimen)
    target = recorded(played_linear(model, rough(rms_m=0.012), RATE, sensors), sensors)
    found = feasibility(target, model, rig, sensors, band_hz=BAND, event="ramp")
    assert not found.fits
    worst = max(found.demand.actuators, key=lambda one: max(one.shares.values()))
    text = " ".join(finding.text for finding in found.findings if finding.severity == "error")
    assert worst.name in text
    assert "of its stroke" in text
    small = recorded(target.samples * worst.scale_to_fit * 0.7, sensors)
    assert feasibility(small, model, rig, sensors, band_hz=BAND, event="ramp").fits


def test_a_post_follows_as_fast_as_its_valve_lets_it():
    """A ramp faster than the no-load speed is followed at the speed of the orifice law under the load there is."""
    specimen = vehicle()
    rig = posts(specimen, max_velocity_m_s=0.05)
    model = linear_model(specimen, rig)
    drives = np.zeros((4, 2048))
    drives[0, 256:] = 0.02
    static = static_on_actuators(model)
    made = followed(drives, RATE, rig, model, static=static)
    assert np.abs(np.diff(made[0])).max() * RATE == pytest.approx(0.05, rel=1e-9)
    assert made[0, -1] == pytest.approx(0.02)
    assert np.array_equal(made[1:], drives[1:])
    slow = np.cumsum(np.full((4, 2048), 1e-6), axis=1)
    assert np.array_equal(followed(slow, RATE, rig, model, static=static), slow)


def test_limits_that_cut_single_peaks_cost_little_and_no_limit_costs_nothing():
    specimen = vehicle()
    sensors = on_axles(specimen)
    free, tight = posts(specimen, max_velocity_m_s=50.0), posts(specimen, max_velocity_m_s=0.08)
    model = linear_model(specimen, free)
    target = recorded(played_linear(model, rough(rms_m=0.004), RATE, sensors), sensors)
    easy = feasibility(target, model, free, sensors, band_hz=BAND, event="ramp")
    assert max(easy.cost.values()) < 1e-9
    cut = feasibility(target, model, tight, sensors, band_hz=BAND, event="ramp")
    assert max(cut.cost.values()) > 0
    for one in cut.demand.actuators:
        assert max(one.sustained.values()) <= max(one.shares.values())
    assert all(low == high for low, high in cut.spread.values())


def test_the_demand_is_told_with_half_and_twice_the_frictions_level():
    specimen = vehicle()
    axles = tuple(dataclasses.replace(axle, friction_n=3000.0) for axle in specimen.axle)
    specimen = dataclasses.replace(specimen, axle=axles)
    sensors, rig = on_axles(specimen), posts(specimen)
    target = recorded(played_linear(linear_model(specimen, rig), rough(rms_m=0.004), RATE, sensors), sensors)
    model = model_at_level(specimen, rig, target, sensors, band_hz=BAND)
    less, more = models_around(specimen, rig, model)
    found = feasibility(target, model, rig, sensors, band_hz=BAND, event="ramp", around=(less, more))
    each = [
        {one.name: max(one.sustained.values()) for one in
         feasibility(target, other, rig, sensors, band_hz=BAND, event="ramp").demand.actuators}
        for other in (model, less, more)
    ]  # fmt: skip
    for name, (low, high) in found.spread.items():
        shares = [shares[name] for shares in each]
        assert (low, high) == (min(shares), max(shares))
        assert low < high


def test_lift_off_and_clearance_follow_the_level():
    specimen = vehicle()
    rig = posts(specimen)
    model = linear_model(specimen, rig)
    found = []
    for level in (0.002, 0.03):
        drives = rough(rms_m=level)
        found.append(movement(model, rig, drives, RATE, forces=support_forces(model, drives, RATE)))
    quiet, loud = found
    assert max(quiet.lift_off.values()) == 0
    assert max(loud.lift_off.values()) > 0
    assert loud.corner_m == pytest.approx(15 * quiet.corner_m, rel=1e-6)
    assert loud.side_m["front left"] == pytest.approx(15 * quiet.side_m["front left"], rel=1e-6)


def test_room_in_the_pan_by_geometry():
    """Half chord of a circle of radius R at height h: sqrt(2 R h - h^2); the tyre's own deflection adds to h."""
    axle = Axle(name="a", x_m=0.0, track_m=2.0, tyre=Tyre(radius_m=0.5, width_m=0.3, stiffness_n_m=1e6,
                standing_stiffness_ratio=1.0))  # fmt: skip
    rig = Rig(pan=WheelPan(length_m=1.0, width_m=0.9, rim_m=0.08))
    side, fore = pan_room(axle, rig, 20e3)
    assert side == pytest.approx(0.3)
    assert fore == pytest.approx(0.5 - math.sqrt(2 * 0.5 * 0.1 - 0.1**2))


def test_tall_vehicles_and_small_pans_are_warned_about_with_numbers():
    specimen = vehicle(height=2.4)
    rig = dataclasses.replace(posts(specimen), pan=WheelPan(length_m=0.6, width_m=0.25))
    found = stance_findings(stance(specimen, rig), specimen, rig)
    kinds = {(finding.kind, finding.severity) for finding in found}
    assert ("clearance", "error") in kinds
    assert any(kind == "stability" for kind, _ in kinds)
    assert all(finding.measured is not None and finding.advice for finding in found)


def test_a_post_overloaded_at_rest_is_an_error():
    specimen = vehicle()
    rig = dataclasses.replace(posts(specimen, rated_force_n=25e3), supply=Supply())
    found = stance_findings(stance(specimen, rig), specimen, rig)
    assert sum(finding.kind == "static load" and finding.severity == "error" for finding in found) == 4


def test_body_sensors_lower_the_frequency_from_which_roll_is_held():
    """A tall vehicle whose roll on standing tyres is far from that on rolling ones."""
    tyre = Tyre(radius_m=0.7, stiffness_n_m=250e3, standing_damping_n_s_m=200.0, rolling_damping_n_s_m=4000.0,
                standing_stiffness_ratio=1.25)  # fmt: skip
    specimen = Specimen(
        frame=Frame(mass_kg=4000.0, cog_m=(-1.2, 0.0, 2.0), size_m=(3.0, 1.6, 2.5)),
        axle=tuple(
            Axle(name=n, x_m=x, track_m=1.4, kind="rigid", mass_kg=400.0, tyre=tyre)
            for n, x in (("front", 0.0), ("rear", -2.4))
        ),
    )
    rig = posts(specimen)
    standing, rolling = linear_model(specimen, rig), linear_model(specimen, rig, standing=False)
    axles = on_axles(specimen)
    extra = [sensor for sensor in body_candidates(standing.bodies) if "roll gyroscope" in sensor.name]
    alone = {one.motion: one for one in controllable(standing, rolling, axles)}["roll"]
    with_body = {one.motion: one for one in controllable(standing, rolling, [*axles, *extra * 1])}["roll"]
    assert (with_body.control_error <= alone.control_error * 1.05 + 0.02).mean() > 0.6
    assert with_body.control_error.max() < alone.control_error.max()
    assert not np.isfinite(alone.axle_error).all() or alone.axle_hz == alone.control_hz


def test_too_few_channels_hold_nothing():
    specimen = vehicle()
    model = linear_model(specimen, posts(specimen))
    found = controllable(model, model, on_axles(specimen)[:3])
    assert all(math.isinf(one.control_hz) for one in found)


def test_standing_equal_to_rolling_is_held_to_the_reading_error():
    """With the same vehicle on both sides only the 5 % of the readings is left, for as many channels as drives."""
    specimen = vehicle()
    model = linear_model(specimen, posts(specimen))
    found = controllable(model, model, on_axles(specimen))
    assert all(one.control_error.max() < 0.25 for one in found)


def test_procedure_of_a_drive_on_vehicle_has_holds_loads_and_cautions():
    specimen = vehicle()
    found = procedure(specimen, posts(specimen))
    loads = static_loads(specimen)
    text = " ".join(step.text for step in found.steps)
    assert sum(step.hold for step in found.steps) >= 6
    assert f"{loads.mass_kg:.0f} kg in all" in text
    assert f"{loads.wheel_n['front left'] / 1e3:.1f} kN" in text
    words = " ".join(found.cautions).lower()
    for needed in (
        "local codes",
        "licensed",
        "emergency stop",
        "crush",
        "injection",
        "padlock",
        "zone",
        "accumulators",
    ):
        assert needed in words
    wheel, load, hub, sunk = found.heights[0]
    assert (wheel, load) == ("front left", loads.wheel_n["front left"])
    assert hub + sunk == pytest.approx(0.52)
    assert "kingpin" not in text


def test_the_tip_angle_is_that_of_the_narrowest_axle_wherever_it_is_told():
    specimen = vehicle()
    found = stance(specimen)
    assert found.tip_side_rad == pytest.approx(math.atan(1.86 / 2 / found.loads.cog_m[2]))
    text = " ".join(step.text for step in procedure(specimen, posts(specimen)).steps)
    assert f"tips sideways at {math.degrees(found.tip_side_rad):.0f} deg" in text


def test_bump_stops_that_only_touch_at_rest_are_not_said_to_be_pressed_in():
    specimen = vehicle()
    for gap, words in ((0.0, "rear just touches its bump stops"), (-0.004, "pressed in 4 mm"), (0.004, "")):
        axle = dataclasses.replace(specimen.axle[1], bump_gap_m=gap)
        on = dataclasses.replace(specimen, axle=(specimen.axle[0], axle))
        told = [one.text for one in stance_findings(stance(on), on, posts(on)) if one.kind == "bump stops"]
        assert len(told) == bool(words)
        assert all(words in text for text in told)


def test_procedure_of_a_trailer_checks_the_landing_legs_against_the_stroke():
    specimen = Specimen(
        name="trailer", frame=Frame(mass_kg=15e3, cog_m=(2.0, 0.0, 1.5)),
        axle=tuple(Axle(name=f"axle {k}", x_m=-1.3 * k, track_m=2.0) for k in range(2)),
        kingpin=Kingpin(x_m=7.0, height_m=1.2, landing_gear_clearance_m=0.08),
    )  # fmt: skip
    rig = dataclasses.replace(posts(specimen), kingpin=(Actuator(name="kp", position_m=(7.0, 0.0), stroke_m=0.25),))
    text = " ".join(step.text for step in procedure(specimen, rig).steps)
    assert "35 mm too little at full stroke" in text
    assert "1.200 m above the pans" in text
    assert f"{static_loads(specimen).kingpin_n / 1e3:.1f} kN" in text


def test_restraints_get_the_slack_the_hardest_event_needs():
    specimen = vehicle()
    rig = dataclasses.replace(posts(specimen), restraint=Restraint(slack_m=0.02))
    model, drives = linear_model(specimen, rig), rough(rms_m=0.02)
    moved = movement(model, rig, drives, RATE, forces=support_forces(model, drives, RATE))
    text = " ".join(step.text for step in procedure(specimen, rig, movement=moved).steps)
    assert f"{1.2e3 * moved.corner_m:.0f} mm of slack" in text


def test_channel_list_sees_every_wheel_and_tells_all_modes():
    found = instrumentation(vehicle())
    names = [one.sensor.name for one in found.sensors]
    assert names[:4] == ["front left az", "front right az", "rear left az", "rear right az"]
    assert len(names) == len(set(names)) <= 16
    assert any(one.sensor.on == "cab" for one in found.sensors)
    assert found.unseen == ()
    assert found.hours < 8
    assert all(one.range_si > 0 for one in found.sensors)


def test_fewer_sensors_leave_modes_unseen_and_say_which():
    few = instrumentation(vehicle(), most=4)
    assert len(few.sensors) == 4
    assert any("cab" in mode or "roll" in mode for mode in few.unseen)


def test_a_mass_for_the_cab_keeps_loads_and_loses_its_modes():
    found = dummy_effect(vehicle(), ["cab"])
    assert {mode.split()[1] for mode in found.lost} == {"heave", "roll", "pitch"}
    for _, before, after in found.wheel_n:
        assert after == pytest.approx(before, rel=1e-6)
    other = with_dummies(vehicle(), ["cab"])
    assert not any(name.startswith("cab") for name in linear_model(other).dofs)
    with pytest.raises(InputError, match="has no part 'crane'"):
        with_dummies(vehicle(), ["crane"])


def test_a_channel_the_model_cannot_give_is_told():
    specimen = vehicle()
    rig = posts(specimen)
    model = linear_model(specimen, rig)
    odd = Sensor(name="oil", quantity="temperature", unit="K")
    with pytest.raises(ChannelError, match="cannot give a temperature"):
        feasibility(recorded(np.zeros((1, 100)), [odd]), model, rig, [odd], band_hz=BAND, event="e")


def test_friction_at_the_level_of_a_target_settles_and_follows_the_level():
    """Statistical linearisation: c = sqrt(2/pi) F / sigma, so twice the level makes less than the damping."""
    specimen = vehicle()
    rough_axles = tuple(dataclasses.replace(axle, friction_n=3000.0) for axle in specimen.axle)
    specimen = dataclasses.replace(specimen, axle=rough_axles)
    rig = posts(specimen)
    sensors = on_axles(specimen)
    drives, damping = rough(rms_m=0.01), []
    made = played_linear(linear_model(specimen, rig), drives, RATE, sensors)
    for level in (1.0, 2.0):
        model = model_at_level(specimen, rig, recorded(level * made, sensors), sensors, band_hz=BAND, rounds=8)
        found = forecast_drives(recorded(level * made, sensors), model, sensors, band_hz=BAND)
        velocities, stretches = relative_motions(model, found.drives, RATE)
        for spring in model.springs:
            if spring.kind == "spring":
                held, lost = dahl(3000.0, 2e6, math.sqrt(2) * stretches[spring.name])
                assert spring.rubbing == pytest.approx(
                    lost * stretches[spring.name] / velocities[spring.name], rel=0.05
                )
                assert spring.stiffness == pytest.approx(250e3 + held, rel=0.05)
        damping.append(next(spring.rubbing for spring in model.springs if spring.kind == "spring"))
    assert damping[1] == pytest.approx(damping[0] / 2, rel=0.35)


def test_dahl_friction_sticks_at_small_and_slides_at_large_amplitude():
    """Limits: k at small amplitude; 4 F / (pi A) of a Coulomb damper at large amplitude (textbook describing function)."""
    assert dahl(1000.0, 2e6, 1e-7) == pytest.approx((2e6, 0.0), rel=1e-3, abs=2e3)
    held, lost = dahl(1000.0, 2e6, 0.05)
    assert lost == pytest.approx(4 * 1000.0 / (math.pi * 0.05), rel=0.02)
    assert held < 0.15 * lost


def test_dahl_equivalents_equal_a_march_through_the_equation():
    """The same element marched over a sine in small steps, first harmonic by Fourier sum."""
    friction, stiffness, size, n = 800.0, 1.5e6, 1.2e-3, 200_000
    turn = np.linspace(0, 4 * np.pi, n + 1)
    x, z = size * np.sin(turn), np.zeros(n + 1)
    for k in range(n):
        step = x[k + 1] - x[k]
        z[k + 1] = z[k] + stiffness * step * (1 - z[k] / friction * math.copysign(1, step))
    last = slice(n // 2, n)
    in_phase = 2 * np.mean(z[last] * np.sin(turn[last])) / size
    behind = 2 * np.mean(z[last] * np.cos(turn[last])) / size
    assert dahl(friction, stiffness, size) == pytest.approx((in_phase, behind), rel=2e-3)


@pytest.mark.slow
def test_the_forecast_drive_comes_near_on_the_virtual_rig():
    """On a non-linear plant written apart, the forecast alone leaves less than half of the target's RMS as error."""
    from washboard.rig import post_response
    from washboard.simulate import VirtualRig

    specimen = vehicle()
    rig = dataclasses.replace(posts(specimen), link=dataclasses.replace(posts(specimen).link, rate_hz=RATE))
    sensors = on_axles(specimen)
    model = linear_model(specimen, rig)
    target = recorded(played_linear(model, rough(rms_m=0.006), RATE, sensors), sensors)
    model = model_at_level(specimen, rig, target, sensors, band_hz=BAND)
    drives = forecast_drives(target, model, sensors, band_hz=BAND).drives
    freq_hz = np.fft.rfftfreq(drives.shape[1], 1 / RATE)
    loop = np.stack([post_response(freq_hz, post.bandwidth_hz, post.delay_s) for post in rig.post])
    command = np.fft.irfft(np.fft.rfft(drives) / loop * (freq_hz < 40), drives.shape[1])
    virtual = VirtualRig(specimen=specimen, rig=rig, sensors=tuple(sensors), seed=1)
    played = virtual.play(Recording(samples=command, rate_hz=RATE, channels=virtual.channels().drives, name="forecast"))
    error = np.asarray(played.samples) - target.samples
    assert (error.std(axis=1) / target.samples.std(axis=1)).max() < 0.5


@pytest.mark.parametrize("n_posts", [10, 4])
def test_five_axles_of_all_kinds_on_all_posts_or_with_some_wheels_on_the_floor(n_posts):
    """Every axle kind, more wheels than posts: all results stay finite, and together posts and floor carry the weight."""
    short = vehicle()
    kinds = (("tag", -5.3, "independent"), ("push", -6.5, "rigid"), ("last", -7.6, "beam"))
    more = tuple(dataclasses.replace(short.axle[1], name=n, x_m=x, kind=k) for n, x, k in kinds)
    frame = dataclasses.replace(short.frame, cog_m=(-3.6, 0.0, 1.3), size_m=(9.0, 2.4, 1.6))
    specimen = dataclasses.replace(short, frame=frame, axle=(*short.axle, *more))
    full = posts(specimen)
    rig = dataclasses.replace(full, post=full.post[:n_posts])
    model, sensors = linear_model(specimen, rig), on_axles(specimen)
    drives = np.concatenate([rough(seed=k) for k in (1, 2, 3)])[:n_posts]
    target = recorded(played_linear(model, drives, RATE, sensors), sensors)
    found = feasibility(target, model, rig, sensors, band_hz=BAND, event="e")
    assert len(found.demand.actuators) == n_posts
    assert max(found.forecast.beyond.values()) < 0.05
    assert sum(model.loads.wheel_n.values()) == pytest.approx((8000 + 900 + 5 * 600) * 9.80665)
    stood = stance(specimen, rig)
    assert {mode.name for mode in stood.modes} == {"bounce", "pitch", "roll", "sway", "yaw"}
    assert len(procedure(specimen, rig, movement=found.movement).heights) == n_posts


@pytest.mark.parametrize(
    ("change", "key"),
    [
        (lambda s: dataclasses.replace(s, frame=dataclasses.replace(s.frame, roll_inertia_kg_m2=80.0)), "roll_inertia"),
        (
            lambda s: dataclasses.replace(s, axle=(dataclasses.replace(s.axle[0], spring_n_m=2.5e3), s.axle[1])),
            "spring",
        ),
        (
            lambda s: dataclasses.replace(
                s,
                axle=tuple(dataclasses.replace(a, tyre=dataclasses.replace(a.tyre, stiffness_n_m=9e4)) for a in s.axle),
            ),
            "tyre.stiffness",
        ),
    ],
)
def test_a_slip_of_unit_is_doubted_by_its_key(change, key):
    rig = posts(vehicle())
    assert plausibility(vehicle(), rig) == ()
    found = plausibility(change(vehicle()), rig)
    assert any(key in finding.text and finding.severity == "warning" for finding in found)


def test_the_examples_are_plausible():
    from washboard.programme import parse_plan
    from washboard.programme._new import EXAMPLES, example_text

    for example in EXAMPLES:
        plan = parse_plan(example_text(example), example)
        assert [finding.text for finding in plausibility(plan.specimen, plan.rig)] == []


@pytest.mark.parametrize(
    ("right", "wrong", "key"),
    [
        ('mass = "9600 kg" ', 'mass = "9600 t" ', "specimen.frame.mass"),
        ('stiffness = "820 kN/m"', 'stiffness = "820 N/m"', "tyre.stiffness: 0.82 kN/m (usual: 80 to 8000)"),
        ('torsion = "420 kN*m/rad"', 'torsion = "420 N*m/rad"', "frame.torsion: 0.42 kN*m/rad (usual: 10 to 20000)"),
        ('rolling_damping = "1.6 kN*s/m"', 'rolling_damping = "160 kN*s/m"', "rolling_damping"),
        ('bump_damping = "6 kN*s/m"', 'bump_damping = "6 N*s/m"', "times that in bump"),
        ('bump_gap = "75 mm"', 'bump_gap = "75 m"', "bump_gap: 75000 mm (usual: -100 to 400)"),
        ('pressure = "8 bar"', 'pressure = "80 bar"', "tyre.pressure: 80 bar"),
        ('piston_area = "50 cm2"', 'piston_area = "50 mm2"', "rated_flow: 133 m/s of the piston"),
        ('stroke = "250 mm"', 'stroke = "250 cm"', "stroke: 2500 mm (usual: 30 to 800)"),
        ('pump_flow = "700 l/min"', 'pump_flow = "70 l/min"', "rig.supply.pump_flow"),
        ('pressure = "280 bar"', 'pressure = "28 bar"', "rig.supply.pressure: 28 bar"),
        ('rim = "80 mm"', 'rim = "800 mm"', "rig.pan.rim: 800 mm"),
    ],
)
def test_a_slip_in_the_programme_file_is_doubted_with_its_number_and_the_usual_range(right, wrong, key):
    from washboard.programme import example_text, parse_plan

    text = example_text("quarry-tipper")
    assert right in text
    plan = parse_plan(text.replace(right, wrong))
    assert any(key in finding.text for finding in plausibility(plan.specimen, plan.rig))


def test_a_wheel_weighed_otherwise_than_described_is_told():
    specimen = vehicle()
    loads = static_loads(specimen).wheel_n
    near = (loads["front left"] * 1.02, loads["front right"])
    weighed = dataclasses.replace(specimen.axle[0], weighed_n=near)
    assert plausibility(dataclasses.replace(specimen, axle=(weighed, specimen.axle[1])), posts(specimen)) == ()
    off = dataclasses.replace(specimen.axle[0], weighed_n=(loads["front left"] / 0.8, loads["front right"]))
    (found,) = plausibility(dataclasses.replace(specimen, axle=(off, specimen.axle[1])), posts(specimen))
    assert "the left wheel was weighed with" in found.text
    assert "(-20%)" in found.text
