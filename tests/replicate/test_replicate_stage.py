"""The identify and replicate stages on the test vehicle: files, figures, interruption, no play used twice."""

import dataclasses
import json

import numpy as np
import pytest

from washboard.errors import ChannelError, RigError, RigTripped
from washboard.programme import load_arrays, load_table
from washboard.programme.stages import identify, replicate
from washboard.recording import read_recording
from washboard.replicate import prepare_target
from washboard.testing import RESPONSES, BenchRig, BenchVehicle, bench_folder, bench_plan, bench_workspace

EXTRA = '[identify]\nbudget = "300 s"\n[replicate]\nplays = 4\n'


@pytest.fixture
def rig(monkeypatch):
    link = BenchRig(BenchVehicle())
    monkeypatch.setattr("washboard.programme._rig_link.open_link", lambda plan, folder: link)
    return link


def run_both(folder, plan):
    first = identify.run(bench_workspace(folder, plan, "identify"))
    second = replicate.run(bench_workspace(folder, plan, "replicate"))
    return first, second


def test_both_stages_write_what_others_read(tmp_path, rig):
    targets = bench_folder(tmp_path)
    plan = bench_plan(extra=EXTRA, control=tuple(n for n in targets["random"].names if not n.startswith("spring")))
    identified, replicated = run_both(tmp_path, plan)
    assert identified.figures["rig_time_s"] <= 300
    table = load_table(tmp_path / "stages/replicate/replicate.json")["events"]["random"]
    drive = read_recording(tmp_path / "stages/replicate" / table["drive"])
    response = read_recording(tmp_path / "stages/replicate" / table["response"])
    assert drive.names == ("post_1", "post_2", "post_3", "post_4")
    assert np.all(drive.samples[:, 0] == 0)
    assert np.all(drive.samples[:, -1] == 0)
    assert response.n_samples == targets["random"].n_samples
    assert table["plays"] <= 4
    # One by one the history's errors are those of the plays; the best is the smallest.
    own = [h["overall"] for h in table["history"] if not h["words"].endswith("once more")]
    assert table["overall"] == pytest.approx(min(own), rel=1e-9)
    assert table["overall"] < 0.5
    assert set(table["monitor_error"]) == {"spring_1_left", "spring_2_right"}
    json.dumps(replicated.figures, allow_nan=False)
    for stage, module in (("identify", identify), ("replicate", replicate)):
        for exhibit in module.STAGE.show(tmp_path, plan):
            assert exhibit.svg or exhibit.rows, (stage, exhibit.title)
    shown, printed = replicate.STAGE.show(tmp_path, plan), replicate.STAGE.printed(tmp_path, plan)
    assert printed == tuple(one for one in shown if one.title != "random: spectra")
    assert len(printed) == len(shown) - 1


def test_other_control_channels_are_judged_without_playing_again(tmp_path, rig):
    bench_folder(tmp_path)
    axles, body = RESPONSES[:4], RESPONSES[:8]
    identify.run(bench_workspace(tmp_path, bench_plan(extra=EXTRA, control=axles), "identify"))
    played = len(rig.played)
    table = load_table(tmp_path / "stages/identify/identify.json")
    assert {name for name, row in table["control"]["channels"].items() if row["control"]} == set(axles)
    assert set(table["control"]["order"]) == set(RESPONSES)
    assert len(table["partial_coherence"]["roof_ay"]) == 4
    reads = identify.STAGE.reads(bench_plan(extra=EXTRA, control=axles))
    other = bench_plan(extra=EXTRA, control=body)
    assert identify.STAGE.reads(other) == reads
    shown = {exhibit.title: exhibit for exhibit in identify.STAGE.show(tmp_path, other)}
    rows = {row[0]: row for row in shown["Control channels"].rows}
    assert [name for name, row in rows.items() if row[1] == "yes"] == list(body)
    assert shown["What the drives can reach"].svg
    assert len(shown["Partial coherence"].rows) == len(RESPONSES)
    assert len(rig.played) == played


def test_drives_there_are_are_judged_when_the_specimen_is_identified_anew(tmp_path, rig):
    bench_folder(tmp_path)
    plan = bench_plan(extra=EXTRA, control=RESPONSES[:8])
    first, _second = run_both(tmp_path, plan)
    # Fresh drives, nothing changed: nothing to say.
    assert not [finding for finding in first.findings if finding.kind == "drives there are"]
    titles = {exhibit.title for exhibit in identify.STAGE.show(tmp_path, plan)}
    assert "What the drives there are would do" not in titles
    (tmp_path / "stages/identify/.run").unlink()
    rig.vehicle = dataclasses.replace(rig.vehicle, body_kg=8000.0, pitch_kg_m2=11000.0, roll_kg_m2=6000.0)
    again = identify.run(bench_workspace(tmp_path, plan, "identify"))
    (finding,) = [finding for finding in again.findings if finding.kind == "drives there are"]
    assert finding.severity == "warning"
    assert "iterate again" in finding.text
    shown = {exhibit.title: exhibit for exhibit in identify.STAGE.show(tmp_path, plan)}
    (row,) = shown["What the drives there are would do"].rows
    assert row[0] == "random"
    assert row[-1] == "iterate again"
    # Foretold against the old drive played on the heavier vehicle.
    table = load_table(tmp_path / "stages/replicate/replicate.json")["events"]["random"]
    drive = read_recording(tmp_path / "stages/replicate" / table["drive"])
    played = np.asarray(rig.play(drive).samples)[:8]
    target = np.asarray(read_recording(tmp_path / "stages/shorten/random.nc").samples, dtype=float)[:8]
    wanted = prepare_target(target, 256.0, names=RESPONSES[:8], band_hz=(0.6, 20.0), taper_s=plan.replicate.taper_s)
    off = (wanted.in_band(played) - wanted.samples)[:, wanted.span]
    real = np.sqrt(np.mean(np.mean(off**2, axis=1) / wanted.rms**2))
    assert row[2] == pytest.approx(real, rel=0.3)


