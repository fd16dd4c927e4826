"""The linear model against quarter-vehicle, bounce-pitch and roll closed forms, python-control and the virtual rig's matrices.

Quarter-car set ms 250, mu 35 kg, ks 15e3, kt 120e3 N/m, cs 800 N s/m and quarter-truck set ms 4000, mu 200 kg, ks 150e3,
kt 800e3 N/m, cs 8000 N s/m: both stand in public vehicle-dynamics code; frequencies and FRF values follow from the two
textbook equations of motion. The invariant point at sqrt(kt/mu) is in Gillespie, Fundamentals of Vehicle Dynamics (1992)
and Hrovat (from memory).
"""

import dataclasses
import math

import control
import numpy as np
import pytest

from washboard.errors import ChannelError, InputError
from washboard.rig import (
    Actuator,
    Axle,
    Frame,
    Kingpin,
    Linearisation,
    Mount,
    MountedPart,
    Rig,
    Sensor,
    Specimen,
    Tyre,
    linear_model,
    stance,
    stance_findings,
    static_loads,
    wheel_of_posts,
)


def quarter(ms, mu, ks, kt, cs, **frame) -> Specimen:
    """Four equal corners under a stiff body whose modes are far apart: heave is the quarter vehicle's."""
    tyre = Tyre(
        radius_m=0.5,
        stiffness_n_m=kt,
        standing_stiffness_ratio=1.0,
        standing_damping_n_s_m=0.0,
        rolling_damping_n_s_m=0.0,
    )
    common = {
        "kind": "independent", "track_m": 2.0, "spring_spacing_m": 2.0, "mass_kg": 2 * mu, "spring_n_m": ks,
        "bump_damping_n_s_m": 0.5 * cs, "rebound_damping_n_s_m": 1.5 * cs, "tyre": tyre,
    }  # fmt: skip
    return Specimen(
        frame=Frame(mass_kg=4 * ms, cog_m=(-1.5, 0.0, 0.6), torsion_nm_rad=1e9, **frame),
        axle=(Axle(name="front", x_m=0.0, **common), Axle(name="rear", x_m=-3.0, **common)),
    )


CAR = (250.0, 35.0, 15e3, 120e3, 800.0)
TRUCK = (4000.0, 200.0, 150e3, 800e3, 8000.0)
TOGETHER = np.ones(4)


@pytest.mark.parametrize(
    ("numbers", "bounce", "hop"),
    [
        (CAR, (1.1705, 0.1734), (9.815, 0.1906)),
        (TRUCK, (0.8993, 0.1263), (10.9084, 0.2960)),
    ],
)
def test_damped_bounce_and_wheel_hop_of_a_quarter_vehicle(numbers, bounce, hop):
    modes = linear_model(quarter(*numbers), gravity=False).modes()
    heave = [i for i, shape in enumerate(modes.shapes) if _is_heave(modes.dofs, shape)]
    assert len(heave) == 2
    for index, (hertz, zeta) in zip(heave, (bounce, hop), strict=True):
        assert modes.freq_hz[index] == pytest.approx(hertz, rel=1e-4)
        assert modes.damping[index] == pytest.approx(zeta, rel=1e-3)
    assert modes.names[heave[0]] == "bounce"


def _is_heave(dofs, shape):
    wheels = np.array([shape[dofs.index(name)] for name in ("front left", "front right", "rear left", "rear right")])
    return np.abs(wheels - wheels.mean()).max() < 1e-6 * np.abs(shape).max() and abs(shape[0]) > 1e-9


@pytest.mark.parametrize(
    ("hertz", "body", "wheel"),
    [
        (1.0, (2.655973, -31.361), (1.20585, -5.473)),
        (5.0, (0.147253, -130.6147), (1.17274, -15.9743)),
        (10.0, (0.124390, 160.1437), (2.30792, -96.2009)),
    ],
)
def test_body_and_wheel_over_road_of_a_quarter_car(hertz, body, wheel):
    sensors = [
        Sensor(name="b", quantity="displacement", unit="m", position_m=(-1.5, 0.0, 0.6)),
        Sensor(name="w", quantity="displacement", unit="m", on="front", position_m=(0.0, 1.0, 0.5)),
    ]
    frf = linear_model(quarter(*CAR), gravity=False).frf(np.array([hertz]), sensors)[0] @ TOGETHER
    for value, (size, degrees) in zip(frf, (body, wheel), strict=True):
        assert abs(value) == pytest.approx(size, rel=1e-4)
        assert math.degrees(np.angle(value)) == pytest.approx(degrees, abs=0.01)


