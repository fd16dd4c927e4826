"""Drive and response files handed to and taken from a rig: what is written, what is believed, what is refused.

A response file is believed as far as it can be understood: channels in any order, more of them than asked for, in any
unit of the right kind, at another sample rate, a little longer or shorter than the drive, its time counted from the
start of the drive (before it where negative). Everything else is a `RigError` that says what is wrong; the file stays.
"""

from __future__ import annotations

import dataclasses
import json
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from washboard import units
from washboard.errors import InputError, RigError, StorageError, UnitError
from washboard.recording import (
    Channel,
    CsvOptions,
    Recording,
    Source,
    Span,
    Step,
    read_source,
    uniform,
    write_plain_csv,
    write_recording,
)
from washboard.rig._link import RigChannels

LinkFormat = Literal["csv", "netcdf", "mdf4", "mat", "uff58", "parquet"]

ENDING: Final[dict[LinkFormat, str]] = {
    "csv": ".csv", "netcdf": ".nc", "mdf4": ".mf4", "mat": ".mat", "uff58": ".uff", "parquet": ".parquet",
}  # fmt: skip

#: A response may end this much before the drive; the rest holds its last value. [s]
SHORT_S = 0.1
#: Longest run of missing samples that is bridged by a straight line.
BRIDGE = 3
#: A channel that holds one value this long to the end, while drives move, is dead. [s]
DEAD_S = 1.0
#: A single sample this many times further from its neighbours than 99 of 100 samples is no motion; how many are mended.
SPIKE, MOST_SPIKES = 20.0, 50
#: A response lags its drive by more than this only when the two clocks were not started together. [s]
LAG_S = 0.05


def check_drive(drive: Recording, channels: RigChannels) -> None:
    """Refuse a drive that does not fit the rig.

    Raises
    ------
    RigError
        Other channels or another order, another sample rate, NaN, or beyond the reach of an actuator.
    """
    wanted = tuple(channel.name for channel in channels.drives)
    if drive.names != wanted:
        raise RigError(f"drive '{drive.name}' has the channels {_list(drive.names)}; the rig takes {_list(wanted)}")
    if abs(drive.rate_hz / channels.rate_hz - 1) > 1e-9:
        raise RigError(
            f"drive '{drive.name}' has {drive.rate_hz:g} samples a second, rig.link.rate is {channels.rate_hz:g} Hz"
        )
    for row, channel in zip(drive.samples, channels.drives, strict=True):
        if not np.isfinite(row).all():
            raise RigError(f"drive '{drive.name}': '{channel.name}' holds NaN or infinite samples; it was not played")
        peak = float(np.abs(row).max())
        if channel.limits is not None and peak > channel.limits[1] * 1.02:
            raise RigError(
                f"drive '{drive.name}': '{channel.name}' asks {units.format_quantity(peak, channel.unit)}, its "
                f"actuator reaches {units.format_quantity(channel.limits[1], channel.unit)}; it was not played"
            )


def write_drive(drive: Recording, path: Path, file_format: LinkFormat) -> None:
    """Write a drive so that the file appears whole. Raises RigError where the disk does not take it.

    CSV is written as any program reads it: one row of names that begins with ``time``, then numbers [s, SI].
    """
    try:
        if file_format == "csv":
            write_plain_csv(drive, path)
        else:
            write_recording(drive, path, format=file_format)
    except (StorageError, InputError) as error:
        raise RigError(f"the drive cannot be handed over: {error}") from None


def read_response(path: Path, channels: RigChannels, drive: Recording, *, label: str) -> Recording:
    """Read what the rig measured while `drive` was played, as `RigLink.play` returns it.

    Parameters
    ----------
    path : Path
        In any format Washboard reads.
    channels : RigChannels
        The responses wanted, in SI.
    drive : Recording
        Gives sample rate and length.

    Raises
    ------
    RigError
        Missing, damaged, without a channel, with a unit of another kind, too short, or with samples missing.
    """
    try:
        source = _source(path, drive.rate_hz)
        found, start_s = _responses(source, path, channels)
        found = _in_si(found, channels, path)
        if abs(found.rate_hz / drive.rate_hz - 1) > 1e-6:
            found = _resampled(found, drive.rate_hz)
    except InputError as error:
        raise RigError(f"play '{label}': the response cannot be used: {error}") from None
    notes: list[str] = []
    samples = np.array(found.samples, dtype=np.float64)
    shift_s = start_s if abs(start_s) < drive.duration_s else 0.0
    lag_s = _echo_lag(source, path, channels, drive, shift_s)
    if lag_s:
        notes.append(f"moved {lag_s:.3f} s earlier: the drive it carries lags by as much")
    samples = _shifted(samples, round((shift_s - lag_s) * drive.rate_hz))
    samples, spans = _whole(samples, channels, drive, path, label)
    settings = {"file": path.name, "from_hz": found.rate_hz, "start_s": start_s, "notes": notes}
    return Recording(
        samples=samples.astype(np.float32),
        rate_hz=drive.rate_hz,
        channels=channels.responses,
        name=label,
        spans=spans,
        history=(Step(function="rig.read_response", inputs=(drive.digest(),), settings=settings),),
        owned=True,
    )


