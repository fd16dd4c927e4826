"""Clean channels as a vehicle on a rough road makes them: the hard cases for whoever looks for faults.

A quarter vehicle with a tyre that can lift off and bump stops rolls over a random road with potholes, cobbles or
washboard; what its sensors say goes through an anti-alias filter and a converter. Written for tests, apart from
`simulate`; its parameters are invented, in the range of heavy vehicles.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray
from scipy import signal

KINDS = ("axle acceleration", "body acceleration", "spring travel", "spring strain")
_OVERSAMPLING = 4


@dataclass(frozen=True, kw_only=True, slots=True)
class RoughChannel:
    """One clean channel, shape (time,), in SI."""

    samples: NDArray[np.float32]
    rate_hz: float
    kind: str
    quantity: str
    unit: str
    road: str
    limits: tuple[float, float]


def rough_channel(seed: int, *, kind: str | None = None, rate_hz: float | None = None) -> RoughChannel:
    """A clean channel of a vehicle on a rough road, everything about it drawn from `seed`.

    Parameters
    ----------
    seed : int
    kind : str, optional
        One of `KINDS`.
    rate_hz : float, optional
        Sample rate. [Hz]
    """
    rng = np.random.default_rng(seed)
    kind = kind or KINDS[int(rng.integers(len(KINDS)))]
    rate = rate_hz or float(rng.choice([256.0, 400.0, 512.0, 1000.0, 1024.0]))
    duration = float(rng.uniform(20.0, 60.0))
    road = str(rng.choice(["smooth", "rough", "potholes", "cobbles", "washboard", "mixed"]))
    step = 1.0 / (rate * _OVERSAMPLING)
    n = int(duration / step)
    height = _road(rng, road, n, step)
    vehicle = _vehicle(rng)
    axle, body, travel = _quarter_vehicle(height, step, *vehicle)
    raw = {
        "axle acceleration": axle,
        "body acceleration": body,
        "spring travel": travel,
        "spring strain": travel * rng.uniform(3e-3, 8e-3),
    }[kind]
    corner = rng.uniform(0.3, 0.4) * rate
    sos = signal.butter(8, corner, fs=rate * _OVERSAMPLING, output="sos")
    seen = signal.sosfilt(sos, raw)[int(2.0 / step) :: _OVERSAMPLING]
    if kind in {"spring travel", "spring strain"} and rng.random() < 0.5:
        # Load moves, grades and bends: slow changes that are no drift of the sensor.
        slow = signal.sosfiltfilt(signal.butter(2, 0.08, fs=rate, output="sos"), rng.standard_normal(seen.size))
        seen = seen + 0.5 * float(np.std(seen)) * slow / float(np.std(slow))
    seen = seen - np.mean(seen) if kind != "axle acceleration" or rng.random() < 0.5 else seen
    peak = float(np.max(np.abs(seen)))
    seen = seen + rng.standard_normal(seen.size) * float(np.std(seen)) * 10 ** rng.uniform(-4.0, -2.3)
    full = peak * rng.uniform(1.3, 5.0)
    bits = int(rng.choice([14, 16, 24]))
    lsb = 2 * full / 2**bits
    samples = (np.round(seen / lsb) * lsb).astype(np.float32)
    quantity = {"spring travel": "displacement", "spring strain": "strain"}.get(kind, "acceleration")
    unit = {"displacement": "m", "strain": "m/m"}.get(quantity, "m/s2")
    return RoughChannel(
        samples=samples, rate_hz=rate, kind=kind, quantity=quantity, unit=unit, road=road, limits=(-full, full)
    )


def _vehicle(rng: np.random.Generator) -> tuple[float, ...]:
    sprung, unsprung = rng.uniform(1500.0, 5000.0), rng.uniform(250.0, 700.0)
    spring = sprung * (2 * np.pi * rng.uniform(1.1, 2.2)) ** 2
    tyre = (sprung + unsprung) * 9.81 / rng.uniform(0.02, 0.04)
    damper = 2 * rng.uniform(0.08, 0.25) * np.sqrt(spring * sprung)
    return sprung, unsprung, spring, tyre, damper, rng.uniform(1e3, 4e3), rng.uniform(0.05, 0.10)


def _road(rng: np.random.Generator, road: str, n: int, step: float) -> NDArray[np.float64]:
    """Height over time under the wheel, smoothed over the contact patch. [m]"""
    speed = rng.uniform(2.0, 20.0)
    roughness = {"smooth": 16e-6, "rough": 256e-6}.get(road, 64e-6) * 10 ** rng.uniform(-0.3, 0.5)
    # ISO 8608: velocity of the height is white, of density roughness n0^2 (2 pi)^2 speed at waviness 2.
    density = roughness * 0.01 * (2 * np.pi) ** 2 * speed
    velocity = rng.standard_normal(n) * np.sqrt(density / 2 / step)
    height = signal.lfilter([step], [1.0, -(1 - 2 * np.pi * 0.1 * step)], velocity)
    at = np.arange(n) * step * speed
    length = at[-1]
    if road in {"potholes", "mixed"}:
        for _number in range(int(rng.integers(3, 25))):
            place, long, deep = rng.uniform(0, length), rng.uniform(0.3, 1.5), rng.uniform(0.02, 0.10)
            inside = np.abs(at - place) < long / 2
            height[inside] -= deep * np.minimum(1.0, 6 * (0.5 - np.abs(at[inside] - place) / long))
    if road in {"cobbles", "mixed"}:
        stones = np.floor(at / rng.uniform(0.1, 0.25)).astype(int)
        height += rng.normal(0, rng.uniform(0.002, 0.008), stones.max() + 1)[stones]
    if road == "washboard":
        wave = rng.uniform(0.4, 1.0)
        wander = np.cumsum(rng.standard_normal(n)) * np.sqrt(step) * 0.05
        height += rng.uniform(0.005, 0.02) * np.sin(2 * np.pi * at / wave * 1.0 + wander)
    patch = max(1, int(0.15 / (speed * step)))
    window = np.hanning(patch + 2)[1:-1]
    return np.asarray(signal.fftconvolve(height, window / window.sum(), mode="same"))


@numba.njit(cache=True)  # type: ignore[misc]
def _quarter_vehicle(
    height: Any, step: float, sprung: float, unsprung: float, spring: float, tyre: float, damper: float,
    tyre_damper: float, gap: float,
) -> Any:  # fmt: skip
    """Accelerations of axle and body and the spring's travel, by semi-implicit Euler."""
    n = height.size
    axle, body, travel = np.empty(n), np.empty(n), np.empty(n)
    z_axle, z_body, v_axle, v_body = 0.0, 0.0, 0.0, 0.0
    load = (sprung + unsprung) * 9.81
    before = height[0]
    for k in range(n):
        deflection = height[k] - z_axle + load / tyre
        contact = tyre * deflection + tyre_damper * ((height[k] - before) / step - v_axle) if deflection > 0.0 else 0.0
        before = height[k]
        if contact < 0.0:
            contact = 0.0
        bend = z_axle - z_body
        force = spring * bend + damper * (v_axle - v_body)
        if bend > gap:
            force += 12.0 * spring * (bend - gap)
        elif bend < -gap:
            force += 12.0 * spring * (bend + gap)
        a_axle = (contact - load - force) / unsprung
        a_body = force / sprung
        v_axle += a_axle * step
        v_body += a_body * step
        z_axle += v_axle * step
        z_body += v_body * step
        axle[k], body[k], travel[k] = a_axle, a_body, bend
    return axle, body, travel
