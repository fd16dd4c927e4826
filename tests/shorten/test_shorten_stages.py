"""target and shorten as stages: from recordings in a folder to plays, files and words."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import signal

from washboard.errors import DataError
from washboard.loads import pseudo_damage
from washboard.programme import Stage, read_plan, run_stage, stage_named, status_of
from washboard.recording import Channel, Recording, read_recording, write_recording
from washboard.shorten import end_to_end

RATE_HZ = 128.0

PLAN = """
[programme]
name = "yard loader"

[[channel]]
name = "front axle az"
quantity = "acceleration"
unit = "m/s2"
slope = 5

[[channel]]
name = "rear axle az"
quantity = "acceleration"
unit = "m/s2"
slope = 4
keep = 0.9

[[channel]]
name = "cab az"
quantity = "acceleration"
unit = "m/s2"
role = "monitor"
keep = 0

[[event]]
name = "cobbles"
recordings = ["recordings/cobbles-*.nc"]
distance = "300 m"
share = 0.02

[[event]]
name = "ramp / pit"
recordings = ["recordings/ramp-*.nc"]
distance = "400 m"
share = 0.3

[duty]
distance = "20000 km"
under_test = 0.7
over_test = 2.5

[loads]
slopes = [3, 5]

[shorten]
keep = 0.8

[[rig.post]]
name = "left"
stroke = "250 mm"
position = ["0 m", "0 m"]

[[rig.post]]
name = "right"
stroke = "250 mm"
position = ["0 m", "0 m"]

