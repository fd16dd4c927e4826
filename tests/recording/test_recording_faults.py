"""Faults found where they were planted, and not where a road only is rough; repairs, derived channels, alignment."""

from __future__ import annotations

import numpy as np
import pytest

from washboard.errors import ChannelError, DataError, InputError, UnitError
from washboard.recording import (
    Channel,
    DerivedChannel,
    Fault,
    Recording,
    RepairStep,
    analyse_stamps,
    band_pass,
    check_file,
    derive,
    find_faults,
    find_lag,
    import_recording,
    join_loggers,
    open_rows,
    plant_faults,
    read_recording,
    repair,
    resample,
    rows_faults,
    write_recording,
)
from washboard.testing._rough_channel import rough_channel


def rough(seed: int, **options) -> Recording:
    made = rough_channel(seed, **options)
    channel = Channel(name="x", unit=made.unit, quantity=made.quantity)
    return Recording(samples=made.samples[None], rate_hz=made.rate_hz, channels=(channel,))


PLANTED = {
    "spike": Fault(kind="spike", channel="x", level=1.0, count=5),
    "nan": Fault(kind="nan", channel="x", start_s=5.0, duration_s=0.1),
    "zero": Fault(kind="zero", channel="x", start_s=5.0, duration_s=0.3),
    "flat": Fault(kind="flat", channel="x", start_s=5.0, duration_s=0.3),
    "clipping": Fault(kind="clipping", channel="x", level=0.4),
    "offset": Fault(kind="offset", channel="x", level=-6.0),
    "drift": Fault(kind="drift", channel="x", level=5.0),
    "step": Fault(kind="step", channel="x", start_s=9.0, level=5.0),
    "resolution": Fault(kind="resolution", channel="x", level=0.5),
    "hum": Fault(kind="hum", channel="x", level=0.3),
    "aliasing": Fault(kind="aliasing", channel="x", level=0.3),
    "noise": Fault(kind="noise", channel="x", level=0.3),
}


@pytest.mark.parametrize("kind", PLANTED)
def test_each_kind_is_found_with_channel_evidence_and_a_sentence(kind):
    for seed in (3, 5):
        clean = rough(seed, kind="body acceleration", rate_hz=512.0)
        assert find_faults(clean) == ()
        found = [entry for entry in find_faults(plant_faults(clean, [PLANTED[kind]], seed=1)) if entry.kind == kind]
        assert len(found) == 1
        assert found[0].channel == "x"
        assert found[0].measured is not None
        assert len(found[0].text) > 20


@pytest.mark.parametrize("seed", range(40))
def test_rough_roads_with_potholes_raise_no_alarm(seed):
    assert [entry.kind for entry in find_faults(rough(7_000_000 + seed))] == []


def test_dropout_says_when():
    planted = plant_faults(rough(3, rate_hz=512.0), [PLANTED["nan"]], seed=1)
    finding = next(entry for entry in find_faults(planted) if entry.kind == "nan")
    assert (finding.start_s, finding.end_s) == (5.0, pytest.approx(5.1, abs=0.002))
    assert finding.severity == "error"


def test_offset_of_gravity_is_none():
    clean = rough(3, kind="body acceleration")
    upright = clean.replace(samples=clean.samples + np.float32(9.81))
    assert "offset" not in {entry.kind for entry in find_faults(upright)}


def test_clipping_at_a_known_limit_is_found_at_the_first_touch():
    clean = rough(3, kind="body acceleration")
    peak = float(np.abs(clean.samples).max())
    limited = clean.replace(channels=(Channel(name="x", unit="m/s2", quantity="acceleration", limits=(-peak, peak)),))
    assert "clipping" in {entry.kind for entry in find_faults(limited)}


def test_wrong_unit_by_plausibility():
    clean = rough(3, kind="spring travel")
    # 20 mm RMS written as if it were metres.
    wrong = clean.replace(samples=clean.samples * np.float32(1000.0))
    assert {"unit"} <= {entry.kind for entry in find_faults(wrong)}


