"""Faults between channels and between laps, on laps of the virtual field, which knows nothing of this room's methods."""

from __future__ import annotations

from importlib.resources import files

import numpy as np
import pytest

from washboard.programme import parse_plan
from washboard.recording import Channel, Fault, Recording, find_faults, lap_faults, plant_faults
from washboard.simulate import courses, drive_lap


@pytest.fixture(scope="module")
def laps() -> list[Recording]:
    text = (files("washboard.programme") / "examples" / "quarry-tipper.toml").read_text(encoding="utf-8")
    plan = parse_plan(text)
    course = courses("quarry-tipper")[0]
    return [drive_lap(course, plan.specimen, plan.channel, lap=lap, seed=20).in_si() for lap in range(1, 5)]


def found_in(laps: list[Recording], at: int, fault: Fault) -> dict[str, set[str]]:
    bad = plant_faults(laps[at], [fault], seed=1)
    between = lap_faults([bad if number == at else lap for number, lap in enumerate(laps)])
    kinds: dict[str, set[str]] = {}
    for finding in between[at]:
        kinds.setdefault(finding.kind, set()).add(finding.channel)
    return kinds


def test_clean_laps_say_nothing(laps):
    assert [found for lap in lap_faults(laps) for found in lap] == []
    assert [found.kind for found in find_faults(laps[0]) if found.severity != "note"] == []


@pytest.mark.parametrize("channel", ["front axle left az", "frame rear right az", "cab floor az"])
def test_one_flipped_channel_in_one_lap(laps, channel):
    assert found_in(laps, 1, Fault(kind="polarity", channel=channel)).get("polarity") == {channel}


def test_exchanged_channels_in_one_lap(laps):
    fault = Fault(kind="swap", channel="front axle left az", other="cab floor az")
    assert "swap" in found_in(laps, 2, fault)


@pytest.mark.parametrize("factor", [9.80665, 1 / 9.80665, 1000.0])
def test_one_channel_in_another_unit_in_one_lap(laps, factor):
    fault = Fault(kind="unit", channel="rear axle left az", level=factor)
    assert found_in(laps, 0, fault).get("unit") == {"rear axle left az"}


@pytest.mark.parametrize("lag_s", [0.02, 0.06])
def test_one_late_channel_in_one_lap(laps, lag_s):
    fault = Fault(kind="lag", channel="front axle left az", duration_s=lag_s)
    bad = plant_faults(laps[3], [fault], seed=1)
    found = [entry for entry in lap_faults([*laps[:3], bad])[3] if entry.kind == "lag"]
    assert [entry.channel for entry in found] == ["front axle left az"]
    # Whole samples were planted.
    assert found[0].measured == pytest.approx(round(lag_s * 512) / 512, abs=0.004)


@pytest.mark.parametrize("level", [0.5, 2.0])
def test_one_lap_out_of_line(laps, level):
    assert "lap" in found_in(laps, 2, Fault(kind="lap", level=level))


def test_polarity_by_geometry_where_all_go_together():
    """Four corners over the same long waves, one upside down, no other lap to compare with."""
    rng = np.random.default_rng(3)
    n, rate = 512 * 30, 512.0
    freq = np.fft.rfftfreq(n, 1 / rate)

    def band(low: float, high: float) -> np.ndarray:
        lines = (rng.standard_normal(freq.size) + 1j * rng.standard_normal(freq.size)) * (freq > low) * (freq < high)
        return np.fft.irfft(lines, n)

    heave, corners = band(0.6, 3.0), [(0.0, 1.0), (0.0, -1.0), (-4.0, 1.0), (-4.0, -1.0)]
    samples = np.stack([heave + 0.4 * band(0.6, 3.0) + band(8, 15) for _corner in corners]) * 50
    samples[2] *= -1
    channels = tuple(
        Channel(name=f"c{k}", unit="m/s2", quantity="acceleration", position_m=(x, y, 0.5), direction="+z")
        for k, (x, y) in enumerate(corners)
    )
    faults = find_faults(Recording(samples=samples, rate_hz=rate, channels=channels))
    assert [(found.kind, found.channel) for found in faults] == [("polarity", "c2")]


def cobbled(seed: int) -> Recording:
    """Four axle ends and two body corners over another road each time: left and right have cobbles of any phase."""
    rng = np.random.default_rng(seed)
    rate, n, speed, stone = 400.0, 12000, 2.2, 0.25
    ends = []
    for _side in range(2):
        freq = np.fft.rfftfreq(n, 1 / rate)
        lines = rng.standard_normal(freq.size) + 1j * rng.standard_normal(freq.size)
        rough = np.fft.irfft(lines * (freq > 0.7) * (freq < 30) / (1 + (freq / 6) ** 2), n)
        at = np.arange(n) / rate * speed / stone + rng.random()
        wave = np.abs(np.sin(np.pi * at))
        ends.append(rough / rough.std() + 2.0 * (wave - wave.mean()) / wave.std())
    late = round(2.3 / speed * rate)
    axles = [ends[0], ends[1], np.roll(ends[0], late), np.roll(ends[1], late)]
    kernel = np.exp(-np.arange(200) / 30.0) * np.cos(np.arange(200) / 25.0)
    body = [np.convolve(one + 0.6 * other, kernel, mode="full")[:n] for one, other in ((axles[0], axles[1]), axles[2:])]
    samples = np.stack([*axles, *body]) + 0.05 * rng.standard_normal((6, n))
    channels = tuple(Channel(name=f"c{k}", unit="m/s2", quantity="acceleration", direction="+z") for k in range(6))
    return Recording(samples=samples, rate_hz=rate, channels=channels)


@pytest.mark.parametrize("seed", range(5))
def test_a_period_of_any_phase_left_and_right_is_no_lag_and_no_exchange(seed):
    laps = [cobbled(10 * seed + k) for k in range(3)]
    assert [found.kind for lap in lap_faults(laps) for found in lap] == []


@pytest.mark.parametrize("seed", range(3))
def test_a_true_lag_and_a_true_exchange_are_found_on_such_a_road(seed):
    laps = [cobbled(10 * seed + k) for k in range(3)]
    assert found_in(laps, 1, Fault(kind="lag", channel="c2", duration_s=0.03)).get("lag") == {"c2"}
    assert "swap" in found_in(laps, 2, Fault(kind="swap", channel="c0", other="c3"))
    assert found_in(laps, 0, Fault(kind="polarity", channel="c1")).get("polarity") == {"c1"}
