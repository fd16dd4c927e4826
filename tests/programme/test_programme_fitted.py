"""From an identified FRF to a fitted description: truth recovered, named where it cannot be, written only when asked."""

import dataclasses
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import tomlkit

from washboard.errors import InputError
from washboard.identify import Frf
from washboard.programme import (
    example_text,
    fit_identified,
    fit_state,
    keep_fit,
    kept_fit,
    read_plan,
    stage_named,
    use_fit,
)
from washboard.programme._fitted import _unit_of, _write
from washboard.programme._frf_file import save_frf
from washboard.rig import linear_model, post_response, static_loads, usual_parameters, value_at

FREQ_HZ = np.arange(0.7, 25.0, 0.25)
NOISE = 0.02


def programme(folder: Path, *, seed: int, weighed: bool = True, link: str = "folder") -> object:
    """The quarry tipper with every number 20 % wrong, and an FRF of the right one with 2 % noise; returns the truth."""
    text = example_text("quarry-tipper")
    document = tomlkit.parse(text)
    document["rig"]["link"]["kind"] = link
    if link == "folder":
        document["rig"]["link"]["folder"] = "rig"
    file = folder / "programme.toml"
    file.write_text(tomlkit.dumps(document), encoding="utf-8")
    plan = read_plan(folder)
    truth = plan.specimen
    rng = np.random.default_rng(seed)
    sensors = plan.channel
    frf = linear_model(truth, plan.rig).frf(FREQ_HZ, sensors) * post_response(FREQ_HZ, 30.0, 0.005)[:, None, None]
    residual = NOISE**2 * (np.abs(frf) ** 2).mean(axis=2)
    noise = rng.standard_normal(frf.shape) + 1j * rng.standard_normal(frf.shape)
    noise = noise * np.sqrt(residual / 2)[:, :, None]
    save_frf(
        _made(folder / "stages" / "identify") / "frf.nc",
        Frf(
            values=frf + noise, freq_hz=FREQ_HZ, responses=tuple(one.name for one in sensors),
            drives=tuple(one.name for one in plan.rig.actuators), residual=residual, noise=residual,
            information=np.broadcast_to(np.eye(4, dtype=complex), (len(FREQ_HZ), 4, 4)).copy(),
            coherence=np.ones(residual.shape), n_experiments=4.0, averaged=np.ones(len(FREQ_HZ)),
        ),
    )  # fmt: skip
    for parameter in usual_parameters(truth):
        factor = 1 + 0.2 * rng.choice([-1.0, 1.0])
        for path in parameter.paths:
            _write(document, ("specimen", *path), value_at(truth, path) * factor, _unit_of(truth, path))
    loads = list(static_loads(truth).wheel_n.values())
    for number, axle in enumerate(document["specimen"]["axle"]):
        if weighed:
            axle["weighed"] = [f"{loads[2 * number]:.1f} N", f"{loads[2 * number + 1]:.1f} N"]
    file.write_text(tomlkit.dumps(document), encoding="utf-8")
    return truth


def _made(folder: Path) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    return folder


@pytest.mark.parametrize("seed", [1, 2])
def test_numbers_twenty_percent_wrong_come_back_within_five_where_they_are_told(tmp_path, seed):
    truth = programme(tmp_path, seed=seed)
    fit = fit_identified(tmp_path, read_plan(tmp_path))
    off = {one.name: abs(one.value / value_at(truth, one.paths[0]) - 1) for one in fit.parameters}
    told = {one.name for one in fit.parameters if one.identifiable}
    print(f"{len(told)} of {len(off)} told, worst {max(off[name] for name in told):.1%}; misfit {fit.misfit_before:.1f} "
          f"to {fit.misfit_after:.2f}; not told: {sorted(set(off) - told)}")  # fmt: skip
    assert len(told) > len(off) / 2
    assert {"frame mass", "springs of front axle", "tyre stiffness of rear axle", "mounts of cab"} <= told
    for name in told:
        assert off[name] < 0.05, name
    # Sliding friction at one speed is a damper; only a gauge on the leaves, as behind, tells the two apart.
    rubbed = {one.name: one for one in fit.parameters}["friction of front axle"]
    assert not rubbed.identifiable
    assert "dampers of front axle" in rubbed.confused_with
    assert any("friction of front axle is not identifiable" in finding.text for finding in fit.findings)
    assert fit.bandwidth_hz == pytest.approx(30.0, rel=0.03)
    assert fit.delay_s == pytest.approx(0.005, rel=0.05)