# --- repairs ----------------------------------------------------------------------------------------------------------


def test_despike_brings_the_clean_signal_back_and_marks_it():
    clean = rough(11, kind="body acceleration", rate_hz=1024.0)
    planted = plant_faults(clean, [PLANTED["spike"]], seed=1)
    mended = repair(planted, [RepairStep(do="despike")])
    worst = np.abs(mended.recording.samples - clean.samples).max()
    assert worst < 0.1 * np.abs(planted.samples - clean.samples).max()
    changed = np.flatnonzero(planted.samples[0] != mended.recording.samples[0])
    marked = [(round(s.start_s * 1024), round(s.end_s * 1024)) for s in mended.recording.spans if s.kind == "repaired"]
    assert all(any(a <= k < b for a, b in marked) for k in changed)
    assert mended.effects[0].n_samples == changed.size
    assert planted.spans == ()
    assert mended.recording.history[-1].settings["do"] == "despike"


def test_long_gaps_are_not_filled():
    planted = plant_faults(rough(3), [Fault(kind="nan", channel="x", start_s=4, duration_s=1.0)], seed=1)
    mended = repair(planted, [RepairStep(do="fill", longest_s=0.2)])
    assert np.isnan(mended.recording.samples).any()
    assert np.isfinite(repair(planted, [RepairStep(do="fill", longest_s=1.5)]).recording.samples).all()


def test_steps_are_for_their_event_and_lap_only():
    steps = [RepairStep(do="flip", event="pot*", lap=2)]
    one = rough(3)
    assert repair(one, steps, event="pothole row", lap=1).recording is one
    flipped = repair(one, steps, event="pothole row", lap=2).recording
    np.testing.assert_array_equal(flipped.samples, -one.samples)


def test_other_repairs():
    one = rough(3, kind="body acceleration", rate_hz=512.0)
    two = repair(one, [RepairStep(do="offset", amount="1 m/s2"), RepairStep(do="rescale", factor=2.0)]).recording
    np.testing.assert_allclose(two.samples, 2 * (one.samples - 1), rtol=1e-5, atol=1e-6)
    g = repair(one, [RepairStep(do="unit", to="g")]).recording
    np.testing.assert_allclose(g.samples, one.samples * 9.80665, rtol=1e-6)
    assert repair(one, [RepairStep(do="rename", channel="x", to="y")]).recording.names == ("y",)
    late = repair(one, [RepairStep(do="shift", by_s=4 / 512)]).recording
    np.testing.assert_array_equal(late.samples[0, 4:], one.samples[0, :-4])
    short = repair(one, [RepairStep(do="cut", start_s=2.0, end_s=6.0)]).recording
    assert short.duration_s == 4.0
    without = repair(one, [RepairStep(do="cut", start_s=2.0, end_s=6.0, keep=False)]).recording
    assert without.duration_s == pytest.approx(one.duration_s - 4.0)
    assert [span.kind for span in without.spans] == ["join"]
    with pytest.raises(ChannelError, match="has no channel 'z'"):
        repair(one, [RepairStep(do="flip", channel="z")])
    with pytest.raises(InputError, match="'unit' of 'x': say in which unit"):
        repair(one, [RepairStep(do="unit")])


def test_hum_and_drift_come_off():
    clean = rough(3, kind="body acceleration", rate_hz=512.0)
    for kind, step in (("hum", RepairStep(do="hum")), ("drift", RepairStep(do="drift", low_hz=0.1))):
        planted = plant_faults(clean, [PLANTED[kind]], seed=1)
        mended = repair(planted, [step]).recording
        assert kind not in {entry.kind for entry in find_faults(mended)}


# --- derived channels -------------------------------------------------------------------------------------------------


def axles() -> Recording:
    rng = np.random.default_rng(1)
    channels = (
        Channel(name="front", unit="mm", quantity="displacement"),
        Channel(name="axle 2", unit="m", quantity="displacement"),
        Channel(name="force", unit="kN", quantity="force"),
    )
    return Recording(samples=rng.standard_normal((3, 100)), rate_hz=10.0, channels=channels)


