"""Duty: events, the usage mix they make up, the service it stands for, and the test schedule that reaches it."""

from washboard.duty._settings import DutySettings, EventPlan, UserGroup

__all__ = ["DutySettings", "EventPlan", "UserGroup"]
