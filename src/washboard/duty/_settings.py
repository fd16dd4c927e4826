"""Settings of events and duty: what was recorded, and how often it occurs in the service the test stands for."""

from __future__ import annotations

from typing import Annotated, Literal

from washboard.settings import settings
from washboard.units import Unit


@settings
class EventPlan:
    """One event: a stretch of road, track or operation with its recordings, one file per lap: `[[event]]`.

    `recordings` are file names or patterns relative to the programme folder. `repeats` says how many laps of it the
    stated service holds; `share` instead says which share of the service's distance (or time) it makes up. `least` is
    the least share of its laps in service that the test plays, so that the schedule cannot do without the event.
    """

    name: str
    recordings: tuple[str, ...]
    distance_m: Annotated[float, Unit("m", gt=0)] | None = None
    repeats: float | None = None
    share: Annotated[float, Unit("1", ge=0, le=1)] | None = None
    description: str = ""
    least: Annotated[float, Unit("1", ge=0)] = 0.0


@settings
class UserGroup:
    """A group of users: its weight among all, and its own share of each event by name."""

    name: str
    weight: Annotated[float, Unit("1", ge=0)] = 1.0
    share: dict[str, Annotated[float, Unit("1", ge=0, le=1)]]


@settings
class DutySettings:
    """The service the test stands for: `[duty]`; a distance or a time, and the test's own allowances.

    `over_test` and `under_test` bound the ratio of test damage to target damage that the schedule may leave on any
    control channel, for every slope. With `years`, distance or time is that of one year. `percentile` takes the damage
    of that user (0.95: more severe than 95 of 100) from the scatter between groups. `uncertainty` is how wide the
    target's own interval may be, as a share, before more laps are asked for; `confidence` is how sure it is meant.
    `speed` turns a distance into the time it takes in service, where the events are only a part of it. `laps` says what
    one play of an event is: all its recorded laps end to end, which repeats their scatter, or the most typical one.
    Where laps are few, their scatter is taken from pieces of length `block` too; they should be long against the
    vehicle's own motion, a few of its slowest periods.
    """

    distance_m: Annotated[float, Unit("m", gt=0)] | None = None
    time_s: Annotated[float, Unit("s", gt=0)] | None = None
    group: tuple[UserGroup, ...] = ()
    percentile: Annotated[float, Unit("1", gt=0, lt=1)] | None = None
    over_test: Annotated[float, Unit("1", ge=1)] = 1.5
    under_test: Annotated[float, Unit("1", gt=0, le=1)] = 0.9
    speed_m_s: Annotated[float, Unit("m/s", gt=0)] | None = None
    years: Annotated[float, Unit("1", gt=0)] | None = None
    uncertainty: Annotated[float, Unit("1", gt=0)] = 0.3
    confidence: Annotated[float, Unit("1", gt=0, lt=1)] = 0.9
    laps: Literal["all", "typical"] = "all"
    block_s: Annotated[float, Unit("s", gt=0)] = 2.0
