"""What is drawn of a long recording: the definition itself (lowest and highest of each stretch) is the reference."""

import struct
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from washboard.errors import InputError
from washboard.web._pyramid import Pyramid, stretches
from washboard.web._series import series
from washboard.web._sources import Sources, inside


def lowest_highest(values: np.ndarray, first: int, last: int) -> tuple[float, float]:
    return float(np.nanmin(values[first:last])), float(np.nanmax(values[first:last]))


@pytest.mark.parametrize("n", [1, 63, 64, 65, 1023, 1025, 200_000])
@pytest.mark.parametrize("bins", [1, 7, 300])
def test_the_whole_keeps_the_highest_and_lowest_sample(n: int, bins: int) -> None:
    values = np.random.default_rng(n).standard_normal(n).astype(np.float32)
    outline = Pyramid(values[None], 100.0).outline(0, 0.0, n / 100.0, bins)
    assert (outline.low.min(), outline.high.max()) == (values.min(), values.max())


@given(st.integers(0, 2**31), st.floats(0, 1), st.floats(0, 1), st.integers(1, 900), st.integers(5_000, 60_000))
@settings(max_examples=60, deadline=None)
def test_a_single_peak_is_never_lost_and_stands_where_it_is(
    seed: int, where: float, size: float, bins: int, n: int
) -> None:
    rng = np.random.default_rng(seed)
    values = rng.standard_normal(n).astype(np.float32)
    at = int(where * (n - 1))
    values[at] = 1000.0
    rate = 512.0
    start, end = max(0.0, at / rate - size * 20), min(n / rate, at / rate + size * 20 + 0.01)
    outline = Pyramid(values[None], rate).outline(0, start, end, bins)
    assert outline.high.max() == 1000.0
    k = int(outline.high.argmax())
    slack = 1e-9 + (0 if outline.whole else 64 / rate)
    assert (
        outline.first_s + k * outline.step_s - slack <= at / rate <= outline.first_s + (k + 1) * outline.step_s + slack
    )


def test_levels_agree_with_the_samples() -> None:
    values = np.random.default_rng(3).standard_normal(300_000).astype(np.float32)
    low, high = Pyramid(values[None], 1.0).levels(0)[1]
    for k in (0, 5, len(low) - 1):
        assert (low[k], high[k]) == lowest_highest(values, 1024 * k, 1024 * (k + 1))


def test_gaps_are_passed_over_and_stay_gaps_where_nothing_is() -> None:
    values = np.arange(100_000, dtype=np.float32)
    values[20_000:60_000] = np.nan
    outline = Pyramid(values[None], 1.0).outline(0, 0.0, 100_000.0, 100)
    assert np.isnan(outline.low[30:50]).all()
    assert np.nanmax(outline.high) == 99_999.0
    assert np.isfinite(outline.low[:19]).all()


def test_few_samples_come_as_they_are() -> None:
    values = np.random.default_rng(4).standard_normal(5_000).astype(np.float32)
    outline = Pyramid(values[None], 100.0).outline(0, 10.0, 11.0, 300)
    assert outline.whole
    assert np.array_equal(outline.low, values[1000:1101])
    assert outline.first_s == 10.0


def test_outside_the_recording_there_is_nothing() -> None:
    outline = Pyramid(np.zeros((1, 100), dtype=np.float32), 10.0).outline(0, 50.0, 60.0, 10)
    assert len(outline.low) == 0


def test_stretches_cover_up_to_the_last_edge() -> None:
    low, high = stretches(np.array([3.0, 1.0, 2.0, 9.0, -4.0]), np.array([0, 2, 5]))
    assert low.tolist() == [1.0, -4.0]
    assert high.tolist() == [3.0, 9.0]


def read(answer: bytes) -> list[tuple[int, int, np.ndarray, np.ndarray]]:
    (count,) = struct.unpack_from("<I", answer, 0)
    heads = [struct.unpack_from("<IIIIdd", answer, 4 + 32 * k) for k in range(count)]
    at, found = 4 + 32 * count, []
    for layer, channel, n, whole, _first, _step in heads:
        low = np.frombuffer(answer, "<f4", n, at)
        at += 4 * n
        high = low if whole else np.frombuffer(answer, "<f4", n, at)
        at += 0 if whole else 4 * n
        found.append((layer, channel, low, high))
    assert at == len(answer)
    return found


def test_the_route_converts_to_the_unit_asked_for(folder: Path) -> None:
    sources = Sources(folder, folder / ".washboard" / "cache")
    asked = {"files": ["recordings/kerb.nc"], "start_s": 0.0, "end_s": 12.0, "bins": 200, "offsets_s": [0.0]}
    plain = read(series(sources, names=[(7, "frame strain", "m/m")], **asked))
    small = read(series(sources, names=[(7, "frame strain", "um/m")], **asked))
    assert [(layer, channel) for layer, channel, _low, _high in small] == [(0, 7)]
    np.testing.assert_allclose(small[0][3], plain[0][3] * 1e6, rtol=1e-5)


def test_a_channel_one_recording_lacks_is_left_out_of_it(folder: Path) -> None:
    sources = Sources(folder, folder / ".washboard" / "cache")
    asked = {"start_s": 0.0, "end_s": 1.0, "bins": 10, "offsets_s": [0.0]}
    assert read(series(sources, files=["recordings/kerb.nc"], names=[(0, "nobody", "m")], **asked)) == []


@pytest.mark.parametrize(
    ("start_s", "end_s", "bins"), [(1.0, 1.0, 10), (0.0, float("nan"), 10), (0.0, 1.0, 0), (0, 1, 10**9)]
)
def test_an_empty_or_monstrous_range_is_refused(folder: Path, start_s: float, end_s: float, bins: int) -> None:
    sources = Sources(folder, folder / ".washboard" / "cache")
    with pytest.raises(InputError, match="range"):
        series(
            sources, files=["recordings/kerb.nc"], names=[], start_s=start_s, end_s=end_s, bins=bins, offsets_s=[0.0]
        )


@pytest.mark.parametrize(
    "path",
    [
        "../secret.nc",
        "/etc/passwd",
        "recordings/../../secret.nc",
        ".washboard/draft.json",
        "",
        "recordings\x00/kerb.nc",
        "stages/.lock",
    ],
)
def test_no_path_leads_out_of_the_programme(folder: Path, path: str) -> None:
    (folder.parent / "secret.nc").write_text("x")
    (folder / ".washboard").mkdir()
    (folder / ".washboard" / "draft.json").write_text("{}")
    with pytest.raises(InputError):
        inside(folder, path)


def test_other_formats_are_kept_as_plain_arrays_to_be_quick_the_second_time(folder: Path) -> None:
    text = "time [s],a [m/s2]\n" + "\n".join(f"{k / 100},{k % 7}" for k in range(2000))
    (folder / "recordings" / "old.csv").write_text(text)
    cache = folder / ".washboard" / "cache"
    first = Sources(folder, cache).open("recordings/old.csv").recording
    again = Sources(folder, cache).open("recordings/old.csv").recording
    assert len(list(cache.glob("*.npy"))) == 1
    np.testing.assert_array_equal(first.samples, again.samples)
    assert again.rate_hz == pytest.approx(100.0)