def _source(path: Path, rate_hz: float) -> Source:
    """What the file holds, read once; a table without a time column is believed to have the drive's sample rate."""
    if not path.exists():
        raise InputError(f"{path}: there is no such file")
    try:
        return read_source(path)
    except InputError:
        return read_source(path, csv=CsvOptions(rate_hz=rate_hz))


def _responses(source: Source, path: Path, channels: RigChannels) -> tuple[Recording, float]:
    """The response channels, at the file's rate, and when its first sample was taken. [s]"""
    names = [channel.name for channel in channels.responses]
    found = uniform(source, path, channels=names)
    bases = [track.base for track in source.tracks if track.channel.name in names]
    starts = [base.start_s if base.stamps_s is None else float(base.stamps_s[0]) for base in bases]
    return found, min(starts, default=0.0)


def _in_si(found: Recording, channels: RigChannels, path: Path) -> Recording:
    """Samples in the SI unit of each channel; a file that names no unit is believed to be in SI."""
    rows = []
    for row, has, wants in zip(found.samples, found.channels, channels.responses, strict=True):
        if has.unit in ("", wants.unit) or (has.unit == "1" and wants.unit != "1" and not has.quantity):
            rows.append(np.asarray(row, dtype=np.float64))
            continue
        try:
            rows.append(np.asarray(units.convert(np.asarray(row), has.unit, wants.unit, quantity=wants.quantity)))
        except UnitError as error:
            raise UnitError(f"{path}: channel '{has.name}': {error}") from None
    return found.replace(samples=np.stack(rows), channels=channels.responses, owned=True)


def _resampled(found: Recording, rate_hz: float) -> Recording:
    from washboard.recording import resample

    return resample(found, rate_hz)


def _echo_lag(source: Source, path: Path, channels: RigChannels, drive: Recording, shift_s: float) -> float:
    """How much later than the drive the file's own copy of it runs; 0 where it carries none or the lag is small. [s]

    A file that carries the drive's channels beside the responses tells whether play and recording began together.
    """
    wanted = {channel.name for channel in channels.drives}
    held = [track.channel.name for track in source.tracks if track.channel.name in wanted]
    if not held:
        return 0.0
    try:
        echo = uniform(source, path, channels=held, rate_hz=drive.rate_hz)
    except InputError:
        return 0.0
    ours = np.stack([drive.values(name) for name in held]).astype(np.float64)
    theirs = _shifted(np.nan_to_num(np.asarray(echo.samples, dtype=np.float64)), round(shift_s * drive.rate_hz))
    size = 2 ** int(np.ceil(np.log2(ours.shape[1] + theirs.shape[1])))
    cross = (np.fft.rfft(theirs, size) * np.conj(np.fft.rfft(ours, size))).sum(axis=0)
    found = np.fft.irfft(cross, size)
    place = int(np.argmax(found))
    place = place - size if place > size // 2 else place
    power = np.sqrt((ours**2).sum() * (theirs**2).sum())
    clear = power > 0 and found.max() > 0.7 * power
    lag_s = place / drive.rate_hz
    return lag_s if clear and abs(lag_s) > LAG_S else 0.0


def _shifted(samples: NDArray[np.float64], places: int) -> NDArray[np.float64]:
    """Samples moved `places` later (earlier where negative); what comes from before the file holds its first value."""
    if places <= 0:
        return samples[:, -places:]
    return np.concatenate([np.repeat(samples[:, :1], places, axis=1), samples], axis=1)


def _whole(
    samples: NDArray[np.float64], channels: RigChannels, drive: Recording, path: Path, label: str
) -> tuple[NDArray[np.float64], tuple[Span, ...]]:
    """The samples at the drive's length, short holes bridged and marked."""
    length, rate_hz, spans = drive.n_samples, drive.rate_hz, []
    lacking = length - samples.shape[1]
    if lacking > max(2, round(SHORT_S * rate_hz)):
        raise RigError(
            f"play '{label}': the response in {path} ends at {samples.shape[1] / rate_hz:.2f} s, the drive lasts "
            f"{drive.duration_s:.2f} s; the rig or its recorder stopped early"
        )
    if lacking > 0:
        samples = np.concatenate([samples, np.repeat(samples[:, -1:], lacking, axis=1)], axis=1)
        spans.append(
            Span(
                kind="repaired",
                start_s=(length - lacking) / rate_hz,
                end_s=length / rate_hz,
                note="held: response ends",
            )
        )
    samples = samples[:, :length].copy()
    pace = np.abs(np.diff(np.asarray(drive.samples, dtype=np.float64), axis=1)).max(axis=0, initial=0.0)
    for row, channel in zip(samples, channels.responses, strict=True):
        for first, last in _holes(row):
            start_s, end_s = first / rate_hz, last / rate_hz
            if last - first > BRIDGE or first == 0 or last == length:
                raise RigError(
                    f"play '{label}': response channel '{channel.name}' in {path} has no numbers from {start_s:.3f} to "
                    f"{end_s:.3f} s; look at its sensor and at the recorder, then play again"
                )
            row[first:last] = np.interp(np.arange(first, last), [first - 1, last], [row[first - 1], row[last]])
            spans.append(Span(kind="repaired", start_s=start_s, end_s=end_s, channel=channel.name, note="bridged"))
        dead_s = _dead_from(row, pace, rate_hz)
        if dead_s is not None:
            raise RigError(
                f"play '{label}': response channel '{channel.name}' in {path} moves until {dead_s:.2f} s and then "
                f"stays at {row[-1]:g} to the end while the drives go on; look at its sensor and cable, then play again"
            )
        for place in _spikes(row):
            row[place] = 0.5 * (row[place - 1] + row[place + 1])
            spans.append(
                Span(
                    kind="repaired", start_s=place / rate_hz, end_s=(place + 1) / rate_hz, channel=channel.name,
                    note="spike bridged",
                )
            )  # fmt: skip
    return samples, tuple(spans)


