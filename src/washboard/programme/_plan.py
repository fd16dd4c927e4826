"""The programme file as an object: everything a user writes in programme.toml."""

from __future__ import annotations

from typing import Annotated, Literal

from washboard.duty._settings import DutySettings, EventPlan
from washboard.endure._settings import EndureSettings
from washboard.identify._settings import IdentifySettings
from washboard.loads._settings import LoadsSettings
from washboard.recording import CheckSettings
from washboard.replicate._settings import ReplicateSettings
from washboard.rig import Rig, Sensor, Specimen
from washboard.settings import settings
from washboard.shorten._settings import ShortenSettings
from washboard.units import Unit


@settings
class About:
    """What the programme is: `[programme]`."""

    name: str
    vehicle: str = ""
    notes: str = ""
    seed: int = 1


@settings
class Band:
    """The band of frequencies the test reproduces: `[band]`."""

    low_hz: Annotated[float, Unit("Hz", gt=0)] = 0.6
    high_hz: Annotated[float, Unit("Hz", gt=0)] = 20.0


@settings
class ChannelPlan(Sensor):
    """One channel: where it is measured (see `washboard.rig.Sensor`) and what part it plays: `[[channel]]`.

    A control channel is part of the target; a monitor channel is measured and compared, not used for the drive.
    `slope` is its Basquin slope, `keep` its own share of damage to keep when shortening (0: only watched), `weight` its
    importance in replication.
    """

    role: Literal["control", "monitor"] = "control"
    slope: Annotated[float, Unit("1", ge=1, le=20)] = 5.0
    keep: Annotated[float, Unit("1", ge=0, le=1)] | None = None
    weight: Annotated[float, Unit("1", ge=0)] = 1.0


@settings
class Plan:
    """Everything programme.toml says."""

    programme: About
    band: Band = Band()
    channel: tuple[ChannelPlan, ...]
    event: tuple[EventPlan, ...]
    duty: DutySettings
    check: CheckSettings = CheckSettings()
    loads: LoadsSettings = LoadsSettings()
    shorten: ShortenSettings = ShortenSettings()
    rig: Rig
    specimen: Specimen | None = None
    identify: IdentifySettings = IdentifySettings()
    replicate: ReplicateSettings = ReplicateSettings()
    endure: EndureSettings = EndureSettings()

    @property
    def control(self) -> tuple[ChannelPlan, ...]:
        """The control channels, in order."""
        return tuple(channel for channel in self.channel if channel.role == "control")

    @property
    def weights(self) -> tuple[float, ...]:
        """What each control channel counts, in their order. [-]"""
        return tuple(channel.weight for channel in self.control)