def test_pitch_from_two_axles_in_degrees():
    pitch = DerivedChannel(
        name="pitch", expression='(ch("axle 2") - front) / wheelbase', unit="deg", quantity="angle",
        constant={"wheelbase": "4 m"},
    )  # fmt: skip
    one = axles()
    got = derive(one, [pitch]).values("pitch")
    np.testing.assert_allclose(got, np.degrees((one.values("axle 2") - one.values("front") / 1000) / 4))


@pytest.mark.parametrize(
    ("expression", "error", "words"),
    [
        ("front + force", UnitError, "cannot add"),
        ("front * force", UnitError, "gives .* not"),
        ("nothing + front", ChannelError, "has no channel 'nothing'"),
        ("__import__('os').system('true')", InputError, "only"),
        ("front.__class__", InputError, "only"),
        ("[x for x in front]", InputError, "only"),
        ("(lambda: front)()", InputError, "only"),
        ("front if front else front", InputError, "only"),
        ("front ** 9**9", UnitError, "a power must be"),
        ("open('x')", InputError, "only|there is no function"),
        ("front +", InputError, "is not arithmetic"),
        ("(" * 300 + "front" + ")" * 300, InputError, "longer than|not arithmetic|too deep"),
        ("-" * 400 + "front", InputError, "nested too deep"),
        ("f'{front}'", InputError, "only"),
    ],
)
def test_only_arithmetic_with_fitting_units(expression, error, words):
    with pytest.raises(error, match=words):
        derive(axles(), [DerivedChannel(name="d", expression=expression, unit="mm", quantity="displacement")])


@pytest.mark.parametrize(
    "expression",
    [
        "ch(1)",
        "1" + "0" * 400,
        "ch",
        "().__class__.__bases__[0].__subclasses__()",
        "[z for z in front]",
        "(lambda: front)()",
        "front if 1 else force",
        "(z := 3)",
        "front ** 9 ** 9",
        "front @ force",
        "abs(*[front])",
        "ch(name='front')",
        "f'{front}'",
        "front[0]",
        "-" * 499 + "1",
        "front\x00",
        "",
    ],
)
def test_nothing_but_arithmetic_is_let_through_and_no_other_error_gets_out(expression):
    entry = DerivedChannel(name="d", expression=expression, unit="m", quantity="displacement")
    with pytest.raises((InputError, UnitError, ChannelError)):
        derive(axles(), [entry])


@pytest.mark.parametrize(
    "expression", ["front / 0", "0 ** -1 * front", "(-8) ** (1 / 3) * front", "sqrt(-front*front)"]
)
def test_a_channel_without_a_value_says_where(expression):
    entry = DerivedChannel(name="d", expression=expression, unit="m", quantity="displacement")
    with pytest.raises(InputError, match=r"has no value at \d+ samples of .*, first at"):
        derive(axles(), [entry])


def test_missing_samples_stay_missing_in_what_is_derived_from_them():
    holed = axles()
    samples = holed.samples.copy()
    samples[0, 10:20] = np.nan
    entry = DerivedChannel(name="d", expression='front - ch("axle 2")', unit="m", quantity="displacement")
    got = derive(holed.replace(samples=samples), [entry]).values("d")
    assert np.flatnonzero(np.isnan(got)).tolist() == list(range(10, 20))


def test_a_mean_of_many_channels_is_not_too_deep():
    entry = DerivedChannel(name="d", expression="(" + "+front" * 60 + ")/60", unit="m", quantity="displacement")
    np.testing.assert_allclose(derive(axles(), [entry]).values("d"), axles().values("front") / 1000, rtol=1e-12)


