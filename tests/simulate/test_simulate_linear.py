"""Small motions of the non-linear model against the linear model of the same description, assembled elsewhere."""

import dataclasses

import numpy as np
import pytest

from washboard import rig, simulate
from washboard.programme import example_text, parse_plan
from washboard.simulate._march import record
from washboard.simulate._tables import tables_on_posts, tables_on_road

STEP_S = 1 / 2048


def without_friction(specimen: rig.Specimen) -> rig.Specimen:
    """Dry friction and unlike bump and rebound damping have no small-motion limit: leave them out."""
    axles = tuple(
        dataclasses.replace(
            axle,
            friction_n=0.0,
            rebound_damping_n_s_m=axle.bump_damping_n_s_m,
            tyre=dataclasses.replace(axle.tyre, standing_friction_n=0.0),
        )
        for axle in specimen.axle
    )
    return dataclasses.replace(specimen, axle=axles)


def identified(plan, *, on_posts: bool, period_s: float = 16.0, amplitude_m: float = 2e-5):
    """FRF of every sensor to every support by one multisine per support, from the last of several periods."""
    specimen = without_friction(plan.specimen)
    model = simulate.assemble(specimen)
    tables = tables_on_posts(model, plan.rig) if on_posts else tables_on_road(model, speed_m_s=1e-9)
    form = simulate.sensor_rows(model, tables, plan.channel)
    lines = np.arange(8, 481, 4)
    freq = lines / period_s
    n_half = round(2 * period_s / STEP_S)
    n_supports = len(model.support)
    result = np.zeros((len(lines), len(plan.channel), n_supports), complex)
    for support in range(n_supports):
        random = np.random.default_rng(support)
        spectrum = np.zeros(n_half // 2 + 1, complex)
        spectrum[lines] = np.exp(2j * np.pi * random.random(len(lines))) / np.maximum(freq, 2.0)
        wave = np.fft.irfft(spectrum, n_half)
        rate = np.fft.irfft(spectrum * 2j * np.pi * np.arange(n_half // 2 + 1) / period_s, n_half)
        scale = amplitude_m / np.abs(wave).max()
        periods = 4
        command, speed = np.zeros((periods * n_half + 1, n_supports)), np.zeros((periods * n_half + 1, n_supports))
        command[:-1, support], speed[:-1, support] = np.tile(wave, periods) * scale, np.tile(rate, periods) * scale
        command[-1], speed[-1] = command[0], speed[0]
        motion = record(tables, command, speed, STEP_S)
        last = motion.trace[-n_half // 2 :]
        base = np.fft.rfft(last[:, motion.places["base"]], axis=0)[lines]
        response = np.fft.rfft(last @ form.rows.T, axis=0)[lines]
        # Posts give a little under load: take the response to what each really did, one post at a time being enough
        # when the others stand still to within a thousandth.
        result[:, :, support] = response / base[:, [support]]
    return freq, result


@pytest.mark.parametrize("example", ["quarry-tipper", "vineyard-sprayer", "timber-trailer"])
def test_small_motions_have_the_linear_frf(example):
    plan = parse_plan(example_text(example))
    freq, measured = identified(plan, on_posts=False)
    model = rig.linear_model(without_friction(plan.specimen), standing=False)
    expected = model.frf(freq, plan.channel)
    # Against the largest of the channel's row at this frequency, so that a null of one path is not divided by.
    scale = np.abs(expected).max(axis=2, keepdims=True)
    strong = np.abs(expected) > 0.05 * scale
    ratio = measured[strong] / expected[strong]
    print(np.abs(np.abs(ratio) - 1).max(), np.degrees(np.abs(np.angle(ratio))).max())
    assert np.abs(np.abs(ratio) - 1).max() < 0.01
    assert np.degrees(np.abs(np.angle(ratio))).max() < 1.0
    assert np.abs(measured - expected).max() / np.abs(expected).max() < 0.01
    assert (np.abs(measured - expected) / scale).max() < 0.01
