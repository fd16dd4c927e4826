"""The virtual field: the same vehicle, rolling over a road, with its sensors recording."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from washboard.errors import InputError
from washboard.recording import Recording, Step
from washboard.rig import Sensor, Specimen
from washboard.settings import Progress, no_progress
from washboard.simulate._assemble import Array, Model, assemble
from washboard.simulate._contact import rolling_height
from washboard.simulate._march import march
from washboard.simulate._rates import steps_per_sample, to_samples
from washboard.simulate._road import Road
from washboard.simulate._sensors import measure, sensor_channel, sensor_rows
from washboard.simulate._tables import tables_on_road

#: The vehicle rolls this long before the recording starts, while the road grows from level to its height. [s]
LEAD_S = 3.0


def drive_over(
    specimen: Specimen,
    sensors: tuple[Sensor, ...],
    road: Road,
    *,
    speed_m_s: float,
    seed: int,
    rate_hz: float = 512.0,
    speed_wander: float = 0.03,
    name: str = "",
    progress: Progress = no_progress,
) -> Recording:
    """One lap: `specimen` driven over `road`, as its sensors record it, each in its own unit.

    Every axle meets the same profile later by its distance behind the first. The speed wanders slowly about its mean.

    Parameters
    ----------
    road : Road
        Must be as long as the vehicle; the lap ends where the last axle leaves it.
    speed_m_s : float
        Mean speed. [m/s]
    seed : int
        Of sensor noise and of how the speed wanders.
    rate_hz : float
        Sample rate of the recording. [Hz]
    speed_wander : float
        Standard deviation of the speed over its mean. [-]

    Raises
    ------
    InputError
        The road is too short.
    """
    model = assemble(specimen)
    tables = tables_on_road(model, speed_m_s=speed_m_s)
    form = sensor_rows(model, tables, sensors)
    factor = steps_per_sample(rate_hz)
    step_s = 1 / (rate_hz * factor)
    ends = [axle.x_m for axle in specimen.axle] + ([specimen.kingpin.x_m] if specimen.kingpin else [])
    wheelbase = max(ends) - min(ends)
    lead_samples = math.ceil(LEAD_S * rate_hz)
    travel = _travel(road.length_m - wheelbase, speed_m_s, speed_wander, step_s / 2, lead_samples * factor * 2, seed)
    n_steps = (len(travel) - 1) // (2 * factor) * factor
    if n_steps < 2 * lead_samples * factor:
        raise InputError(
            f"road '{road.name}' is {road.length_m:.0f} m long; at {speed_m_s:.1f} m/s it must be "
            f"{wheelbase + 2 * LEAD_S * speed_m_s:.0f} m or more"
        )
    travel = travel[: 2 * n_steps + 1]
    height, velocity = _supports(model, road, travel, step_s / 2, lead_samples * factor * 2)
    true = np.empty((len(sensors), n_steps))

    def look(first: int, trace: Array) -> None:
        true[:, first : first + len(trace)] = form.read(trace)
        progress(min(1.0, (first + len(trace)) / n_steps), name)

    march(tables, height, velocity, step_s, look=look)
    values = measure(to_samples(true, rate_hz)[:, lead_samples:], sensors, seed=[seed, 77], si=False)
    settings = {"speed_m_s": speed_m_s, "seed": seed, "road": road.name}
    return Recording(
        samples=values.astype(np.float32),
        rate_hz=rate_hz,
        channels=tuple(sensor_channel(sensor, si=False) for sensor in sensors),
        name=name or road.name,
        metadata={"source": "virtual field: simulated, no real vehicle", "speed": f"{speed_m_s:.2f} m/s"},
        history=(Step(function="simulate.drive_over", settings=settings),),
        owned=True,
    )


def _travel(
    length_m: float, speed_m_s: float, wander: float, half_s: float, lead: int, seed: int
) -> NDArray[np.float64]:
    """Distance of the last axle along the road at each half step; the lead-in runs on the road's first metres."""
    n = lead + int(1.3 * length_m / speed_m_s / half_s)
    random = np.random.default_rng([seed, 11])
    every = round(1.0 / half_s)
    knots = random.standard_normal(n // every + 4)
    # Speed is a random walk tied to its mean, one knot a second.
    for index in range(1, len(knots)):
        knots[index] = 0.9 * knots[index - 1] + math.sqrt(1 - 0.81) * knots[index]
    smooth = np.convolve(knots, [0.25, 0.5, 0.25], mode="same")
    speed = speed_m_s * (
        1 + wander * np.clip(np.interp(np.arange(n), np.arange(len(knots)) * every, smooth), -2.5, 2.5)
    )
    travel = np.concatenate([[0.0], np.cumsum((speed[1:] + speed[:-1]) / 2) * half_s])
    inside = int(np.searchsorted(travel, length_m))
    return np.asarray(travel[:inside])


def _supports(
    model: Model, road: Road, travel_m: Array, half_s: float, lead: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Height and its rate under every wheel (and of the towing vehicle at a kingpin) at each half step."""
    from scipy import interpolate

    specimen = model.specimen
    last = min(axle.x_m for axle in specimen.axle)
    rise = np.clip(np.arange(len(travel_m)) / max(1, lead), 0, 1)
    rise = rise**2 * (3 - 2 * rise)
    rolled: dict[float, Array] = {}

    def under(radius_m: float, side: int, x_m: float) -> Array:
        if radius_m not in rolled:
            patch = math.sqrt(2 * radius_m * 0.06)
            rolled[radius_m] = rolling_height(road.height_m, road.spacing_m, radius_m=radius_m, patch_m=patch)
        profile = interpolate.CubicSpline(road.distance_m, rolled[radius_m][0 if side > 0 else 1])
        return np.asarray((profile(travel_m + x_m - last) - profile(x_m - last)) * rise)

    columns = [under(specimen.axle[wheel.axle].tyre.radius_m, wheel.side, wheel.x_m) for wheel in model.wheels]
    if specimen.kingpin is not None:
        left, right = (under(specimen.axle[0].tyre.radius_m, side, specimen.kingpin.x_m) for side in (1, -1))
        columns += _towed(left, right, specimen.axle[0].track_m, half_s)
    height = np.ascontiguousarray(np.stack(columns, axis=1))
    return height, np.ascontiguousarray(np.gradient(height, half_s, axis=0, edge_order=2))


def _towed(left_m: Array, right_m: Array, track_m: float, half_s: float) -> list[Array]:
    """Heave and roll of the towing vehicle's coupling: the road under its rear axle through a soft suspension.

    The towing vehicle is not modelled; its frame follows the road as a body on springs of 1.7 Hz does, and rolls less
    than its axle.
    """
    from scipy import signal

    omega, ratio = 2 * math.pi * 1.7, 0.35
    b, a = signal.bilinear([2 * ratio * omega, omega**2], [1, 2 * ratio * omega, omega**2], fs=1 / half_s)
    heave = signal.lfilter(b, a, (left_m + right_m) / 2)
    roll = 0.6 * signal.lfilter(b, a, (left_m - right_m) / track_m)
    return [np.asarray(heave), np.asarray(roll)]
