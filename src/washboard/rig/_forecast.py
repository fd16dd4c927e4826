"""What drives do to the linear model, and the drives a target needs, before any rig has run.

Everything is worked out line by line of one long Fourier transform; frequency responses are computed on a grid of
`GRID_HZ` and joined by straight lines between.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from washboard.recording import Recording
from washboard.rig._description import Sensor
from washboard.rig._linear_model import LinearModel
from washboard.rig._sensing import element_force

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

GRID_HZ: Final = 0.02
#: Error of response and model taken for granted when drives are estimated: directions the responses tell less about
#: than this share are left out little by little (Tikhonov).
TRUST: Final = 0.03
#: The same once plays have been iterated, for what remains beyond any drive.
ITERATED: Final = 0.003


@dataclass(frozen=True, kw_only=True, slots=True)
class DriveForecast:
    """Drives that would make a target, by the linear model.

    Parameters
    ----------
    drives : ndarray, shape (drive, time)
        Motion of each pan or kingpin actuator. [m or rad]
    responses : ndarray, shape (response, time)
        What the control channels then do. [SI]
    beyond : mapping of str to float
        Per control channel, the part of the target that no drives make with these weights, RMS over RMS in band; on
        the real rig and vehicle the iteration has to see how much of it remains.
    rate_hz : float
        [Hz]
    """

    drives: Floats
    responses: Floats
    beyond: dict[str, float]
    rate_hz: float


def frequency_grid(high_hz: float) -> Floats:
    """The grid that frequency responses are worked out on, up to just above `high_hz`, shape (frequency,). [Hz]"""
    return np.asarray(np.arange(1, int(np.ceil(high_hz / GRID_HZ)) + 2) * GRID_HZ, dtype=np.float64)


def _joined(grid_hz: Floats, values: Complex, freq_hz: Floats) -> Complex:
    """Values on the grid, shape (grid, ...), at other frequencies; held below the first."""
    place = np.clip(freq_hz / GRID_HZ - 1, 0, len(grid_hz) - 1.000001)
    first = place.astype(np.intp)
    part = (place - first).reshape(-1, *([1] * (values.ndim - 1)))
    joined: Complex = values[first] * (1 - part) + values[first + 1] * part
    return joined


def _taper(freq_hz: Floats, low_hz: float, high_hz: float) -> Floats:
    """1 in the band, falling as a cosine to 0 at 0.7 of its low edge and 1.2 of its high edge."""
    rise = np.clip((freq_hz - 0.7 * low_hz) / (0.3 * low_hz), 0.0, 1.0)
    fall = np.clip((1.2 * high_hz - freq_hz) / (0.2 * high_hz), 0.0, 1.0)
    return np.asarray((0.5 - 0.5 * np.cos(np.pi * rise)) * (0.5 - 0.5 * np.cos(np.pi * fall)))


def forecast_drives(
    target: Recording,
    model: LinearModel,
    sensors: Sequence[Sensor],
    *,
    band_hz: tuple[float, float],
    weights: Sequence[float] | None = None,
) -> DriveForecast:
    """The drives that would make a target's control channels move as they did in the field.

    Weighted least squares per line, each channel over its RMS and times its weight; see `TRUST` for what is left out.

    Parameters
    ----------
    target : Recording
        With a channel for each of `sensors`.
    model : LinearModel
        Of the specimen on the rig, tyres standing.
    sensors : sequence of Sensor
        The control channels.
    band_hz : tuple
        Band of the test. [Hz]
    weights : sequence of float, optional
        Importance of each channel, all alike unless given. [-]

    Raises
    ------
    ChannelError
        A control channel is missing in the target, or its sensor sits on no body.
    """
    from scipy import fft

    recording = target.select([sensor.name for sensor in sensors]).in_si()
    samples = np.nan_to_num(np.asarray(recording.samples, dtype=np.float64))
    n = samples.shape[1]
    pad = int(4 * recording.rate_hz / band_hz[0])
    size = fft.next_fast_len(n + pad, real=True)
    spectrum = fft.rfft(samples - samples.mean(axis=1, keepdims=True), size, axis=1)
    freq_hz = np.arange(spectrum.shape[1]) * recording.rate_hz / size
    used = np.flatnonzero((freq_hz > 0.7 * band_hz[0]) & (freq_hz < min(1.2 * band_hz[1], recording.rate_hz / 2)))
    shape = _taper(freq_hz[used], *band_hz)
    goal = (spectrum[:, used] * shape).T
    rms = np.sqrt((np.abs(goal) ** 2).sum(axis=0))
    weight = np.where(rms > 0, 1 / np.maximum(rms, 1e-300), 0.0)
    if weights is not None:
        weight = weight * np.asarray(weights, dtype=np.float64)
    grid = frequency_grid(1.2 * band_hz[1])
    frf = model.frf(grid, sensors)
    inverse = _inverse(frf * weight[:, None]) * weight
    drive = np.einsum("fdr,fr->fd", _joined(grid, inverse, freq_hz[used]), goal)
    made = np.einsum("frd,fd->fr", _joined(grid, frf, freq_hz[used]), drive)
    best = np.einsum("frd,fds,s->frs", frf, _inverse(frf * weight[:, None], ITERATED), weight)
    apart = np.sqrt((np.abs(goal - np.einsum("frs,fs->fr", _joined(grid, best, freq_hz[used]), goal)) ** 2).sum(axis=0))
    beyond = {
        sensor.name: float(left / whole) if whole > 0 else 0.0
        for sensor, left, whole in zip(sensors, apart, rms, strict=True)
    }

    def back(lines: Complex) -> Floats:
        full = np.zeros((lines.shape[1], spectrum.shape[1]), dtype=np.complex128)
        full[:, used] = lines.T
        return np.asarray(fft.irfft(full, size, axis=1)[:, :n], dtype=np.float64)

    # From and to rest: half a cosine over half a period of the lowest frequency.
    ramp = min(round(0.5 * recording.rate_hz / band_hz[0]), n // 2)
    fade = np.ones(n)
    fade[:ramp] = 0.5 - 0.5 * np.cos(np.pi * np.arange(ramp) / ramp)
    fade[n - ramp :] = fade[:ramp][::-1]
    return DriveForecast(drives=back(drive) * fade, responses=back(made), beyond=beyond, rate_hz=recording.rate_hz)


def _inverse(weighted: Complex, trust: float = TRUST) -> Complex:
    """Tikhonov inverse per line, its parameter `trust` times the largest singular value."""
    u, s, vh = np.linalg.svd(weighted, full_matrices=False)
    damped = s / (s**2 + (trust * s[:, :1]) ** 2)
    inverse: Complex = np.einsum("fki,fk,fjk->fij", np.conj(vh), damped, np.conj(u))
    return inverse


def played_linear(
    model: LinearModel, drives: Floats, rate_hz: float, sensors: Sequence[Sensor], *, high_hz: float = 40.0
) -> Floats:
    """What sensors read while drives are played on the linear model, shape (sensor, time), in SI."""
    grid = frequency_grid(high_hz)
    return played(drives, rate_hz, grid, model.frf(grid, sensors))


def support_forces(model: LinearModel, drives: Floats, rate_hz: float, *, high_hz: float = 40.0) -> Floats:
    """Change of the load on each input (pan or kingpin) while drives are played, shape (drive, time). [N or N m]"""
    grid = frequency_grid(high_hz)
    motions = model.motions(grid)
    frf = np.zeros((len(grid), len(model.inputs), len(model.inputs)), dtype=np.complex128)
    for name, place in model.moves:
        element = name if name.startswith("kingpin") else f"tyre {name}"
        frf[:, place] = element_force(model, element, grid, motions)
    return played(drives, rate_hz, grid, frf)


def relative_motions(
    model: LinearModel, drives: Floats, rate_hz: float, *, high_hz: float = 40.0
) -> tuple[dict[str, float], dict[str, float]]:
    """What `Linearisation` wants for friction at the level of some drives: velocities and stretches.

    Standard deviations over each suspension and tyre while the drives are played on the model, per element. [m/s, m]
    """
    grid = frequency_grid(high_hz)
    motions = model.motions(grid)
    found = [spring for spring in model.springs if spring.kind in ("spring", "tyre")]
    frf = np.stack([np.einsum("fdu,d->fu", motions, spring.row) for spring in found], axis=1)
    for row, spring in enumerate(found):
        for name, place in model.moves:
            if name in spring.inputs:
                frf[:, row, place] -= 1.0
    frf = np.concatenate([frf, 2j * np.pi * grid[:, None, None] * frf], axis=1)
    spread = played(drives, rate_hz, grid, frf).std(axis=1)
    names = [spring.name for spring in found]
    stretches = {name: float(value) for name, value in zip(names, spread[: len(names)], strict=True)}
    return {name: float(value) for name, value in zip(names, spread[len(names) :], strict=True)}, stretches


def played(drives: Floats, rate_hz: float, grid: Floats, frf: Complex) -> Floats:
    """What drives (drive, time) make of an FRF (frequency on the grid, response, drive), shape (response, time)."""
    from scipy import fft

    n = drives.shape[1]
    size = fft.next_fast_len(n + int(10 * rate_hz), real=True)
    spectrum = fft.rfft(drives, size, axis=1)
    freq_hz = np.arange(spectrum.shape[1]) * rate_hz / size
    used = np.flatnonzero(freq_hz <= grid[-1])
    full = np.zeros((frf.shape[1], spectrum.shape[1]), dtype=np.complex128)
    full[:, used] = np.einsum("frd,df->rf", _joined(grid, frf, freq_hz[used]), spectrum[:, used])
    return np.asarray(fft.irfft(full, size, axis=1)[:, :n], dtype=np.float64)


def derivatives(drives: Floats, rate_hz: float) -> tuple[Floats, Floats]:
    """Velocity and acceleration of drives, by central differences of fourth order. [m/s, m/s2 ...]"""
    edged = np.pad(drives, ((0, 0), (2, 2)), mode="edge")
    far_left, left, middle, right, far_right = (edged[:, k : k + drives.shape[1]] for k in range(5))
    velocity = (far_left - 8 * left + 8 * right - far_right) * rate_hz / 12
    acceleration = (-far_left + 16 * left - 30 * middle + 16 * right - far_right) * rate_hz**2 / 12
    return velocity, acceleration