# --- time -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("lag", [0.0123, -0.4567, 1.5])
def test_lag_of_two_loggers_to_a_hundredth_of_a_sample(lag):
    rate, n = 512.0, 20000
    rng = np.random.default_rng(2)
    freq = np.fft.rfftfreq(2 * n, 1 / rate)
    lines = (rng.standard_normal(freq.size) + 1j * rng.standard_normal(freq.size)) * (freq < 60) * (freq > 0.5)
    first = np.fft.irfft(lines)[:n]
    second = np.fft.irfft(lines * np.exp(-2j * np.pi * freq * lag))[:n]
    found = find_lag(first, second + 0.02 * rng.standard_normal(n) * first.std(), rate)
    assert found.lag_s == pytest.approx(lag, abs=0.05 / rate)
    assert found.correlation > 0.9


def test_joined_loggers_are_aligned_and_not_made_up_outside():
    rate = 512.0
    clean = rough(3, kind="body acceleration", rate_hz=rate)
    other = clean.cut(1.0, 15.0).replace(name="second")
    joined = join_loggers(clean, other, by=("x", "x"))
    assert joined.alignment.lag_s == pytest.approx(-1.0, abs=1e-3)
    got = joined.recording.values("x 2")
    inside = slice(round(1.2 * rate), round(14.8 * rate))
    np.testing.assert_allclose(got[inside], clean.values("x")[inside], atol=0.02 * clean.samples.std())
    assert np.isnan(got[: round(0.9 * rate)]).all()
    assert {span.kind for span in joined.recording.spans} == {"gap"}
    with pytest.raises(DataError, match="do not look alike"):
        join_loggers(clean, rough(99, kind="body acceleration", rate_hz=rate), by=("x", "x"))


def test_clock_drift_between_loggers():
    rate, n, ppm = 256.0, 256 * 240, 100.0
    rng = np.random.default_rng(3)
    at = np.arange(n) / rate
    tones = [(f, rng.uniform(0, 6)) for f in rng.uniform(1, 20, 60)]
    first = sum(np.sin(2 * np.pi * f * at + p) for f, p in tones)
    second = sum(np.sin(2 * np.pi * f * at / (1 + 1e-6 * ppm) + p) for f, p in tones)
    found = find_lag(first, second, rate)
    assert found.drift_known
    assert found.drift_ppm == pytest.approx(ppm, rel=0.1)


def test_time_stamps_are_looked_through():
    rng = np.random.default_rng(1)
    even = np.arange(5000) / 200
    assert analyse_stamps(even).even
    assert analyse_stamps(even).rate_hz == 200.0
    shaky = analyse_stamps(even + rng.uniform(-0.2, 0.2, 5000) / 200)
    assert shaky.rate_hz == pytest.approx(200.0, rel=1e-4)
    assert 0.15 < shaky.jitter < 0.45
    repeated = np.insert(even, 100, even[100])
    assert analyse_stamps(repeated).repeats == 1
    drifting = even + 1e-4 * even**2
    assert abs(analyse_stamps(drifting).drift_ppm) > 1000
    assert len(analyse_stamps(np.delete(even, [50, 51, 900])).gaps) == 2


def test_resampling_keeps_the_band_and_stops_what_would_fold():
    rate, n = 1000.0, 10000
    at = np.arange(n) / rate
    slow, fast = np.sin(2 * np.pi * 40 * at), np.sin(2 * np.pi * 190 * at)
    one = Recording(samples=np.stack((slow, fast)), rate_hz=rate, channels=(Channel(name="a"), Channel(name="b")))
    two = resample(one, 256.0)
    inside = slice(300, -300)
    np.testing.assert_allclose(two.samples[0][inside], np.sin(2 * np.pi * 40 * two.time_s)[inside], atol=2e-3)
    assert np.abs(two.samples[1][inside]).max() < 1e-3
    assert two.history[-1].settings["stop_db"] == 80.0
    with pytest.raises(DataError, match="cannot be resampled"):
        resample(one, 0.05)


