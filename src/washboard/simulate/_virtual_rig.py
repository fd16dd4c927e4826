"""The virtual rig: posts, specimen and sensors from their descriptions, behind the same protocol as any rig."""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.errors import ChannelError, DataError, RigTripped
from washboard.recording import Channel, Recording, Step
from washboard.rig import Rig, RigChannels, Sensor, Specimen
from washboard.settings import Progress, no_progress
from washboard.simulate._assemble import Array, Model, assemble
from washboard.simulate._march import march
from washboard.simulate._rates import steps_per_sample, to_half_steps, to_samples
from washboard.simulate._sensors import measure, sensor_channel, sensor_rows
from washboard.simulate._tables import tables_on_posts

#: How far a command may go beyond an actuator's reach before the rig refuses it; less than that is held back.
_TOLERANCE = 1.02


@dataclass(frozen=True, kw_only=True, slots=True)
class PlayLog:
    """What the hardware went through in one play, per actuator (post, then kingpin) or per wheel.

    Parameters
    ----------
    peak, peak_velocity : ndarray, shape (actuator,)
        Largest travel from mid stroke and speed of the piston. [m, m/s or rad, rad/s]
    mean_flow_m3_s, peak_flow_m3_s : float
        Oil taken by all actuators together. [m3/s]
    least_load, lift_off : ndarray, shape (wheel,)
        Smallest wheel load over the static one, and share of time without contact.
    roll_rad, pitch_rad : float
        Largest tilt of the frame. [rad]
    """

    label: str
    peak: Array
    peak_velocity: Array
    mean_flow_m3_s: float
    peak_flow_m3_s: float
    least_load: Array
    lift_off: Array
    roll_rad: float
    pitch_rad: float


class _Watch:
    """Looks at each stretch of the march: sensors, hardware limits, tilt, progress."""

    def __init__(self, rig: VirtualRig, n_steps: int, lead: int, label: str, progress: Progress) -> None:
        self.rig, self.n_steps, self.lead, self.label, self.progress = rig, n_steps, lead, label, progress
        n_actuators = len(rig.rig.actuators)
        self.true = np.empty((len(rig.sensors), n_steps))
        self.peak, self.peak_velocity = np.zeros(n_actuators), np.zeros(n_actuators)
        self.flow_sum, self.flow_peak = 0.0, 0.0
        self.least = np.ones(len(rig.model.wheels))
        self.off = np.zeros(len(rig.model.wheels))
        self.tilt = np.zeros(2)

    def __call__(self, first: int, trace: Array) -> None:
        rig, places = self.rig, self.rig.tables.places
        self._tilt(first, trace[:, places["q"]])
        self.true[:, first : first + len(trace)] = rig.rows.read(trace)
        base, base_v = trace[:, places["base"]], trace[:, places["base velocity"]]
        self.peak = np.maximum(self.peak, np.abs(base).max(axis=0))
        self.peak_velocity = np.maximum(self.peak_velocity, np.abs(base_v).max(axis=0))
        flow = np.abs(base_v) @ rig.flow_m2
        self.flow_sum += float(flow.sum())
        self.flow_peak = max(self.flow_peak, float(flow.max()))
        load = trace[:, places["support"]][:, : len(self.least)] / rig.static_n
        self.least = np.minimum(self.least, load.min(axis=0))
        self.off += (load <= 0).sum(axis=0)
        self.progress(min(1.0, (first + len(trace)) / self.n_steps), f"playing {self.label}")

    def _tilt(self, first: int, q: Array) -> None:
        restraint = self.rig.rig.restraint
        limits = (("rolled", q[:, 2:4], restraint.trip_roll_rad), ("pitched", q[:, 1:2], restraint.trip_pitch_rad))
        for index, (word, angles, limit) in enumerate(limits):
            worst = np.abs(angles).max(axis=1)
            if not np.isfinite(worst).all():
                raise RigTripped(f"play '{self.label}': the virtual rig lost the specimen; the drive is far too large")
            self.tilt[index] = max(self.tilt[index], float(worst.max()))
            over = np.flatnonzero(worst > limit)
            if over.size:
                when = (first + int(over[0]) - self.lead) * self.rig.step_s
                raise RigTripped(
                    f"play '{self.label}': the specimen {word} {math.degrees(float(worst[over[0]])):.1f} deg at "
                    f"{when:.2f} s, more than the {math.degrees(limit):.1f} deg allowed by rig.restraint; posts were "
                    "brought to rest. Reduce the drive, or look for wheels that lift off"
                )