@pytest.mark.parametrize("cs", [200.0, 800.0, 3000.0])
def test_invariant_point_of_body_acceleration(cs):
    hertz = math.sqrt(120e3 / 35.0) / (2 * math.pi)
    sensor = Sensor(name="b", quantity="acceleration", unit="m/s2", position_m=(-1.5, 0.0, 0.6))
    frf = linear_model(quarter(*CAR[:4], cs), gravity=False).frf(np.array([hertz]), [sensor])[0, 0]
    assert abs(frf @ TOGETHER) == pytest.approx(480.0, rel=1e-6)


def test_bounce_and_pitch_of_a_body_on_two_bolted_axles():
    """Two-degree-of-freedom textbook case: eigenvalues of [[m, 0], [0, I]] and [[2k_f+2k_r, ...]]."""
    kf, kr, m, inertia, a, b = 300e3, 450e3, 5000.0, 9000.0, 1.2, 1.6
    tyre = Tyre(radius_m=0.7, standing_stiffness_ratio=1.0, standing_damping_n_s_m=0.0, stiffness_n_m=kf)
    axles = [
        Axle(name=name, x_m=x, track_m=1.8, kind="rigid", mass_kg=1e-6, roll_inertia_kg_m2=1e-6,
             tyre=dataclasses.replace(tyre, stiffness_n_m=k))
        for name, x, k in (("front", 0.0, kf), ("rear", -(a + b), kr))
    ]  # fmt: skip
    specimen = Specimen(
        frame=Frame(mass_kg=m, cog_m=(-a, 0.0, 1.2), pitch_inertia_kg_m2=inertia, roll_inertia_kg_m2=2000.0),
        axle=tuple(axles),
    )
    stiffness = 2 * np.array([[kf + kr, -kf * a + kr * b], [-kf * a + kr * b, kf * a**2 + kr * b**2]])
    # Frame turning nose down about +y: z at x is heave - x * pitch, so the front (x = +a) goes down.
    expected = np.sqrt(np.linalg.eigvalsh(_symmetric(stiffness, m, inertia)))
    modes = linear_model(specimen, gravity=False).modes()
    found = sorted(modes.freq_hz[[modes.names.index("bounce"), modes.names.index("pitch")]])
    assert found == pytest.approx(sorted(expected / (2 * np.pi)), rel=1e-6)


def _symmetric(stiffness, m, inertia):
    root = np.diag([m**-0.5, inertia**-0.5])
    return root @ stiffness @ root


def test_gravity_softens_the_roll_of_a_tall_bolted_vehicle():
    """Inverted pendulum on two rows of springs: f = sqrt((sum k y^2 - W h) / I_ground) / 2 pi (textbook)."""
    k, track, mass, height, inertia = 150e3, 1.6, 3000.0, 1.8, 1500.0
    tyre = Tyre(
        radius_m=0.6, stiffness_n_m=k, standing_stiffness_ratio=1.0, standing_damping_n_s_m=0.0,
        lateral_stiffness_n_m=1e10, lateral_damping_n_s_m=0.0,
    )  # fmt: skip
    axles = tuple(
        Axle(name=n, x_m=x, track_m=track, kind="rigid", mass_kg=1e-6, roll_inertia_kg_m2=1e-6, tyre=tyre)
        for n, x in (("front", 0.0), ("rear", -3.0))
    )
    specimen = Specimen(
        frame=Frame(mass_kg=mass, cog_m=(-1.5, 0.0, height), roll_inertia_kg_m2=inertia, torsion_nm_rad=1e10),
        axle=axles,
    )
    turn = 4 * k * (track / 2) ** 2
    about_ground = inertia + mass * height**2
    modes = linear_model(specimen).modes()
    expected = math.sqrt((turn - mass * 9.80665 * height) / about_ground) / (2 * math.pi)
    assert modes.freq_hz[0] == pytest.approx(expected, rel=1e-4)
    assert abs(modes.shapes[0][modes.dofs.index("roll front")]) > 0.3
    found = stance(specimen)
    assert found.stiffness_ratio == pytest.approx(turn / (mass * 9.80665 * height), rel=1e-3)
    # Posts d apart tilt the body by (d/t) K / (K - W h); the high wheel lifts when tilt is t / 2h (textbook).
    lift = track**2 / (2 * height) * (1 - mass * 9.80665 * height / turn)
    assert found.side_lift_m == pytest.approx(lift, rel=1e-3)


def test_a_vehicle_too_tall_for_its_springs_is_told():
    specimen = quarter(*CAR)
    tall = dataclasses.replace(specimen, frame=dataclasses.replace(specimen.frame, cog_m=(-1.5, 0.0, 9.0)))
    assert stance(tall).stiffness_ratio < 1


