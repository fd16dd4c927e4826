"""What a drive may not leave: stroke, velocity, acceleration of every actuator; and how a drive is brought inside."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from washboard.errors import InputError
from washboard.recording import Channel
from washboard.rig import Actuator

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class DriveLimits:
    """Largest command either way per drive, its rate and the rate of that, shape (drive,). [m or rad; 1/s; 1/s2]"""

    names: tuple[str, ...]
    reach: Floats
    velocity: Floats
    acceleration: Floats

    def scaled(self, share: float) -> DriveLimits:
        """The limits times `share`."""
        return DriveLimits(
            names=self.names,
            reach=self.reach * share,
            velocity=self.velocity * share,
            acceleration=self.acceleration * share,
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class LimitUse:
    """Peak of each drive over its limit, shape (drive,): 1 is at the limit. [-]"""

    names: tuple[str, ...]
    stroke: Floats
    velocity: Floats
    acceleration: Floats

    @property
    def largest(self) -> float:
        """The largest share of any limit."""
        return float(max(self.stroke.max(), self.velocity.max(), self.acceleration.max()))

    def words(self) -> str:
        """Which limit is nearest, in words."""
        table = np.stack([self.stroke, self.velocity, self.acceleration])
        kind, drive = np.unravel_index(int(np.argmax(table)), table.shape)
        return (
            f"{self.names[drive]} uses {table[kind, drive]:.0%} of its {('stroke', 'velocity', 'acceleration')[kind]}"
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class HeldDrive:
    """A drive inside the limits: the drive, what was asked and what is used of the limits, what was taken away.

    `removed` is the RMS of the change over the RMS of what was asked, per drive. [-]
    """

    samples: Floats
    asked: LimitUse
    used: LimitUse
    removed: Floats


def limits_of(actuators: tuple[Actuator, ...], drives: tuple[Channel, ...]) -> DriveLimits:
    """Limits of the drives of a rig, in the order of `drives`: those of its actuators and, where narrower, its link's.

    Raises
    ------
    InputError
        The rig takes another number of drives than there are actuators.
    """
    if len(actuators) != len(drives):
        raise InputError(
            f"the rig takes {len(drives)} drives ({', '.join(d.name for d in drives)}) but [rig] has {len(actuators)} "
            "actuators; make [[rig.post]] and [[rig.kingpin]] agree with the rig"
        )
    reach, velocity, acceleration = [], [], []
    for actuator, drive in zip(actuators, drives, strict=True):
        lever = actuator.lever_m if actuator.axis == "roll" else 1.0
        own = np.inf if drive.limits is None else min(abs(drive.limits[0]), abs(drive.limits[1]))
        reach.append(min(actuator.reach, own if own > 0 else np.inf))
        velocity.append(actuator.max_velocity_m_s / lever)
        acceleration.append(actuator.max_acceleration_m_s2 / lever)
    return DriveLimits(
        names=tuple(drive.name for drive in drives),
        reach=np.array(reach),
        velocity=np.array(velocity),
        acceleration=np.array(acceleration),
    )


def use_of_limits(samples: Floats, rate_hz: float, limits: DriveLimits) -> LimitUse:
    """Peaks of drives (drive, time) and of their differences from sample to sample, over the limits."""
    peak = np.abs(samples).max(axis=1, initial=0.0)
    step = np.diff(samples, axis=1)
    rate = np.abs(step).max(axis=1, initial=0.0) * rate_hz
    bend = np.abs(np.diff(step, axis=1)).max(axis=1, initial=0.0) * rate_hz**2
    return LimitUse(
        names=limits.names,
        stroke=peak / limits.reach,
        velocity=rate / limits.velocity,
        acceleration=bend / limits.acceleration,
    )


def rest_taper(n_samples: int, rate_hz: float, taper_s: float) -> Floats:
    """Half-cosine from 0 up to 1 and back to 0 at the ends, shape (time,); first and last sample are exactly 0."""
    length = max(2, min(round(taper_s * rate_hz), n_samples // 2))
    rise = 0.5 - 0.5 * np.cos(np.pi * np.arange(length) / length)
    taper = np.ones(n_samples)
    taper[:length] = rise
    taper[n_samples - length :] = rise[::-1]
    return taper


def hold_to_limits(
    samples: Floats,
    rate_hz: float,
    limits: DriveLimits,
    *,
    band_hz: tuple[float, float],
    taper: Floats,
    rounds: int = 25,
) -> HeldDrive:
    """Bring drives inside their limits by projections, each put back into the band, and taper them to rest.

    What sticks out of a limit (of the drive, its first or second difference) is cut off, integrated back to a drive
    within `band_hz` and taken away, a little more than needed; repeated. What is left after `rounds` is scaled away
    per drive, so the result never exceeds a limit whatever was asked (projections onto convex sets; the last step
    makes the promise hold when they have not converged).

    Parameters
    ----------
    samples : ndarray, shape (drive, time)
        Asked for. [m or rad]
    band_hz : tuple
        Frequencies a correction may use. [Hz]
    taper : ndarray, shape (time,)
        Factor from and to rest, from `rest_taper`.
    """
    asked = use_of_limits(samples * taper, rate_hz, limits)
    held = samples * taper
    for drive in range(held.shape[0]):
        if max(asked.stroke[drive], asked.velocity[drive], asked.acceleration[drive]) > 1.0:
            held[drive] = _project(held[drive], rate_hz, limits, drive, band_hz, taper, rounds)
    used = use_of_limits(held, rate_hz, limits)
    scale = np.maximum(1.0, np.maximum(used.stroke, np.maximum(used.velocity, used.acceleration)) * (1 + 1e-9))
    held = held / scale[:, None]
    size = np.sqrt(np.mean((samples * taper) ** 2, axis=1))
    change = np.sqrt(np.mean((samples * taper - held) ** 2, axis=1))
    return HeldDrive(
        samples=held,
        asked=asked,
        used=use_of_limits(held, rate_hz, limits),
        removed=np.divide(change, size, out=np.zeros_like(size), where=size > 0),
    )


def _project(
    wanted: Floats,
    rate_hz: float,
    limits: DriveLimits,
    drive: int,
    band_hz: tuple[float, float],
    taper: Floats,
    rounds: int,
) -> Floats:
    n = wanted.size
    size = scipy.fft.next_fast_len(n + round(2 * rate_hz / band_hz[0]), real=True)
    f = scipy.fft.rfftfreq(size, 1 / rate_hz)
    inside = (f >= 0.7 * band_hz[0]) & (f <= 1.3 * band_hz[1])
    omega = 2 * np.pi * np.where(inside, f, 1.0)
    # A cut peak of velocity or acceleration, integrated as it is, would be a large slow motion; what takes the peak
    # away with the least travel lies at the upper end of the band.
    corner_hz = (band_hz[0], np.sqrt(band_hz[0] * band_hz[1]), 0.5 * band_hz[1])
    bounds = (limits.reach[drive], limits.velocity[drive], limits.acceleration[drive])
    held = wanted.copy()
    for _round in range(rounds):
        worst = 1.0
        for order, (bound, share) in enumerate(zip(bounds, (0.985, 0.97, 0.95), strict=True)):
            value = np.diff(held, n=order) * rate_hz**order
            if not np.any(np.abs(value) > bound):
                continue
            worst = max(worst, float(np.abs(value).max() / bound))
            excess = value - np.clip(value, -bound * share, bound * share)
            high_pass = f ** (2 * order) / (f ** (2 * order) + corner_hz[order] ** (2 * order)) if order else 1.0
            # A difference belongs half a sample after its first sample.
            back = np.where(inside, high_pass, 0.0) * np.exp(-1j * omega * order / 2 / rate_hz) / (1j * omega) ** order
            held = held - 1.5 * scipy.fft.irfft(scipy.fft.rfft(excess, size) * back, size)[:n] * taper
        if worst <= 1.0:
            break
    return held
