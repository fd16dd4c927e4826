"""Duty: events, the usage mix they make up, the service it stands for, and the test schedule that reaches it.

In: events, groups of users, the stated service, pseudo-damage per lap. Out: laps in service, target damage with its
uncertainty from the scatter between laps, laps that would be enough, whole plays per event in least rig time with the
proof of it. Damage adds up after Palmgren (1924) and Miner (1945); the schedule is an integer programme on HiGHS.
"""

from washboard.duty._optimum import Optimum, least_cost
from washboard.duty._plays import PlannedPlays, plan_plays
from washboard.duty._scatter import LapsNeeded, TargetScatter, laps_needed, target_scatter
from washboard.duty._schedule import Conflict, Schedule, schedule
from washboard.duty._settings import DutySettings, EventPlan, UserGroup
from washboard.duty._target import EventLoads, OnePlay, Target, one_play, representative_lap, target_damage
from washboard.duty._usage import Usage, service_length, service_text, service_time_s, usage

__all__ = [
    "Conflict",
    "DutySettings",
    "EventLoads",
    "EventPlan",
    "LapsNeeded",
    "OnePlay",
    "Optimum",
    "PlannedPlays",
    "Schedule",
    "Target",
    "TargetScatter",
    "Usage",
    "UserGroup",
    "laps_needed",
    "least_cost",
    "one_play",
    "plan_plays",
    "representative_lap",
    "schedule",
    "service_length",
    "service_text",
    "service_time_s",
    "target_damage",
    "target_scatter",
    "usage",
]
