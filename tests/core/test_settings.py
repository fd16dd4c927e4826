"""Settings: one object from tables, with every problem found and named as the user wrote it."""

from typing import Annotated, Literal

import pytest

from washboard.settings import SettingsError, from_table, known_keys, settings, to_plain, toml_key
from washboard.units import Unit


@settings
class Inner:
    stroke_m: Annotated[float, Unit("m", gt=0)]
    kind: Literal["post", "kingpin"] = "post"


@settings
class Outer:
    name: str
    post: tuple[Inner, ...] = ()
    area_m2: Annotated[float, Unit("m2")] | None = None


def test_keys_have_no_unit_and_text_has_one():
    made = from_table(Outer, {"name": "a", "post": [{"stroke": "250 mm"}], "area": "40 cm2"})
    assert made == Outer(name="a", post=(Inner(stroke_m=0.25),), area_m2=pytest.approx(40e-4))


def test_every_problem_is_found_with_its_place():
    with pytest.raises(SettingsError) as caught:
        from_table(Outer, {"post": [{"stroke": "1 kN"}, {"strok": "1 m"}, {"stroke": "1 m", "kind": "wheel"}]})
    found = {problem.path: problem.text for problem in caught.value.problems}
    assert found[("name",)] == "is missing"
    assert "something in m is needed" in found[("post", 0, "stroke")]
    assert found[("post", 1, "strok")] == "no such key; did you mean stroke?"
    assert "'wheel' is not one of" in found[("post", 2, "kind")]


@pytest.mark.parametrize(
    ("field", "key"), [("stroke_m", "stroke"), ("low_hz", "low"), ("max_acceleration_m_s2", "max_acceleration"), ("m", "m"), ("name", "name")]
)  # fmt: skip
def test_key_of_a_field(field, key):
    assert toml_key(field) == key


def test_known_keys_of_a_nested_table():
    assert known_keys(Outer, ("post", 3)) == ["stroke", "kind"]


def test_settings_are_frozen_and_plain():
    made = from_table(Outer, {"name": "a", "post": [{"stroke": "1 m"}]})
    with pytest.raises(AttributeError):
        made.name = "b"
    assert to_plain(made) == {"name": "a", "post": [{"stroke_m": 1.0, "kind": "post"}], "area_m2": None}
