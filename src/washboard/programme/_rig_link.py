"""The rig a programme talks to: virtual, behind a program, or behind a shared folder."""

from __future__ import annotations

from pathlib import Path

from washboard.errors import InputError
from washboard.programme._plan import Plan
from washboard.programme._trust import require_trust
from washboard.recording import Channel
from washboard.rig import CommandLink, FolderLink, RigChannels, RigLink, response_channels

#: Where drive and response files of a command, and the ledgers of plays, are kept in the programme folder.
EXCHANGE = "exchange"


def open_link(plan: Plan, folder: Path) -> RigLink:
    """The rig of a programme, by `[rig.link]`.

    Parameters
    ----------
    plan : Plan
        Its `rig.actuators` are the drives, its channels the responses, in SI.
    folder : Path
        The programme folder.

    Raises
    ------
    InputError
        A key is missing, or the folder may not run its command (see `trust_folder`).
    """
    link = plan.rig.link
    if not plan.rig.actuators:
        raise InputError(f"{folder / 'programme.toml'}: rig.post: the rig has no posts; describe each as [[rig.post]]")
    if link.kind == "virtual":
        if plan.specimen is None:
            raise InputError(
                f'{folder / "programme.toml"}: rig.link.kind = "virtual" needs [specimen], the vehicle to simulate; '
                'add it, or set kind to "command" or "folder"'
            )
        from washboard.simulate import VirtualRig

        return VirtualRig(specimen=plan.specimen, rig=plan.rig, sensors=plan.channel, seed=link.seed)
    channels = rig_channels(plan)
    if link.kind == "command":
        if not link.command.strip():
            raise InputError(
                f'{folder / "programme.toml"}: rig.link.kind = "command" needs rig.link.command, for example '
                '"myrig --drive {drive} --response {response}"'
            )
        require_trust(folder, plan)
        return CommandLink(
            command=link.command,
            channels=channels,
            folder=folder / EXCHANGE,
            working=folder,
            file_format=link.format,
            timeout_s=link.timeout_s,
        )
    if not link.folder.strip():
        raise InputError(
            f'{folder / "programme.toml"}: rig.link.kind = "folder" needs rig.link.folder, the folder shared with the '
            "rig's controller"
        )
    return FolderLink(
        shared=folder / link.folder,
        channels=channels,
        ledger=folder / EXCHANGE / "plays.jsonl",
        file_format=link.format,
        timeout_s=link.timeout_s,
    )


def rig_channels(plan: Plan) -> RigChannels:
    """What the plan's rig takes and gives."""
    drives = tuple(
        Channel(
            name=actuator.name,
            unit=actuator.unit,
            quantity="angle" if actuator.axis == "roll" else "displacement",
            limits=(-actuator.reach, actuator.reach),
            direction="+x" if actuator.axis == "roll" else "+z",
        )
        for actuator in plan.rig.actuators
    )
    return RigChannels(drives=drives, responses=response_channels(plan.channel), rate_hz=plan.rig.link.rate_hz)
