"""Orifice, valve, envelope, oil column, accumulators, supply: formulae of Merritt, Hydraulic Control Systems (1967).

The figures follow from its equations (orifice flow, valve load flow, maximum power at two thirds of stall, hydraulic
natural frequency 4 beta A^2 / (V_t m)); accumulator examples are those printed by machinecalcs.com and
petrolengineering.com, as named.
"""

import dataclasses
import math

import numpy as np
import pytest

from washboard.rig import (
    Actuator,
    Rig,
    Supply,
    accumulator_size,
    envelope,
    oil_column_hz,
    oil_column_stiffness,
    orifice_flow,
    rig_demand,
    stall_force,
    supply_demand,
    usable_oil,
    valve_flow,
    velocity_at_force,
)
from washboard.rig._supply import ATMOSPHERE_PA, gas_volume

BAR, LITRE_MIN = 1e5, 1e-3 / 60
AREA = math.pi / 4 * (0.100**2 - 0.070**2)
ACTUATOR = Actuator(
    name="post", position_m=(0.0, 0.0), piston_area_m2=AREA, rated_flow_m3_s=250 * LITRE_MIN, rated_drop_pa=70 * BAR,
    stroke_m=0.25, dead_volume_m3=0.2e-3, max_velocity_m_s=10.0, rated_force_n=1e6, moving_mass_kg=3000.0,
)  # fmt: skip
SUPPLY = Supply(pressure_pa=280 * BAR, return_pressure_pa=0.0)


def test_orifice_flow_of_20_square_millimetres_at_70_bar():
    assert orifice_flow(20e-6, 70 * BAR, density_kg_m3=850, discharge=0.61) / LITRE_MIN == pytest.approx(
        93.943, rel=1e-4
    )
    assert orifice_flow(20e-6, -70 * BAR) == -orifice_flow(20e-6, 70 * BAR)


def test_valve_flow_scales_with_the_root_of_the_drop():
    assert valve_flow(63 * LITRE_MIN, 70 * BAR, 210 * BAR) / LITRE_MIN == pytest.approx(109.119, rel=1e-5)


def test_stall_no_load_speed_and_maximum_power_at_two_thirds_of_stall():
    stall = stall_force(ACTUATOR, SUPPLY)
    assert pytest.approx(112_155, rel=1e-5) == stall
    force = np.linspace(0, stall, 20001)
    speed = velocity_at_force(ACTUATOR, SUPPLY, force)
    assert speed[0] == pytest.approx(2.08046, rel=1e-5)
    best = int(np.argmax(force * speed))
    assert force[best] / stall == pytest.approx(2 / 3, abs=1e-4)
    assert speed[best] / speed[0] == pytest.approx(1 / math.sqrt(3), rel=1e-4)
    assert (force * speed)[best] == pytest.approx(89_810, rel=1e-4)
    assert speed[-1] == 0


def test_a_helping_load_makes_it_quicker_and_the_set_limit_caps_it():
    assert velocity_at_force(ACTUATOR, SUPPLY, np.array([-50e3]))[0] > 2.08046
    slow = dataclasses.replace(ACTUATOR, max_velocity_m_s=1.2)
    assert velocity_at_force(slow, SUPPLY, np.array([0.0]))[0] == 1.2


def test_oil_column_stiffness_and_frequency_at_mid_stroke_and_near_the_end():
    assert oil_column_stiffness(ACTUATOR, bulk_pa=1.4e9) == pytest.approx(64.1138e6, rel=1e-5)
    assert oil_column_hz(ACTUATOR, bulk_pa=1.4e9) == pytest.approx(23.2667, rel=1e-5)
    # At 90 % of the stroke, which is 0.8 of the way from the middle to the end.
    assert oil_column_hz(ACTUATOR, position=0.8, bulk_pa=1.4e9) == pytest.approx(28.357, rel=1e-4)


def test_envelope_carries_the_static_load_and_its_own_mass():
    found = envelope(ACTUATOR, SUPPLY, static_n=20e3)
    assert found.static == pytest.approx(20e3 + 3000 * 9.80665)
    assert found.acceleration == pytest.approx((found.stall - found.static) / 3000, rel=1e-9)
    assert found.reach == pytest.approx(0.125 - ACTUATOR.snubbing_m)


def test_roll_actuator_is_told_in_radians_and_newton_metres():
    roll = dataclasses.replace(ACTUATOR, axis="roll", lever_m=0.5, angle_rad=0.2)
    found = envelope(roll, SUPPLY)
    assert found.unit == "rad"
    assert found.reach == 0.1
    assert found.stall == pytest.approx(112_155 * 0.5, rel=1e-5)
    assert found.no_load_velocity == pytest.approx(2.08046 / 0.5, rel=1e-5)


@pytest.mark.parametrize(
    ("exponent", "volume_l"),
    [(1.4, 2.774), (1.0, 2.231)],
)
def test_accumulator_for_one_litre_between_100_and_200_bar(exponent, volume_l):
    """machinecalcs.com prints 2,774 cm3 for precharge 90 bar gauge and n = 1.4; isothermal by the same formula."""
    size = accumulator_size(
        1e-3, precharge_pa=90 * BAR + ATMOSPHERE_PA, lowest_pa=100 * BAR + ATMOSPHERE_PA,
        highest_pa=200 * BAR + ATMOSPHERE_PA, exponent=exponent,
    )  # fmt: skip
    assert size * 1e3 == pytest.approx(volume_l, abs=6e-4)


