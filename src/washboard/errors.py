"""The errors Washboard raises: one tree, each with the exit code its command ends with.

A message says what is wrong, where (file, channel, key, line) and what to do about it. Bad arguments and broken
promises raise; faults *in data* are findings, reported all together, and raise nothing.
"""

from __future__ import annotations

from pathlib import Path


class WashboardError(Exception):
    """Base of every error meant for the user; its text is a complete message."""

    exit_code = 3


class InputError(WashboardError):
    """What the user gave cannot be used: a file, a key, a value, an argument."""

    exit_code = 2


class ProgrammeError(InputError):
    """Something in a programme file is wrong. [file, line and key in the text]"""

    def __init__(self, problem: str, *, file: Path | None = None, line: int | None = None, key: str = "") -> None:
        self.problem, self.file, self.line, self.key = problem, file, line, key
        place = "" if file is None else f"{file}:{line}: " if line else f"{file}: "
        super().__init__(f"{place}{key}: {problem}" if key else f"{place}{problem}")


class UnitError(InputError):
    """A quantity or unit could not be understood, or is of the wrong kind."""


class FormatError(InputError):
    """A recording file cannot be read, or is not what it claims to be."""


class ChannelError(InputError):
    """A channel is missing, doubled, or not fit for what was asked of it."""


class DataError(InputError):
    """Samples are not fit for what was asked: NaN, too short, no content."""


class RigError(WashboardError):
    """The rig did not do what it was asked to: fault, time-out, unusable response."""


class RigTripped(RigError):
    """The rig stopped itself to protect specimen, hardware or people."""


class StorageError(WashboardError):
    """A file or database could not be written or is damaged."""


class Cancelled(WashboardError):
    """The user asked for the work to stop; what was finished is kept."""

    exit_code = 1