def test_static_stability_factor_as_nhtsa_defines_it():
    """T / (2 h): 1.86 m and 2.0 m give 0.465, a rigid tilt of 24.94 deg."""
    specimen = quarter(*CAR)
    axles = tuple(dataclasses.replace(axle, track_m=1.86, mass_kg=1e-9) for axle in specimen.axle)
    found = stance(
        dataclasses.replace(specimen, axle=axles, frame=dataclasses.replace(specimen.frame, cog_m=(-1.5, 0.0, 2.0)))
    )
    assert found.stability_factor == pytest.approx(0.465, abs=1e-6)
    assert math.degrees(found.tip_side_rad) == pytest.approx(24.94, abs=0.005)


def truck(**changes) -> Specimen:
    tyre = Tyre(radius_m=0.52, stiffness_n_m=900e3, stiffening=4e6, standing_friction_n=400.0)
    cab = MountedPart(
        name="cab", mass_kg=900.0, cog_m=(0.4, 0.05, 1.9), roll_inertia_kg_m2=500.0, pitch_inertia_kg_m2=550.0,
        mount=tuple(Mount(position_m=(x, y, 1.2), stiffness_n_m=90e3, damping_n_s_m=3e3) for x in (-0.3, 1.1) for y in (-0.5, 0.6)),
    )  # fmt: skip
    specimen = Specimen(
        name="truck",
        frame=Frame(mass_kg=8000.0, cog_m=(-2.2, 0.0, 1.3)),
        axle=(
            Axle(name="front", x_m=0.0, track_m=2.0, friction_n=2500.0, tyre=tyre),
            Axle(name="rear", x_m=-4.0, track_m=1.86, friction_n=4000.0, anti_roll_nm_rad=90e3, tyre=tyre),
        ),
        part=(cab,),
    )
    return dataclasses.replace(specimen, **changes)


def test_posts_moving_together_slowly_lift_the_vehicle_with_them():
    sensors = [
        Sensor(name="z", quantity="displacement", unit="m", position_m=(1.0, 0.4, 1.0)),
        Sensor(name="p", quantity="angle", unit="rad", direction="+y"),
        Sensor(name="r", quantity="angle", unit="rad", direction="+x", on="cab"),
    ]
    frf = linear_model(truck()).frf(np.array([1e-4]), sensors)[0] @ np.ones(4)
    assert frf == pytest.approx([1.0, 0.0, 0.0], abs=1e-5)


def test_frf_equals_that_of_python_control():
    model = linear_model(truck())
    n, inverse = len(model.dofs), np.linalg.inv(model.mass)
    a = np.block([[np.zeros((n, n)), np.eye(n)], [-inverse @ model.stiffness, -inverse @ model.damping]])
    # The velocity input by the usual change of state: v - M^-1 D u is the new state.
    direct = inverse @ model.velocity_input
    force = inverse @ model.displacement_input - inverse @ model.damping @ direct
    system = control.ss(a, np.vstack([direct, force]), np.hstack([np.eye(n), np.zeros((n, n))]), np.zeros((n, 4)))
    freq_hz = np.array([0.3, 1.1, 2.7, 9.0, 25.0])
    answer = np.moveaxis(system(2j * np.pi * freq_hz, squeeze=False), 2, 0)
    assert np.abs(model.motions(freq_hz) - answer).max() < 1e-9 * np.abs(answer).max()


def test_reading_of_acceleration_velocity_and_displacement_agree():
    model, freq_hz = linear_model(truck()), np.array([0.7, 3.0, 12.0])
    where = {"on": "frame rear", "position_m": (-4.5, 0.8, 1.1), "direction": "+z"}
    kinds = [Sensor(name=q, quantity=q, unit=u, **where) for q, u in
             (("displacement", "m"), ("velocity", "m/s"), ("acceleration", "m/s2"))]  # fmt: skip
    frf = model.frf(freq_hz, kinds)
    jw = 2j * np.pi * freq_hz[:, None]
    assert frf[:, 1] == pytest.approx(jw * frf[:, 0])
    assert frf[:, 2] == pytest.approx(jw**2 * frf[:, 0])


