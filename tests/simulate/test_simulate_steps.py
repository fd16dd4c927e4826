"""Time steps: halving changes nothing that matters, and an integrator of another kind with tight tolerances agrees."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from washboard import simulate
from washboard.programme import example_text, parse_plan
from washboard.simulate._march import record
from washboard.simulate._tables import STOP_HARDENING, tables_on_posts, tables_on_road


def waves(n_supports, *, rough_m=0.02, seed=4):
    """A rough ride as a sum of sines, so that any step sees the same: displacement and velocity of time, each support."""
    random = np.random.default_rng(seed)
    freq = np.linspace(0.7, 22, 60) + random.uniform(-0.1, 0.1, 60)
    phase = random.uniform(0, 2 * np.pi, (n_supports, 60))
    size = rough_m / freq**1.2 * random.uniform(0.6, 1.4, (n_supports, 60))

    def at(time):
        angle = 2 * np.pi * freq * np.asarray(time)[..., None, None] + phase
        rise = np.clip(np.asarray(time)[..., None, None] / 1.0, 0, 1)
        fade, slope = rise**2 * (3 - 2 * rise), 6 * rise * (1 - rise)
        x = (size * np.sin(angle)).sum(-1)
        v = (size * 2 * np.pi * freq * np.cos(angle)).sum(-1)
        return x * fade[..., 0], v * fade[..., 0] + x * slope[..., 0]

    return at


def ride(tables, at, *, step_s, seconds):
    time = np.arange(2 * round(seconds / step_s) + 1) * step_s / 2
    parts = [at(part) for part in np.array_split(time, 1 + len(time) // 5000)]
    return record(tables, np.vstack([x for x, _v in parts]), np.vstack([v for _x, v in parts]), step_s)


@pytest.mark.parametrize("on_posts", [True, False])
def test_halving_the_step_changes_nothing_that_matters(on_posts):
    plan = parse_plan(example_text("quarry-tipper"))
    model = simulate.assemble(plan.specimen)
    tables = tables_on_posts(model, plan.rig) if on_posts else tables_on_road(model, speed_m_s=8.0)
    form = simulate.sensor_rows(model, tables, plan.channel)
    at = waves(4)
    seen = {}
    for refine in (1, 2, 8):
        motion = ride(tables, at, step_s=1 / 2048 / refine, seconds=6)
        seen[refine] = motion.trace[::refine] @ form.rows.T
        loads = motion.part("support")
    assert (loads <= 0).any(), "the ride should lift a wheel, or this shows too little"
    rms = {refine: values.std(axis=0) for refine, values in seen.items()}
    assert np.abs(rms[1] / rms[2] - 1).max() < 0.005
    error = np.sqrt(((seen[1] - seen[8]) ** 2).mean(axis=0)) / rms[8]
    print("relative RMS from converged", error.max(), "halving", np.abs(rms[1] / rms[2] - 1).max())
    assert error.max() < 1e-4


def written_out(plan, model, at):
    """Right-hand side from the description in plain numpy: motions, spring friction and patch friction."""
    n, axles, wheels = model.n_dofs, plan.specimen.axle, model.wheels
    inverse = np.linalg.inv(model.mass)
    rest = []
    for wheel in wheels:
        tyre = axles[wheel.axle].tyre
        rest.append(np.roots([tyre.stiffening, tyre.stiffness_n_m, -wheel.static_n]).max())

    def rate(time, y, speed_m_s=8.0):
        q, v = y[:n], y[n : 2 * n]
        rub, stick = y[2 * n : 2 * n + len(model.spring)], y[2 * n + len(model.spring) :]
        base, base_v = at(time)
        push = -model.stiffness @ q - model.damping @ v - model.support.T @ model.support_static
        rub_rate, stick_rate = np.zeros(len(rub)), np.zeros(len(stick))
        for i, number in enumerate(model.spring_axle):
            axle, e, ve = axles[number], model.spring[i] @ q, model.spring[i] @ v
            force = axle.spring_n_m * e + rub[i]
            force += (axle.bump_damping_n_s_m if ve > 0 else axle.rebound_damping_n_s_m) * ve
            if e > axle.bump_gap_m:
                over = e - axle.bump_gap_m
                force += axle.stop_n_m * over * (1 + STOP_HARDENING * over)
            if e < -axle.rebound_gap_m:
                over = -e - axle.rebound_gap_m
                force -= axle.stop_n_m * over * (1 + STOP_HARDENING * over)
            # Dahl's friction: the force turns towards its limit as the leaves slide.
            rub_rate[i] = axle.friction_stiffness_n_m * ve * (1 - rub[i] / axle.friction_n * np.sign(ve))
            push -= model.spring[i] * force
        for i, wheel in enumerate(wheels):
            tyre = axles[wheel.axle].tyre
            d, dv = base[i] - model.support[i] @ q + rest[i], base_v[i] - model.support[i] @ v
            load = 0.0
            if d > 0:
                load = tyre.stiffness_n_m * d + tyre.stiffening * d**2
                load = max(0.0, load + tyre.rolling_damping_n_s_m * dv * min(1.0, d / (0.1 * rest[i])))
            push += model.support[i] * load
            slide = model.side[i] @ v
            grip = 0.75 * load + 0.02 * 0.75 * wheel.static_n + 20
            k = tyre.lateral_stiffness_n_m
            stick_rate[i] = k * slide * (1 - stick[i] / grip * np.sign(slide)) - stick[i] * speed_m_s / 0.5
            aside = stick[i] + tyre.lateral_damping_n_s_m * slide * min(1.0, 2 * load / wheel.static_n)
            push -= model.side[i] * aside
        return np.concatenate([v, inverse @ push, rub_rate, stick_rate])

    return rate


def test_an_integrator_with_tight_tolerance_agrees():
    plan = parse_plan(example_text("quarry-tipper"))
    model = simulate.assemble(plan.specimen)
    seconds, at = 2.5, waves(4, rough_m=0.03)
    motion = ride(tables_on_road(model, speed_m_s=8.0), at, step_s=1 / 2048, seconds=seconds)
    size = 2 * model.n_dofs + len(model.spring) + len(model.wheels)
    time = np.arange(len(motion.trace)) / 2048
    reference = solve_ivp(
        written_out(plan, model, at), (0, seconds), np.zeros(size), method="RK45", t_eval=time, rtol=1e-8, atol=1e-9,
        max_step=2e-3,
    )  # fmt: skip
    for name, rows in (("q", slice(0, model.n_dofs)), ("v", slice(model.n_dofs, 2 * model.n_dofs))):
        expected = reference.y[rows].T
        error = np.sqrt(((motion.part(name) - expected) ** 2).mean(axis=0)) / expected.std(axis=0)
        print(name, error.max())
        assert error.max() < 3e-4
