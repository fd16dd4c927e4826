"""Settings of the check stage: sample rate, faults to accept, repairs, derived channels."""

from __future__ import annotations

from dataclasses import field
from typing import Annotated, Literal

from washboard.settings import settings
from washboard.units import Unit

RepairKind = Literal[
    "despike",
    "fill",
    "offset",
    "drift",
    "flip",
    "swap",
    "rename",
    "rescale",
    "unit",
    "shift",
    "cut",
    "filter",
    "hum",
    "bad",
]


@settings
class RepairStep:
    """One repair, applied to a copy in the order written: `[[check.repair]]`.

    `do` says what: ``despike`` (replace samples of spikes), ``fill`` (bridge NaN, flat and zero dropouts no longer than
    `longest_s`), ``offset`` (take off the median, or `amount`), ``drift`` (take off what is slower than `low_hz`),
    ``flip`` (change the sign), ``swap`` (exchange two channels: `channel` and `to`), ``rename`` (to `to`), ``rescale``
    (by `factor`), ``unit`` (the samples are really in the unit `to`), ``shift`` (later by `by_s`), ``cut`` (keep only
    `start_s` to `end_s`, or leave that stretch out when `keep` is false), ``filter`` (band-pass `low_hz` to `high_hz`,
    without phase shift), ``hum`` (take off mains hum), ``bad`` (mark `start_s` to `end_s` as not to be trusted).

    `channel` and `event` are names or patterns with ``*``; `lap` counts from 1, 0 means all of them.
    """

    do: RepairKind
    channel: str = "*"
    event: str = "*"
    lap: Annotated[int, Unit("1", ge=0)] = 0
    start_s: Annotated[float, Unit("s", ge=0)] | None = None
    end_s: Annotated[float, Unit("s", gt=0)] | None = None
    longest_s: Annotated[float, Unit("s", gt=0)] = 0.1
    amount: str = ""
    factor: float = 1.0
    to: str = ""
    by_s: Annotated[float, Unit("s")] = 0.0
    low_hz: Annotated[float, Unit("Hz", gt=0)] | None = None
    high_hz: Annotated[float, Unit("Hz", gt=0)] | None = None
    keep: bool = True
    note: str = ""


@settings
class DerivedChannel:
    """A channel computed from others: `[[check.derived]]`, for example pitch from two axles.

    `expression` is arithmetic over channel names in Python's way of writing, such as
    ``(rear_z - front_z) / wheelbase``; names with blanks are written ``ch("axle 1 left")``. Numbers with units stand in
    `constant`, such as ``constant = { wheelbase = "4.2 m" }``. Units are carried along and checked against `unit`.
    """

    name: str
    expression: str
    unit: str
    quantity: str = ""
    constant: dict[str, str] = field(default_factory=dict)


@settings
class CheckSettings:
    """How recordings are checked and mended: `[check]`.

    `rate_hz` is the common sample rate of the working copies; without it the highest among the recordings. A lap
    shorter than `shortest_s` is refused. `unusable` says what becomes of a lap with samples missing after all repairs:
    ``stop`` with a message, or ``leave out`` that lap. `marked` says what becomes of stretches that a repair bridged,
    or that are marked bad: ``keep`` them, or ``leave out`` those stretches, of all channels together, with the ends
    faded into each other, so that no later stage sees them. `leave_out` names laps to leave out anyway, as ``"event"``
    or ``"event 2"``. `accept` names findings that were looked at, as ``"kind"`` or ``"kind: channel"``; they stay
    listed but as notes.
    """

    rate_hz: Annotated[float, Unit("Hz", gt=0)] | None = None
    shortest_s: Annotated[float, Unit("s", gt=0)] = 4.0
    unusable: Literal["stop", "leave out"] = "stop"
    marked: Literal["keep", "leave out"] = "keep"
    leave_out: tuple[str, ...] = ()
    accept: tuple[str, ...] = ()
    repair: tuple[RepairStep, ...] = ()
    derived: tuple[DerivedChannel, ...] = ()