def test_band_pass_shifts_nothing_and_halves_at_the_corner():
    at = np.arange(20000) / 500
    one = Recording(samples=np.sin(2 * np.pi * 20 * at)[None], rate_hz=500.0, channels=(Channel(name="a"),))
    same = band_pass(one, low_hz=1.0, high_hz=100.0)
    np.testing.assert_allclose(same.samples[0, 2000:-2000], one.samples[0, 2000:-2000], atol=1e-3)
    # Two passes of a Butterworth filter at its corner: 2 ** -0.5 squared (Oppenheim and Schafer).
    half = band_pass(one, high_hz=20.0)
    assert np.abs(half.samples[0, 2000:-2000]).max() == pytest.approx(0.5, abs=0.01)


# --- size -------------------------------------------------------------------------------------------------------------


def test_import_in_pieces_is_the_same_as_reading_whole(tmp_path, monkeypatch):
    from washboard.recording import _stream

    one = rough(3, rate_hz=1000.0)
    write_recording(one, tmp_path / "a.mf4")
    small = _stream.stream_mdf4
    monkeypatch.setattr(_stream, "stream_mdf4", lambda path: small(path, block_bytes=20_000))
    import_recording(tmp_path / "a.mf4", tmp_path / "a.nc")
    copy = read_recording(tmp_path / "a.nc")
    np.testing.assert_array_equal(copy.samples, one.samples)
    assert copy.rate_hz == one.rate_hz
    assert copy.channels == one.channels


def test_checking_a_file_is_checking_its_channels(tmp_path):
    planted = plant_faults(rough(3, rate_hz=512.0), [PLANTED["spike"], PLANTED["hum"]], seed=1)
    write_recording(planted, tmp_path / "a.nc")
    assert {entry.kind for entry in check_file(tmp_path / "a.nc")} == {entry.kind for entry in find_faults(planted)}


@pytest.mark.parametrize("name", ["a.nc", "a.mf4", "a.parquet"])
def test_faults_found_row_by_row_are_those_found_in_memory(tmp_path, name):
    line = rough(3, rate_hz=512.0).samples[0]
    sides = tuple(
        Channel(name=side, unit="m/s2", quantity="acceleration", direction="+z", position_m=(0.0, y, 0.5))
        for side, y in (("x", 0.9), ("right", -0.9))
    )
    pair = Recording(samples=np.stack([line, line / 9.81]), rate_hz=512.0, channels=sides)
    write_recording(plant_faults(pair, [PLANTED["spike"]], seed=1), tmp_path / name)
    wanted = find_faults(read_recording(tmp_path / name))
    assert {"spike", "unit"} <= {entry.kind for entry in wanted}
    with open_rows(tmp_path / name, tmp_path / "scratch") as rows:
        assert rows_faults(rows) == wanted
    assert not (tmp_path / "scratch").exists()


# --- what measured files taught ---------------------------------------------------------------------------------------


def test_stamps_written_to_a_few_digits_are_an_even_grid_and_samples_stay_as_they_are(tmp_path):
    """Six digits, as tables often have: late in the record a third of an interval is lost."""
    rng = np.random.default_rng(4)
    values, rate = rng.standard_normal(60000), 3004.8
    lines = [f"{k / rate:.6g},{float(value)!r}" for k, value in enumerate(values)]
    (tmp_path / "rounded.csv").write_text("time,a\n" + "\n".join(lines) + "\n")
    read = read_recording(tmp_path / "rounded.csv")
    np.testing.assert_array_equal(read.values("a"), values)
    assert read.rate_hz == pytest.approx(rate, rel=1e-6)


def test_truly_uneven_stamps_are_told_and_not_taken_for_rounded():
    rng = np.random.default_rng(4)
    stamps = np.arange(4000) * 0.01
    uneven = np.round(stamps + rng.uniform(-0.003, 0.003, stamps.size), 3)
    assert analyse_stamps(uneven).rounded_to_s == 0.0
    assert not analyse_stamps(uneven).even
    assert analyse_stamps(np.round(np.arange(4000) / 307.0, 3)).rounded_to_s == 0.001
    assert analyse_stamps((np.arange(4000) / 307.0 + 900.0).astype(np.float32).astype(np.float64)).even