def test_a_tilted_accelerometer_feels_gravity():
    """A slow roll angle r reads +g r on y, a slow nose-down pitch p reads -g p on x (accelerometer statics)."""
    model, slow = linear_model(truck()), np.array([0.01])
    sensors = [
        Sensor(name="y", quantity="acceleration", unit="m/s2", direction="+y", position_m=(0, 0, 2.0)),
        Sensor(name="r", quantity="angle", unit="rad", direction="+x"),
        Sensor(name="x", quantity="acceleration", unit="m/s2", direction="+x", position_m=(0, 0, 2.0)),
        Sensor(name="p", quantity="angle", unit="rad", direction="+y"),
    ]
    y, r, x, p = model.frf(slow, sensors)[0] @ np.array([1.0, -1.0, 0.5, -0.8])
    assert y == pytest.approx(9.80665 * r, rel=0.01)
    assert x == pytest.approx(-9.80665 * p, rel=0.01)


def test_forces_on_the_frame_balance_its_inertia():
    """Newton: spring forces of a vehicle without mounted parts equal frame mass times acceleration."""
    model, freq_hz = linear_model(truck(part=()), gravity=False), np.array([1.0, 4.0])
    forces = [
        Sensor(name=f"{axle} {side}", quantity="force", unit="N", on=axle, section=f"spring {side}")
        for axle in ("front", "rear") for side in ("left", "right")
    ]  # fmt: skip
    centre = Sensor(name="c", quantity="acceleration", unit="m/s2", position_m=(-2.2, 0.0, 1.3))
    frf = model.frf(freq_hz, [*forces, centre])
    assert frf[:, :4].sum(axis=1) == pytest.approx(8000.0 * frf[:, 4], rel=1e-9)


def test_frame_bending_vanishes_at_the_ends_and_a_missing_section_is_told():
    model, freq_hz = linear_model(truck(part=()), gravity=False), np.array([2.0])
    frame = truck().frame
    half = math.sqrt(12 * (8000 * (6.0**2 + 1.5**2) / 12) / 8000) / 2
    ends = [
        Sensor(name="e", quantity="moment", unit="N*m", section="frame bending", position_m=(x, 0, 1))
        for x in (frame.cog_m[0] + half + 2, -2.0, -20.0)
    ]
    front, middle, rear = np.abs(model.frf(freq_hz, ends)[0]).max(axis=1)
    assert front < 1e-6 * middle
    assert rear < 1e-6 * middle
    with pytest.raises(ChannelError, match="needs on = the name of an axle"):
        model.frf(freq_hz, [Sensor(name="s", quantity="force", unit="N", section="spring left")])
    with pytest.raises(ChannelError, match="is no body of the specimen"):
        model.frf(freq_hz, [Sensor(name="s", quantity="acceleration", unit="m/s2", on="crane")])


def test_friction_stuck_stiffens_and_sliding_damps():
    stuck = linear_model(truck(), linearisation=Linearisation(friction="stuck"))
    sliding = linear_model(truck())
    row = stuck.dofs.index("heave")
    assert stuck.stiffness[row, row] - sliding.stiffness[row, row] == pytest.approx(4 * 2e6)
    extra = 2 * (2500 + 4000) * math.sqrt(2 / math.pi) / 0.10
    assert sliding.damping[row, row] - stuck.damping[row, row] == pytest.approx(extra)


def test_wheel_loads_follow_the_lever_law():
    loads = static_loads(truck(part=()))
    weight = 8000 * 9.80665
    assert loads.spring_n["front left"] == pytest.approx(weight * 1.8 / 4.0 / 2)
    assert loads.spring_n["rear right"] == pytest.approx(weight * 2.2 / 4.0 / 2)
    assert sum(static_loads(truck()).wheel_n.values()) == pytest.approx((8000 + 900 + 1200) * 9.80665)


def test_an_off_centre_part_loads_its_side():
    loads = static_loads(truck()).wheel_n
    moment = sum(loads[f"{a} left"] * t / 2 - loads[f"{a} right"] * t / 2 for a, t in (("front", 2.0), ("rear", 1.86)))
    assert moment == pytest.approx(900 * 9.80665 * 0.05, rel=0.05)


def test_trailer_on_a_kingpin_shares_by_statics_and_says_when_it_would_tip():
    trailer = Specimen(
        frame=Frame(mass_kg=20e3, cog_m=(1.0, 0.0, 1.6)),
        axle=tuple(Axle(name=f"axle {k}", x_m=-1.3 * k, track_m=2.0) for k in range(3)),
        kingpin=Kingpin(x_m=6.0),
    )
    loads = static_loads(trailer)
    centre = -1.3
    pin = 20e3 * 9.80665 * (1.0 - centre) / (6.0 - centre)
    assert loads.kingpin_n == pytest.approx(pin)
    assert loads.spring_n["axle 0 left"] == pytest.approx((20e3 * 9.80665 - pin) / 6)
    behind = dataclasses.replace(trailer, frame=dataclasses.replace(trailer.frame, cog_m=(-4.0, 0.0, 1.6)))
    with pytest.raises(InputError, match="the kingpin would have to be pulled down"):
        static_loads(behind)