def _dead_from(row: NDArray[np.float64], pace: NDArray[np.float64], rate_hz: float) -> float | None:
    """When a channel that moved begins to hold one value to the end although the drives go on moving; else None. [s]

    `pace` is the most any drive moves from each sample to the next.
    """
    moves = np.flatnonzero(np.diff(row))
    if not moves.size:
        return None
    last = int(moves[-1]) + 1
    busy = np.count_nonzero(pace[last:] > 0.02 * pace.max())
    return last / rate_hz if busy > max(DEAD_S * rate_hz, 0.1 * row.size) else None


def _spikes(row: NDArray[np.float64]) -> list[int]:
    """Single samples far outside what their neighbours and the whole row can explain."""
    if row.size < 100:
        return []
    off = np.zeros_like(row)
    off[1:-1] = row[1:-1] - 0.5 * (row[:-2] + row[2:])
    size = np.abs(off)
    places = np.flatnonzero(size > SPIKE * max(float(np.quantile(size, 0.99)), 1e-300))
    apart = [k for k in places if size[k] >= size[max(k - 2, 0) : k + 3].max()]
    # A true spike leaves its neighbours where they were: they differ far less from each other than from it.
    return [int(k) for k in apart if abs(row[k + 1] - row[k - 1]) < 0.1 * size[k]][:MOST_SPIKES]


def _holes(row: NDArray[np.float64]) -> Iterator[tuple[int, int]]:
    """Runs of samples that are not finite: first, and one past the last."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], ~np.isfinite(row), [False])).astype(np.int8)))
    yield from ((int(first), int(last)) for first, last in edges.reshape(-1, 2))


def _list(names: tuple[str, ...]) -> str:
    return ", ".join(names)


@dataclass(frozen=True, kw_only=True, slots=True)
class Play:
    """One line of a link's ledger: which drive went out under which label and number, and what became of it."""

    label: str
    number: int
    drive: str
    state: Literal["sent", "done", "failed"]
    note: str = ""


class Ledger:
    """The plays a link has handed out: a file that is only ever added to, one JSON object a line.

    It is what makes a play happen once: a label with the same drive that was handed out before is not handed out again.
    """

    def __init__(self, file: Path) -> None:
        self.file = file
        self._plays: dict[tuple[str, str], Play] = {}
        self.highest = 0
        for line in self._lines():
            try:
                play = Play(**json.loads(line))
            except (ValueError, TypeError):
                continue  # a line cut off by a power failure: the play before it stands
            self._plays[(play.label, play.drive)] = play
            self.highest = max(self.highest, play.number)

    def _lines(self) -> list[str]:
        try:
            return self.file.read_text(encoding="utf-8").splitlines()
        except FileNotFoundError:
            return []
        except OSError as error:
            raise RigError(f"{self.file}: cannot be read: {error}") from None

    def of(self, label: str, drive: str) -> Play | None:
        """What became of `label` with the drive of that digest."""
        return self._plays.get((label, drive))

    def add(self, play: Play) -> Play:
        """Write one line and see it to the disk. Raises RigError."""
        try:
            self.file.parent.mkdir(parents=True, exist_ok=True)
            with self.file.open("a", encoding="utf-8") as stream:
                stream.write(json.dumps(dataclasses.asdict(play)) + "\n")
                stream.flush()
                os.fsync(stream.fileno())
        except OSError as error:
            raise RigError(f"{self.file}: cannot be written: {error}") from None
        self._plays[(play.label, play.drive)] = play
        self.highest = max(self.highest, play.number)
        return play


def drive_digest(drive: Recording) -> str:
    """Digest of a drive's content."""
    return drive.digest()


def plain_label(label: str) -> str:
    """A label as part of a file name."""
    kept = "".join(letter if letter.isalnum() or letter in "-_." else "-" for letter in label).strip("-.")
    return kept[:80] or "play"


def response_channels(sensors: Any) -> tuple[Channel, ...]:
    """Channels in SI of a plan's sensors. Raises UnitError."""
    return tuple(
        Channel(
            name=sensor.name,
            unit=units.si_unit(sensor.unit, sensor.quantity),
            quantity=sensor.quantity,
            position_m=sensor.position_m,
            direction=sensor.direction,
        )
        for sensor in sensors
    )
