"""How good an identification is, and what is wrong with it, in words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.identify._campaign import Goal, Identification
from washboard.identify._frf import Frf
from washboard.identify._spectra import cross_spectra
from washboard.recording import Finding
from washboard.rig import Actuator, Sensor

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Quality:
    """Figures of an identified FRF in a band, lines and pairs together or per response.

    Parameters
    ----------
    error : float
        Standard deviation of the FRF over its magnitude, power mean over lines, responses by their level. [-]
    error_response : tuple of float
        The same per response. [-]
    coherence_median : tuple of float
        Median multiple coherence per response. [-]
    noise_share, distortion_share : float
        Share of the responses' power that is noise, and non-linear distortion. [-]
    """

    error: float
    error_response: tuple[float, ...]
    coherence_median: tuple[float, ...]
    noise_share: float
    distortion_share: float


def quality(frf: Frf, band_hz: tuple[float, float]) -> Quality:
    """Figures of an identified FRF within a band."""
    inside = (frf.freq_hz >= band_hz[0]) & (frf.freq_hz <= band_hz[1])
    drive = np.einsum("fjj->fj", frf.information[inside]).real
    signal = np.einsum("fij,fj->fi", np.abs(frf.values[inside]) ** 2, drive) / frf.n_experiments
    uncertain = np.einsum("fij,fj->fi", frf.variance[inside], drive) / frf.n_experiments
    per = np.sqrt(uncertain.sum(axis=0) / np.maximum(signal.sum(axis=0), 1e-300))
    total = np.maximum(signal.sum(axis=0) + frf.residual[inside].sum(axis=0), 1e-300)
    noise = frf.noise[inside].sum(axis=0) / total
    residual = frf.residual[inside].sum(axis=0) / total
    return Quality(
        error=float(np.sqrt(np.mean(per**2))),
        error_response=tuple(float(value) for value in per),
        coherence_median=tuple(float(value) for value in np.median(frf.coherence[inside], axis=0)),
        noise_share=float(noise.mean()),
        distortion_share=float((residual - noise).mean()),
    )


def field_goal(laps: list[tuple[Floats, float]], *, band_hz: tuple[float, float], block_s: float = 8.0) -> Goal:
    """Mean spectrum over laps, each (samples (response, time), rate): what excitation is shaped after.

    Laps count by their length; events that are much quieter than the rest hardly show in a mean of powers.
    """
    freq = np.arange(0.125, 1.6 * band_hz[1], 0.125)
    total, weight = 0.0, 0.0
    for samples, rate_hz in laps:
        length_s = samples.shape[1] / rate_hz
        spectra = cross_spectra(samples[:1], samples, rate_hz, block_s=min(block_s, length_s))
        rows = np.stack([np.interp(freq, spectra.freq_hz, row, right=0.0) for row in spectra.response.T])
        total = total + rows * length_s
        weight += length_s
    return Goal(freq_hz=freq, psd=np.asarray(total) / max(weight, 1e-300))


def identification_findings(
    found: Identification,
    *,
    goal: Goal,
    band_hz: tuple[float, float],
    sensors: tuple[Sensor, ...],
    actuators: tuple[Actuator, ...],
) -> tuple[Finding, ...]:
    """What is wrong, worst first: dead, reversed, swapped or wrongly scaled channels, saturation, thin excitation.

    Parameters
    ----------
    sensors : tuple of Sensor
        As many as responses, in their order.
    actuators : tuple of Actuator
        As many as drives, in their order.
    """
    frf = found.frf
    dead = _dead(found, goal, band_hz)
    findings = [
        *_dead_findings(found, dead),
        *_direction(frf, band_hz, sensors, dead),
        *_swapped(frf, band_hz, sensors, actuators, dead),
        *_saturated(found, sensors),
        *_thin(found, band_hz, dead),
        *_level(found, band_hz),
    ]
    order = {"error": 0, "warning": 1, "note": 2}
    return tuple(sorted(findings, key=lambda finding: order[finding.severity]))


def _dead(found: Identification, goal: Goal, band_hz: tuple[float, float]) -> NDArray[np.bool_]:
    inside = (found.frf.freq_hz >= band_hz[0]) & (found.frf.freq_hz <= band_hz[1])
    wanted = goal.rms(band_hz)
    silent = found.response_rms <= 0.005 * np.where(wanted > 0, wanted, 0.0)
    return np.asarray(silent | (np.percentile(found.frf.coherence[inside], 90, axis=0) < 0.3) | (found.peak == 0))


def _dead_findings(found: Identification, dead: NDArray[np.bool_]) -> list[Finding]:
    return [
        Finding(
            kind="dead channel", severity="error", channel=found.frf.responses[i],
            text=f"{found.frf.responses[i]} does not follow any drive (RMS {found.response_rms[i]:.3g})",
            measured=float(found.response_rms[i]),
            advice="look at sensor, cable and amplifier; make it a monitor channel if it cannot be mended",
        )
        for i in np.flatnonzero(dead)
    ]  # fmt: skip


def _direction(
    frf: Frf, band_hz: tuple[float, float], sensors: tuple[Sensor, ...], dead: NDArray[np.bool_]
) -> list[Finding]:
    """All posts moving together slowly lift the whole vehicle: vertical channels must follow with the same sign."""
    low = frf.freq_hz < max(1.2 * band_hz[0], band_hz[0] + 3 * (frf.freq_hz[1] - frf.freq_hz[0]))
    low &= frf.freq_hz >= 0.7 * band_hz[0]
    if not low.any():
        return []
    omega = 2 * np.pi * frf.freq_hz[low]
    lift = frf.values[low].sum(axis=2)
    found = []
    for i, sensor in enumerate(sensors):
        if dead[i] or sensor.direction not in {"+z", "-z"} or np.median(frf.coherence[low, i]) < 0.7:
            continue
        power = {"acceleration": 2, "velocity": 1, "displacement": 0}.get(sensor.quantity)
        if power is None or (power == 0 and sensor.section):
            continue
        ratio = np.mean(np.real(lift[:, i] / (1j * omega) ** power)) * (1 if sensor.direction == "+z" else -1)
        name = frf.responses[i]
        if power and ratio < -0.3:
            found.append(
                Finding(
                    kind="wrong sign", severity="error", channel=name, measured=float(ratio),
                    text=f"{name} falls when all posts rise together (ratio {ratio:.2f}, about +1 expected)",
                    advice=f'turn the sensor, or correct direction = "{sensor.direction}" or its calibration',
                )
            )  # fmt: skip
        elif power and not 0.4 < ratio < 2.5:
            found.append(
                Finding(
                    kind="wrong scale", severity="warning", channel=name, measured=float(ratio),
                    text=f"{name} moves {ratio:.2f} times as much as the posts when they rise slowly together, "
                    "about 1 expected",
                    advice="check its calibration and unit, and whether a mode of the specimen lies below the band",
                )
            )  # fmt: skip
    return found


def _swapped(
    frf: Frf,
    band_hz: tuple[float, float],
    sensors: tuple[Sensor, ...],
    actuators: tuple[Actuator, ...],
    dead: NDArray[np.bool_],
) -> list[Finding]:
    """A vertical channel low down near one post answers that post most; two that answer each other's are swapped."""
    posts = [j for j, actuator in enumerate(actuators) if actuator.axis == "vertical"]
    inside = (frf.freq_hz >= 2 * band_hz[0]) & (frf.freq_hz <= band_hz[1])
    strength = np.sqrt(np.mean(np.abs(frf.values[inside]) ** 2, axis=0))
    place = np.array([actuators[j].position_m for j in posts])
    near: dict[int, int] = {}
    answers: dict[int, int] = {}
    for i, sensor in enumerate(sensors):
        axle = (
            sensor.direction in {"+z", "-z"} and sensor.quantity == "acceleration" and not sensor.on.startswith("frame")
        )
        if dead[i] or not axle:
            continue
        distance = np.hypot(place[:, 0] - sensor.position_m[0], place[:, 1] - sensor.position_m[1])
        order = np.argsort(distance)
        if len(order) > 1 and (distance[order[0]] > 0.6 or distance[order[1]] - distance[order[0]] < 0.5):
            continue
        own = strength[i, posts]
        near[i], answers[i] = int(order[0]), int(np.argmax(own))
        if own[near[i]] > 0.7 * own[answers[i]]:
            answers[i] = near[i]
    wrong = {i for i in near if near[i] != answers[i]}
    found = []
    for i in sorted(wrong):
        partner = next((k for k in wrong if near[k] == answers[i] and answers[k] == near[i]), None)
        post, its_own = actuators[posts[answers[i]]].name, actuators[posts[near[i]]].name
        mate = (
            f" and {frf.responses[partner]} the other way round: their cables look swapped"
            if partner is not None
            else ""
        )
        found.append(
            Finding(
                kind="swapped", severity="error", channel=frf.responses[i],
                text=f"{frf.responses[i]} answers post {post} more than its own ({its_own}){mate}",
                advice="check cables and channel names, and the positions in [[channel]] and [[rig.post]]",
            )
        )  # fmt: skip
    return found


