"""The states of a pass and the changes that are allowed between them."""

from __future__ import annotations

from typing import Final, Literal, get_args

from washboard.errors import InputError

PassState = Literal["begun", "done", "stopped", "tripped", "unclear", "confirmed", "not done", "abandoned"]

#: What each state means, in the words of the report.
MEANING: Final[dict[PassState, str]] = {
    "begun": "the rig was told to play it",
    "done": "played to the end, response measured",
    "stopped": "stopped by the user part of the way",
    "tripped": "the rig stopped itself part of the way",
    "unclear": "begun, but nobody knows how far it came",
    "confirmed": "was unclear; a person says that it was played to the end",
    "not done": "was unclear; a person says that the rig did not move",
    "abandoned": "was unclear; a person says that it was played in part, or does not know",
}

#: From each state, the states that may follow. Those with none are final.
TRANSITIONS: Final[dict[PassState, tuple[PassState, ...]]] = {
    "begun": ("done", "stopped", "tripped", "unclear"),
    "unclear": ("confirmed", "not done", "abandoned"),
    "done": (),
    "stopped": (),
    "tripped": (),
    "confirmed": (),
    "not done": (),
    "abandoned": (),
}

#: States in which the pass counts towards the test.
COUNTED: Final[frozenset[PassState]] = frozenset({"done", "confirmed"})

#: States that nobody has settled yet.
OPEN: Final[frozenset[PassState]] = frozenset({"begun", "unclear"})

EndReason = Literal["finished", "limit", "stopped", "tripped", "failed", "change", "interrupted"]

ENDINGS: Final[dict[EndReason, str]] = {
    "finished": "the whole sequence has been played",
    "limit": "the number of passes asked for has been played",
    "stopped": "the user stopped it",
    "tripped": "the rig stopped itself",
    "failed": "the rig did not do what it was asked to",
    "change": "the response has changed",
    "interrupted": "the programme ended without saying why",
}


def check_change(number: int, now: PassState, to: PassState) -> None:
    """Raise InputError unless pass `number` may go from state `now` to `to`."""
    if to not in TRANSITIONS[now]:
        allowed = ", ".join(f"'{state}'" for state in TRANSITIONS[now]) or "nothing: it is final"
        raise InputError(f"pass {number} is '{now}' and cannot become '{to}'; allowed: {allowed}")


assert set(TRANSITIONS) == set(MEANING) == set(get_args(PassState))
