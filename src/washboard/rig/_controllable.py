"""Down to which frequency pitch and roll of the body can be held with given channels.

The channels tell a body motion with an error: each reading is wrong by its noise and by a share of itself (model error,
cross-talk). Carried through the least-squares inverse of the model's FRF this gives the smallest error any linear
inversion can have (Gauss-Markov): ``sigma**2 = b (H^H W^2 H)^-1 b^H``, which is large where singular values of the
weighted FRF in that direction are small. To it comes what the channels do not hold at all: the body motion left wrong
when they are matched, because the vehicle on standing tyres is another one than on the road. Both are held against the
motion that the vehicle, rolling on its tyres, makes on a rough road; it counts as controlled where they are below half.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from washboard import units
from washboard.rig._bodies import Bodies
from washboard.rig._description import Axle, Sensor
from washboard.rig._linear_model import LinearModel

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Share of itself by which a reading is taken to be wrong (common practice, no source).
READING_ERROR: Final = 0.05
#: Error of the body motion over the motion, up to which it counts as controlled.
HELD: Final = 0.5
#: Road of the comparison: ISO 8608 class C, at 10 m/s: elevation PSD ``G0 * n0**2 * v / f**2``. [m3, 1/m, m/s]
ROAD: Final = (256e-6, 0.1, 10.0)
#: Noise of a sensor that states none, RMS over the band [SI]: accelerometers, angles, everything else relative only.
NOISE: Final = {"acceleration": 0.02, "angle": 5e-4, "angular velocity": 2e-3, "displacement": 2e-4}


@dataclass(frozen=True, kw_only=True, slots=True)
class Controllable:
    """The lowest frequency from which on a body motion can be held.

    Parameters
    ----------
    motion : str
        ``"pitch"`` or ``"roll"``.
    axle_hz, control_hz, best_hz : float
        With the control channels on axles alone, with all control channels, with the one channel added that helps most.
        Infinite where not at all. [Hz]
    best : str
        What that channel is, empty when none helps.
    freq_hz, axle_error, control_error : ndarray
        Error over motion per frequency. [Hz, -]
    condition : ndarray
        Condition number of the weighted FRF of the control channels per frequency.
    """

    motion: str
    axle_hz: float
    control_hz: float
    best_hz: float
    best: str
    freq_hz: Floats
    axle_error: Floats
    control_error: Floats
    condition: Floats


def controllable(
    standing: LinearModel,
    rolling: LinearModel,
    control: Sequence[Sensor],
    *,
    candidates: Sequence[Sensor] = (),
    high_hz: float = 6.0,
) -> tuple[Controllable, ...]:
    """Lowest controllable frequency of pitch and roll.

    Parameters
    ----------
    standing, rolling : LinearModel
        The specimen on the rig, and the same one on rolling tyres.
    control : sequence of Sensor
        The control channels.
    candidates : sequence of Sensor
        Channels of which one might be added.
    high_hz : float
        Where to stop looking; a motion must be held from its lowest frequency up to here. [Hz]
    """
    freq_hz = np.geomspace(0.2, high_hz, 120)
    bodies = standing.bodies
    on_axles = [sensor for sensor in control if isinstance(bodies.body(sensor.on), Axle)]
    found = []
    for motion in ("pitch", "roll"):
        axle_error, _ = _error(standing, rolling, on_axles, motion, freq_hz)
        error, condition = _error(standing, rolling, control, motion, freq_hz)
        best, best_hz = "", math.inf
        start = _lowest(freq_hz, error)
        for extra in candidates:
            reached = _lowest(freq_hz, _error(standing, rolling, [*control, extra], motion, freq_hz)[0])
            if reached < min(best_hz, 0.9 * start):
                best, best_hz = extra.name, reached
        found.append(
            Controllable(
                motion=motion,
                axle_hz=_lowest(freq_hz, axle_error),
                control_hz=start,
                best_hz=best_hz,
                best=best,
                freq_hz=freq_hz,
                axle_error=axle_error,
                control_error=error,
                condition=condition,
            )
        )
    return tuple(found)


def body_candidates(bodies: Bodies) -> tuple[Sensor, ...]:
    """Sensors on the frame that see bounce, pitch, roll: gyroscopes, tilt, vertical corners, one high up sideways."""
    frame = bodies.specimen.frame
    (xc, yc, zc), (length, width, height) = frame.cog_m, frame.size_m
    top = max([zc + height / 2, *(part.cog_m[2] for part in bodies.specimen.part)])
    ends = (("front", xc + 0.4 * length), ("rear", xc - 0.4 * length))
    found = [
        Sensor(name="a pitch gyroscope on the frame", quantity="angular velocity", unit="rad/s", direction="+y"),
        Sensor(name="a roll gyroscope on the frame", quantity="angular velocity", unit="rad/s", direction="+x"),
        Sensor(name="a lateral accelerometer high on the body", quantity="acceleration", unit="m/s2", direction="+y",
               position_m=(xc, yc, top)),
        Sensor(name="a longitudinal accelerometer high on the body", quantity="acceleration", unit="m/s2",
               direction="+x", position_m=(xc, yc, top)),
    ]  # fmt: skip
    for end, x in ends:
        for side, y in (("left", yc + width / 2), ("right", yc - width / 2)):
            found.append(
                Sensor(
                    name=f"a vertical accelerometer at the frame's {end} {side}", quantity="acceleration", unit="m/s2",
                    on=f"frame {bodies.side_of_frame(x)}", position_m=(x, y, zc),
                )
            )  # fmt: skip
    return tuple(found)


def _error(
    standing: LinearModel, rolling: LinearModel, sensors: Sequence[Sensor], motion: str, freq_hz: Floats
) -> tuple[Floats, Floats]:
    """Error of the body motion over the motion itself, and the condition number of the weighted FRF, per frequency."""
    n = len(freq_hz)
    if len(sensors) < len(standing.inputs):
        return np.full(n, np.inf), np.full(n, np.inf)
    body = [_body_sensor(motion)]
    frf, row = standing.frf(freq_hz, sensors), standing.frf(freq_hz, body)[:, 0]
    road_psd, n0, speed = ROAD
    height_psd = road_psd * n0**2 * speed / freq_hz**2
    on_road, body_on_road = rolling.frf(freq_hz, sensors), rolling.frf(freq_hz, body)[:, 0]
    reading = (np.abs(on_road) ** 2).sum(axis=2) * height_psd[:, None]
    wanted = (np.abs(body_on_road) ** 2).sum(axis=1) * height_psd
    noise = np.array([_noise(sensor) for sensor in sensors]) ** 2 / 30.0
    spread = np.sqrt(READING_ERROR**2 * reading + noise)[:, :, None]
    u, s, vh = np.linalg.svd(frf / spread, full_matrices=False)
    along = np.einsum("fd,fkd->fk", row, np.conj(vh))
    variance = (np.abs(along) ** 2 / np.maximum(s, 1e-300) ** 2).sum(axis=1)
    matched = np.einsum("fk,fik,fij->fj", along / np.maximum(s, 1e-300), np.conj(u), on_road / spread)
    apart = (np.abs(matched - body_on_road) ** 2).sum(axis=1) * height_psd
    return np.sqrt((variance + apart) / np.maximum(wanted, 1e-300)), s[:, 0] / np.maximum(s[:, -1], 1e-300)


def _body_sensor(motion: str) -> Sensor:
    return Sensor(name=motion, quantity="angle", unit="rad", direction="+y" if motion == "pitch" else "+x")


def _noise(sensor: Sensor) -> float:
    """RMS noise over some 30 Hz, stated or usual. [SI]"""
    if sensor.noise > 0:
        return sensor.noise * units.factor_to_si(sensor.unit, sensor.quantity)[0]
    return NOISE.get(sensor.quantity, 0.0)


def _lowest(freq_hz: Floats, error: Floats) -> float:
    """The lowest frequency from which on the error stays below `HELD`."""
    bad = np.flatnonzero(~(error <= HELD))
    if not bad.size:
        return float(freq_hz[0])
    return math.inf if bad[-1] == len(freq_hz) - 1 else float(freq_hz[bad[-1] + 1])
