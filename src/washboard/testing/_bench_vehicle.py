"""A small vehicle on four posts behind RigLink, for tests: linear on request, else with all that goes wrong.

Seven degrees of freedom (heave, pitch, roll, four wheels), springs with dry friction (Dahl 1968), dampers stiffer in
rebound than in bump, tyres that only push, hysteresis of standing tyres, posts that lag, delay and saturate, sensors
with noise. Written apart from `washboard.simulate`, so that a method which works on both does not lean on either.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field

import numpy as np
from numba import njit
from numpy.typing import NDArray

from washboard.errors import RigTripped
from washboard.recording import Channel, Recording
from washboard.rig import RigChannels
from washboard.settings import Progress, no_progress

Floats = NDArray[np.float64]

RESPONSES = (
    "axle_1_left_az", "axle_1_right_az", "axle_2_left_az", "axle_2_right_az",
    "body_1_left_az", "body_1_right_az", "body_2_left_az", "body_2_right_az",
    "roof_ay", "roof_ax", "spring_1_left", "spring_2_right",
)  # fmt: skip

#: What `BenchVehicle.noise` is a share of, per response. [m/s2, m]
NOISE = np.array([0.8] * 4 + [0.3] * 4 + [0.3, 0.3, 0.002, 0.002])


@dataclass(frozen=True, kw_only=True, slots=True)
class BenchVehicle:
    """Test vehicle and its rig: masses [kg, kg m2], places [m], springs [N/m], dampers [N s/m], friction [N]."""

    body_kg: float = 5200.0
    pitch_kg_m2: float = 7000.0
    roll_kg_m2: float = 3800.0
    wheel_kg: tuple[float, float] = (330.0, 420.0)
    front_m: float = 1.3
    rear_m: float = 1.2
    half_track_m: float = 0.85
    height_m: float = 1.6
    spring_n_m: tuple[float, float] = (2.4e5, 2.8e5)
    damper_n_s_m: tuple[float, float] = (8e3, 9e3)
    rebound: float = 1.6
    friction_n: float = 900.0
    friction_stiffness_n_m: float = 1.5e6
    tyre_n_m: float = 6.5e5
    tyre_damper_n_s_m: float = 700.0
    rolling_damper_n_s_m: float = 2500.0
    tyre_friction_n: float = 500.0
    lift: bool = True
    bandwidth_hz: float = 30.0
    damping: float = 0.7
    delay_s: float = 0.006
    max_velocity_m_s: float = 1.5
    noise: float = 0.01
    trip_rad: float = 0.16
    gains: tuple[float, ...] = field(default_factory=lambda: (1.0,) * len(RESPONSES))

    def linear(self) -> BenchVehicle:
        """The same without friction, one-sided tyres and saturation."""
        return dataclasses.replace(
            self, friction_n=0.0, tyre_friction_n=0.0, rebound=1.0, lift=False, max_velocity_m_s=1e9, noise=0.0,
            trip_rad=1e9,
        )  # fmt: skip


@njit(cache=True, fastmath=True)
def _simulate(post, speed, p, wheel, spring, damper, side, load, rate, sub, lateral, out):  # type: ignore[no-untyped-def]
    """Semi-implicit Euler with `sub` steps a sample; fills out (time, 12), returns the largest tilt and least load."""
    n = post.shape[0]
    mass, pitch, roll, height, mu, muk, kt, ct, ft, lift, rebound = (
        p[0],
        p[1],
        p[2],
        p[3],
        p[4],
        p[5],
        p[6],
        p[7],
        p[8],
        p[9],
        p[10],
    )
    x, y = side[0], side[1]
    h = 1.0 / rate / sub
    z = th = ro = vz = vth = vro = 0.0
    zw, vw, fs, fr, sp = np.zeros(4), np.zeros(4), np.zeros(4), np.zeros(4), np.zeros(4)
    tilt = 0.0
    for i in range(n):
        az = ath = aro = 0.0
        for k in range(sub):
            share = k / sub
            sz = sth = sro = 0.0
            for c in range(4):
                j = min(i + 1, n - 1)
                u = post[i, c] + share * (post[j, c] - post[i, c])
                v = speed[i, c] + share * (speed[j, c] - speed[i, c])
                stretch = z - x[c] * th + y[c] * ro - zw[c]
                rate_s = vz - x[c] * vth + y[c] * vro - vw[c]
                if mu > 0.0:
                    sign = 1.0 if rate_s > 0 else -1.0
                    fs[c] += h * muk * rate_s * (1.0 - fs[c] / mu * sign)
                    fs[c] = min(max(fs[c], -mu), mu)
                d = damper[c] * (rebound if rate_s > 0 else 2.0 - rebound)
                force = -spring[c] * stretch - d * rate_s - fs[c]
                sp[c] = stretch
                deflection, rate_t = u - zw[c], v - vw[c]
                if ft > 0.0:
                    sign = 1.0 if rate_t > 0 else -1.0
                    fr[c] += h * 8e5 * rate_t * (1.0 - fr[c] / ft * sign)
                    fr[c] = min(max(fr[c], -ft), ft)
                push = load[c] + kt * deflection + ct * rate_t + fr[c]
                if lift > 0 and (push < 0.0 or load[c] + kt * deflection < 0.0):
                    push = 0.0
                acc = (push - load[c] - force) / wheel[c]
                if k == 0:
                    out[i, c] = acc
                vw[c] += h * acc
                zw[c] += h * vw[c]
                sz += force
                sth -= x[c] * force
                sro += y[c] * force
            az = sz / mass
            ath = (sth + mass * 9.81 * height * 0.5 * th) / pitch
            aro = (sro + mass * 9.81 * height * ro + lateral[i]) / roll
            if k == 0:
                for c in range(4):
                    out[i, 4 + c] = az - x[c] * ath + y[c] * aro
                out[i, 8] = -height * aro + 9.81 * ro
                out[i, 9] = height * ath - 9.81 * th
                out[i, 10] = sp[0]
                out[i, 11] = sp[3]
            vz += h * az
            vth += h * ath
            vro += h * aro
            z += h * vz
            th += h * vth
            ro += h * vro
            tilt = max(tilt, abs(ro), abs(th))
            if tilt > 1.0:
                return tilt
    return tilt


class BenchRig:
    """The vehicle on its rig: implements `washboard.rig.RigLink`; every play is counted and the drive kept."""

    def __init__(self, vehicle: BenchVehicle | None = None, *, rate_hz: float = 256.0, seed: int = 1) -> None:
        self.vehicle = vehicle or BenchVehicle()
        self.rate_hz = rate_hz
        self.played: list[Floats] = []
        self.trips = 0
        self._random = np.random.default_rng(seed)

    def channels(self) -> RigChannels:
        """Four posts in metres, twelve responses."""
        drives = tuple(Channel(name=f"post_{k + 1}", unit="m", quantity="displacement") for k in range(4))
        responses = tuple(
            Channel(name=name, unit="m", quantity="displacement")
            if name.startswith("spring")
            else Channel(name=name, unit="m/s2", quantity="acceleration")
            for name in RESPONSES
        )
        return RigChannels(drives=drives, responses=responses, rate_hz=self.rate_hz)

    def play(self, drive: Recording, *, label: str = "", progress: Progress = no_progress) -> Recording:
        """Play a drive; raises RigTripped beyond the trip angle."""
        progress(0.0, label)
        self.played.append(np.array(drive.samples, dtype=float))
        post = posts(np.asarray(drive.samples, dtype=float), self.rate_hz, self.vehicle)
        out, tilt = vehicle_response(self.vehicle, post, self.rate_hz, rolling=False)
        if tilt > self.vehicle.trip_rad:
            self.trips += 1
            raise RigTripped(f"the vehicle tilted more than {self.vehicle.trip_rad:g} rad")
        out = out * np.array(self.vehicle.gains)[:, None]
        out += self.vehicle.noise * NOISE[:, None] * self._random.standard_normal(out.shape)
        return Recording(samples=out, rate_hz=self.rate_hz, channels=self.channels().responses, name=label)

    def stop(self) -> None:
        """Nothing moves between plays."""


def posts(command: Floats, rate_hz: float, vehicle: BenchVehicle) -> Floats:
    """Where the posts are for a command, shape (drive, time): delay, second-order lag, speed limit. [m]"""
    n = command.shape[1]
    size = 1 << int(np.ceil(np.log2(2 * n)))
    f = np.fft.rfftfreq(size, 1 / rate_hz)
    s = 1j * f / vehicle.bandwidth_hz
    loop = np.exp(-2j * np.pi * f * vehicle.delay_s) / (1 + 2 * vehicle.damping * s + s * s)
    moved = np.fft.irfft(np.fft.rfft(command, size) * loop, size)[:, :n]
    if vehicle.max_velocity_m_s < 1e6:
        step = np.diff(moved, axis=1, prepend=0.0) * rate_hz
        clipped = np.clip(step, -vehicle.max_velocity_m_s, vehicle.max_velocity_m_s)
        if np.any(step != clipped):
            moved = np.cumsum(clipped, axis=1) / rate_hz
    return np.asarray(moved)


def vehicle_response(
    vehicle: BenchVehicle, post: Floats, rate_hz: float, *, rolling: bool, lateral: Floats | None = None
) -> tuple[Floats, float]:
    """Responses (12, time) to the height of the ground under each wheel (4, time) [m], and the largest tilt [rad].

    `lateral` is a roll moment nothing on the rig can make [N m], as from wind or side force on a road.
    """
    v = vehicle
    x = np.array([v.front_m, v.front_m, -v.rear_m, -v.rear_m])
    y = np.array([1.0, -1.0, 1.0, -1.0]) * v.half_track_m
    wheel = np.repeat(v.wheel_kg, 2)
    front = v.body_kg * v.rear_m / (v.front_m + v.rear_m) / 2
    rear = v.body_kg / 2 - front
    load = (np.array([front, front, rear, rear]) + wheel) * 9.81
    p = np.array(
        [
            v.body_kg, v.pitch_kg_m2, v.roll_kg_m2, v.height_m, v.friction_n, v.friction_stiffness_n_m, v.tyre_n_m,
            v.rolling_damper_n_s_m if rolling else v.tyre_damper_n_s_m, 0.0 if rolling else v.tyre_friction_n,
            float(v.lift), v.rebound,
        ]
    )  # fmt: skip
    height = np.ascontiguousarray(post.T)
    speed = np.gradient(height, 1 / rate_hz, axis=0)
    out = np.zeros((height.shape[0], len(RESPONSES)))
    moment = np.zeros(height.shape[0]) if lateral is None else np.asarray(lateral, dtype=float)
    sub = int(np.ceil(2048 / rate_hz))
    tilt = _simulate(
        height, speed, p, wheel, np.repeat(v.spring_n_m, 2), np.repeat(v.damper_n_s_m, 2), np.stack([x, y]), load,
        rate_hz, sub, moment, out,
    )  # fmt: skip
    return np.ascontiguousarray(out.T), float(tilt)


def field_target(
    vehicle: BenchVehicle, *, duration_s: float = 60.0, rate_hz: float = 256.0, roughness: float = 16e-6,
    speed_m_s: float = 5.0, kind: str = "random", lateral: float = 0.0, seed: int = 5,
) -> Recording:  # fmt: skip
    """Responses while the vehicle rolls over a road: ``"random"`` (ISO 8608 shape), ``"furrows"`` or ``"twist"``.

    `roughness` is Gd(n0) [m3] at n0 = 0.1 cycles/m (ISO 8608:2016); left and right are alike at long wavelengths.
    """
    rng = np.random.default_rng(seed)
    n = int(duration_s * rate_hz)
    f = np.fft.rfftfreq(n, 1 / rate_hz)
    wave = np.maximum(f / speed_m_s, 1e-3)
    psd = roughness * (wave / 0.1) ** -2 / speed_m_s
    psd[(wave < 0.02) | (f > 60)] = 0
    amplitude = np.sqrt(psd * rate_hz * n / 2)
    common = 1 / (1 + (wave / 0.2) ** 2)
    white = rng.standard_normal((3, f.size)) + 1j * rng.standard_normal((3, f.size))
    white /= np.sqrt(2)
    left = amplitude * (np.sqrt(common) * white[0] + np.sqrt(1 - common) * white[1])
    right = amplitude * (np.sqrt(common) * white[0] + np.sqrt(1 - common) * white[2])
    if kind != "random":
        left, right = 0.2 * left, 0.2 * right
    time = np.arange(n) / rate_hz
    profile = np.fft.irfft(np.stack([left, right]), n)
    if kind == "furrows":
        profile += 0.02 * np.sin(2 * np.pi * speed_m_s / 2.5 * time)
    elif kind == "twist":
        hump = np.maximum(np.sin(2 * np.pi * speed_m_s / 6.0 * time), 0) ** 2
        other = np.maximum(-np.sin(2 * np.pi * speed_m_s / 6.0 * time), 0) ** 2
        profile += 0.06 * np.stack([hump, other])
    lag = (vehicle.front_m + vehicle.rear_m) / speed_m_s
    rear = np.fft.irfft(np.fft.rfft(profile) * np.exp(-2j * np.pi * f * lag), n)
    fade = np.minimum(1.0, np.minimum(time, time[::-1]) / 2.0)
    road = np.concatenate([profile, rear]) * fade
    moment = None
    if lateral > 0:
        shaped = np.fft.irfft((rng.standard_normal(f.size) + 1j * rng.standard_normal(f.size)) * (f > 0.3) * (f < 6), n)
        moment = lateral * shaped / shaped.std() * fade
    out, _ = vehicle_response(vehicle, road, rate_hz, rolling=True, lateral=moment)
    channels = BenchRig(vehicle, rate_hz=rate_hz).channels().responses
    out = out * np.array(vehicle.gains)[:, None]
    out += vehicle.noise * NOISE[:, None] * rng.standard_normal(out.shape)
    return Recording(samples=out, rate_hz=rate_hz, channels=channels, name=kind)


def any_vehicle(seed: int) -> BenchVehicle:
    """A vehicle and rig drawn at random: masses, springs, friction, delay 0 to 10 ms, noise 0 to 5 %, a weak sensor."""
    rng = np.random.default_rng(seed)
    plain = BenchVehicle()

    def vary(value: float, share: float) -> float:
        return float(value * np.exp(rng.uniform(-share, share)))

    gains = np.ones(len(RESPONSES))
    gains[rng.integers(len(RESPONSES))] = rng.uniform(0.05, 0.3)
    return dataclasses.replace(
        plain, body_kg=vary(plain.body_kg, 0.5), pitch_kg_m2=vary(plain.pitch_kg_m2, 0.5),
        roll_kg_m2=vary(plain.roll_kg_m2, 0.4), spring_n_m=(vary(2.4e5, 0.4), vary(2.8e5, 0.4)),
        damper_n_s_m=(vary(8e3, 0.6), vary(9e3, 0.6)), friction_n=rng.uniform(0, 2000),
        tyre_friction_n=rng.uniform(0, 1200), tyre_damper_n_s_m=vary(700, 0.5), height_m=rng.uniform(0.8, 1.8),
        delay_s=rng.uniform(0, 0.010), noise=rng.uniform(0, 0.05), bandwidth_hz=rng.uniform(15, 40),
        gains=tuple(gains),
    )  # fmt: skip
