"""The check stage from files to working copies, and what it says about bad input."""

from __future__ import annotations

import numpy as np
import pytest

from washboard.errors import ChannelError, DataError, FormatError, InputError, UnitError
from washboard.programme import gathered, parse_plan, read_record, run_stage
from washboard.programme._laps import check_table, load_laps
from washboard.programme.stages.check import STAGE
from washboard.recording import Channel, Finding, Recording, Span, read_recording, without_marked, write_recording

PLAN = """
[programme]
name = "little"
[duty]
distance = "1000 km"
[check]
{check}
[[channel]]
name = "front_az"
quantity = "acceleration"
unit = "m/s2"
[[channel]]
name = "rear_z"
quantity = "displacement"
unit = "mm"
[[event]]
name = "rough lane"
recordings = ["recordings/*.mf4"]
repeats = 10
[[rig.post]]
name = "p"
position = ["0 m", "0 m"]
[rig.link]
kind = "folder"
folder = "x"
"""


def lap(seed: int, *, n: int = 8192, rate_hz: float = 512.0) -> Recording:
    rng = np.random.default_rng(seed)
    smooth = np.convolve(rng.standard_normal(n + 31), np.hanning(32) / 16, mode="valid")
    samples = np.stack([9.0 * smooth, 20.0 * smooth]).astype(np.float32)
    channels = (
        Channel(name="front_az", unit="m/s2", quantity="acceleration"),
        Channel(name="rear_z", unit="mm", quantity="displacement"),
    )
    return Recording(samples=samples, rate_hz=rate_hz, channels=channels, name="lap")


def folder_with(tmp_path, *laps: Recording, check: str = "", toml: str = PLAN):
    (tmp_path / "recordings").mkdir()
    for number, recording in enumerate(laps, start=1):
        write_recording(recording, tmp_path / "recordings" / f"lap{number}.mf4")
    text = toml.replace("{check}", check)
    (tmp_path / "programme.toml").write_text(text)
    return tmp_path, parse_plan(text, tmp_path / "programme.toml")


def run(folder, plan):
    run_stage(STAGE, (STAGE,), folder, plan)
    return read_record(folder, "check")


def test_working_copies_are_in_si_in_the_plans_order_at_one_rate(tmp_path):
    one, two = lap(1), lap(2, n=4096, rate_hz=256.0)
    folder, plan = folder_with(tmp_path, one.select(["rear_z", "front_az"]), two)
    record = run(folder, plan)
    laps = load_laps(folder)["rough lane"]
    assert [copy.rate_hz for copy in laps] == [512.0, 512.0]
    assert laps[0].names == ("front_az", "rear_z")
    assert [channel.unit for channel in laps[0].channels] == ["m/s2", "m"]
    np.testing.assert_allclose(laps[0].values("rear_z"), one.values("rear_z") / 1000, rtol=1e-6)
    assert record.figures["n_laps_kept"] == 2
    assert check_table(folder)["rate_hz"] == 512.0


def test_a_file_in_g_becomes_metres_per_second_squared(tmp_path):
    one = lap(1)
    channels = (Channel(name="front_az", unit="g", quantity="acceleration"), one.channels[1])
    folder, plan = folder_with(tmp_path, one.replace(channels=channels))
    run(folder, plan)
    got = load_laps(folder)["rough lane"][0].values("front_az")
    np.testing.assert_allclose(got, one.values("front_az") * 9.80665, rtol=1e-6)


def test_wrong_unit_names_file_and_channel(tmp_path):
    one = lap(1)
    bad = one.replace(channels=(Channel(name="front_az", unit="kN"), one.channels[1]))
    folder, plan = folder_with(tmp_path, bad)
    with pytest.raises(UnitError, match=r"lap1\.mf4: channel 'front_az' is in 'kN', which is no unit of acceleration"):
        run(folder, plan)
    assert not (folder / "stages" / "check").exists()


def test_missing_channel_names_file_and_nearest(tmp_path):
    one = lap(1)
    renamed = one.replace(channels=(Channel(name="frnt_az", unit="m/s2"), one.channels[1]))
    folder, plan = folder_with(tmp_path, renamed)
    with pytest.raises(ChannelError, match=r"lap1\.mf4: has no channel 'front_az'; did you mean 'frnt_az'"):
        run(folder, plan)


