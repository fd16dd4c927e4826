"""One schedule for whoever asks: which channels it looks after, and what bounds each has."""

from __future__ import annotations

import numpy as np
import pytest

from washboard.duty import plan_plays, schedule

DAMAGE = np.array([[[1.0], [4.0], [2.0], [0.0]], [[2.0], [1.0], [9.0], [0.0]]])
TARGET = np.array([[100.0], [100.0], [900.0], [0.0]])
LAP_S = np.array([10.0, 30.0])


def _plan(control: list[bool], watched: list[bool]):
    return plan_plays(
        DAMAGE,
        TARGET,
        LAP_S,
        events=("a", "b"),
        channels=("c0", "c1", "m", "still"),
        slopes=(5.0,),
        control=np.array(control),
        watched=np.array(watched),
        under_test=0.9,
        over_test=4.0,
    )


def test_only_watched_and_silent_monitors_are_left_alone() -> None:
    free = _plan([True, True, False, False], [False, False, True, False])
    assert free.channels == ("c0", "c1")
    held = _plan([True, True, False, False], [False, False, False, False])
    assert held.channels == ("c0", "c1", "m")
    assert held.rows == (0, 1, 2)
    assert free.ratio[2, 0] < 0.9 <= held.ratio[2, 0]
    assert np.isnan(held.ratio[3, 0])
    # Time by hand: c0 alone is quickest with 90 plays of a; the monitor asks for 810 = 2 a + 9 b besides.
    assert free.schedule.repeats == (90, 0)
    assert held.schedule.time_s > free.schedule.time_s


def test_it_is_the_schedule_of_those_rows_with_no_upper_bound_on_monitors() -> None:
    found = _plan([True, True, False, False], [False, False, False, False])
    plain = schedule(
        DAMAGE[:, :3],
        TARGET[:3],
        LAP_S,
        events=("a", "b"),
        channels=("c0", "c1", "m"),
        slopes=(5.0,),
        under_test=0.9,
        over_test=np.array([4.0, 4.0, np.inf]),
    )
    assert found.schedule.repeats == plain.repeats
    reached = np.array(found.schedule.repeats) @ DAMAGE[:, :, 0]
    np.testing.assert_allclose(found.ratio[:3, 0], reached[:3] / TARGET[:3, 0])
    assert found.schedule.time_s == pytest.approx(float(np.array(found.schedule.repeats) @ LAP_S))


def test_an_event_that_may_not_be_played_is_not_even_to_come_near() -> None:
    # b alone would reach c0 with 45 plays; it may not be played, and with a alone the bounds exclude each other.
    found = schedule(
        np.array([[[1.0], [4.0]], [[2.0], [2.0]]]),
        np.full((2, 1), 100.0),
        np.array([10.0, 5.0]),
        events=("a", "b"),
        channels=("c0", "c1"),
        slopes=(5.0,),
        under_test=0.9,
        over_test=1.5,
        most_plays=np.array([np.inf, 0.0]),
    )
    assert found.repeats[1] == 0
    assert found.conflicts
    assert "'a'" in found.conflicts[0].text
    assert "'b'" not in found.conflicts[0].text