def test_posts_are_matched_to_wheels_by_place():
    posts = tuple(
        Actuator(name=n, position_m=p) for n, p in (("d", (-4.0, -0.9)), ("a", (0.0, 1.0)), ("b", (0.0, -1.0)))
    )
    assert wheel_of_posts(truck(), Rig(post=posts)) == ("rear right", "front left", "front right")
    with pytest.raises(InputError, match=r"stands 1\.00 m from the nearest wheel"):
        wheel_of_posts(truck(), Rig(post=(Actuator(name="far", position_m=(1.0, 1.0)),)))


def test_matrices_equal_those_of_the_virtual_rig_at_rest():
    """Two assemblies written apart from one description: masses, static loads, stiffness at small motion."""
    from washboard.rig._elements import tyre_stiffness
    from washboard.simulate._assemble import assemble

    specimen = truck()
    other, model = assemble(specimen), linear_model(specimen)
    assert other.dofs == model.dofs
    assert other.mass == pytest.approx(model.mass, rel=1e-9, abs=1e-6)
    total = other.stiffness.copy()
    for row, side, wheel in zip(other.support, other.side, other.wheels, strict=True):
        tyre = specimen.axle[wheel.axle].tyre
        total += tyre_stiffness(tyre, wheel.static_n) * np.outer(row, row)
        total += tyre.lateral_stiffness_n_m * np.outer(side, side)
    for row, number in zip(other.spring, other.spring_axle, strict=True):
        total += specimen.axle[number].spring_n_m * np.outer(row, row)
    scale = np.sqrt(np.outer(np.diag(model.stiffness), np.diag(model.stiffness)))
    assert np.abs((total - model.stiffness) / scale).max() < 2e-3


def test_a_stop_pressed_in_at_rest_adds_its_slope_there():
    """d/dx of k x (1 + 20 x) at 5 mm; and in the virtual rig's own force law, to first order about rest."""
    from washboard.rig._elements import stop_stiffness
    from washboard.simulate import assemble
    from washboard.simulate._march import record
    from washboard.simulate._tables import tables_on_road

    axle = dataclasses.replace(truck().axle[1], bump_gap_m=-0.005, stop_n_m=2e6, friction_n=0.0)
    assert stop_stiffness(axle) == pytest.approx(2e6 * (1 + 2 * 20 * 0.005))
    smooth = dataclasses.replace(truck().axle[0], friction_n=0.0)
    pressed = dataclasses.replace(truck(), axle=(smooth, axle))
    free = linear_model(truck()).modes()
    modes = linear_model(pressed).modes()
    assert modes.freq_hz[modes.names.index("bounce")] > 1.1 * free.freq_hz[free.names.index("bounce")]
    assert any("rests on its bump stops, pressed in 5 mm" in f.text for f in stance_findings(
        stance(pressed), pressed, Rig()))  # fmt: skip
    # Standing still: nothing moves though the stop pushes.
    model = assemble(pressed)
    tables = tables_on_road(model, speed_m_s=0.0)
    still = record(tables, np.zeros((401, 4)), np.zeros((401, 4)), 1 / 2000)
    assert np.abs(still.part("q")).max() < 1e-12
    # A slow small lift of one wheel: the suspension takes as much as the linear model says.
    height = np.zeros((40001, 4))
    height[:, 3] = 2e-4 * (0.5 - 0.5 * np.cos(np.pi * np.minimum(np.arange(40001) / 20000, 1)))
    made = record(tables, height, np.gradient(height, 1 / 4000, axis=0), 1 / 2000)
    lifted = linear_model(pressed, standing=False).motions(np.array([1e-4]))[0, :, 3].real * 2e-4
    assert made.part("q")[-1] == pytest.approx(lifted, rel=0.02, abs=2e-8)


def test_mean_slope_of_a_stop_over_a_gaussian_travel_is_that_of_drawn_numbers():
    from washboard.rig._elements import stop_stiffness

    axle = dataclasses.replace(truck().axle[0], bump_gap_m=0.03, rebound_gap_m=0.04, stop_n_m=1.5e6)
    x = np.random.default_rng(1).normal(0, 0.025, 2_000_000)
    slope = 1.5e6 * (
        np.where(x > 0.03, 1 + 40 * (x - 0.03), 0).mean() + np.where(-x > 0.04, 1 + 40 * (-x - 0.04), 0).mean()
    )
    assert stop_stiffness(axle, 0.025) == pytest.approx(slope, rel=5e-3)
    assert stop_stiffness(axle) == 0