def test_truncated_recording_is_refused(tmp_path):
    folder, plan = folder_with(tmp_path, lap(1))
    file = folder / "recordings" / "lap1.mf4"
    file.write_bytes(file.read_bytes()[: file.stat().st_size // 2])
    with pytest.raises(FormatError, match=r"lap1\.mf4: .*copy it again"):
        run(folder, plan)


def test_empty_file_is_refused(tmp_path):
    folder, plan = folder_with(tmp_path, lap(1))
    (folder / "recordings" / "lap1.mf4").write_bytes(b"")
    with pytest.raises(FormatError, match=r"lap1\.mf4: is empty"):
        run(folder, plan)


def test_short_recording_names_the_limit(tmp_path):
    folder, plan = folder_with(tmp_path, lap(1, n=600))
    with pytest.raises(DataError, match=r"lap1\.mf4: is only 1\.17 s long, shorter than check\.shortest"):
        run(folder, plan)


def test_nan_stops_with_channel_and_time(tmp_path):
    samples = lap(1).samples.copy()
    samples[0, 1000:1100] = np.nan
    folder, plan = folder_with(tmp_path, lap(1).replace(samples=samples))
    with pytest.raises(DataError, match=r"lap1\.mf4: channel 'front_az' has 100 NaN samples at 1\.95 to 2\.15 s"):
        run(folder, plan)
    assert issubclass(DataError, InputError)


def test_nan_can_be_bridged_and_stays_marked(tmp_path):
    samples = lap(1).samples.copy()
    samples[0, 1000:1010] = np.nan
    check = '[[check.repair]]\ndo = "fill"\nlongest = "50 ms"'
    folder, plan = folder_with(tmp_path, lap(1).replace(samples=samples), check=check)
    run(folder, plan)
    copy = load_laps(folder)["rough lane"][0]
    assert np.isfinite(copy.samples).all()
    marked = [span for span in copy.spans if span.kind == "repaired"]
    assert [(span.channel, span.start_s, span.end_s) for span in marked] == [("front_az", 1000 / 512, 1010 / 512)]


def test_unusable_laps_can_be_left_out(tmp_path):
    samples = lap(1).samples.copy()
    samples[0, 1000:1100] = np.nan
    folder, plan = folder_with(tmp_path, lap(1).replace(samples=samples), lap(2), check='unusable = "leave out"')
    run(folder, plan)
    assert len(load_laps(folder)["rough lane"]) == 1
    assert "NaN" in check_table(folder)["events"]["rough lane"][0]["reason"]


def test_originals_are_not_touched(tmp_path):
    check = '[[check.repair]]\ndo = "flip"\nchannel = "front_az"\n'
    folder, plan = folder_with(tmp_path, lap(1), check=check)
    file = folder / "recordings" / "lap1.mf4"
    before = file.read_bytes()
    run(folder, plan)
    assert file.read_bytes() == before
    np.testing.assert_array_equal(
        load_laps(folder)["rough lane"][0].values("front_az"), -read_recording(file).values("front_az")
    )


def test_bridged_stretches_can_be_left_out_of_all_that_follows(tmp_path):
    samples = lap(1).samples.copy()
    samples[0, 3000:3020] = np.nan
    check = 'marked = "leave out"\n[[check.repair]]\ndo = "fill"\nlongest = "50 ms"'
    folder, plan = folder_with(tmp_path, lap(1).replace(samples=samples), lap(2), check=check)
    record = run(folder, plan)
    copy, untouched = load_laps(folder)["rough lane"]
    # 20 samples, a tenth of a second on either side, and half a second of fade in common.
    assert copy.duration_s == pytest.approx(16.0 - 20 / 512 - 0.2 - 0.5, abs=0.01)
    assert untouched.duration_s == 16.0
    assert [span.kind for span in copy.spans] == ["join"]
    assert "of marked stretches left out" in record.summary
    before, after = lap(1).samples[0], copy.values("front_az")
    np.testing.assert_array_equal(after[:2600], before[:2600])
    np.testing.assert_array_equal(after[-4000:], before[-4000:])
    assert check_table(folder)["events"]["rough lane"][0]["left_out_s"] > 0.7


def test_fades_keep_a_steady_load_and_make_no_jump():
    """Complementary weights: a constant stays what it is; no step is larger than in the pieces."""
    at = np.arange(4096) / 512
    samples = np.stack([np.full(4096, 7.0), np.sin(2 * np.pi * 2 * at)])
    marks = (Span(kind="repaired", start_s=3.0, end_s=3.1, channel="b"), Span(kind="event", start_s=6.0, end_s=7.0))
    channels = (Channel(name="a", unit="m"), Channel(name="b", unit="m"))
    rest = without_marked(Recording(samples=samples, rate_hz=512.0, channels=channels, spans=marks))
    np.testing.assert_allclose(rest.values("a"), 7.0, rtol=1e-12)
    steepest = np.abs(np.diff(samples[1])).max()
    assert np.abs(np.diff(rest.values("b"))).max() < 1.5 * steepest
    event = next(span for span in rest.spans if span.kind == "event")
    assert event.start_s == pytest.approx(6.0 - (8.0 - rest.duration_s))


def test_nothing_marked_is_the_same_recording_and_all_marked_is_refused():
    one = lap(1)
    assert without_marked(one) is one
    with pytest.raises(DataError, match="nothing is left"):
        without_marked(one.replace(spans=(Span(kind="bad", start_s=0.0, end_s=16.0),)))


def test_a_lap_shifted_in_time_stays_usable_and_its_end_is_marked(tmp_path):
    check = '[[check.repair]]\ndo = "shift"\nchannel = "front_az"\nby = "-20 ms"'
    folder, plan = folder_with(tmp_path, lap(1), check=check)
    run(folder, plan)
    copy = load_laps(folder)["rough lane"][0]
    assert np.isfinite(copy.samples).all()
    marked = [span for span in copy.spans if span.kind == "repaired"]
    assert [(span.channel, span.end_s) for span in marked] == [("front_az", 16.0)]


def test_the_same_finding_in_many_laps_is_said_once():
    def one(event: str, number: int, share: float, *, channel: str = "a", kind: str = "noise") -> Finding:
        text = f"{event}, lap {number}: its noise floor is {share:.0%} of its RMS"
        return Finding(kind=kind, severity="warning", channel=channel, measured=share, text=text)

    many = [one(event, k, 0.2 + 0.01 * k) for event in ("ramp", "yard") for k in (1, 2, 3)]
    rest = [one("ramp", 1, 0.1, channel="b"), one("yard", 2, 1.0, kind="lap", channel="")]
    said = gathered([*many, *rest])
    assert [entry.channel for entry in said] == ["a", "b", ""]
    assert said[0].text == "in 6 laps of 2 events, the worst ramp, lap 3: its noise floor is 23% of its RMS"
    assert said[0].measured == 0.23
    assert said[1:] == tuple(rest)
