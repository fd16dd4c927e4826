"""How plays are spread over the test. The rule is common practice, no source; its promises are checked here."""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from washboard.endure import mixed_sequence
from washboard.errors import InputError

PLAYS = st.dictionaries(st.text("abcdefgh", min_size=1, max_size=3), st.integers(0, 40), min_size=1, max_size=6)


@given(plays=PLAYS, blocks=st.integers(1, 12))
def test_every_play_is_there_and_every_block_has_its_share(plays, blocks):
    if not any(plays.values()):
        with pytest.raises(InputError, match="holds no pass"):
            mixed_sequence(plays, blocks=blocks)
        return
    sequence = mixed_sequence(plays, blocks=blocks)
    assert sequence.plays == {event: count for event, count in plays.items() if count}
    order = [step.block for step in sequence.steps]
    assert order == sorted(order)
    used = min(blocks, max(plays.values()))
    for event, count in plays.items():
        for end in range(1, used + 1):
            behind = sum(step.event == event and step.block < end for step in sequence.steps)
            assert 0 <= behind - count * end / used < 1


@given(plays=PLAYS, blocks=st.integers(1, 12), data=st.data())
def test_what_remains_and_what_is_done_make_the_whole(plays, blocks, data):
    if not any(plays.values()):
        return
    sequence = mixed_sequence(plays, blocks=blocks)
    done = {event: data.draw(st.integers(0, count)) for event, count in plays.items()}
    left = sequence.remaining(done)
    counts = {event: sum(step.event == event for step in left) for event in plays}
    assert counts == {event: plays[event] - done[event] for event in plays}


def test_events_are_interleaved_rather_than_played_in_a_row():
    sequence = mixed_sequence({"often": 6, "seldom": 2}, blocks=1)
    assert [step.event for step in sequence.steps] == [
        "often", "often", "seldom", "often", "often", "often", "seldom", "often",
    ]  # fmt: skip
    longest = max(len(list(group)) for _, group in itertools.groupby(step.event for step in sequence.steps))
    assert longest == 3


def test_a_rare_event_comes_in_the_first_block():
    sequence = mixed_sequence({"often": 50, "once": 1}, blocks=10)
    assert [step.block for step in sequence.steps if step.event == "once"] == [0]


@pytest.mark.parametrize(
    ("plays", "blocks", "words"),
    [({"a": -1}, 2, "event 'a': plays"), ({"a": 3}, 0, "endure.blocks"), ({}, 2, "no pass")],
)
def test_wrong_numbers_are_refused(plays, blocks, words):
    with pytest.raises(InputError, match=words):
        mixed_sequence(plays, blocks=blocks)
