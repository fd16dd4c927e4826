"""Energy: what the road puts in is what is dissipated and stored, worked out anew from the description's force laws."""

import numpy as np
import pytest

from washboard import simulate
from washboard.programme import example_text, parse_plan
from washboard.simulate._field import _supports
from washboard.simulate._march import record
from washboard.simulate._tables import STOP_HARDENING, tables_on_posts, tables_on_road

SPEED_M_S, DURATION_S, STEP_S = 8.0, 60.0, 1 / 4096


def rough_ride(example: str, *, on_posts: bool):
    plan = parse_plan(example_text(example))
    model = simulate.assemble(plan.specimen)
    ends = [axle.x_m for axle in plan.specimen.axle] + ([plan.specimen.kingpin.x_m] if plan.specimen.kingpin else [])
    road = simulate.random_road(
        SPEED_M_S * DURATION_S + max(ends) - min(ends) + 2, roughness_m3=simulate.class_roughness("D"), seed=3
    )
    n_half = round(DURATION_S / STEP_S) * 2 + 1
    travel = np.arange(n_half) * STEP_S / 2 * SPEED_M_S
    height, speed = _supports(model, road, travel, STEP_S / 2, 4096)
    tables = tables_on_posts(model, plan.rig) if on_posts else tables_on_road(model, speed_m_s=SPEED_M_S)
    return plan, model, record(tables, height, speed, STEP_S)


def books(plan, model, motion, *, standing: bool):
    """Work put in, energy stored and energy dissipated over time, from motions alone. [J]"""
    part = motion.part
    q, v = part("q"), part("v")
    base, base_v = part("base"), part("base velocity")
    power_out = np.einsum("ti,ij,tj->t", v, model.damping, v)
    stored = 0.5 * np.einsum("ti,ij,tj->t", v, model.mass, v) + 0.5 * np.einsum("ti,ij,tj->t", q, model.stiffness, q)
    stored += q @ model.support.T @ model.support_static
    axles, n_wheels = plan.specimen.axle, len(model.wheels)
    squeeze, squeeze_v = base - q @ model.support.T, base_v - v @ model.support.T
    for index, wheel in enumerate(model.wheels):
        tyre = axles[wheel.axle].tyre
        ratio = tyre.standing_stiffness_ratio if standing else 1.0
        k, k2 = ratio * tyre.stiffness_n_m, ratio * tyre.stiffening
        rest = np.roots([k2, k, -wheel.static_n]).max() if k2 else wheel.static_n / k
        d = np.maximum(0, squeeze[:, index] + rest)
        stored += k * d**2 / 2 + k2 * d**3 / 3
        power_out += (part("support")[:, index] - k * d - k2 * d**2) * squeeze_v[:, index]
        z = part("side friction")[:, index]
        slide = v @ model.side[index]
        # A patch's deflection is a spring that creeps; its whole work is booked, and what it holds taken off again.
        stored += z**2 / tyre.lateral_stiffness_n_m / 2
        power_out += part("side")[:, index] * slide - z * _slope(z) / tyre.lateral_stiffness_n_m
    if plan.specimen.kingpin is not None:
        pin = plan.specimen.kingpin
        for index, (k, c, load) in enumerate(
            (
                (pin.stiffness_n_m, pin.damping_n_s_m, model.support_static[n_wheels]),
                (pin.roll_stiffness_nm_rad, pin.roll_damping_nms_rad, 0.0),
            )
        ):
            stored += 0.5 * k * (squeeze[:, n_wheels + index] + load / k) ** 2
            power_out += c * squeeze_v[:, n_wheels + index] ** 2
    for index, number in enumerate(model.spring_axle):
        axle = axles[number]
        e, ve = q @ model.spring[index], v @ model.spring[index]
        over, under = np.maximum(0, e - axle.bump_gap_m), np.maximum(0, -e - axle.rebound_gap_m)
        for beyond in (over, under):
            stored += axle.stop_n_m * (beyond**2 / 2 + STOP_HARDENING * beyond**3 / 3)
        stored += axle.spring_n_m * e**2 / 2
        power_out += np.where(ve > 0, axle.bump_damping_n_s_m, axle.rebound_damping_n_s_m) * ve**2
        if axle.friction_n > 0:
            z = part("spring friction")[:, index]
            stored += z**2 / axle.friction_stiffness_n_m / 2
            power_out += z * ve - z * _slope(z) / axle.friction_stiffness_n_m
    power_in = (part("support") * base_v).sum(axis=1)
    return _running(power_in), stored - stored[0], _running(power_out)


def _slope(values):
    return np.gradient(values, STEP_S, edge_order=2)


def _running(power):
    return np.concatenate([[0.0], np.cumsum((power[1:] + power[:-1]) / 2) * STEP_S])


@pytest.mark.parametrize(
    ("example", "on_posts"), [("quarry-tipper", False), ("timber-trailer", False), ("quarry-tipper", True)]
)
def test_energy_in_is_energy_stored_and_dissipated(example, on_posts):
    plan, model, motion = rough_ride(example, on_posts=on_posts)
    given, stored, lost = books(plan, model, motion, standing=on_posts)
    worst = np.abs(given - stored - lost).max() / lost[-1]
    print(f"{example}: {lost[-1] / 1e3:.0f} kJ lost, worst imbalance {worst:.2e}")
    assert lost[-1] > 1e3
    assert worst < 1e-3