def test_an_interrupted_run_goes_on_and_plays_nothing_twice(tmp_path, rig, monkeypatch):
    bench_folder(tmp_path)
    plan = bench_plan(extra=EXTRA)
    whole_play, left = rig.play, [11]

    def stops_now(drive, **more):
        if left[0] == 0:
            raise KeyboardInterrupt
        left[0] -= 1
        return whole_play(drive, **more)

    starts = 0
    while True:
        starts += 1
        left[0] = 3
        monkeypatch.setattr(rig, "play", stops_now)
        try:
            identify.run(bench_workspace(tmp_path, plan, "identify"))
            replicate.run(bench_workspace(tmp_path, plan, "replicate"))
            break
        except KeyboardInterrupt:
            continue
    assert starts > 3
    kept = list((tmp_path / "plays").glob("*.nc"))
    assert len(kept) == len(rig.played)
    drives = [load_arrays(file)["drive"] for file in kept]
    for played in rig.played:
        assert sum(d.shape == played.shape and np.array_equal(d, played) for d in drives) >= 1
    interrupted = (tmp_path / "stages/replicate/replicate.json").read_text()
    other = tmp_path / "other"
    bench_folder(other)
    fresh = BenchRig(BenchVehicle())
    monkeypatch.setattr("washboard.programme._rig_link.open_link", lambda plan, folder: fresh)
    run_both(other, plan)
    whole = load_table(other / "stages/replicate/replicate.json")["events"]["random"]
    again = json.loads(interrupted)["events"]["random"]
    # The noise of the rig is drawn in the order of plays, which is the same: so is the result, digit for digit.
    assert again["history"] == whole["history"]


def test_a_play_that_is_chosen_is_the_one_kept(tmp_path, rig):
    bench_folder(tmp_path)
    plan = bench_plan(extra=EXTRA + "[replicate.keep]\nrandom = 2\n")
    assert plan.replicate.keep == {"random": 2}
    run_both(tmp_path, plan)
    table = load_table(tmp_path / "stages/replicate/replicate.json")["events"]["random"]
    assert table["best"] == 2
    assert table["overall"] == pytest.approx(table["history"][1]["overall"], rel=1e-9)


def test_a_missing_channel_is_named(tmp_path, rig):
    bench_folder(tmp_path)
    plan = bench_plan(extra=EXTRA)
    rig.channels = lambda: BenchRig.channels(rig).__class__(
        drives=BenchRig.channels(rig).drives, responses=BenchRig.channels(rig).responses[1:], rate_hz=256.0
    )
    with pytest.raises(ChannelError, match="axle_1_left_az"):
        identify.run(bench_workspace(tmp_path, plan, "identify"))


@pytest.mark.parametrize("fault", ["short", "nan"])
def test_a_faulty_response_is_refused_and_what_was_gained_is_kept(tmp_path, rig, fault, monkeypatch):
    bench_folder(tmp_path)
    plan = bench_plan(extra=EXTRA)
    whole_play = rig.play

    def faulty(drive, **more):
        response = whole_play(drive, **more)
        if len(rig.played) < 3:
            return response
        samples = np.array(response.samples)
        if fault == "nan":
            samples[2, 40] = np.nan
            return response.replace(samples=samples)
        return response.replace(samples=samples[:, :-9])

    monkeypatch.setattr(rig, "play", faulty)
    with pytest.raises(RigError, match="samples" if fault == "short" else "axle_2_left_az"):
        identify.run(bench_workspace(tmp_path, plan, "identify"))
    assert len(list((tmp_path / "plays").glob("*.nc"))) == 2


def test_a_rig_that_trips_at_half_the_level_still_gives_a_drive(tmp_path, rig, monkeypatch):
    bench_folder(tmp_path)
    plan = bench_plan(extra=EXTRA)
    identify.run(bench_workspace(tmp_path, plan, "identify"))
    whole_play = rig.play

    def trips(drive, **more):
        if np.abs(drive.samples).max() > 0.004:
            raise RigTripped("tilt")
        return whole_play(drive, **more)

    monkeypatch.setattr(rig, "play", trips)
    outcome = replicate.run(bench_workspace(tmp_path, plan, "replicate"))
    table = load_table(tmp_path / "stages/replicate/replicate.json")["events"]["random"]
    assert any(h["tripped"] for h in table["history"])
    assert outcome.verdict == "look"
    assert all(np.abs(d).max() < 10 for d in rig.played)
