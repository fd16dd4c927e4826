"""target and shorten in the hands of someone who tries things: every wish gives sense or a clear sentence."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import signal

from washboard.errors import WashboardError
from washboard.programme import read_plan, run_stage, stage_named
from washboard.recording import Channel, Recording, write_recording

RATE_HZ = 64.0
NAMES = ("front az", "rear az", "cab az")

TEXT = """
[programme]
name = "yard loader"

[[channel]]
name = "front az"
quantity = "acceleration"
unit = "m/s2"
slope = 5
{front}

[[channel]]
name = "rear az"
quantity = "acceleration"
unit = "m/s2"
slope = 4

[[channel]]
name = "cab az"
quantity = "acceleration"
unit = "m/s2"
role = "monitor"
{cab}

[[event]]
name = "cobbles"
recordings = ["recordings/cobbles-*.nc"]
distance = "300 m"
{cobbles}

[[event]]
name = "ramp"
recordings = ["recordings/ramp-*.nc"]
distance = "400 m"
{ramp}

[duty]
{duty}

[loads]
slopes = {slopes}

[band]
low = "{low}"
high = "{high}"

[shorten]
{shorten}

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

USUAL = {
    "front": "",
    "cab": "",
    "cobbles": "share = 0.02",
    "ramp": "share = 0.3",
    "duty": 'distance = "2000 km"\nunder_test = 0.7\nover_test = 2.5',
    "slopes": "[3, 5]",
    "low": "0.8 Hz",
    "high": "22 Hz",
    "shorten": 'keep = 0.8\nwindow = "1 s"',
}