def _saturated(found: Identification, sensors: tuple[Sensor, ...]) -> list[Finding]:
    return [
        Finding(
            kind="saturation", severity="warning", channel=name, measured=float(peak), limit=float(sensor.limit),
            text=f"{name} reached {peak / sensor.limit:.0%} of its range while the rig was identified",
            advice="take a wider range, or identify at a lower level",
        )
        for name, sensor, peak in zip(found.frf.responses, sensors, found.peak, strict=True)
        if sensor.limit and peak >= 0.97 * sensor.limit
    ]  # fmt: skip


def _thin(found: Identification, band_hz: tuple[float, float], dead: NDArray[np.bool_]) -> list[Finding]:
    """Where the coherence is low, and whether noise or distortion is to blame."""
    frf = found.frf
    inside = (frf.freq_hz >= band_hz[0]) & (frf.freq_hz <= band_hz[1])
    f = frf.freq_hz[inside]
    findings = []
    for i, name in enumerate(frf.responses):
        if dead[i]:
            continue
        low = frf.coherence[inside, i] < 0.6
        if low.mean() < 0.03:
            continue
        span = f[low]
        noisy = np.median((frf.noise[inside, i] / np.maximum(frf.residual[inside, i], 1e-300))[low]) > 0.5
        where = f"{span[0]:.1f} Hz" if span.size == 1 else f"{span[0]:.1f} to {span[-1]:.1f} Hz"
        cause = "noise: too little excitation there" if noisy else "non-linear distortion (friction, lift-off, stops)"
        advice = (
            "raise [identify] level or budget, or see whether the sensor suits this band"
            if noisy
            else "replication will go in smaller steps there; a level nearer the target's may help"
        )
        findings.append(
            Finding(
                kind="low coherence", severity="warning" if low.mean() > 0.3 else "note", channel=name,
                text=f"{name}: coherence below 0.6 on {low.mean():.0%} of the band ({where}), mostly {cause}",
                measured=float(np.median(frf.coherence[inside, i][low])), limit=0.6, advice=advice,
            )
        )  # fmt: skip
    return findings


def _level(found: Identification, band_hz: tuple[float, float]) -> list[Finding]:
    figures = quality(found.frf, band_hz)
    findings = []
    if np.isfinite(found.level) and found.level < 0.2:
        findings.append(
            Finding(
                kind="level", severity="warning", measured=found.level,
                text=f"the responses came to {found.level:.0%} of the field's only: limits or trips held it",
                advice="expect the first drives to be off; the plays themselves refresh the model",
            )
        )  # fmt: skip
    if figures.distortion_share > 0.1:
        findings.append(
            Finding(
                kind="non-linear", severity="note", measured=figures.distortion_share,
                text=f"{figures.distortion_share:.0%} of the responses' power is non-linear distortion",
                advice="the linear model is an average here; the iteration takes smaller steps where it is least sure",
            )
        )  # fmt: skip
    return findings
