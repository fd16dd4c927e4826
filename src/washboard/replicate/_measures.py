"""How near a response is to its target, in many measures, and a verdict in words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.errors import DataError
from washboard.loads import psd, pseudo_damage

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class WorstMoment:
    """Where a channel is furthest off: from, to [s], and the error's RMS there over the target's overall. [-]"""

    start_s: float
    end_s: float
    error: float


@dataclass(frozen=True, kw_only=True, slots=True)
class ErrorMeasures:
    """Measures per channel of a response against its target, both already in band.

    Parameters
    ----------
    names : tuple of str
    relative : ndarray, shape (channel,)
        RMS of the difference over RMS of the target. [-]
    overall : float
        `overall_error` of `relative`. [-]
    rms_ratio, peak_ratio : ndarray, shape (channel,)
        Response over target. [-]
    damage_ratio : ndarray, shape (channel, slope)
        Pseudo-damage of the response over that of the target. [-]
    slopes : tuple of float
    psd_freq_hz : ndarray, shape (freq,)
    psd_ratio : ndarray, shape (channel, freq)
        Response over target. [-]
    crossing_ratio : ndarray, shape (channel, 3)
        Upward crossings of -2, 0 and +2 times the target's RMS, response over target; NaN where the target has none.
    worst : tuple of WorstMoment
        Per channel.
    grms_db : ndarray, shape (channel,)
        Global RMS error. [dB]
    asd_db : ndarray, shape (channel,)
        Global spectral error. [dB]
    """

    names: tuple[str, ...]
    relative: Floats
    overall: float
    rms_ratio: Floats
    peak_ratio: Floats
    damage_ratio: Floats
    slopes: tuple[float, ...]
    psd_freq_hz: Floats
    psd_ratio: Floats
    crossing_ratio: Floats
    worst: tuple[WorstMoment, ...]
    grms_db: Floats
    asd_db: Floats


def overall_error(relative: Floats, importance: Floats) -> float:
    """Root mean square over the channels of the relative error, each counted by its importance squared. [-]

    That is what the weighted least squares of a step make small, so plays are ranked by it. Where no channel is
    important all count alike.
    """
    if not np.any(importance > 0):
        importance = np.ones_like(relative)
    return float(np.sqrt(np.sum((importance * relative) ** 2) / np.sum(importance**2)))


def error_measures(
    response: Floats,
    target: Floats,
    rate_hz: float,
    *,
    names: tuple[str, ...],
    slopes: tuple[float, ...] = (3.0, 5.0, 8.0),
    band_hz: tuple[float, float],
    importance: Floats | None = None,
    frame_s: float = 1.0,
) -> ErrorMeasures:
    """All measures of `response` against `target`, both (channel, time) and in band.

    `importance`, shape (channel,), is what each channel counts in the overall error; all alike without it.

    Raises
    ------
    DataError
        Shapes differ or a target has no content.
    """
    if response.shape != target.shape:
        raise DataError(f"response {response.shape} and target {target.shape} differ in shape")
    size = np.sqrt(np.mean(target**2, axis=1))
    if not np.all(size > 0):
        raise DataError(f"the target of '{names[int(np.argmin(size))]}' has no content")
    off = np.sqrt(np.mean((response - target) ** 2, axis=1))
    block_s = min(8.0, response.shape[1] / rate_hz / 2)
    made, wanted = psd(response, rate_hz, block_s=block_s), psd(target, rate_hz, block_s=block_s)
    inside = (made.frequency_hz >= band_hz[0]) & (made.frequency_hz <= band_hz[1])
    damage = pseudo_damage(response, slopes) / np.maximum(pseudo_damage(target, slopes), np.finfo(float).tiny)
    relative = off / size
    return ErrorMeasures(
        names=names,
        relative=relative,
        overall=overall_error(relative, np.ones_like(relative) if importance is None else importance),
        rms_ratio=np.sqrt(np.mean(response**2, axis=1)) / size,
        peak_ratio=np.abs(response).max(axis=1) / np.abs(target).max(axis=1),
        damage_ratio=np.asarray(damage),
        slopes=slopes,
        psd_freq_hz=made.frequency_hz[inside],
        psd_ratio=made.values[:, inside] / np.maximum(wanted.values[:, inside], np.finfo(float).tiny),
        crossing_ratio=_crossings(response, target, size),
        worst=_worst(response - target, size, rate_hz, frame_s),
        grms_db=global_rms_error_db(response, target, rate_hz, frame_s=frame_s),
        asd_db=global_asd_error_db(made.values[:, inside], wanted.values[:, inside]),
    )


def _frames(samples: Floats, length: int) -> Floats:
    count = max(1, samples.shape[1] // length)
    length = min(length, samples.shape[1])
    parts = samples[:, : count * length].reshape(samples.shape[0], count, length)
    return np.asarray(np.sqrt(np.mean(parts**2, axis=2)))


def global_rms_error_db(response: Floats, target: Floats, rate_hz: float, *, frame_s: float = 1.0) -> Floats:
    """Global RMS error per channel [dB]: frames' level differences weighted by the target's power in each frame.

    ``E_i = 20 log10(rms_r / rms_y)``, weights ``rms_y^2 / sum rms_y^2`` (form of MIL-STD-810H Method 527, which gives
    no tolerance; the formula as published in the documentation of an open multi-axis vibration controller).
    """
    length = max(1, round(frame_s * rate_hz))
    wanted, made = _frames(target, length), _frames(response, length)
    weight = wanted**2 / np.maximum((wanted**2).sum(axis=1, keepdims=True), np.finfo(float).tiny)
    tiny = np.finfo(float).tiny ** 0.25
    level = 20 * np.log10(np.maximum(made, tiny) / np.maximum(wanted, tiny))
    return np.asarray(np.sum(weight * np.where(wanted > 0, level, 0.0), axis=1))


def global_asd_error_db(made: Floats, wanted: Floats) -> Floats:
    """Global spectral error per channel [dB]: lines' level differences weighted by ``G^2 / sum G^2`` of the target.

    Form of MIL-STD-810H Method 527, source as for `global_rms_error_db`.
    """
    weight = wanted**2 / np.maximum((wanted**2).sum(axis=1, keepdims=True), np.finfo(float).tiny)
    tiny = np.finfo(float).tiny ** 0.5
    return np.asarray(np.sum(weight * 10 * np.log10(np.maximum(made, tiny) / np.maximum(wanted, tiny)), axis=1))


def _crossings(response: Floats, target: Floats, size: Floats) -> Floats:
    out = np.full((target.shape[0], 3), np.nan)
    for column, factor in enumerate((-2.0, 0.0, 2.0)):
        level = (factor * size)[:, None]
        wanted = np.sum((target[:, :-1] < level) & (target[:, 1:] >= level), axis=1)
        made = np.sum((response[:, :-1] < level) & (response[:, 1:] >= level), axis=1)
        out[:, column] = np.divide(made, wanted, out=np.full(wanted.shape, np.nan), where=wanted > 0)
    return out


def _worst(off: Floats, size: Floats, rate_hz: float, frame_s: float) -> tuple[WorstMoment, ...]:
    length = max(1, round(frame_s * rate_hz))
    frames = _frames(off, length)
    at = np.argmax(frames, axis=1)
    return tuple(
        WorstMoment(
            start_s=float(k * length / rate_hz), end_s=float((k + 1) * length / rate_hz), error=float(row[k] / s)
        )
        for k, row, s in zip(at, frames, size, strict=True)
    )
