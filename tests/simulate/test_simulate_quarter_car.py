"""Quarter vehicles hidden in the whole model: four equal corners that move together."""

import numpy as np
import pytest

from washboard import rig, simulate
from washboard.simulate._kernel import integrate
from washboard.simulate._march import record
from washboard.simulate._tables import tables_on_road


def four_corners(*, body_kg, wheel_kg, spring, damper, tyre, tyre_damper=0.0) -> rig.Specimen:
    """Per corner; gravity, sway and stops are kept out of the way by size."""
    axles = tuple(
        rig.Axle(
            name=name,
            x_m=x,
            track_m=1.6,
            kind="independent",
            mass_kg=2 * wheel_kg,
            spring_n_m=spring,
            spring_spacing_m=1.6,
            bump_damping_n_s_m=damper,
            rebound_damping_n_s_m=damper,
            bump_gap_m=10.0,
            rebound_gap_m=10.0,
            tyre=rig.Tyre(stiffness_n_m=tyre, rolling_damping_n_s_m=tyre_damper),
        )
        for name, x in (("front", 0.0), ("rear", -2.8))
    )
    frame = rig.Frame(mass_kg=4 * body_kg, cog_m=(-1.4, 0.0, 0.6), size_m=(4.0, 1.6, 1.2), joint_x_m=-1.4)
    return rig.Specimen(frame=frame, axle=axles)


#: The quarter vehicle of the International Roughness Index, per kilogram of body (Sayers, Gillespie, Queiroz, World Bank
#: Technical Paper 46, 1986), at 80 km/h, and its published state transition matrix for steps of 0.25 m: body and wheel
#: displacement and velocity in the order body, body rate, wheel, wheel rate.
IRI = {"body_kg": 400.0, "wheel_kg": 60.0, "spring": 63.3 * 400, "damper": 6.0 * 400, "tyre": 653.0 * 400}
IRI_250_MM = np.array(
    [
        [0.9966071, 0.01091514, -0.002083274, 0.0003190145],
        [-0.5563044, 0.9438768, -0.8324718, 0.05064701],
        [0.02153176, 0.002126763, 0.7508714, 0.008221888],
        [3.335013, 0.3376467, -39.12762, 0.4347564],
    ]
)


def test_steps_are_the_published_transition_of_the_roughness_index():
    model = simulate.assemble(four_corners(**IRI))
    tables = tables_on_road(model, speed_m_s=80 / 3.6)
    n, steps = model.n_dofs, 24
    still = np.zeros((2 * steps + 1, 4))
    wheels = [model.dofs.index(f"{axle} {side}") for axle in ("front", "rear") for side in ("left", "right")]
    groups = [[0], [n], wheels, [n + wheel for wheel in wheels]]
    found = np.zeros((4, 4))
    for column, group in enumerate(groups):
        state = np.zeros(tables.n_state)
        state[group] = 1e-3
        integrate(
            state, 0.25 / (80 / 3.6) / steps, steps, 1, still, still, False, tables.sizes, tables.row,
            tables.matrix, tables.tyre, tables.spring, tables.side, tables.post,
            np.empty((steps, tables.places["a"].stop)),
        )  # fmt: skip
        found[:, column] = [state[group[0]] / 1e-3 for group in groups]
    # The published figures carry seven digits.
    assert np.allclose(found, IRI_250_MM, rtol=1e-6, atol=1e-7)


#: A quarter car of 250 and 35 kg, 15 and 120 kN/m, 800 N s/m (a set found in public code) evaluated in closed form:
#: body and wheel displacement over road displacement, as magnitude and phase in degrees.
CAR = {"body_kg": 250.0, "wheel_kg": 35.0, "spring": 15e3, "damper": 800.0, "tyre": 120e3}
CAR_FRF = {
    1.0: ((2.655973, -31.361), (1.20585, -5.473)),
    2.0: ((0.623199, -133.6467), (0.913279, -9.8046)),
    5.0: ((0.147253, -130.6147), (1.17274, -15.9743)),
    10.0: ((0.12439, 160.1437), (2.30792, -96.2009)),
    20.0: ((0.007173, 96.5224), (0.277617, -166.4555)),
}


def steady(specimen, freq_hz, amplitude_m=1e-3):
    """Complex amplitudes of body, wheel and body acceleration over the road's, all wheels in step."""
    model = simulate.assemble(specimen)
    tables = tables_on_road(model, speed_m_s=1e-9)
    per_cycle = 64 * round(2048 / 64 / freq_hz + 1)
    step_s = 1 / freq_hz / per_cycle
    settle, kept = max(4, round(10 * freq_hz)), 4
    time = np.arange(2 * (settle + kept) * per_cycle + 1) * step_s / 2
    omega = 2 * np.pi * freq_hz
    height = np.repeat((amplitude_m * np.sin(omega * time))[:, None], 4, axis=1)
    speed = np.repeat((amplitude_m * omega * np.cos(omega * time))[:, None], 4, axis=1)
    motion = record(tables, height, speed, step_s)
    turn = np.exp(-1j * omega * np.arange(kept * per_cycle) * step_s) * 2j / (kept * per_cycle) / amplitude_m
    last = slice(settle * per_cycle, None)
    wheel = model.dofs.index("front left")
    return turn @ motion.part("q")[last, 0], turn @ motion.part("q")[last, wheel], turn @ motion.part("a")[last, 0]


@pytest.mark.parametrize("freq_hz", CAR_FRF)
def test_quarter_car_frf_in_closed_form(freq_hz):
    body, wheel, _acceleration = steady(four_corners(**CAR), freq_hz)
    for found, (size, angle) in zip((body, wheel), CAR_FRF[freq_hz], strict=True):
        assert abs(found) == pytest.approx(size, rel=2e-4, abs=2e-6)
        assert abs((np.degrees(np.angle(found)) - angle + 180) % 360 - 180) < 0.05


@pytest.mark.parametrize("damper", [200.0, 3000.0])
def test_body_acceleration_is_invariant_at_the_wheel_frequency(damper):
    # At sqrt(kt / mu) the body's acceleration per road displacement is kt / ms whatever spring and damper are
    # (Hedrick and Butsuen, Invariant properties of automotive suspensions, 1990).
    freq_hz = np.sqrt(CAR["tyre"] / CAR["wheel_kg"]) / 2 / np.pi
    _body, _wheel, acceleration = steady(four_corners(**{**CAR, "damper": damper}), freq_hz)
    assert abs(acceleration) == pytest.approx(CAR["tyre"] / CAR["body_kg"], rel=1e-3)
