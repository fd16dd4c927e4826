"""Laps in service: distance, hours, years, groups of users, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest

from washboard.duty import DutySettings, EventPlan, UserGroup, service_text, usage
from washboard.errors import InputError
from washboard.settings import from_table

LAP_S = {"ramp": 30.0, "yard": 20.0}


def _events(**changes: dict) -> tuple[EventPlan, ...]:
    ramp = {"name": "ramp", "recordings": ("r",), "distance_m": 200.0, "share": 0.25} | changes.get("ramp", {})
    yard = {"name": "yard", "recordings": ("y",), "distance_m": 100.0, "share": 0.5} | changes.get("yard", {})
    return EventPlan(**ramp), EventPlan(**yard)


def test_shares_of_a_distance() -> None:
    mix = usage(_events(), DutySettings(distance_m=60e6), LAP_S)
    np.testing.assert_allclose(mix.laps, [[0.25 * 60e6 / 200, 0.5 * 60e6 / 100]])
    assert mix.service == "60000 km"
    assert mix.covered[0] == pytest.approx(0.75)


def test_shares_of_a_time_use_the_length_of_a_lap() -> None:
    mix = usage(_events(), DutySettings(time_s=8000 * 3600), LAP_S)
    np.testing.assert_allclose(mix.laps, [[0.25 * 8000 * 3600 / 30, 0.5 * 8000 * 3600 / 20]])
    assert mix.service == "8000 h"


def test_years_multiply_what_one_year_holds() -> None:
    duty = from_table(DutySettings, {"time": "1200 h", "years": 10})
    assert service_text(duty) == "10 years of 1200 h"
    whole = usage(_events(), DutySettings(time_s=12000 * 3600), LAP_S)
    np.testing.assert_allclose(usage(_events(), duty, LAP_S).laps, whole.laps)


def test_repeats_are_laps_and_count_towards_what_is_covered() -> None:
    events = _events(ramp={"share": None, "repeats": 1500.0})
    mix = usage(events, DutySettings(distance_m=1e6), LAP_S)
    assert mix.laps[0, 0] == 1500
    assert mix.covered[0] == pytest.approx(0.5 + 1500 * 200 / 1e6)
    unknown = usage(
        _events(ramp={"share": None, "repeats": 3.0, "distance_m": None}), DutySettings(distance_m=1e6), LAP_S
    )
    assert np.isnan(unknown.covered[0])


def test_groups_weigh_in() -> None:
    duty = DutySettings(
        distance_m=1e6,
        group=(
            UserGroup(name="quarry", weight=3.0, share={"ramp": 0.8}),
            UserGroup(name="road", weight=1.0, share={"yard": 0.2}),
        ),
    )
    mix = usage(_events(), duty, LAP_S)
    np.testing.assert_allclose(mix.weights, [0.75, 0.25])
    np.testing.assert_allclose(mix.laps, [[4000, 0], [0, 2000]])
    np.testing.assert_allclose(mix.mean_laps, [3000, 500])


@pytest.mark.parametrize(
    ("events", "duty", "words"),
    [
        (_events(), DutySettings(), "distance .* or time"),
        (_events(ramp={"share": 0.6}), DutySettings(distance_m=1e6), r"add up to 110\.0%"),
        (_events(ramp={"distance_m": None}), DutySettings(distance_m=1e6), "'ramp'.*distance of one lap is needed"),
        (_events(ramp={"share": 0.0}, yard={"share": 0.0}), DutySettings(distance_m=1e6), "no event occurs"),
        (
            _events(),
            DutySettings(distance_m=1e6, group=(UserGroup(name="g", weight=0.0, share={"ramp": 1.0}),)),
            "weights are all zero",
        ),
    ],
)
def test_what_cannot_be_used_is_said(events: tuple[EventPlan, ...], duty: DutySettings, words: str) -> None:
    with pytest.raises(InputError, match=words):
        usage(events, duty, LAP_S)
