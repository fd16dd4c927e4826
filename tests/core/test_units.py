"""Units: text to SI and back. Conversion factors are those of the SI brochure and ISO 80000 (exact by definition)."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from washboard.errors import UnitError
from washboard.units import (
    QUANTITIES,
    Unit,
    convert,
    factor_to_si,
    format_quantity,
    parse_quantity,
    quantity_fits,
    si_unit,
)


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("250 mm", "m", 0.25),
        ("-3 kg", "kg", -3.0),
        ("250 l/min", "m3/s", 0.25 / 60),
        ("3 g", "m/s2", 3 * 9.80665),
        ("1.2e1 m/s²", "m/s2", 12.0),
        ("40 cm2", "m2", 40e-4),
        ("40 cm^2", "m2", 40e-4),
        ("280 bar", "Pa", 280e5),
        ("9 kN*s/m", "N*s/m", 9e3),
        ("20 °C", "K", 293.15),
        ("80 %", "1", 0.8),
        ("0.8", "1", 0.8),
        ("180 deg", "rad", math.pi),
        ("90 °", "rad", math.pi / 2),
        ("36 km/h", "m/s", 10.0),
        ("2 h", "s", 7200.0),
        ("400 kN*m/rad", "N*m/rad", 4e5),
        ("5 t", "kg", 5000.0),
        ("1500 microstrain", "m/m", 1.5e-3),
        (".5 m", "m", 0.5),
        ("60000 km", "m", 6e7),
    ],
)
def test_quantities_are_read(text, unit, value):
    assert parse_quantity(text, unit) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    "text",
    [
        "1,5 m", "±125 mm", "nan m", "inf m", "9**9**9 m", "1 000 mm", "250 MM", "fast", "", "m", "3", "1e400 m", "2.5.1 m", "5 m; import os",
        "0,25 m", "1 m/s", "__import__('os') m", "1 g", "5 kg*", "1 m**99", "1e9999 m", "1 " + "m" * 100,
    ],
)  # fmt: skip
def test_what_is_not_a_length_is_refused(text):
    with pytest.raises(UnitError):
        parse_quantity(text, "m")


def test_grams_are_told_from_gravity():
    assert parse_quantity("1 g", "m/s2") == 9.80665
    assert parse_quantity("1 g", "kg") == pytest.approx(1e-3)
    with pytest.raises(UnitError, match="grams"):
        parse_quantity("1 g", "N")


def test_a_bare_number_needs_a_unit():
    with pytest.raises(UnitError, match="has no unit"):
        parse_quantity(3.0, "m")
    with pytest.raises(UnitError, match="not a number"):
        parse_quantity(True, "1")
    assert parse_quantity(3, "1") == 3.0


@given(st.text(max_size=20))
def test_no_text_breaks_the_reader(text):
    try:
        value = parse_quantity(text, "m")
    except UnitError:
        return
    assert math.isfinite(value)


@given(st.floats(-1e12, 1e12), st.sampled_from(["mm", "km", "inch", "ft"]))
def test_conversion_and_back(value, unit):
    assert convert(convert(value, unit, "m"), "m", unit) == pytest.approx(value, rel=1e-12, abs=1e-12)


def test_si_units_of_channels():
    assert si_unit("g", "acceleration") == "m/s2"
    assert factor_to_si("g", "acceleration") == (9.80665, 0.0)
    assert si_unit("mm") == "m"
    assert si_unit("deg") == "rad"
    assert si_unit("deg/s", "angular velocity") == "rad/s"
    assert si_unit("microstrain", "strain") == "m/m"
    scale, offset = factor_to_si("degC", "temperature")
    assert scale == pytest.approx(1.0)
    assert offset == pytest.approx(273.15)


@pytest.mark.parametrize(("quantity", "unit"), QUANTITIES.items())
def test_every_quantity_has_its_unit(quantity, unit):
    assert quantity_fits(unit, quantity)
    assert factor_to_si(unit, quantity) == (1.0, 0.0)


def test_arrays_convert_without_touching_the_original():
    values = np.array([1.0, 2.0])
    assert np.array_equal(convert(values, "mm", "m"), [1e-3, 2e-3])
    assert np.array_equal(values, [1.0, 2.0])
    with pytest.raises(UnitError, match="cannot be turned"):
        convert(values, "mm", "s")


def test_bounds_say_what_is_allowed():
    stroke = Unit("m", gt=0, le=1)
    assert stroke.parse("250 mm") == 0.25
    with pytest.raises(UnitError, match="more than 0 m"):
        stroke.parse("-1 mm")
    with pytest.raises(UnitError, match="at most 1 m"):
        stroke.parse("2 m")


def test_text_for_people():
    assert format_quantity(0.25, "m", "mm") == "250 mm"
    assert format_quantity(0.8, "1") == "0.8"
    assert format_quantity(123456.0, "N") == "123456 N"
