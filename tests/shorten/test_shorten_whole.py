"""Shortening as a whole: what is asked for is held, counted by a package that is not ours."""

from __future__ import annotations

import numpy as np
import pytest
import rainflow as reference
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from washboard.errors import ChannelError, DataError, InputError
from washboard.recording import Channel, Recording, Span
from washboard.shorten import (
    ShortenSettings,
    as_recording,
    damage_by_stretch,
    effects,
    end_to_end,
    kept_stretches,
    sequence_share,
    shares_asked,
    shorten,
    trade_off,
    windows_of,
)

RATE = 64.0


def _road(seed: int, n_channels: int = 3, seconds: float = 90.0, spread: float = 0.7) -> np.ndarray:
    """Channels of one vehicle: shared severity along the way, own content, one slow channel with a changing level."""
    rng = np.random.default_rng(seed)
    n = int(seconds * RATE)
    severity = np.exp(np.repeat(rng.normal(0, spread, n // 256 + 1), 256)[:n])
    sos = signal.butter(3, [0.7, 12], "band", fs=RATE, output="sos")
    rows = [
        signal.sosfilt(sos, rng.normal(size=n) * severity ** rng.uniform(0.5, 1.5)) * 10.0 ** rng.integers(-6, 4)
        for _ in range(n_channels - 1)
    ]
    slow = signal.sosfilt(signal.butter(2, 0.3, fs=RATE, output="sos"), rng.normal(size=n)) + np.sin(
        2 * np.pi * np.arange(n) / n
    )
    return np.array([*rows, slow])


def _damage(x: np.ndarray, slope: float) -> float:
    return sum(count * span**slope for span, _mean, count, _first, _last in reference.extract_cycles(x))


@given(
    seed=st.integers(0, 100_000),
    keep=st.floats(0.3, 0.98),
    window=st.sampled_from([0.5, 1.0, 2.0]),
    shortest=st.sampled_from([0.5, 2.0, 4.0]),
    spread=st.floats(0.0, 1.5),
)
@settings(max_examples=25, deadline=None)
def test_every_channel_holds_what_was_asked_by_recount(
    seed: int, keep: float, window: float, shortest: float, spread: float
) -> None:
    x = _road(seed, spread=spread)
    plan = ShortenSettings(window_s=window, shortest_s=shortest, fade_s=0.25)
    share = np.array([keep, keep / 2, keep])
    result = shorten(x, RATE, share=share, slopes=(3.0, 6.0), settings=plan)
    short = result.joined.samples
    assert short.shape[1] <= x.shape[1]
    for row, wanted in enumerate(share):
        for place, slope in enumerate((3.0, 6.0)):
            held = _damage(short[row], slope) / _damage(x[row], slope)
            assert held >= wanted * (1 - 2e-6)
            assert held == pytest.approx(result.held[row, place], rel=1e-6)
    if result.filled == 0:
        assert result.join_damage.max() <= plan.join_damage


@given(seed=st.integers(0, 100_000), order=st.permutations(range(4)))
@settings(max_examples=10, deadline=None)
def test_order_of_channels_does_not_matter(seed: int, order: list[int]) -> None:
    x = _road(seed, n_channels=4, seconds=60)
    share = np.array([0.8, 0.7, 0.6, 0.5])
    plan = ShortenSettings(fade_s=0.25)
    one = shorten(x, RATE, share=share, slopes=(5.0,), settings=plan)
    other = shorten(x[order], RATE, share=share[order], slopes=(5.0,), settings=plan)
    np.testing.assert_array_equal(one.joined.runs, other.joined.runs)
    np.testing.assert_allclose(one.joined.samples[order], other.joined.samples)


def test_a_gain_on_a_channel_changes_nothing() -> None:
    x = _road(4)
    plan = ShortenSettings(fade_s=0.25)
    share = np.full(3, 0.8)
    one = shorten(x, RATE, share=share, slopes=(3.0, 5.0), settings=plan)
    other = shorten(x * np.array([[1e-6], [1.0], [1e5]]), RATE, share=share, slopes=(3.0, 5.0), settings=plan)
    np.testing.assert_array_equal(one.joined.runs, other.joined.runs)


def test_damage_all_in_three_bursts_is_found() -> None:
    # Closed form: three equal bursts of ten cycles in silence. 60 % of damage needs two of them, and no more time.
    n, burst = int(120 * RATE), int(2 * RATE)
    x = np.zeros((1, n))
    tone = np.sin(2 * np.pi * 5 * np.arange(burst) / RATE) * signal.windows.tukey(burst, 0.2)
    for second in (20, 60, 100):
        x[0, int(second * RATE) : int(second * RATE) + burst] = tone
    plan = ShortenSettings(window_s=1.0, shortest_s=2.0, fade_s=0.5)
    result = shorten(x, RATE, share=np.array([0.6]), slopes=(5.0,), settings=plan)
    assert result.held[0, 0] == pytest.approx(2 / 3, rel=0.02)
    assert result.duration_s <= 8.0
    whole = shorten(x, RATE, share=np.array([0.95]), slopes=(5.0,), settings=plan)
    assert whole.held[0, 0] == pytest.approx(1.0, rel=0.02)
    assert whole.duration_s <= 12.0


def test_every_channel_keeps_the_ends_of_its_largest_cycle() -> None:
    x = _road(11)
    plan = ShortenSettings(fade_s=0.25)
    result = shorten(x, RATE, share=np.full(3, 0.5), slopes=(3.0,), settings=plan)
    np.testing.assert_array_equal(result.joined.samples.max(axis=1), x.max(axis=1))
    np.testing.assert_array_equal(result.joined.samples.min(axis=1), x.min(axis=1))
    assert effects(x, result.joined.samples, RATE).extremes_kept.all()


def test_no_window_ends_inside_a_transient() -> None:
    rng = np.random.default_rng(1)
    n = int(60 * RATE)
    x = 0.1 * rng.normal(size=(2, n))
    # A decaying strike across the nominal end of a window at 30 s.
    start, length = int(29.6 * RATE), int(1.0 * RATE)
    x[0, start : start + length] += 5 * np.exp(-np.arange(length) / (0.3 * RATE)) * np.sin(np.arange(length))
    edges = windows_of(x, RATE, window_s=1.0, fade_s=0.25).edges
    assert edges[0] == 0
    assert edges[-1] == n
    assert np.all(np.diff(edges) > 0)
    inside = edges[(edges > start + 2) & (edges < start + 0.5 * length)]
    assert inside.size == 0


def test_damage_by_stretch_credits_half_to_either_turning_point() -> None:
    x = _road(5)[:2]
    edges = np.array([0, 700, 701, 2000, x.shape[1]])
    found = damage_by_stretch(x, edges, (3.0, 5.5))
    for row in range(2):
        for place, slope in enumerate((3.0, 5.5)):
            wanted = np.zeros(4)
            for span, _mean, count, first, last in reference.extract_cycles(x[row]):
                for at in (first, last):
                    wanted[np.searchsorted(edges, at, side="right") - 1] += 0.5 * count * span**slope
            np.testing.assert_allclose(found[row, :, place], wanted, rtol=1e-9)


def test_a_watched_channel_asks_for_nothing_but_is_counted() -> None:
    x = _road(6)
    plan = ShortenSettings(fade_s=0.25)
    result = shorten(x, RATE, share=np.array([0.8, 0.0, 0.0]), slopes=(5.0,), settings=plan)
    alone = shorten(x[:1], RATE, share=np.array([0.8]), slopes=(5.0,), settings=plan)
    assert result.required[1, 0] == 0
    assert 0 < result.held[1, 0] <= 1.05
    assert result.bound_s == pytest.approx(alone.bound_s, rel=0.2)


def test_keeping_everything_gives_the_original_back() -> None:
    x = _road(7)
    plan = ShortenSettings(keep=1.0, fade_s=0.25)
    result = shorten(x, RATE, share=np.ones(3), slopes=(5.0,), settings=plan)
    np.testing.assert_array_equal(result.joined.samples, x)
    np.testing.assert_allclose(result.held, 1.0)


def test_time_grows_with_the_share_kept() -> None:
    x = _road(8)
    result = shorten(x, RATE, share=np.full(3, 0.8), slopes=(5.0,), settings=ShortenSettings(fade_s=0.25))
    curve = trade_off(result, gap=0.0)
    assert np.all(np.diff(curve.time_s) >= -1e-9)
    assert np.all(curve.bound_s <= curve.time_s + 1e-9)
    assert curve.time_s[-1] <= curve.original_s
    np.testing.assert_allclose(curve.share[[0, -1]], [0.5, 1.0])


def test_joins_and_carried_spans_are_marked_where_they_are() -> None:
    x = _road(9)
    plan = ShortenSettings(fade_s=0.25)
    original = Recording(
        samples=x,
        rate_hz=RATE,
        channels=tuple(Channel(name=name) for name in "abc"),
        spans=(Span(kind="repaired", start_s=0.0, end_s=90.0, channel="b", note="all of it"),),
    )
    result = shorten(x, RATE, share=np.full(3, 0.6), slopes=(5.0,), settings=plan)
    short = as_recording(result, original, settings=plan)
    joins = [span for span in short.spans if span.kind == "join"]
    assert len(joins) == len(result.joined.runs) - 1
    assert len(joins) > 0
    for span, place in zip(joins, result.joined.joins, strict=True):
        assert (span.start_s + span.end_s) / 2 == pytest.approx(place / RATE)
        assert span.end_s - span.start_s == pytest.approx(0.25)
    repaired = [span for span in short.spans if span.kind == "repaired"]
    assert sum(span.end_s - span.start_s for span in repaired) == pytest.approx(short.duration_s)
    assert short.history[-1].function == "shorten.shorten"
    assert original.samples is not short.samples


def test_reasons_name_the_channel_and_the_largest_cycles() -> None:
    x = _road(10)
    result = shorten(x, RATE, share=np.full(3, 0.6), slopes=(3.0, 5.0), settings=ShortenSettings(fade_s=0.25))
    parts = kept_stretches(result, x, names=("a", "b", "c"), slopes=(3.0, 5.0))
    assert len(parts) == len(result.joined.runs)
    for name in "abc":
        assert sum(f"largest cycle of {name}" in p.reason or f", {name}" in p.reason for p in parts) >= 1
    assert all("of the damage of" in part.reason for part in parts)


def test_effects_of_taking_out_the_calm_half() -> None:
    # 30 s of silence, 30 s of a 4 Hz sine; the sine alone has twice the mean square and the same crossings in all.
    time = np.arange(int(30 * RATE)) / RATE
    tone = np.sin(2 * np.pi * 4 * time + 0.1)
    original = np.concatenate([np.zeros_like(tone), tone])[None]
    seen = effects(original, tone[None], RATE)
    assert seen.rms[1, 0] / seen.rms[0, 0] == pytest.approx(np.sqrt(2), rel=1e-3)
    crossed = seen.original_levels.up[0] - seen.shortened_levels.up[0]
    assert np.abs(crossed).max() <= 1
    ratio = seen.shortened_psd.rms(3, 5) / seen.original_psd.rms(3, 5)
    assert ratio[0] == pytest.approx(np.sqrt(2), rel=0.1)


def test_sequence_share_adds_up_plays() -> None:
    damage = np.array([[[1.6]], [[4.5]]])
    found = sequence_share(damage, np.array([10.0, 4.0]), np.array([[50.0]]))
    assert found[0, 0] == pytest.approx((10 * 1.6 + 4 * 4.5) / 50)


def _lap(name: str, x: np.ndarray, **changes: object) -> Recording:
    channels = tuple(Channel(name=f"c{k}") for k in range(len(x)))
    return Recording(samples=x, rate_hz=RATE, channels=channels, name=name).replace(**changes)


def test_laps_of_a_sine_whose_phases_meet_join_without_a_trace() -> None:
    time = np.arange(int(12 * RATE)) / RATE
    tone = np.sin(2 * np.pi * 2 * time)[None]
    one = _lap("one", tone[:, : int(8 * RATE)])
    two = _lap("two", tone[:, : int(6 * RATE)], spans=(Span(kind="repaired", start_s=1.0, end_s=2.0),))
    joined = end_to_end([one, two], fade_s=0.5)
    # A fade of 0.5 s is one period of 2 Hz, so both laps are in phase under it.
    assert joined.duration_s == pytest.approx(13.5)
    wanted = np.sin(2 * np.pi * 2 * np.arange(joined.n_samples) / RATE)
    np.testing.assert_allclose(joined.samples[0], wanted, atol=1e-12)
    assert [(span.kind, span.start_s) for span in joined.spans] == [("repaired", 8.5), ("join", 7.5)]


def test_a_single_lap_is_left_as_it_is() -> None:
    one = _lap("one", _road(1))
    assert end_to_end([one], fade_s=0.5) is one


def test_laps_that_do_not_fit_are_refused() -> None:
    one = _lap("one", _road(1))
    with pytest.raises(DataError, match="no lap"):
        end_to_end([], fade_s=0.5)
    with pytest.raises(ChannelError, match="two: has other channels than one"):
        end_to_end([one, _lap("two", _road(2)[:2])], fade_s=0.5)
    with pytest.raises(DataError, match="two: is sampled at 32 Hz"):
        end_to_end([one, _lap("two", _road(2), rate_hz=32.0)], fade_s=0.5)
    with pytest.raises(DataError, match="less than two fades"):
        end_to_end([one, _lap("two", _road(2)[:, :40])], fade_s=0.5)


def test_shares_are_not_asked_of_constant_channels() -> None:
    x = np.array([[0.0, 1.0, 0.0], [2.0, 2.0, 2.0]])
    np.testing.assert_array_equal(shares_asked(np.array([0.8, 0.8]), x), [0.8, 0.0])


def test_a_constant_channel_is_refused_by_name() -> None:
    x = _road(1)
    x[1] = 4.0
    with pytest.raises(DataError, match=r"channel 'rear' has no damage.*constant"):
        shorten(
            x,
            RATE,
            share=np.full(3, 0.8),
            slopes=(5.0,),
            settings=ShortenSettings(),
            names=("front", "rear", "cab"),
        )


def test_samples_that_are_not_finite_are_refused() -> None:
    x = _road(1)
    x[0, 100] = np.nan
    with pytest.raises(DataError):
        shorten(x, RATE, share=np.full(3, 0.8), slopes=(5.0,), settings=ShortenSettings())


@pytest.mark.parametrize(
    ("share", "plan", "words"),
    [
        (np.full(3, 1.2), ShortenSettings(), "between 0 and 1"),
        (np.zeros(3), ShortenSettings(), "no channel is asked"),
        (np.full(2, 0.5), ShortenSettings(), "one share and one name per channel"),
        (np.full(3, 0.5), ShortenSettings(fade_s=3.0), "fade .* is longer than shortest"),
    ],
)
def test_what_cannot_be_asked_is_said(share: np.ndarray, plan: ShortenSettings, words: str) -> None:
    with pytest.raises(InputError, match=words):
        shorten(_road(1), RATE, share=share, slopes=(5.0,), settings=plan)


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_a_short_lap_with_a_slow_channel_is_shortened_and_near_the_proof(seed: int) -> None:
    # Corrections for slow cycles must neither give up and keep everything nor leave a gap.
    plan = ShortenSettings(keep=0.85, window_s=0.5, shortest_s=2.0, fade_s=0.5)
    asked = np.full(4, 0.85)
    result = shorten(_road(seed, 4, 50.0), RATE, share=asked, slopes=(3.0, 5.0, 8.0), settings=plan)
    assert (result.held >= 0.85 - 1e-6).all()
    assert result.duration_s < 0.95 * result.original_s
    assert result.gap <= max(0.01, 0.5 / result.kept_s) + 1e-9


def test_a_busy_machine_gives_the_same_result() -> None:
    # Other work slows the search down; it ends by its steps, not by the clock.
    from concurrent.futures import ThreadPoolExecutor

    plan = ShortenSettings(keep=0.8, window_s=0.5, shortest_s=1.0, fade_s=0.5)
    road = _road(7, 4, 60.0)

    def once(_number: int) -> bytes:
        result = shorten(road, RATE, share=np.full(4, 0.8), slopes=(3.0, 5.0), settings=plan)
        return result.kept.tobytes() + result.joined.samples.tobytes()

    alone = once(0)
    with ThreadPoolExecutor(3) as pool:
        assert set(pool.map(once, range(3))) == {alone}