class VirtualRig:
    """A rig that is simulated: servo-hydraulic posts under a non-linear vehicle, with sensors on it.

    Parameters
    ----------
    specimen, rig : Specimen, Rig
        Descriptions as in a programme file; one post per wheel, in the order axle 1 left, axle 1 right, ...
    sensors : tuple of Sensor
        The response channels, in order; what they give is in SI, with their noise, range and resolution.
    seed : int
        Of the sensor noise; the same seed, label and drive give the same response bit for bit.
    rate_hz : float, optional
        Sample rate of drives and responses, that of `rig.link` unless given. [Hz]

    Raises
    ------
    InputError
        Rig, specimen and sensors do not fit together.
    """

    def __init__(
        self,
        *,
        specimen: Specimen,
        rig: Rig,
        sensors: tuple[Sensor, ...],
        seed: int = 1,
        rate_hz: float | None = None,
    ) -> None:
        self.rig = rig
        self.sensors = tuple(sensors)
        self.model: Model = assemble(specimen)
        self.tables = tables_on_posts(self.model, rig)
        self.rows = sensor_rows(self.model, self.tables, self.sensors)
        self.rate_hz = rig.link.rate_hz if rate_hz is None else rate_hz
        self.step_s = 1 / (self.rate_hz * steps_per_sample(self.rate_hz))
        self.seed = seed
        self.log: PlayLog | None = None
        self._plays = 0
        self.static_n = np.array([wheel.static_n for wheel in self.model.wheels])
        levers = [a.lever_m if a.axis == "roll" else 1.0 for a in rig.actuators]
        self.flow_m2 = np.array([a.piston_area_m2 * lever for a, lever in zip(rig.actuators, levers, strict=True)])

    def channels(self) -> RigChannels:
        """What the rig takes and gives."""
        drives = tuple(
            Channel(
                name=actuator.name,
                unit=actuator.unit,
                quantity="angle" if actuator.axis == "roll" else "displacement",
                limits=(-actuator.reach, actuator.reach),
                direction="+x" if actuator.axis == "roll" else "+z",
            )
            for actuator in self.rig.actuators
        )
        responses = tuple(sensor_channel(sensor, si=True) for sensor in self.sensors)
        return RigChannels(drives=drives, responses=responses, rate_hz=self.rate_hz)

    def play(self, drive: Recording, *, label: str = "", progress: Progress = no_progress) -> Recording:
        """Play `drive` from and to rest and return the responses, in SI, at its sample rate.

        A drive that does not start at 0 is led in over a second before the recording starts.

        Raises
        ------
        ChannelError, DataError
            The drive's channels, sample rate or values do not fit the rig.
        RigTripped
            The vehicle tilted beyond the rig's restraint.
        Cancelled
            From `progress`.
        """
        self._plays += 1
        label = label or f"play {self._plays}"
        command = self._command(drive)
        lead = round(self.rate_hz) if np.abs(command[:, 0]).max() > 1e-5 else 0
        if lead:
            rise = 0.5 - 0.5 * np.cos(np.pi * np.arange(lead) / lead)
            command = np.hstack([command[:, :1] * rise, command])
        delay = np.array([actuator.delay_s for actuator in self.rig.actuators])
        fine = to_half_steps(command, self.rate_hz, delay_s=delay)
        factor = steps_per_sample(self.rate_hz)
        n_steps = (len(fine) - 1) // 2
        watch = _Watch(self, n_steps, lead * factor, label, progress)
        march(self.tables, fine, fine, self.step_s, look=watch)
        self.log = self._log(watch, n_steps)
        noise = int.from_bytes(hashlib.sha256(f"{self.seed}:{label}".encode()).digest()[:8], "big")
        true = to_samples(watch.true, self.rate_hz)[:, lead:]
        return Recording(
            samples=measure(true, self.sensors, seed=noise, si=True).astype(np.float32),
            rate_hz=self.rate_hz,
            channels=self.channels().responses,
            name=label,
            history=(Step(function="simulate.VirtualRig.play", inputs=(drive.digest(),), settings={"label": label}),),
            owned=True,
        )

    def stop(self) -> None:
        """Bring the rig to rest; a virtual rig rests between plays."""

    def _command(self, drive: Recording) -> NDArray[np.float64]:
        wanted = [actuator.name for actuator in self.rig.actuators]
        if list(drive.names) != wanted:
            raise ChannelError(
                f"drive '{drive.name}' has the channels {', '.join(drive.names)}; this rig takes {', '.join(wanted)}, "
                "in this order"
            )
        if abs(drive.rate_hz / self.rate_hz - 1) > 1e-9:
            raise DataError(
                f"drive '{drive.name}' has {drive.rate_hz:g} samples a second, this rig plays {self.rate_hz:g}; "
                "resample the drive"
            )
        command = np.asarray(drive.in_si().samples, dtype=np.float64)
        for row, actuator in zip(command, self.rig.actuators, strict=True):
            if not np.isfinite(row).all():
                raise DataError(f"drive '{drive.name}' has NaN or infinite samples on '{actuator.name}'")
            peak = float(np.abs(row).max())
            if peak > actuator.reach * _TOLERANCE:
                unit, scale = ("deg", math.degrees(1.0)) if actuator.axis == "roll" else ("mm", 1e3)
                raise DataError(
                    f"drive '{drive.name}' asks {peak * scale:.1f} {unit} of actuator '{actuator.name}', which reaches "
                    f"{actuator.reach * scale:.1f} {unit} either way; reduce the drive"
                )
        reach = np.array([actuator.reach for actuator in self.rig.actuators])[:, None]
        return np.clip(command, -reach, reach)

    def _log(self, watch: _Watch, n_steps: int) -> PlayLog:
        return PlayLog(
            label=watch.label,
            peak=watch.peak,
            peak_velocity=watch.peak_velocity,
            mean_flow_m3_s=watch.flow_sum / n_steps,
            peak_flow_m3_s=watch.flow_peak,
            least_load=watch.least,
            lift_off=watch.off / n_steps,
            roll_rad=float(watch.tilt[0]),
            pitch_rad=float(watch.tilt[1]),
        )