def test_uneven_sampling_and_gaps_are_a_finding_and_clipped_samples_stay_clipped(tmp_path):
    """As a logger without a clock of its own writes it: 10 ms give or take, some samples left out, range 2 g."""
    rng = np.random.default_rng(6)
    n = 6000
    stamps = np.cumsum(np.round(10 + rng.uniform(-3, 3, n))) / 1000
    wave = np.convolve(rng.standard_normal(n + 20), np.hanning(7), mode="valid")[:n]
    values = np.round(np.clip(1.0 + 0.4 * wave / wave.std(), -1.9999, 1.9999), 4)
    kept = rng.random(n) > 0.01
    rows = [f"{t:.3f},{v:.4f}" for t, v in zip(stamps[kept], values[kept], strict=True)]
    (tmp_path / "shaky.csv").write_text("time,az\n" + "\n".join(rows) + "\n")
    found = {entry.kind: entry for entry in find_faults(read_recording(tmp_path / "shaky.csv"))}
    assert "gaps" in found["time"].text
    assert "uneven steps" in found["time"].text
    assert found["clipping"].measured == pytest.approx((values[kept] == 1.9999).sum(), abs=3)


def test_clipping_of_single_samples_without_an_anti_alias_filter():
    """White content leaves the limit at once: no two samples in a row lie there."""
    rng = np.random.default_rng(7)
    values = np.round(9.81 + 3.0 * rng.standard_normal(100_000), 3)
    channel = Channel(name="x", unit="m/s2", quantity="acceleration")

    def kinds(samples: np.ndarray) -> set[str]:
        return {f.kind for f in find_faults(Recording(samples=samples[None], rate_hz=500.0, channels=(channel,)))}

    assert "clipping" not in kinds(values)
    assert "clipping" not in kinds(np.round(values))
    assert "clipping" in kinds(np.minimum(values, 19.6))


def test_every_finding_has_a_time_a_number_a_severity_and_a_sentence():
    for kind, fault in PLANTED.items():
        clean = rough(3, kind="body acceleration", rate_hz=512.0)
        for found in find_faults(plant_faults(clean, [fault], seed=1)):
            assert None not in {found.start_s, found.end_s}, kind
            assert 0.0 <= found.start_s <= found.end_s <= clean.duration_s + 1e-9
            assert found.measured is not None
            assert found.severity in {"note", "warning", "error"}
            assert found.text


def test_a_unit_that_nobody_knows_stops_nothing():
    clean = rough(3, kind="body acceleration")
    odd = clean.replace(channels=(Channel(name="x", unit="HBUNLOS", quantity="acceleration"),))
    assert find_faults(odd) == ()


def test_a_dead_channel_is_stuck_and_nothing_else():
    channel = Channel(name="x", unit="V", quantity="voltage")
    dead = Recording(samples=np.full((1, 20000), 0.063), rate_hz=512.0, channels=(channel,))
    assert [entry.kind for entry in find_faults(dead)] == ["flat"]


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("apart", [4, 7, 12])
def test_spikes_close_to_each_other_are_all_found_and_bridged(seed, apart):
    """A loose connector chatters: three spikes within some tens of samples."""
    clean = rough(7_000_100 + seed)
    samples = clean.samples.copy()
    height = 2.0 * float(np.abs(samples - np.median(samples)).max())
    places = [3000, 3000 + apart, 3000 + 2 * apart]
    samples[0, places] += np.array([height, -height, height], dtype=samples.dtype)
    mended = repair(clean.replace(samples=samples), [RepairStep(do="despike")]).recording
    assert np.abs(mended.samples - clean.samples).max() < 0.1 * height
    changed = np.flatnonzero(mended.samples[0] != samples[0])
    assert set(places) <= set(changed.tolist())
    assert changed.size <= 9
