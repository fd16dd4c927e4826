"""How good an identification is, and what is wrong with it, in words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from washboard.identify._campaign import Goal, Identification
from washboard.identify._frf import Frf, group_delay_s
from washboard.identify._spectra import cross_spectra
from washboard.recording import Finding
from washboard.rig import Actuator, Sensor
from washboard.units import factor_to_si

Floats = NDArray[np.float64]

#: Coherence below this is low; a channel is named when this share of its field power lies on such lines.
_LOW, _MATTERS = 0.6, 0.1
#: Share of samples next to the largest value that no random signal has; skewness no linear response has.
_FLAT, _ONE_SIDED = 0.002, 0.25
#: Group delay beyond which responses are late for another reason than posts and vehicle. [s]
_LATEST_S = 0.25


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
        spectra = cross_spectra(samples[:1], samples, rate_hz, block_s=min(block_s, length_s), up_to_hz=float(freq[-1]))
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
        *_lifted(found, sensors),
        *_thin(found, goal, band_hz, dead),
        *_silent_drives(found, band_hz),
        *_out_of_time(frf, band_hz, dead),
        *_slow_edge(found, band_hz, dead),
        *_level(found, band_hz),
    ]
    order = {"error": 0, "warning": 1, "note": 2}
    return tuple(sorted(findings, key=lambda finding: order[finding.severity]))


def _dead(found: Identification, goal: Goal, band_hz: tuple[float, float]) -> NDArray[np.bool_]:
    inside = (found.frf.freq_hz >= band_hz[0]) & (found.frf.freq_hz <= band_hz[1])
    wanted = goal.rms(band_hz)
    silent = found.response_rms <= 0.005 * np.where(wanted > 0, wanted, 0.0)
    # An FRF no larger than its own standard deviation: what came back is noise.
    lost = np.array(quality(found.frf, band_hz).error_response) > 0.7
    lost |= np.percentile(found.frf.coherence[inside], 90, axis=0) < 0.3
    return np.asarray(silent | lost | (found.peak == 0))


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
        elif power and not 0.2 < ratio < 5.0:
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
    """At the end of a sensor's stated range, or flat at the top where none is stated."""
    findings = []
    for i, (name, sensor) in enumerate(zip(found.frf.responses, sensors, strict=True)):
        peak = float(found.peak[i])
        limit = abs(sensor.limit * factor_to_si(sensor.unit, sensor.quantity)[0]) if sensor.limit else np.inf
        if peak < 0.97 * limit and found.flat[i] < _FLAT:
            continue
        seen = f"reached {peak / limit:.0%} of its range" if peak >= 0.97 * limit else "is flat at its largest values"
        findings.append(
            Finding(
                kind="saturation", severity="warning", channel=name, measured=peak,
                limit=limit if np.isfinite(limit) else None,
                text=f"{name} {seen} while the rig was identified: sensor or amplifier saturates",
                advice="take a wider range, or identify at a lower level",
            )
        )  # fmt: skip
    return findings


def _lifted(found: Identification, sensors: tuple[Sensor, ...]) -> list[Finding]:
    """Peaks upwards much larger than downwards on axles: wheels that leave their posts come down hard.

    A linear response to random-phase multisines is Gaussian, so symmetric; a tyre pushes but never pulls, so that a
    vehicle off its posts falls with no more than its weight and is caught with any force.
    """
    upwards = found.skewness * np.array([-1.0 if sensor.direction == "-z" else 1.0 for sensor in sensors])
    mine = [
        i
        for i, sensor in enumerate(sensors)
        if sensor.quantity == "acceleration" and sensor.direction in {"+z", "-z"} and upwards[i] > _ONE_SIDED
    ]
    if not mine:
        return []
    mine.sort(key=lambda i: -upwards[i])
    names = ", ".join(found.frf.responses[i] for i in mine[:4]) + (f" and {len(mine) - 4} more" * (len(mine) > 4))
    return [
        Finding(
            kind="lift-off", severity="note" if upwards[mine[0]] < 2 * _ONE_SIDED else "warning",
            channel=found.frf.responses[mine[0]] if len(mine) == 1 else "",
            text=f"upward peaks are much larger than downward ones on {names} (skewness {upwards[mine[0]]:.1f}, 0 "
            "where wheels stay on their posts): wheels seem to leave the posts, or stops are hit",
            measured=float(upwards[mine[0]]), limit=_ONE_SIDED,
            advice="look at the wheels while the rig plays; where they lift in the field too, leave it so, else lower "
            "[identify] level",
        )
    ]  # fmt: skip


def _out_of_time(frf: Frf, band_hz: tuple[float, float], dead: NDArray[np.bool_]) -> list[Finding]:
    """No rig answers before it is driven, and none as late as a badly set time of start makes it look.

    Group delay of posts and vehicle together: 15 to 80 ms on the rigs tried. Pairs count by their signal over noise.
    """
    inside = (frf.freq_hz >= band_hz[0]) & (frf.freq_hz <= band_hz[1])
    if dead.all() or inside.sum() < 3:
        return []
    drive = np.sqrt(np.einsum("fjj->fj", frf.information[inside]).real)
    values = frf.values[inside][:, ~dead] * drive[:, None, :]
    values = values / np.sqrt(np.maximum(frf.residual[inside][:, ~dead, None], 1e-300))
    delay = float(group_delay_s(np.sum(values[1:] * np.conj(values[:-1])), frf.freq_hz))
    if 0.0 <= delay <= _LATEST_S:
        return []
    when = "before" if delay < 0 else "after"
    return [
        Finding(
            kind="out of time", severity="warning", measured=delay, limit=0.0 if delay < 0 else _LATEST_S,
            text=f"responses come {abs(delay):.2g} s {when} the drives that make them",
            advice="look at the time stamps of what the rig gives back: its first sample belongs to the drive's first",
        )
    ]  # fmt: skip


