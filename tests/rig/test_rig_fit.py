"""Fitting the description to an FRF: truth recovered where the measurement holds it, and named where it does not."""

import dataclasses

import numpy as np
import pytest

from washboard.errors import DataError
from washboard.rig import (
    Axle,
    Frame,
    Linearisation,
    Sensor,
    Specimen,
    Tyre,
    fit_model,
    linear_model,
    post_response,
    static_loads,
    usual_parameters,
    value_at,
)
from washboard.rig._fit import scaled

FREQ_HZ = np.geomspace(0.5, 30, 90)


def truth() -> Specimen:
    tyre = Tyre(radius_m=0.52, stiffness_n_m=900e3, standing_damping_n_s_m=1500.0)
    return Specimen(
        frame=Frame(mass_kg=8000.0, cog_m=(-2.2, 0.0, 1.3), roll_inertia_kg_m2=5000.0, pitch_inertia_kg_m2=24e3),
        axle=(
            Axle(name="front", x_m=0.0, track_m=2.0, tyre=tyre),
            Axle(
                name="rear",
                x_m=-4.0,
                track_m=1.86,
                spring_n_m=380e3,
                tyre=dataclasses.replace(tyre, stiffness_n_m=1.4e6),
            ),
        ),
    )


def sensors() -> list[Sensor]:
    found = [
        Sensor(name=f"{a.name} {s}", quantity="acceleration", unit="m/s2", on=a.name, position_m=(a.x_m, y, 0.5))
        for a in truth().axle for s, y in (("left", 0.9), ("right", -0.9))
    ]  # fmt: skip
    found += [
        Sensor(name=f"frame {x} {y}", quantity="acceleration", unit="m/s2", on=f"frame {'front' if x > -2 else 'rear'}",
               position_m=(x, y, 1.0))
        for x in (0.8, -5.0) for y in (1.0, -1.0)
    ]  # fmt: skip
    return found


def measured(seed: int, share: float = 0.02) -> np.ndarray:
    frf = linear_model(truth()).frf(FREQ_HZ, sensors())
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal(frf.shape) + 1j * rng.standard_normal(frf.shape)
    return frf + share * np.abs(frf) * noise / np.sqrt(2)


def wrong(seed: int) -> Specimen:
    rng = np.random.default_rng(seed)
    specimen = truth()
    for parameter in usual_parameters(specimen):
        factor = 1 + 0.2 * rng.choice([-1.0, 1.0])
        for path in parameter.paths:
            specimen = scaled(specimen, path, factor)
    return specimen


def off(found, parameter) -> float:
    return abs(found.value / value_at(truth(), parameter.paths[0]) - 1)


@pytest.mark.parametrize("seed", [1, 2])
def test_twenty_percent_wrong_values_come_back_within_five(seed):
    found = fit_model(wrong(seed), sensors(), FREQ_HZ, measured(seed), wheel_loads_n=static_loads(truth()).wheel_n)
    assert found.misfit_before > 3 * found.misfit_after
    for one, parameter in zip(found.parameters, usual_parameters(truth()), strict=True):
        if one.identifiable:
            assert off(one, parameter) < 0.05, one.name
    names = {one.name for one in found.parameters if one.identifiable}
    assert {"frame mass", "springs of front", "springs of rear", "dampers of front", "tyre stiffness of rear"} <= names


def test_motions_alone_fix_no_mass_and_say_so():
    """Scaling every mass, spring and damper by one factor leaves all motions as they are (equations of motion)."""
    found = {one.name: one for one in fit_model(wrong(1), sensors(), FREQ_HZ, measured(1)).parameters}
    mass = found["frame mass"]
    assert not mass.identifiable
    assert mass.confused_with
    ratio = found["springs of front"].value / found["springs of rear"].value
    assert ratio == pytest.approx(250e3 / 380e3, rel=0.05)


def test_spread_is_of_the_size_of_the_error():
    found = fit_model(wrong(3), sensors(), FREQ_HZ, measured(3), wheel_loads_n=static_loads(truth()).wheel_n)
    ratios = [
        off(one, parameter) / one.spread
        for one, parameter in zip(found.parameters, usual_parameters(truth()), strict=True)
    ]
    assert np.median(ratios) < 2.5
    assert max(ratios) < 8


def test_bandwidth_and_delay_of_the_posts_are_told_too():
    frf = measured(4) * post_response(FREQ_HZ, 24.0, 0.007)[:, None, None]
    few = tuple(p for p in usual_parameters(truth()) if p.name.startswith(("springs", "tyre stiffness")))
    found = fit_model(truth(), sensors(), FREQ_HZ, frf, posts=True, parameters=few)
    assert found.bandwidth_hz == pytest.approx(24.0, rel=0.05)
    assert found.delay_s == pytest.approx(0.007, rel=0.05)


def test_a_shape_that_does_not_fit_or_nan_is_refused():
    with pytest.raises(DataError, match="does not fit 90 lines and 8 sensors"):
        fit_model(truth(), sensors(), FREQ_HZ, measured(1)[:, :3])
    bad = measured(1)
    bad[3, 2, 1] = np.nan
    with pytest.raises(DataError, match="not finite"):
        fit_model(truth(), sensors(), FREQ_HZ, bad)


def test_the_level_of_friction_is_found_beside_the_springs():
    """Truth measured at half the level at which friction was made linear."""
    rough = dataclasses.replace(
        truth(), axle=tuple(dataclasses.replace(axle, friction_n=2500.0) for axle in truth().axle)
    )
    names = [f"spring {axle} {side}" for axle in ("front", "rear") for side in ("left", "right")]

    def rule(level: float) -> Linearisation:
        return Linearisation(
            velocities=dict.fromkeys(names, 0.2 * level), stretches=dict.fromkeys(names, 0.008 * level)
        )

    rng = np.random.default_rng(7)
    frf = linear_model(rough, linearisation=rule(0.5)).frf(FREQ_HZ, sensors())
    frf = frf * (1 + 0.005 * (rng.standard_normal(frf.shape) + 1j * rng.standard_normal(frf.shape)))
    few = tuple(p for p in usual_parameters(rough) if p.name.startswith(("springs", "tyre stiffness")))
    start = rough
    for parameter in few:
        start = scaled(start, parameter.paths[0], 0.8)
    found = fit_model(start, sensors(), FREQ_HZ, frf, parameters=few, linearisation=rule(1.0))
    for one, parameter in zip(found.parameters, few, strict=True):
        assert one.value == pytest.approx(value_at(rough, parameter.paths[0]), rel=0.05)