def test_ten_gallons_precharged_at_1000_psi_give_five_between_1200_and_3000():
    """petrolengineering.com: isothermal, pressures as printed."""
    low, high = (gas_volume(10.0, 1000.0, pressure, exponent=1.0) for pressure in (1200.0, 3000.0))
    assert low - high == pytest.approx(5.0, rel=1e-9)


def test_usable_oil_of_a_supply_is_that_of_its_accumulators():
    supply = Supply(pressure_pa=280 * BAR, lowest_pressure_pa=240 * BAR, precharge_pa=216 * BAR,
                    accumulator_volume_m3=207.51e-3)  # fmt: skip
    assert usable_oil(supply, exponent=1.4) * 1e3 == pytest.approx(20.0, rel=1e-4)


def test_flow_of_a_sine_is_two_over_pi_of_its_peak():
    rate, seconds = 2000.0, 10.0
    t = np.arange(int(rate * seconds)) / rate
    speed = 2 * np.pi * 0.1 * np.cos(2 * np.pi * t)
    supply = Supply(pressure_pa=280 * BAR, pump_flow_m3_s=200 * LITRE_MIN, leakage=0.0)
    found = supply_demand(speed[None], rate, (ACTUATOR,), supply)
    assert found.peak_flow_m3_s / LITRE_MIN == pytest.approx(151.00, rel=1e-4)
    assert found.mean_flow_m3_s / LITRE_MIN == pytest.approx(96.13, rel=1e-4)
    assert found.lowest_pa == pytest.approx(280 * BAR)


def test_pressure_sags_along_the_polytrope_while_more_is_asked_than_the_pump_gives():
    rate = 1000.0
    speed = np.concatenate([np.full(2000, 0.5), np.zeros(20000)])
    supply = Supply(pressure_pa=280 * BAR, pump_flow_m3_s=60 * LITRE_MIN, accumulator_volume_m3=40e-3,
                    precharge_pa=200 * BAR, leakage=0.0)  # fmt: skip
    found = supply_demand(speed[None], rate, (ACTUATOR,), supply)
    missing = (0.5 * AREA - 60 * LITRE_MIN) * 2.0
    assert found.oil_used_m3 == pytest.approx(missing, rel=1e-9)
    full = 40e-3 * ((200 * BAR + ATMOSPHERE_PA) / (280 * BAR + ATMOSPHERE_PA)) ** (1 / 1.4)
    expected = (280 * BAR + ATMOSPHERE_PA) * (full / (full + missing)) ** 1.4 - ATMOSPHERE_PA
    assert found.lowest_pa == pytest.approx(expected, rel=1e-9)
    assert found.pressure_pa[-1] == pytest.approx(280 * BAR)
    assert found.heat_w == pytest.approx(found.power_w)


def test_a_pump_that_is_too_small_for_the_average_is_told_as_a_share():
    speed = np.full((1, 5000), 0.5)
    found = supply_demand(speed, 500.0, (ACTUATOR,), Supply(pump_flow_m3_s=60 * LITRE_MIN, leakage=0.0))
    assert found.flow_share == pytest.approx(0.5 * AREA / (60 * LITRE_MIN))
    assert found.lowest_pa == 0.0


def test_demand_of_a_sine_with_a_mass_is_its_ellipse():
    """x = X sin wt with mass m: speed X w, acceleration X w^2, force m (g + a) (textbook)."""
    rate, hertz, size = 2000.0, 2.0, 0.03
    t = np.arange(int(rate * 5)) / rate
    omega = 2 * np.pi * hertz
    post = dataclasses.replace(ACTUATOR, moving_mass_kg=200.0, max_acceleration_m_s2=100.0)
    found = rig_demand(size * np.sin(omega * t)[None], rate, Rig(post=(post,), supply=SUPPLY), static=np.array([30e3]))
    one = found.actuators[0]
    # The first and last two samples see a sine that stops; look between.
    assert np.abs(found.velocity[0, 10:-10]).max() == pytest.approx(size * omega, rel=1e-4)
    middle = found.force[0, 10:-10]
    assert middle.max() == pytest.approx(30e3 + 200 * (9.80665 + size * omega**2), rel=1e-3)
    assert one.shares["stroke"] == pytest.approx(size / post.reach, rel=1e-4)


def test_scale_to_fit_makes_the_tightest_limit_just_met():
    rate = 1000.0
    t = np.arange(int(rate * 4)) / rate
    fade = np.minimum(1, np.minimum(t, 4 - t))
    drive = (0.2 * np.sin(2 * np.pi * 1.0 * t) * fade)[None]
    rig = Rig(post=(dataclasses.replace(ACTUATOR, moving_mass_kg=200.0),), supply=SUPPLY)
    one = rig_demand(drive, rate, rig, static=np.array([10e3])).actuators[0]
    assert not one.fits
    assert one.worst == "stroke"
    again = rig_demand(drive * one.scale_to_fit, rate, rig, static=np.array([10e3])).actuators[0]
    assert max(again.shares.values()) == pytest.approx(1.0, abs=2e-3)


def test_a_post_that_cannot_carry_the_vehicle_scales_to_nothing():
    rig = Rig(post=(dataclasses.replace(ACTUATOR, rated_force_n=20e3, moving_mass_kg=200.0),), supply=SUPPLY)
    one = rig_demand(np.zeros((1, 100)), 100.0, rig, static=np.array([30e3])).actuators[0]
    assert one.scale_to_fit == 0
    assert one.worst == "force"
