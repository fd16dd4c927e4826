"""Field and laboratory side by side, against closed forms."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from washboard.correlate import compare
from washboard.errors import ChannelError, DataError
from washboard.recording import Channel, Recording

RATE = 128.0


def recording(samples, units=None, names=None, rate_hz=RATE):
    samples = np.atleast_2d(samples)
    units = units or ["m/s2"] * len(samples)
    names = names or [f"r{k}" for k in range(len(samples))]
    channels = tuple(Channel(name=name, unit=unit) for name, unit in zip(names, units, strict=True))
    return Recording(samples=samples, rate_hz=rate_hz, channels=channels)


def noise(seed, rows=2, n=4096):
    return np.random.default_rng(seed).standard_normal((rows, n))


@given(gain=st.floats(0.2, 3.0))
def test_a_gain_shows_in_every_measure_as_it_must(gain):
    # Error |g-1|, levels g, spectra g squared, damage g to the power of its slope: all by definition.
    x = noise(1)
    found = compare(recording(x), recording(gain * x), event="yard", slopes=(3.0, 5.0))
    assert found.error == pytest.approx([abs(gain - 1)] * 2, abs=1e-9)
    assert found.rms_laboratory / found.rms_field == pytest.approx([gain] * 2)
    assert found.peak_ratio == pytest.approx([gain] * 2)
    assert found.damage_ratio == pytest.approx(np.tile([gain**3, gain**5], (2, 1)), rel=1e-6)
    assert found.psd_laboratory[:, 1:] / found.psd_field[:, 1:] == pytest.approx(
        np.full((2, found.frequency_hz.size - 1), gain**2), rel=1e-6
    )


def test_independent_noise_of_equal_level_has_an_error_of_root_two():
    # Var(x - y) = Var(x) + Var(y) for independent x and y.
    found = compare(recording(noise(1, n=200_000)), recording(noise(2, n=200_000)), event="yard", slopes=(5.0,))
    assert found.error == pytest.approx([np.sqrt(2)] * 2, rel=0.01)


def test_a_constant_offset_counts_for_nothing():
    x = noise(3)
    found = compare(recording(x), recording(x + 9.81), event="yard", slopes=(5.0,))
    assert found.error == pytest.approx([0, 0], abs=1e-12)
    assert found.damage_ratio == pytest.approx(np.ones((2, 1)))


def test_crossings_and_cycles_of_a_sine_are_those_counted_by_hand():
    # 20 periods cross each level inside the amplitude 20 times upwards, and make 20 cycles of twice the amplitude
    # (19 closed ones and two halves, as the history begins and ends at its mean).
    t = np.arange(int(10 * RATE)) / RATE
    x = 2.0 * np.sin(2 * np.pi * 2.0 * t + 0.1)
    found = compare(recording(x), recording(x), event="yard", slopes=(5.0,))
    inside = np.abs(found.levels[0]) < 1.9
    assert np.all(np.abs(found.crossings_field[0][inside] - 20) <= 1)
    assert found.exceedance_field[0][found.ranges[0] < 3.9] == pytest.approx(20, abs=1.01)
    assert np.array_equal(found.exceedance_field, found.exceedance_laboratory)


def test_a_channel_that_does_nothing_is_no_failure():
    x = noise(4)
    x[1] = 0.0
    found = compare(recording(x), recording(x), event="yard", slopes=(5.0,))
    assert found.error[1] == 0
    assert found.damage_ratio[1, 0] == 0


def test_channels_are_found_by_name_whatever_their_order():
    x = noise(5)
    swapped = recording(x[::-1], names=["r1", "r0"])
    assert compare(recording(x), swapped, event="yard", slopes=(5.0,)).error == pytest.approx([0, 0], abs=1e-12)


def test_what_cannot_be_compared_is_refused():
    x = noise(6)
    with pytest.raises(ChannelError, match="no channel 'r1'"):
        compare(recording(x), recording(x[:1]), event="yard", slopes=(5.0,))
    with pytest.raises(ChannelError, match="in m/s2 in the field and in m/s in the laboratory"):
        compare(recording(x), recording(x, units=["m/s2", "m/s"]), event="yard", slopes=(5.0,))
    with pytest.raises(DataError, match="must be the same"):
        compare(recording(x), recording(x[:, :-1]), event="yard", slopes=(5.0,))
