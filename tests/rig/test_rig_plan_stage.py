"""The plan stage on an example's rig and vehicle, with targets the linear model made, small and far too large."""

import dataclasses
import json

import numpy as np
import pytest

from washboard.programme import Workspace, load_table, parse_plan, save_table, stage_named
from washboard.programme._new import example_text
from washboard.recording import Channel, Recording, write_recording
from washboard.rig import linear_model, played_linear

RATE = 256.0


def programme(folder, level: float):
    plan = parse_plan(example_text("quarry-tipper"), folder / "programme.toml")
    rng = np.random.default_rng(1)
    n = int(20 * RATE)
    freq = np.fft.rfftfreq(n, 1 / RATE)
    lines = (rng.standard_normal((4, len(freq))) + 1j * rng.standard_normal((4, len(freq)))) / np.maximum(
        freq, 1
    ) ** 1.5
    lines[:, (freq < 1) | (freq > 18)] = 0
    fade = np.minimum(1, np.minimum(np.arange(n), np.arange(n)[::-1]) / (2 * RATE))
    drives = np.fft.irfft(lines, n) * fade
    drives *= level / drives.std()
    made = played_linear(linear_model(plan.specimen, plan.rig), drives, RATE, plan.channel)
    channels = tuple(Channel(name=c.name, unit=_si(c), quantity=c.quantity) for c in plan.channel)
    out = folder / "stages" / "shorten"
    out.mkdir(parents=True)
    write_recording(Recording(samples=made, rate_hz=RATE, channels=channels, name="ramp"), out / "ramp.nc")
    entry = {"file": "ramp.nc", "lap": 0, "duration_s": 20.0, "plays": 100}
    save_table(out / "shorten.json", {"events": {"ramp": entry}, "total_s": 2000.0, "service_s": 1e5})
    work = folder / "stages" / "plan"
    work.mkdir()
    return Workspace(plan=plan, folder=folder, out=work)


def _si(channel):
    from washboard.units import si_unit

    return si_unit(channel.unit, channel.quantity)


def test_a_small_target_fits_and_everything_is_shown(tmp_path):
    ws = programme(tmp_path, 0.003)
    outcome = stage_named("plan").run(ws)
    assert outcome.figures["fits"] is True
    assert "Everything fits" in outcome.summary
    assert not [finding for finding in outcome.findings if finding.severity == "error"]
    json.dumps(dict(outcome.figures), allow_nan=False)
    procedure = (ws.out / "set-up-procedure.html").read_text(encoding="utf-8")
    assert procedure.count("name, time, signature") == sum(
        step["hold"] for step in load_table(ws.out / "plan.json")["procedure"]["steps"]
    )
    assert procedure.count("&#9744;") > 25
    test_plan = (ws.out / "test-plan.html").read_text(encoding="utf-8")
    for words in ("Risks, and what to do about them", "Cautions", "Channel list", "representative mass", "<svg"):
        assert words in test_plan
    listed = (ws.out / "channels.csv").read_text(encoding="utf-8").splitlines()
    assert listed[0].startswith("No,Name,On,Quantity")
    assert len(listed) >= 5
    expected = load_table(ws.out / "plan.json")["events"]["ramp"]["expected"]
    assert max(value for name, value in expected.items() if name.endswith("az")) < 0.1
    assert set(expected) == {channel.name for channel in ws.plan.control}
    table = load_table(ws.out / "plan.json")
    assert set(table["events"]["ramp"]["beyond"]) == {channel.name for channel in ws.plan.control}
    exhibits = stage_named("plan").show(tmp_path, ws.plan)
    titles = [exhibit.title for exhibit in exhibits]
    for wanted in (
        "The vehicle on the rig",
        "Force against speed",
        "Flow and pressure",
        "Modes",
        "Test plan",
        "Cautions",
        "What replication can be expected to reach",
    ):
        assert wanted in titles
    for exhibit in exhibits:
        assert bool(exhibit.svg.startswith("<svg")) != bool(exhibit.columns)
        assert all(len(row) == len(exhibit.columns) for row in exhibit.rows)


def test_a_target_far_too_large_does_not_fit_and_says_where_and_by_how_much(tmp_path):
    ws = programme(tmp_path, 0.08)
    outcome = stage_named("plan").run(ws)
    assert outcome.verdict == "look"
    assert outcome.figures["fits"] is False
    assert outcome.figures["scale_to_fit"] < 0.6
    assert "do not fit" in outcome.summary
    assert any(
        "of its" in finding.text and "of the level" in finding.advice and finding.severity == "error"
        for finding in outcome.findings
        if finding.kind == "envelope"
    )


def test_without_a_specimen_the_actuators_are_still_shown(tmp_path):
    ws = programme(tmp_path, 0.003)
    bare = dataclasses.replace(ws, plan=dataclasses.replace(ws.plan, specimen=None))
    outcome = stage_named("plan").run(bare)
    assert outcome.verdict == "fine"
    assert "no [specimen]" in outcome.findings[0].text
    (only,) = stage_named("plan").show(tmp_path, bare.plan)
    assert len(only.rows) == 4


def test_the_link_does_not_make_the_plan_stale():
    plan = parse_plan(example_text("quarry-tipper"), "programme.toml")
    other = dataclasses.replace(plan.rig, link=dataclasses.replace(plan.rig.link, seed=9))
    reads = stage_named("plan").reads
    assert reads(plan) == reads(dataclasses.replace(plan, rig=other))
    heavier = dataclasses.replace(plan.specimen, frame=dataclasses.replace(plan.specimen.frame, mass_kg=1.0))
    assert reads(plan) != reads(dataclasses.replace(plan, specimen=heavier))


@pytest.mark.parametrize("example", ["vineyard-sprayer", "timber-trailer"])
def test_the_other_examples_are_drawn(example):
    from washboard.plot import to_svg
    from washboard.plot._rig import modes_figure, set_up_figure
    from washboard.rig import static_loads

    plan = parse_plan(example_text(example), "programme.toml")
    svg = to_svg(set_up_figure(plan.specimen, plan.rig, plan.channel, cog_m=static_loads(plan.specimen).cog_m))
    assert svg == to_svg(set_up_figure(plan.specimen, plan.rig, plan.channel, cog_m=static_loads(plan.specimen).cog_m))
    modes = linear_model(plan.specimen, plan.rig).modes()
    drawn = modes_figure(plan.specimen, modes.dofs, modes.shapes, modes.freq_hz, modes.damping, modes.names)
    assert to_svg(drawn).startswith("<svg")