def test_nothing_changes_until_asked_then_every_number_keeps_its_unit_and_comment(tmp_path):
    truth = programme(tmp_path, seed=3)
    plan, before = read_plan(tmp_path), (tmp_path / "programme.toml").read_text(encoding="utf-8")
    with pytest.raises(InputError, match=r"plan .* --fit' first"):
        use_fit(tmp_path, plan)
    kept = keep_fit(tmp_path, plan, fit_identified(tmp_path, plan))
    assert kept == kept_fit(tmp_path)
    assert (tmp_path / "programme.toml").read_text(encoding="utf-8") == before
    assert fit_state(kept, plan.specimen) == "as fitted from"
    copy = use_fit(tmp_path, plan)
    assert copy.read_text(encoding="utf-8") == before
    after = (tmp_path / "programme.toml").read_text(encoding="utf-8")
    now = read_plan(tmp_path)
    assert fit_state(kept, now.specimen) == "fitted"
    changed = [(one, two) for one, two in zip(before.splitlines(), after.splitlines(), strict=True) if one != two]
    assert len(changed) > 20
    for one, two in changed:
        assert one.partition("#")[2] == two.partition("#")[2]
        assert one.split('"')[1].split()[-1] == two.split('"')[1].split()[-1] or "mount" in one or "position" in one
    sensors = plan.channel
    right, wrong, fitted = (
        linear_model(each, plan.rig).frf(FREQ_HZ, sensors) for each in (truth, plan.specimen, now.specimen)
    )
    assert np.linalg.norm(fitted - right) < 0.05 * np.linalg.norm(wrong - right)
    with pytest.raises(InputError, match="has the fitted numbers already"):
        use_fit(tmp_path, now)
    heavier = dataclasses.replace(now.specimen, frame=dataclasses.replace(now.specimen.frame, mass_kg=5000.0))
    with pytest.raises(InputError, match="changed after the fit"):
        use_fit(tmp_path, dataclasses.replace(now, specimen=heavier))


def test_without_weighing_masses_stay_and_a_new_frf_makes_the_fit_void(tmp_path):
    programme(tmp_path, seed=4, weighed=False)
    plan = read_plan(tmp_path)
    kept = keep_fit(tmp_path, plan, fit_identified(tmp_path, plan))
    assert not kept.weighed
    assert not [one.name for one in kept.parameters if "mass" in one.name]
    programme(tmp_path, seed=5, weighed=False)
    assert kept_fit(tmp_path) is None


def test_before_identification_and_on_the_virtual_rig_it_says_why_not(tmp_path):
    programme(tmp_path, seed=6, link="virtual")
    with pytest.raises(InputError, match="would change the vehicle instead"):
        use_fit(tmp_path, read_plan(tmp_path))
    (tmp_path / "stages" / "identify" / "frf.nc").unlink()
    with pytest.raises(InputError, match="nothing was identified yet; run 'washboard identify"):
        fit_identified(tmp_path, read_plan(tmp_path))


def test_the_command_line_says_it_and_the_plan_shows_it(tmp_path):
    programme(tmp_path, seed=7)
    ran = subprocess.run(
        [sys.executable, "-m", "washboard", "plan", str(tmp_path), "--fit"], capture_output=True, text=True, check=False
    )
    assert "tyre stiffness of rear axle" in ran.stdout, ran.stderr
    assert "not told" in ran.stdout
    assert "Nothing was changed" in ran.stdout
    assert "--use-fit" in ran.stdout
    assert ran.returncode in (0, 1)
    out = _made(tmp_path / "stages" / "plan")
    (out / "plan.json").write_text(json.dumps({"envelopes": [], "events": {}}), encoding="utf-8")
    shown = stage_named("plan").show(tmp_path, read_plan(tmp_path))
    (table,) = [one for one in shown if one.title.startswith("What the measured FRF says")]
    assert "by the measurement" in table.caption
    assert all(len(row) == len(table.columns) for row in table.rows)