[rig.link]
kind = "folder"
folder = "drop"
"""


def _lap(seed: int, level: float, *, seconds: float = 60.0, dead: str = "") -> Recording:
    rng = np.random.default_rng(seed)
    n = int(seconds * RATE_HZ)
    severity = np.repeat(np.exp(np.random.default_rng(7).normal(0, 0.6, 15)), n // 15)
    severity = np.concatenate([severity, np.ones(n - len(severity))])
    sos = signal.butter(4, [0.8, 20], "band", fs=RATE_HZ, output="sos")
    rows = [level * signal.sosfilt(sos, rng.normal(size=n) * severity * gain) for gain in (1.0, 1.4, 0.3)]
    names = ("front axle az", "rear axle az", "cab az")
    for row, name in enumerate(names):
        if name == dead:
            rows[row] = np.zeros(n)
    channels = tuple(Channel(name=name, unit="m/s2", quantity="acceleration") for name in names)
    return Recording(samples=np.array(rows, np.float32), rate_hz=RATE_HZ, channels=channels, name=f"lap {seed}")


def _stages() -> tuple[Stage, ...]:
    return tuple(stage_named(name) for name in ("check", "target", "shorten"))


def _programme(folder: Path, *, plan: str = PLAN, dead: str = "", seconds: float = 60.0) -> Path:
    (folder / "recordings").mkdir(parents=True)
    for lap in range(3):
        write_recording(_lap(lap, 3.0, dead=dead, seconds=seconds), folder / "recordings" / f"cobbles-{lap}.nc")
        write_recording(_lap(10 + lap, 1.0, dead=dead, seconds=seconds), folder / "recordings" / f"ramp-{lap}.nc")
    (folder / "programme.toml").write_text(plan, encoding="utf-8")
    return folder


def _run(folder: Path, stage: str) -> list[str]:
    done = run_stage(stage_named(stage), _stages(), folder, read_plan(folder))
    return [record.stage for record in done]


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = _programme(tmp_path_factory.mktemp("stages") / "loader")
    _run(folder, "shorten")
    return folder


def _table(folder: Path, stage: str) -> dict:
    return json.loads((folder / "stages" / stage / f"{stage}.json").read_text(encoding="utf-8"))


def test_target_damage_is_laps_times_mean_lap_damage(finished: Path) -> None:
    table = _table(finished, "target")
    slopes = table["slopes"]
    assert slopes == [3.0, 4.0, 5.0]
    check = _table(finished, "check")
    total = np.zeros((3, 3))
    for name, laps_in_service in (("cobbles", 0.02 * 20e6 / 300), ("ramp / pit", 0.3 * 20e6 / 400)):
        laps = [
            pseudo_damage(read_recording(finished / "stages" / "check" / entry["file"]).samples, slopes)
            for entry in check["events"][name]
        ]
        assert table["events"][name]["service_laps"] == pytest.approx(laps_in_service)
        total += laps_in_service * np.mean(laps, axis=0)
    found = np.array([table["damage"][name] for name in table["channels"]])
    np.testing.assert_allclose(found, total, rtol=1e-9)


def test_schedule_reaches_the_target_within_bounds_in_less_time_than_service(finished: Path) -> None:
    table = _table(finished, "target")
    damage = {
        name: sum(event["repeats"] * np.array(event["damage_per_play"][name]) for event in table["events"].values())
        / np.array(table["damage"][name])
        for name in ("front axle az", "rear axle az")
    }
    for name, ratio in damage.items():
        assert ratio.min() >= 0.7 - 1e-6
        assert ratio.max() <= 2.5 + 1e-6
        np.testing.assert_allclose(ratio, table["schedule"]["ratio"][name], rtol=1e-9)
    assert all(isinstance(event["repeats"], int) for event in table["events"].values())
    assert table["schedule"]["time_s"] < table["schedule"]["service_s"]


def _play(folder: Path, name: str, laps: list[int]) -> np.ndarray:
    check = _table(folder, "check")
    return end_to_end(
        [read_recording(folder / "stages" / "check" / check["events"][name][lap]["file"]) for lap in laps], fade_s=0.5
    ).samples


def test_shortened_files_hold_what_the_table_says(finished: Path) -> None:
    target, table = _table(finished, "target"), _table(finished, "shorten")
    names, slopes = target["channels"], target["slopes"]
    reached = np.zeros((len(names), len(slopes)))
    for name, event in table["events"].items():
        short = read_recording(finished / "stages" / "shorten" / event["file"])
        assert short.names == tuple(names)
        assert short.duration_s == pytest.approx(event["duration_s"])
        damage = pseudo_damage(short.samples, slopes)
        held = damage / pseudo_damage(_play(finished, name, event["laps"]), slopes)
        assert held[0].min() >= 0.8 * (1 - 1e-5)
        assert held[1].min() >= 0.9 * (1 - 1e-5)
        np.testing.assert_allclose([event["retained_by_slope"][channel] for channel in names], held, rtol=1e-5)
        reached += event["plays"] * damage
        assert event["duration_s"] < event["original_s"]
        assert all(part["reason"] for part in event["windows"])
        cuts = sum(span.kind == "join" and "of the original" in span.note for span in short.spans)
        assert cuts == len(event["windows"]) - 1
    whole = reached / np.array([target["damage"][channel] for channel in names])
    np.testing.assert_allclose([table["retained_by_slope"][channel] for channel in names], whole, rtol=1e-5)
    assert table["compression"] == pytest.approx(table["service_s"] / table["total_s"])


def test_plays_make_up_for_what_shortening_took(finished: Path) -> None:
    table = _table(finished, "shorten")
    for name in ("front axle az", "rear axle az"):
        assert min(table["retained_by_slope"][name]) >= 0.7 - 1e-6
        assert max(table["retained_by_slope"][name]) <= 2.5 + 1e-6


def test_without_making_up_the_schedule_stays(tmp_path: Path) -> None:
    plan = PLAN.replace("keep = 0.8\n", "keep = 0.8\nmake_up = false\n")
    folder = _programme(tmp_path / "plain", plan=plan)
    _run(folder, "shorten")
    target, table = _table(folder, "target"), _table(folder, "shorten")
    for name, event in table["events"].items():
        assert event["plays"] == target["events"][name]["repeats"]
    assert min(table["retained_by_slope"]["front axle az"]) >= 0.8 * 0.7 - 1e-3


def test_an_event_with_a_least_share_stays_in_the_test(tmp_path: Path) -> None:
    plan = PLAN.replace("share = 0.3\n", "share = 0.3\nleast = 0.2\n")
    folder = _programme(tmp_path / "kept", plan=plan)
    _run(folder, "shorten")
    for stage, key in (("target", "repeats"), ("shorten", "plays")):
        # 15 000 laps in service, three to a play.
        assert _table(folder, stage)["events"]["ramp / pit"][key] >= 0.2 * 15000 / 3


def test_the_typical_lap_alone_can_be_played(tmp_path: Path) -> None:
    plan = PLAN.replace("over_test = 2.5", 'over_test = 2.5\nlaps = "typical"')
    folder = _programme(tmp_path / "typical", plan=plan)
    _run(folder, "shorten")
    for event in _table(folder, "shorten")["events"].values():
        assert event["laps"] == [event["lap"]]
        assert event["original_s"] == pytest.approx(60.0)


def test_a_channel_that_is_only_watched_is_compared_but_not_scheduled(finished: Path) -> None:
    table = _table(finished, "target")
    reached = sum(
        event["repeats"] * np.array(event["damage_per_play"]["cab az"]) for event in table["events"].values()
    ) / np.array(table["damage"]["cab az"])
    np.testing.assert_allclose(table["schedule"]["others_ratio"]["cab az"], reached, rtol=1e-9)
    assert "cab az" not in table["schedule"]["ratio"]


def test_a_monitor_reaches_its_target_too_and_may_have_more(tmp_path: Path) -> None:
    # The cab is loaded by the second event alone: without a look at monitors the schedule would leave it out.
    plan = PLAN.replace('role = "monitor"\nkeep = 0\n', 'role = "monitor"\n')
    folder = _programme(tmp_path / "guarded", plan=plan)
    for lap in range(3):
        file = folder / "recordings" / f"ramp-{lap}.nc"
        recording = read_recording(file)
        samples = np.array(recording.samples)
        file.unlink()
        samples[2] *= 30
        write_recording(recording.replace(samples=samples), file)
    _run(folder, "shorten")
    table = _table(folder, "target")
    assert table["events"]["ramp / pit"]["repeats"] > 0
    assert min(table["schedule"]["ratio"]["cab az"]) >= 0.7 - 1e-6
    short = _table(folder, "shorten")
    assert min(short["retained_by_slope"]["cab az"]) >= 0.7 - 1e-6
    assert short["events"]["ramp / pit"]["required"]["cab az"] == 0.8


def test_both_stages_show_figures_and_tables(finished: Path) -> None:
    plan = read_plan(finished)
    for name in ("target", "shorten"):
        show = stage_named(name).show
        assert show is not None
        exhibits = show(finished, plan)
        assert any(exhibit.svg.startswith("<svg") for exhibit in exhibits)
        for exhibit in exhibits:
            assert exhibit.title
            assert all(len(row) == len(exhibit.columns) for row in exhibit.rows)


def test_the_report_prints_what_is_shown_but_the_effects_of_each_event(finished: Path) -> None:
    plan, stage = read_plan(finished), stage_named("shorten")
    assert stage.show is not None
    assert stage.printed is not None
    shown, printed = stage.show(finished, plan), stage.printed(finished, plan)
    assert printed == tuple(one for one in shown if not one.title.startswith("What shortening did to "))
    assert len(printed) < len(shown)


def test_only_what_depends_on_a_change_goes_stale(finished: Path, tmp_path: Path) -> None:
    import shutil

    folder = tmp_path / "copy"
    shutil.copytree(finished, folder)
    text = (folder / "programme.toml").read_text(encoding="utf-8")
    (folder / "programme.toml").write_text(text.replace("keep = 0.8\n", "keep = 0.75\n"), encoding="utf-8")
    states = {entry.stage: entry.state for entry in status_of(_stages(), folder, read_plan(folder))}
    assert states == {"check": "fresh", "target": "fresh", "shorten": "stale"}
    assert _run(folder, "shorten") == ["shorten"]
    (folder / "programme.toml").write_text(text.replace("share = 0.02", "share = 0.03"), encoding="utf-8")
    states = {entry.stage: entry.state for entry in status_of(_stages(), folder, read_plan(folder))}
    assert states["check"] == "fresh"
    assert states["target"] == "stale"


def test_a_constant_control_channel_is_named(tmp_path: Path) -> None:
    plan = PLAN + "\n[check]\naccept = []\n"
    folder = _programme(tmp_path / "dead", plan=plan, dead="rear axle az")
    with pytest.raises(DataError, match=r"'rear axle az'.*no damage in any event"):
        _run(folder, "target")


def test_a_constant_monitor_channel_is_no_obstacle(tmp_path: Path) -> None:
    folder = _programme(tmp_path / "quiet", dead="cab az")
    _run(folder, "shorten")
    table = _table(folder, "shorten")
    assert table["retained"]["cab az"] == 0.0
    assert table["retained"]["front axle az"] > 0


def test_a_bound_that_cannot_be_kept_is_explained_and_asks_for_a_look(tmp_path: Path) -> None:
    plan = PLAN.replace("over_test = 2.5", "over_test = 1.0").replace("under_test = 0.7", "under_test = 1.0")
    folder = _programme(tmp_path / "tight", plan=plan)
    done = run_stage(stage_named("target"), _stages(), folder, read_plan(folder))
    assert done[-1].verdict == "look"
    texts = [finding.text for finding in done[-1].findings if finding.kind == "schedule"]
    assert texts
    assert "over_test" in texts[0]
    assert "axle az" in texts[0]


def test_a_play_shorter_than_two_windows_is_kept_whole(tmp_path: Path) -> None:
    plan = PLAN.replace("keep = 0.8\n", 'keep = 0.8\nwindow = "15 s"\n')
    folder = _programme(tmp_path / "brief", plan=plan, seconds=9.0)
    _run(folder, "shorten")
    for event in _table(folder, "shorten")["events"].values():
        assert event["duration_s"] == event["original_s"]
        assert min(event["retained"].values()) == pytest.approx(1.0)
