"""Which sensors where: few enough for a day's work, placed so that axle inputs and body modes can be told.

One vertical accelerometer per wheel position is always taken: they see the inputs. Then the candidate that tells most
about the motions not yet seen is added, one after the other (greedy maximisation of ``log det`` of the information the
readings hold about the modal coordinates, D-optimality; for greedy choice of sensors see for example Shamaiah, Banerjee
and Vikalo, CDC 2010), until the best left would add less than a stated factor.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from washboard.rig._bodies import SIDES
from washboard.rig._controllable import ROAD, body_candidates
from washboard.rig._description import Sensor, Specimen
from washboard.rig._linear_model import LinearModel, linear_model

Floats = NDArray[np.float64]

#: A sensor is worth its cable when it cuts the uncertainty of some modal coordinate to less than 1 over this.
WORTH: Final = 1.6
#: Reading error over the largest gain of the sensor's kind.
READING: Final = 0.05


@dataclass(frozen=True, kw_only=True, slots=True)
class ProposedSensor:
    """One line of the channel list.

    Parameters
    ----------
    sensor : Sensor
        Where, which direction, what.
    why : str
        What it is for.
    range_si : float
        Range to choose, either way: five times the RMS on a class E road (ISO 8608) at 10 m/s. [SI]
    minutes : float
        Time to fit it (common practice, no source).
    """

    sensor: Sensor
    why: str
    range_si: float
    minutes: float


@dataclass(frozen=True, kw_only=True, slots=True)
class InstrumentationPlan:
    """The sensors proposed.

    Parameters
    ----------
    sensors : tuple of ProposedSensor
        In the order of the channel list.
    unseen : tuple of str
        Modes below the band's high edge that they hardly tell apart.
    hours : float
        To fit them all.
    """

    sensors: tuple[ProposedSensor, ...]
    unseen: tuple[str, ...]
    hours: float


def instrumentation(specimen: Specimen, *, most: int = 16, high_hz: float = 20.0) -> InstrumentationPlan:
    """A channel list from the model's modes.

    Parameters
    ----------
    most : int
        Most sensors, those on the wheels included.
    high_hz : float
        Modes above are not looked for. [Hz]
    """
    model = linear_model(specimen)
    modes = model.modes()
    kept = np.flatnonzero((modes.freq_hz <= high_hz) & (modes.damping < 0.95))
    chosen = [*_on_wheels(specimen)]
    candidates = [*_candidates(specimen, model)]
    rows = {id(sensor): _modal_row(model, sensor, kept) for sensor in (*chosen, *candidates)}
    why = {id(sensor): "sees the input of this wheel" for sensor in chosen}
    information = np.eye(len(kept)) * 1.0
    for sensor in chosen:
        information = information + _information(rows[id(sensor)])
    while candidates and len(chosen) < most:
        gains = [_gain(information, rows[id(sensor)]) for sensor in candidates]
        best = int(np.argmax(gains))
        if math.exp(gains[best] / 2) < WORTH:
            break
        sensor = candidates.pop(best)
        mode = int(np.argmax(_seen(information, rows[id(sensor)])))
        why[id(sensor)] = f"tells {modes.names[kept[mode]]} at {modes.freq_hz[kept[mode]]:.1f} Hz"
        information = information + _information(rows[id(sensor)])
        chosen.append(sensor)
    spread = np.sqrt(np.diag(np.linalg.inv(information)))
    unseen = tuple(
        f"{modes.names[place]} at {modes.freq_hz[place]:.1f} Hz"
        for place, left in zip(kept, spread, strict=True)
        if left > 0.5
    )
    ranges = _ranges(specimen, chosen)
    proposed = tuple(
        ProposedSensor(sensor=sensor, why=why[id(sensor)], range_si=value, minutes=_minutes(sensor))
        for sensor, value in zip(chosen, ranges, strict=True)
    )
    return InstrumentationPlan(sensors=proposed, unseen=unseen, hours=sum(entry.minutes for entry in proposed) / 60)


def _on_wheels(specimen: Specimen) -> list[Sensor]:
    return [
        Sensor(
            name=f"{axle.name} {side} az", quantity="acceleration", unit="m/s2", on=axle.name,
            position_m=(axle.x_m, sign * axle.track_m / 2, axle.tyre.radius_m),
        )
        for axle in specimen.axle
        for side, sign in SIDES
    ]  # fmt: skip


def _candidates(specimen: Specimen, model: LinearModel) -> list[Sensor]:
    found = list(body_candidates(model.bodies))
    for axle in specimen.axle:
        if axle.kind != "rigid":
            found += [
                Sensor(name=f"{axle.name} spring travel {side}", quantity="displacement", unit="m", on=axle.name,
                       section="spring left" if side == "left" else "spring right",
                       position_m=(axle.x_m, sign * axle.spring_spacing_m / 2, axle.roll_centre_m))
                for side, sign in SIDES
            ]  # fmt: skip
    for part in specimen.part:
        if part.mount:
            x, y, z = part.cog_m
            aside = max((abs(mount.position_m[1] - y) for mount in part.mount), default=0.3)
            places: tuple[tuple[str, tuple[float, float, float], str], ...] = (
                ("az", (x, y + aside, z), "+z"), ("ay", (x, y, z), "+y"), ("ax", (x, y, z), "+x")
            )  # fmt: skip
            found += [
                Sensor(name=f"{part.name} {axis}", quantity="acceleration", unit="m/s2", on=part.name, position_m=place,
                       direction=direction)  # type: ignore[arg-type]
                for axis, place, direction in places
            ]  # fmt: skip
    return found


def _modal_row(model: LinearModel, sensor: Sensor, kept: NDArray[np.intp]) -> NDArray[np.complex128]:
    """What the sensor reads when each mode moves with unit kinetic amplitude at its own frequency."""
    from washboard.rig._sensing import sensor_response

    modes = model.modes()
    row = np.empty(len(kept), dtype=np.complex128)
    for place, mode in enumerate(kept):
        shape = modes.shapes[mode]
        energy = np.sqrt(np.abs(np.conj(shape) @ model.mass @ shape))
        omega = 2 * np.pi * modes.freq_hz[mode]
        motions = np.repeat((shape / energy / omega**2)[None, :, None], len(model.inputs), axis=2)
        row[place] = sensor_response(model, sensor, modes.freq_hz[[mode]], motions)[0, 0]
    return row / max(float(np.abs(row).max()), 1e-300) / READING


def _information(row: NDArray[np.complex128]) -> Floats:
    return np.asarray(np.real(np.outer(np.conj(row), row)), dtype=np.float64) * 0.5


def _gain(information: Floats, row: NDArray[np.complex128]) -> float:
    """Growth of log det."""
    return float(np.linalg.slogdet(information + _information(row))[1] - np.linalg.slogdet(information)[1])


def _seen(information: Floats, row: NDArray[np.complex128]) -> Floats:
    """How much the sensor cuts each modal coordinate's variance, as a factor."""
    before = np.diag(np.linalg.inv(information))
    return np.asarray(before / np.diag(np.linalg.inv(information + _information(row))))


def _ranges(specimen: Specimen, sensors: Sequence[Sensor]) -> list[float]:
    """Five times the RMS on a class E road, 16 times class C in PSD, over 0.3 to 40 Hz, wheels taken as independent."""
    rolling = linear_model(specimen, standing=False)
    freq_hz = np.linspace(0.3, 40.0, 400)
    roughness, n0, speed = ROAD
    psd = 16 * roughness * n0**2 * speed / freq_hz**2
    power = (np.abs(rolling.frf(freq_hz, sensors)) ** 2).sum(axis=2) * psd[:, None]
    return [float(value) for value in 5 * np.sqrt(np.trapezoid(power, freq_hz, axis=0))]


def _minutes(sensor: Sensor) -> float:
    return {"displacement": 40.0, "strain": 60.0}.get(sensor.quantity, 20.0)
