"""RigLink: what Washboard asks of a rig, whoever built it: play a drive, return the response, stop."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol, runtime_checkable

from washboard.recording import Channel, Recording
from washboard.settings import Progress, no_progress


@dataclass(frozen=True, kw_only=True, slots=True)
class RigChannels:
    """What a rig takes and gives: its drive channels in order, its response channels, its sample rate.

    `drives` carry the SI unit of each command and, as `limits`, the largest command either way.
    """

    drives: tuple[Channel, ...]
    responses: tuple[Channel, ...]
    rate_hz: float


@runtime_checkable
class RigLink(Protocol):
    """A rig that can be asked to play a drive.

    A link is used by one caller at a time. Drives and responses are in SI, channels in the order of `channels()`.
    """

    def channels(self) -> RigChannels:
        """What the rig takes and gives."""
        ...

    def play(self, drive: Recording, *, label: str = "", progress: Progress = no_progress) -> Recording:
        """Play `drive` from and to rest at ride height and return what the response channels did meanwhile.

        The response has the drive's sample rate and length and starts at the same instant.

        Parameters
        ----------
        drive : Recording
            One channel per actuator [m or rad], shape (drive, time).
        label : str
            Unique name of this play, for files and logs; playing the same label again after an interruption must not
            make the rig move twice if it already did.

        Raises
        ------
        RigError
            Time-out, missing, short or malformed response, non-zero exit.
        RigTripped
            The rig stopped itself.
        Cancelled
            The user stopped it.
        """
        ...

    def stop(self) -> None:
        """Bring the rig to rest now; safe to call at any time, more than once."""
        ...