def _silent_drives(found: Identification, band_hz: tuple[float, float]) -> list[Finding]:
    """A drive that moves nothing: its actuator is off, or its cable leads elsewhere."""
    frf = found.frf
    inside = (frf.freq_hz >= band_hz[0]) & (frf.freq_hz <= band_hz[1])
    size = np.abs(frf.values[inside]) ** 2
    strength = size.mean(axis=0) / np.maximum(size.mean(axis=0).max(axis=1, keepdims=True), 1e-300)
    doubt = frf.variance[inside].mean(axis=0) / np.maximum(size.mean(axis=0), 1e-300)
    silent = np.all((strength < 0.01) | (doubt > 0.5), axis=0)
    return [
        Finding(
            kind="dead drive", severity="error", channel=frf.drives[j], measured=float(np.sqrt(strength[:, j].max())),
            text=f"no channel follows the drive {frf.drives[j]}",
            advice="look at the actuator, its valve and the cable of its command",
        )
        for j in np.flatnonzero(silent)
    ]  # fmt: skip


def _slow_edge(found: Identification, band_hz: tuple[float, float], dead: NDArray[np.bool_]) -> list[Finding]:
    """Too little excitation at the low end of the band, where accelerations fade with the frequency squared."""
    frf = found.frf
    edge = (frf.freq_hz >= band_hz[0]) & (frf.freq_hz <= 1.5 * band_hz[0])
    if not edge.any() or dead.all():
        return []
    coherence = np.median(frf.coherence[edge], axis=0)
    noisy = np.median(frf.noise[edge] / np.maximum(frf.residual[edge], 1e-300), axis=0) > 0.5
    mine = np.flatnonzero((coherence < _LOW) & noisy & ~dead)
    if mine.size < max(1, round(0.25 * len(frf.responses))):
        return []
    moved = np.sqrt(2 * np.einsum("fjj->j", frf.information[edge]).real / frf.n_experiments)
    j = int(np.argmax(moved))
    names = ", ".join(frf.responses[i] for i in mine[:4]) + (f" and {len(mine) - 4} more" * (len(mine) > 4))
    return [
        Finding(
            kind="thin excitation", severity="warning", measured=float(coherence[mine].min()), limit=_LOW,
            text=f"too little excitation from {band_hz[0]:g} to {1.5 * band_hz[0]:.2g} Hz: {frf.drives[j]} moved most, "
            f"{1e3 * moved[j]:.2g} mm or mrad RMS there, and {names} hardly rose above their noise",
            advice="raise [identify] level or budget, give more stroke or less reserve, or begin the band higher",
        )
    ]  # fmt: skip


def _thin(found: Identification, goal: Goal, band_hz: tuple[float, float], dead: NDArray[np.bool_]) -> list[Finding]:
    """Channels whose coherence is low where the field moves them, one finding per cause: noise or distortion."""
    frf = found.frf
    inside = (frf.freq_hz >= band_hz[0]) & (frf.freq_hz <= band_hz[1])
    f = frf.freq_hz[inside]
    field = np.stack([np.interp(f, goal.freq_hz, row) for row in goal.psd], axis=1)
    field = np.where(field.sum(axis=0) > 0, field, 1.0)
    low = (frf.coherence[inside] < _LOW) & ~dead
    share = (field * low).sum(axis=0) / field.sum(axis=0)
    hidden = frf.noise[inside] > 0.5 * frf.residual[inside]
    findings = []
    for noisy in (True, False):
        mine = [int(i) for i in np.flatnonzero(share > _MATTERS) if (np.mean(hidden[low[:, i], i]) > 0.5) == noisy]
        if mine:
            mine.sort(key=lambda i: -share[i])
            findings.append(_low_coherence(found, mine, share, low, f, field, noisy))
    return findings


def _low_coherence(
    found: Identification,
    mine: list[int],
    share: Floats,
    low: NDArray[np.bool_],
    freq_hz: Floats,
    field: Floats,
    noisy: bool,
) -> Finding:
    """What, where, how much of the field it concerns, and what to do."""
    frf = found.frf
    said = [
        f"{frf.responses[i]} ({_where(freq_hz, field[:, i] * low[:, i])}, {share[i]:.0%} of its motion in the field)"
        for i in mine[:3]
    ]
    more = f" and {len(mine) - 3} more" if len(mine) > 3 else ""
    names = f"{', '.join(said)}{more}"
    if noisy:
        text = f"noise hides what the drives do to {names}"
        advice = "excite more: raise [identify] level or budget; or look at the sensor's range and cable there"
    else:
        text = f"non-linear distortion (friction, stops, lift-off) is much of what moves {names}"
        advice = (
            "the FRF is an average there. Replication corrects it from its plays and takes more of them; look for "
            "loose parts and worn joints if the channel is stiff by design"
        )
        if np.isfinite(found.level) and found.level < 0.7:
            advice += f"; friction slides more at the field's own level: [identify] level above {found.level:.1f} helps"
    worst = float(share[mine[0]])
    return Finding(
        kind="low coherence", severity="warning" if worst > (0.3 if noisy else 0.5) else "note",
        channel=frf.responses[mine[0]] if len(mine) == 1 else "", text=text, measured=worst, limit=_MATTERS,
        advice=advice,
    )  # fmt: skip


def _where(freq_hz: Floats, power: Floats) -> str:
    """The frequencies that hold the middle nine tenths of some power."""
    total = np.cumsum(power) / power.sum()
    low, high = freq_hz[np.searchsorted(total, (0.05, 0.95))]
    return f"{low:.1f} Hz" if high - low < 0.1 else f"{low:.1f} to {high:.1f} Hz"


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
