"""Plays of a replication while it runs: the error of each, from the files every play leaves."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from washboard.errors import StorageError
from washboard.identify import limits_of, use_of_limits
from washboard.programme import Plan, play_name
from washboard.recording import Channel, Recording, read_recording, resample, write_recording, write_whole
from washboard.replicate import PreparedTarget, prepare_target
from washboard.units import convert, si_unit
from washboard.web._sources import TRIED

Floats = NDArray[np.float64]

#: What motions of a rig, in m or rad, are shown in.
SMALL = {"m": "mm", "rad": "mrad"}


@dataclass(frozen=True, kw_only=True, slots=True)
class PlaySeen:
    """One play: its number (0 where the best drive was repeated), and per control channel the relative RMS error.

    Parameters
    ----------
    error : tuple of float
        Empty where the rig tripped. [-]
    largest : tuple of float
        Largest command of each drive channel. [m or rad]
    file : str
        The play's own file, within the programme folder.
    """

    run: str
    event: str
    number: int
    error: tuple[float, ...]
    largest: tuple[float, ...]
    drives: tuple[str, ...]
    file: str

    @property
    def words(self) -> str:
        """Which play it is."""
        return f"play {self.number}" if self.number else "the best play, repeated"


@lru_cache(maxsize=32)
def _target(
    file: Path, _stamp: int, names: tuple[str, ...], rate_hz: float, band: tuple[float, float], taper_s: float
) -> PreparedTarget:
    target = read_recording(file).in_si()
    at_rate = resample(target, rate_hz)
    samples = np.asarray(at_rate.select(names).samples, dtype=float)
    return prepare_target(samples, rate_hz, names=names, band_hz=band, taper_s=taper_s)


def _arrays(file: Path) -> dict[str, Any]:
    """What of a play is looked at here; a fifth of the time that reading all of it in its own way takes."""
    import h5py

    try:
        with h5py.File(file, "r") as store:
            found: dict[str, Any] = {name: store[name][()] for name in ("drive", "response") if name in store}
            found["rate_hz"] = float(np.ravel(store["rate_hz"][()])[0])
            for name in ("drives", "responses"):
                if name in store:
                    found[name] = tuple(store[name].asstr()[()].ravel().tolist())
            return found
    except (OSError, KeyError, ValueError, TypeError) as error:
        raise StorageError(f"{file} cannot be read: {error}") from None


def _seen(folder: Path, file: Path, run: str, number: int, event: str, target_file: Path, plan: Plan) -> PlaySeen:
    names = tuple(channel.name for channel in plan.control)
    kept = _arrays(file)
    error: tuple[float, ...] = ()
    if "response" in kept:
        band = (plan.band.low_hz, plan.band.high_hz)
        stamp = target_file.stat().st_mtime_ns
        target = _target(target_file, stamp, names, kept["rate_hz"], band, plan.replicate.taper_s)
        rows = [kept["responses"].index(name) for name in names]
        made = np.asarray(kept["response"], dtype=float)[rows]
        if made.shape[1] == target.n_samples:
            off = (target.in_band(made) - target.samples)[:, target.span]
            error = tuple(float(v) for v in np.sqrt(np.mean(off**2, axis=1)) / target.rms)
    return PlaySeen(
        run=run,
        event=event,
        number=number,
        error=error,
        largest=tuple(float(value) for value in np.abs(kept["drive"]).max(axis=1)),
        drives=tuple(kept["drives"]),
        file=file.relative_to(folder).as_posix(),
    )


def plays_seen(folder: Path, plan: Plan, targets: dict[str, str]) -> list[PlaySeen]:
    """Every play of the latest replication, oldest first; what was worked out once is kept beside the programme.

    Parameters
    ----------
    targets : dict of event to file name
        The shortened targets in stages/shorten.
    """
    stems = {Path(file).stem: (event, folder / "stages" / "shorten" / file) for event, file in targets.items()}
    files = [
        (file, named, file.stat().st_mtime_ns)
        for file in (folder / "plays").glob("replicate-*.nc")
        if (named := play_name(file)) and named.stem in stems
    ]
    if not files:
        return []
    files.sort(key=lambda entry: entry[2])
    latest = files[-1][1].run
    # Gone on with other settings, a run may play one number with another drive: the later one is meant.
    meant: dict[tuple[str, int], tuple[Path, int]] = {}
    for file, named, stamp in files:
        if named.run == latest:
            meant.pop((named.stem, named.number), None)
            meant[named.stem, named.number] = (file, stamp)
    known, fresh = _recalled(folder), {}
    for (stem, number), (file, stamp) in meant.items():
        event, target = stems[stem]
        if not target.exists():
            continue
        mark = json.dumps(
            [stamp, target.stat().st_mtime_ns, [c.name for c in plan.control], plan.band.low_hz, plan.band.high_hz,
             plan.replicate.taper_s, event]
        )  # fmt: skip
        kept = known.get(file.name)
        if kept is not None and kept[0] == mark:
            fresh[file.name] = (mark, kept[1])
            continue
        try:
            fresh[file.name] = (mark, _seen(folder, file, latest, number, event, target, plan))
        except (StorageError, ValueError):
            continue
    if fresh != known:
        _remembered(folder, fresh)
    return [play for _mark, play in fresh.values()]


def _recalled(folder: Path) -> dict[str, tuple[str, PlaySeen]]:
    try:
        kept = json.loads((folder / ".washboard" / "plays.json").read_text(encoding="utf-8"))
        return {name: (str(mark), _of_plain(entry)) for name, (mark, entry) in kept.items()}
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        return {}


def _of_plain(entry: dict[str, Any]) -> PlaySeen:
    return PlaySeen(
        run=str(entry["run"]),
        event=str(entry["event"]),
        number=int(entry["number"]),
        error=tuple(float(value) for value in entry["error"]),
        largest=tuple(float(value) for value in entry["largest"]),
        drives=tuple(str(name) for name in entry["drives"]),
        file=str(entry["file"]),
    )


def _remembered(folder: Path, plays: dict[str, tuple[str, PlaySeen]]) -> None:
    text = json.dumps({name: [mark, asdict(play)] for name, (mark, play) in plays.items()})
    try:
        write_whole(folder / ".washboard" / "plays.json", text)
    except StorageError:
        # A folder that cannot be written to is no reason to show nothing.
        return


@dataclass(frozen=True, kw_only=True, slots=True)
class PlayShown:
    """One play made ready to look at: files within the programme folder, and the drive against its limits.

    Parameters
    ----------
    response, drive : str
        Recordings; `response` is empty where the rig tripped.
    response_lead_s, drive_lead_s : float
        How long each runs before the target begins. [s]
    use : tuple
        Per actuator its name, largest command and reach in its unit, and shares of stroke, velocity and acceleration.
    """

    response: str
    drive: str
    response_lead_s: float
    drive_lead_s: float
    use: tuple[tuple[str, str, float, float, float, float, float], ...]


def show_play(folder: Path, plan: Plan, play: PlaySeen) -> PlayShown:
    """Response and drive of a play as recordings, and how much of each actuator's limits the drive takes.

    Raises
    ------
    StorageError
        The play's file cannot be read.
    """
    kept = _arrays(folder / play.file)
    rate_hz = kept["rate_hz"]
    drive = np.asarray(kept["drive"], dtype=float)
    names = kept["drives"]
    by_name = {actuator.name: actuator for actuator in plan.rig.actuators}
    made = {"drive": _written(folder, "drive", drive, rate_hz, [
        (name, by_name[name].unit if name in by_name else "m", "") for name in names
    ])}  # fmt: skip
    if "response" in kept:
        units = {channel.name: (channel.unit, channel.quantity) for channel in plan.channel}
        channels = [
            (name, si_unit(*units[name]), units[name][1]) if name in units else (name, "1", "")
            for name in kept["responses"]
        ]
        made["response"] = _written(folder, "response", kept["response"], rate_hz, channels)
    return PlayShown(
        response=made.get("response", ""),
        drive=made["drive"],
        response_lead_s=plan.replicate.taper_s,
        drive_lead_s=plan.replicate.taper_s,
        use=use_of(plan, names, drive, rate_hz),
    )


def in_small(value: float, unit: str) -> float:
    """A motion [m or rad] in the unit it is shown in, see `SMALL`."""
    return float(convert(value, unit, SMALL[unit]))


def use_of(
    plan: Plan, names: tuple[str, ...], drive: Any, rate_hz: float
) -> tuple[tuple[str, str, float, float, float, float, float], ...]:
    """How much of each actuator's limits a drive takes, see `PlayShown`; empty where the rig has others by now."""
    by_name = {actuator.name: actuator for actuator in plan.rig.actuators}
    if set(names) != set(by_name):
        return ()
    samples = np.asarray(drive, dtype=float)
    actuators = tuple(by_name[name] for name in names)
    ways = tuple(Channel(name=one.name, unit=one.unit, limits=(-one.reach, one.reach)) for one in actuators)
    found = use_of_limits(samples, rate_hz, limits_of(actuators, ways))
    return tuple(
        (
            one.name,
            SMALL[one.unit],
            in_small(float(np.abs(samples[row]).max()), one.unit),
            in_small(one.reach, one.unit),
            float(found.stroke[row]),
            float(found.velocity[row]),
            float(found.acceleration[row]),
        )
        for row, one in enumerate(actuators)
    )


def _written(folder: Path, kind: str, samples: Any, rate_hz: float, channels: list[tuple[str, str, str]]) -> str:
    name = f"{TRIED}/play-{kind}.nc"
    (folder / TRIED).mkdir(parents=True, exist_ok=True)
    entries = tuple(
        Channel(name=name, unit=unit, quantity=quantity or ("angle" if unit == "rad" else "displacement"))
        for name, unit, quantity in channels
    )
    values = np.ascontiguousarray(samples, dtype=np.float32)
    write_recording(Recording(samples=values, rate_hz=rate_hz, channels=entries, name=kind, owned=True), folder / name)
    return name
