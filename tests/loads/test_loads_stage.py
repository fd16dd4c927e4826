"""The loads stage on a small programme with recordings whose loads are known."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from washboard.loads import LoadsSettings
from washboard.programme._plan import Plan
from washboard.programme._stage import Workspace
from washboard.programme._store import load_arrays, load_table, save_table
from washboard.programme.stages import loads
from washboard.recording import Channel, Recording, write_recording
from washboard.settings import SettingsError, from_table

RATE = 256.0


def plan() -> Plan:
    return from_table(
        Plan,
        {
            "programme": {"name": "two tones"},
            "band": {"low": "1 Hz", "high": "40 Hz"},
            "channel": [
                {"name": "axle az", "quantity": "acceleration", "unit": "m/s2", "position": ["0 m", "0 m", "0 m"]},
                {"name": "frame strain", "quantity": "strain", "unit": "m/m", "position": ["0 m", "0 m", "0 m"],
                 "role": "monitor", "slope": 3.0},
            ],
            "event": [
                {"name": "slow", "recordings": ["a*"], "repeats": 1},
                {"name": "fast", "recordings": ["b*"], "repeats": 1},
            ],
            "duty": {"distance": "100 km"},
            "loads": {"block": "4 s", "frequencies": 12, "edges": 12},
            "rig": {"post": [{"name": "left", "position": ["0 m", "0.5 m"]}]},
            "specimen": None,
        },
    )  # fmt: skip


@pytest.fixture
def workspace(tmp_path):
    folder = tmp_path / "stages" / "check"
    folder.mkdir(parents=True)
    t = np.arange(int(20 * RATE)) / RATE
    events = {}
    channels = (Channel(name="axle az", unit="m/s2", quantity="acceleration"),
                Channel(name="frame strain", unit="m/m", quantity="strain"))  # fmt: skip
    for name, hz, size in (("slow", 2.0, 1.0), ("fast", 16.0, 3.0)):
        entries = []
        for lap in range(2):
            samples = np.stack([size * np.sin(2 * np.pi * hz * t), 1e-4 * size * np.cos(2 * np.pi * hz * t)])
            file = f"{name}-lap{lap + 1}.nc"
            write_recording(Recording(samples=samples, rate_hz=RATE, channels=channels, name=name), folder / file)
            entries.append({"file": file, "original": "x", "duration_s": 20.0, "excluded": False, "reason": ""})
        events[name] = entries
    save_table(folder / "check.json", {"rate_hz": RATE, "events": events})
    out = tmp_path / "stages" / "loads"
    out.mkdir()
    return Workspace(plan=plan(), folder=tmp_path, out=out)


def test_stage_finds_event_band_and_damage(workspace):
    outcome = loads.STAGE.run(workspace)
    table = load_table(workspace.out / "loads.json")
    assert table["worst_event"] == {"axle az": "fast", "frame strain": "fast"}
    # f T (2A)^k for a sine.
    fast = table["events"]["fast"]["damage_per_lap"]
    assert fast["axle az"][table["slopes"].index(5.0)] == pytest.approx(16 * 20 * 6**5, rel=0.01)
    assert fast["frame strain"][table["slopes"].index(3.0)] == pytest.approx(16 * 20 * 6e-4**3, rel=0.01)
    low, high = table["events"]["fast"]["dominant_hz"]["axle az"]
    assert low < 20.0
    assert 12.0 < high < 25.0
    assert table["in_band"]["axle az"][0] > 0.95
    assert outcome.verdict == "fine"
    assert "'fast'" in outcome.summary
    arrays = load_arrays(workspace.out / "loads.nc")
    assert arrays["psd"].shape[:2] == (2, 2)
    assert arrays["frequency"][arrays["psd"][1, 0].argmax()] == pytest.approx(16.0)
    assert np.isfinite(arrays["damage_spectrum"][:, 0]).all()
    assert np.isnan(arrays["damage_spectrum"][:, 1]).all()
    assert arrays["from_to"][1, 0].sum() == pytest.approx(2 * 320, abs=4)


def test_exhibits_are_drawn_and_say_what_they_show(workspace):
    loads.STAGE.run(workspace)
    shown = loads.STAGE.show(workspace.folder, workspace.plan)
    assert [exhibit.title for exhibit in shown][:2] == ["Where damage comes from", "Band of the test"]
    assert all(exhibit.caption for exhibit in shown)
    assert all(exhibit.svg.startswith("<svg") or exhibit.rows for exhibit in shown)


def test_band_that_loses_the_damage_asks_for_a_look(workspace):
    narrow = dataclasses.replace(workspace.plan.band, high_hz=10.0)
    changed = dataclasses.replace(workspace, plan=dataclasses.replace(workspace.plan, band=narrow))
    outcome = loads.STAGE.run(changed)
    assert outcome.verdict == "look"
    assert "holds only" in outcome.findings[0].text
    assert outcome.findings[0].channel == "axle az"


@pytest.mark.parametrize(
    "table, words",
    [({"slopes": [3, -5]}, "above 0"), ({"classes": 2}, "classes must be from 4 to 512"), ({"quality": []}, "quality")],
)
def test_settings_that_cannot_be_are_named(table, words):
    with pytest.raises(SettingsError, match=words):
        from_table(LoadsSettings, table)