def _lap(seed: int, level: float, seconds: float, dead: str) -> Recording:
    rng = np.random.default_rng(seed)
    n = int(seconds * RATE_HZ)
    severity = np.repeat(np.exp(np.random.default_rng(7).normal(0, 0.6, 15)), -(-n // 15))[:n]
    sos = signal.butter(4, [0.8, 20], "band", fs=RATE_HZ, output="sos")
    rows = [level * signal.sosfilt(sos, rng.normal(size=n) * severity * gain) for gain in (1.0, 1.4, 0.3)]
    rows = [np.zeros(n) if name == dead else row for name, row in zip(NAMES, rows, strict=True)]
    channels = tuple(Channel(name=name, unit="m/s2", quantity="acceleration") for name in NAMES)
    return Recording(samples=np.array(rows, np.float32), rate_hz=RATE_HZ, channels=channels, name=f"lap {seed}")


def _try(folder: Path, stage: str, *, laps: int = 3, seconds: float = 40.0, dead: str = "", **changes: str) -> dict:
    (folder / "recordings").mkdir(parents=True)
    for lap in range(laps):
        write_recording(_lap(lap, 3.0, seconds, dead), folder / "recordings" / f"cobbles-{lap}.nc")
        write_recording(_lap(10 + lap, 1.0, seconds, dead), folder / "recordings" / f"ramp-{lap}.nc")
    (folder / "programme.toml").write_text(TEXT.format(**{**USUAL, **changes}), encoding="utf-8")
    stages = tuple(stage_named(name) for name in ("check", "target", "shorten"))
    done = run_stage(stage_named(stage), stages, folder, read_plan(folder))
    table = json.loads((folder / "stages" / stage / f"{stage}.json").read_text(encoding="utf-8"))
    texts = " | ".join(finding.text for finding in done[-1].findings)
    return {"table": table, "record": done[-1], "texts": texts}


def test_years_of_a_yearly_distance_are_that_distance(tmp_path: Path) -> None:
    years = _try(tmp_path / "a", "target", duty='distance = "500 km"\nyears = 4\nunder_test = 0.7\nover_test = 2.5')
    once = _try(tmp_path / "b", "target")
    assert years["table"]["service"] == "4 years of 500 km"
    assert years["table"]["damage"] == once["table"]["damage"]
    hours = _try(tmp_path / "c", "target", duty='time = "400 h"\nunder_test = 0.7\nover_test = 2.5')
    assert hours["table"]["service"] == "400 h"
    assert hours["table"]["events"]["ramp"]["service_laps"] == pytest.approx(0.3 * 400 * 3600 / 40)


def test_one_lap_only_is_said_and_has_the_scatter_of_its_pieces(tmp_path: Path) -> None:
    found = _try(tmp_path / "a", "target", laps=1)
    assert "one lap only of cobbles, ramp: its scatter is that of its pieces" in found["texts"]
    widths = np.array([found["table"]["half_width"][name] for name in NAMES], float)
    assert np.isfinite(widths).all()
    assert (widths > 0.02).all()
    short = _try(tmp_path / "b", "target", laps=1, duty=USUAL["duty"] + '\nblock = "10 s"')
    assert "its scatter, and so the target's, is not known" in short["texts"]


def test_an_event_of_no_repeats_is_counted_but_not_played(tmp_path: Path) -> None:
    found = _try(tmp_path, "shorten", cobbles="repeats = 0", ramp="repeats = 1500")
    assert list(found["table"]["events"]) == ["ramp"]
    assert "'cobbles' is not shortened" in found["texts"]
    target = json.loads((tmp_path / "stages" / "target" / "target.json").read_text(encoding="utf-8"))
    assert target["events"]["cobbles"]["repeats"] == 0


def test_a_silent_monitor_and_a_silent_control_channel(tmp_path: Path) -> None:
    found = _try(tmp_path / "a", "shorten", dead="cab az")
    assert {event["required"]["cab az"] for event in found["table"]["events"].values()} == {0}
    with pytest.raises(WashboardError, match="'front az' has no damage in any event"):
        _try(tmp_path / "b", "target", dead="front az")


def test_a_share_of_one_keeps_what_does_damage_and_says_so(tmp_path: Path) -> None:
    found = _try(tmp_path, "shorten", shorten='keep = 1.0\nwindow = "1 s"', seconds=30.0)
    for event in found["table"]["events"].values():
        assert min(event["retained"].values()) >= 1 - 1e-6
    assert "cannot be shortened by more than 2 %" in found["texts"]


def test_each_channel_holds_its_own_share(tmp_path: Path) -> None:
    found = _try(tmp_path, "shorten", front="keep = 0.95", cab="keep = 0")
    for event in found["table"]["events"].values():
        assert event["required"] == {"front az": 0.95, "rear az": 0.8, "cab az": 0.0}
        for name in NAMES:
            assert min(event["retained_by_slope"][name]) >= event["required"][name] - 1e-6


def test_two_groups_and_a_percentile(tmp_path: Path) -> None:
    groups = (
        '\n[[duty.group]]\nname = "hard"\nweight = 1\nshare = { cobbles = 0.06, ramp = 0.2 }'
        '\n[[duty.group]]\nname = "soft"\nweight = 3\nshare = { cobbles = 0.01, ramp = 0.3 }'
    )
    plain = _try(tmp_path / "a", "target", duty=USUAL["duty"] + groups)["table"]
    most = _try(tmp_path / "b", "target", duty=USUAL["duty"] + "\npercentile = 0.95" + groups)["table"]
    for name in NAMES:
        np.testing.assert_allclose(
            most["damage"][name], np.array(plain["damage"][name]) * most["percentile_factor"][name]
        )
    assert most["percentile_factor"]["front az"][0] > 1.5
    assert plain["events"]["cobbles"]["service_laps"] == pytest.approx((0.06 + 3 * 0.01) / 4 * 2e6 / 300)


def test_more_slopes_are_held_too(tmp_path: Path) -> None:
    found = _try(tmp_path, "target", slopes="[2, 3.5, 9]")
    assert found["table"]["slopes"] == [2.0, 3.5, 4.0, 5.0, 9.0]
    ratio = np.array([found["table"]["schedule"]["ratio"][name] for name in NAMES])
    assert ratio.shape == (3, 5)
    assert (ratio >= 0.7 - 1e-6).all()


def test_damage_outside_the_band_is_said_with_its_number(tmp_path: Path) -> None:
    found = _try(tmp_path, "target", low="6 Hz")
    record, table = found["record"], found["table"]
    assert record.verdict == "look"
    # Two tones a decade apart would tell it exactly; here the number is held against the band taken out by scipy.
    share = table["outside_band"]["front az"][table["slopes"].index(5.0)]
    assert share > 0.3
    assert f"{share:.0%} at slope 5" in found["texts"]
    assert "lies outside 6 to 22 Hz" in record.summary
    whole = _try(tmp_path / "whole", "target", low="0.2 Hz", high="30 Hz")
    assert whole["record"].verdict == "fine"
    assert max(max(share) for share in whole["table"]["outside_band"].values()) < 0.05


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"cobbles": "share = 0.8"}, r"shares of all users add up to 110\.0%"),
        ({"cobbles": "share = 1.2"}, "share"),
        ({"cobbles": "share = 0", "ramp": "share = 0"}, "no event occurs in the service"),
        ({"duty": ""}, "distance .* or time"),
        ({"duty": 'distance = "2000 km"\ntime = "5 h"'}, "give either distance"),
        ({"duty": 'distance = "2000 km"\nunder_test = 0.9\nover_test = 0.8'}, "over_test"),
        ({"duty": 'distance = "2000 km"\npercentile = 0.95'}, "at least two groups"),
        ({"duty": 'distance = "2000 km"\n[[duty.group]]\nname = "g"\nshare = { lake = 0.5 }'}, "lake"),
        ({"slopes": "[]"}, "slope"),
        ({"slopes": "[-3]"}, "slope"),
    ],
)
def test_wishes_that_contradict_themselves_get_a_sentence(tmp_path: Path, changes: dict, words: str) -> None:
    with pytest.raises(WashboardError, match=words) as caught:
        _try(tmp_path, "target", seconds=20.0, laps=1, **changes)
    assert len(str(caught.value)) > 40


@pytest.mark.parametrize(
    ("shorten", "words"),
    [
        ('fade = "3 s"\nshortest = "2 s"', "fade .* is longer than shortest"),
        ("keep = 1.5", "keep"),
        ("keep = 0", "keep"),
        ('window = "-1 s"', "window"),
    ],
)
def test_windows_that_cannot_be_get_a_sentence(tmp_path: Path, shorten: str, words: str) -> None:
    with pytest.raises(WashboardError, match=words):
        _try(tmp_path, "shorten", seconds=20.0, laps=1, shorten=shorten)


def test_a_shortest_stretch_longer_than_the_lap_keeps_it_whole(tmp_path: Path) -> None:
    found = _try(tmp_path, "shorten", seconds=20.0, shorten='shortest = "5 min"')
    for event in found["table"]["events"].values():
        assert event["duration_s"] == pytest.approx(event["original_s"])
    assert "cannot be shortened" in found["texts"]
