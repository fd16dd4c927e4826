"""Settings of shortening."""

from __future__ import annotations

from typing import Annotated

from washboard.settings import settings
from washboard.units import Unit


@settings
class ShortenSettings:
    """How recordings are shortened: `[shorten]`; `keep` is the least share of its damage any channel keeps.

    The recording is divided into windows of about `window`, their ends moved to where all channels are calm. What is
    kept runs for at least `shortest` without a join; at a join all channels fade into each other over `fade`. Joins may
    add `join_damage` of a channel's damage at most. The selection is proven to be within `gap` of the shortest
    possible; the search stops after a fixed number of steps, whatever else the machine does, and at `limit` in any
    case. With `make_up`, the plays of each event are worked out anew for the shortened events, so that the whole
    sequence reaches the target; without it, the schedule's stay.
    """

    keep: Annotated[float, Unit("1", gt=0, le=1)] = 0.85
    window_s: Annotated[float, Unit("s", gt=0)] = 0.5
    shortest_s: Annotated[float, Unit("s", gt=0)] = 2.0
    fade_s: Annotated[float, Unit("s", gt=0)] = 0.5
    gap: Annotated[float, Unit("1", ge=0, lt=1)] = 0.01
    join_damage: Annotated[float, Unit("1", gt=0, lt=1)] = 0.01
    make_up: bool = True
    limit_s: Annotated[float, Unit("s", gt=0)] = 60.0
