"""Identification of a rig as a procedure: a first careful look, excitation shaped after the target, experiments."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from washboard.errors import RigError, RigTripped
from washboard.identify._bla import best_linear_approximation, lines_of
from washboard.identify._excitation import (
    Multisine,
    drive_spectrum,
    interleaved_multisine,
    orthogonal_multisine,
    scaled,
    shaped_random,
    within_limits,
)
from washboard.identify._frf import Frf
from washboard.identify._limits import DriveLimits, use_of_limits
from washboard.identify._noise import frf_of_noise
from washboard.identify._settings import IdentifySettings
from washboard.settings import Progress, no_progress

Floats = NDArray[np.float64]

Player = Callable[[Floats, str], Floats]
"""Plays drives (drive, time) under a label and returns responses (response, time); raises RigTripped."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Goal:
    """What the responses should come out near: one-sided power spectral densities of the field.

    Parameters
    ----------
    freq_hz : ndarray, shape (freq,)
    psd : ndarray, shape (response, freq)
        [response unit squared per Hz]; a row of zeros where nothing is known of a response.
    """

    freq_hz: Floats
    psd: Floats

    def rms(self, band_hz: tuple[float, float]) -> Floats:
        """RMS of each response in the band, shape (response,)."""
        inside = (self.freq_hz >= band_hz[0]) & (self.freq_hz <= band_hz[1])
        return np.asarray(np.sqrt(self.psd[:, inside].sum(axis=1) * (self.freq_hz[1] - self.freq_hz[0])))


@dataclass(frozen=True, kw_only=True, slots=True)
class ExcitationStep:
    """One group of plays of an identification: what was played, how strongly, what came back."""

    name: str
    factor: float
    response_share: float
    words: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Identification:
    """The identified rig.

    Parameters
    ----------
    frf : Frf
        Best linear approximation at the level of the main experiments.
    first : Frf
        From the careful first look, coarser and at a lower level.
    level : float
        RMS of the responses over that of the goal, median over channels. [-]
    rig_time_s : float
        Time the rig moved. [s]
    response_rms, peak : ndarray, shape (response,)
        Of the main experiments.
    steps : tuple of ExcitationStep
        What was done.
    skewness : ndarray, shape (response,)
        Third moment of the main experiments' responses over their standard deviation cubed, 0 where linear. [-]
    flat : ndarray, shape (response,)
        Share of their samples within a thousandth of the largest or the smallest. [-]
    """

    frf: Frf
    first: Frf
    level: float
    rig_time_s: float
    response_rms: Floats
    peak: Floats
    steps: tuple[ExcitationStep, ...]
    skewness: Floats
    flat: Floats


def band_rms(samples: Floats, rate_hz: float, band_hz: tuple[float, float]) -> Floats:
    """RMS of each row within the band, shape (channel,)."""
    n = samples.shape[1]
    f = scipy.fft.rfftfreq(n, 1 / rate_hz)
    inside = (f >= band_hz[0]) & (f <= band_hz[1])
    spectrum = scipy.fft.rfft(samples - samples.mean(axis=1, keepdims=True), axis=1)[:, inside]
    return np.asarray(np.sqrt(2 * np.sum(np.abs(spectrum) ** 2, axis=1)) / n)


def identify_rig(
    play: Player,
    *,
    responses: tuple[str, ...],
    drives: tuple[str, ...],
    rate_hz: float,
    limits: DriveLimits,
    band_hz: tuple[float, float],
    goal: Goal,
    settings: IdentifySettings,
    seed: int = 1,
    progress: Progress = no_progress,
) -> Identification:
    """Identify the FRF of a rig with its specimen, with nothing known before.

    First a careful look: one interleaved multisine at a few per cent of the limits, raised until the responses stand
    clear of nothing (or halved where the rig trips). From it the excitation is shaped so that the responses come out
    near the goal's spectrum at the wanted level. Then sets of orthogonal multisines, as many as the budget holds.

    Raises
    ------
    RigError
        The rig tripped at every level tried, or nothing answers.
    """
    campaign = _Campaign(play, responses, drives, rate_hz, limits, band_hz, goal, settings, seed, progress)
    first = campaign.first_look()
    return campaign.main(first)


class _Campaign:
    def __init__(
        self,
        play: Player,
        responses: tuple[str, ...],
        drives: tuple[str, ...],
        rate_hz: float,
        limits: DriveLimits,
        band_hz: tuple[float, float],
        goal: Goal,
        settings: IdentifySettings,
        seed: int,
        progress: Progress,
    ) -> None:
        self.play, self.responses, self.drives, self.rate_hz = play, responses, drives, rate_hz
        self.limits, self.band_hz, self.goal, self.settings = limits, band_hz, goal, settings
        self.rng = np.random.default_rng(seed)
        self.progress = progress
        self.rig_time_s = 0.0
        self.steps: list[ExcitationStep] = []
        q = len(drives)
        self.budget_s = settings.budget_s or 300.0 + 75.0 * q
        self.settle_s = max(4.0, min(0.5 * settings.period_s, 5.0 / band_hz[0]))
        self.taper_s = 2.0
        self.goal_rms = goal.rms(band_hz)
        self.known = self.goal_rms > 0

    @property
    def experiments(self) -> int:
        """How many plays make one set: as many as drives; of noise at least two, since the last repeats the first."""
        return max(len(self.drives), 2 if self.settings.excitation == "random" else 1)

    def grid(self, period_s: float) -> tuple[int, NDArray[np.intp]]:
        """Samples of a period and the lines from half the band's low edge to a third above its high edge."""
        period = scipy.fft.next_fast_len(round(period_s * self.rate_hz), real=True)
        spacing = self.rate_hz / period
        low = max(1, round(0.5 * self.band_hz[0] / spacing))
        high = min(round(1.3 * self.band_hz[1] / spacing), round(0.45 * self.rate_hz / spacing))
        return period, np.arange(low, high + 1)

    def played(self, signal: Multisine, label: str, experiments: range) -> list[Floats]:
        found = []
        for k in experiments:
            self.rig_time_s += signal.samples.shape[2] / self.rate_hz
            self.progress(min(0.98, self.rig_time_s / self.budget_s), f"{label}, experiment {k + 1}")
            found.append(self.play(signal.samples[k], f"{label}-{k + 1}"))
        return found

    def share(self, signal: Multisine, responses: list[Floats]) -> float:
        """Response RMS over the goal's, median over the channels with a goal."""
        kept = [r[:, signal.settle : signal.settle + signal.n_periods * signal.period] for r in responses]
        rms = np.sqrt(np.mean([band_rms(part, self.rate_hz, self.band_hz) ** 2 for part in kept], axis=0))
        if not self.known.any():
            return float("nan")
        return float(np.median(rms[self.known] / self.goal_rms[self.known]))

    def first_look(self) -> Frf:
        """A coarse FRF from one careful interleaved multisine."""
        q = len(self.drives)
        period, lines = self.grid(min(max(self.settings.period_s, 4.0 * q), 32.0))
        spacing = self.rate_hz / period
        # Constant velocity: displacement falls as 1/f, so no line dominates stroke or acceleration.
        amplitude = self.limits.velocity[:, None] / (2 * np.pi * lines * spacing)[None]
        signal = interleaved_multisine(
            amplitude, line_index=lines, period=period, rate_hz=self.rate_hz, n_periods=1,
            settle_s=self.settle_s, taper_s=self.taper_s, rng=self.rng,
        )  # fmt: skip
        use = within_limits(signal, self.limits, most=1e-9) * 1e9
        signal = scaled(signal, use * 0.04)
        factor = 0.04
        attempt, tripped_at = 0, np.inf
        while True:
            attempt += 1
            name = f"look-{attempt}"
            try:
                responses = self.played(signal, name, range(1))
            except RigTripped as trip:
                tripped_at = min(tripped_at, factor)
                self.steps.append(
                    ExcitationStep(name=name, factor=factor, response_share=float("nan"), words="the rig tripped")
                )
                if attempt >= 6:
                    raise RigError(
                        "the rig trips even at a few thousandths of its limits; look at the rig, the specimen's "
                        f"restraint and the trip limits before anything is played again. The last trip: {trip}"
                    ) from None
                factor, signal = factor / 3, scaled(signal, 1 / 3)
                continue
            share = self.share(signal, responses)
            wish = 0.3 * self.settings.level / 0.5 / share if share > 0 else 1.0
            words = f"responses at {share:.0%} of the field's" if np.isfinite(share) else "nothing to compare with"
            self.steps.append(ExcitationStep(name=name, factor=factor, response_share=share, words=words))
            wish = min(wish, 6.0, 0.5 / factor, 0.6 * tripped_at / factor)
            if attempt >= 4 or not np.isfinite(wish) or 0.4 < wish < 2.0:
                break
            factor, signal = factor * wish, scaled(signal, wish)
        return self.coarse(signal, responses[0])

    def coarse(self, signal: Multisine, response: Floats) -> Frf:
        """The FRF on each drive's own lines, interpolated to all lines."""
        from washboard.identify._frf import delays_s

        data = lines_of(signal, [response])
        y = data.response.mean(axis=1)[0]
        u = data.drive[0]
        n_lines, q = u.shape
        f = signal.freq_hz
        values = np.zeros((n_lines, len(self.responses), q), dtype=np.complex128)
        for j in range(q):
            own = np.flatnonzero(np.abs(u[:, j]) > 0)
            column = y[own] / u[own, j][:, None]
            delay = np.median(delays_s(column[:, :, None], f[own]))
            straight = column * np.exp(2j * np.pi * f[own] * delay)[:, None]
            for i in range(straight.shape[1]):
                values[:, i, j] = np.interp(f, f[own], straight[:, i].real) + 1j * np.interp(
                    f, f[own], straight[:, i].imag
                )
            values[:, :, j] *= np.exp(-2j * np.pi * f * delay)[:, None]
        power = np.abs(u) ** 2
        return Frf(
            values=values, freq_hz=f, responses=self.responses, drives=self.drives,
            residual=0.1 * np.abs(y) ** 2, noise=0.1 * np.abs(y) ** 2,
            information=np.einsum("fj,jk->fjk", np.maximum(power, power.max(axis=1, keepdims=True)), np.eye(q)).astype(
                np.complex128
            ),
            coherence=np.ones((n_lines, len(self.responses))), n_experiments=1.0, averaged=np.ones(n_lines),
        )  # fmt: skip

    def shaped(self, first: Frf, lines: NDArray[np.intp], spacing: float) -> Floats:
        """Amplitudes (drive, line) whose responses come out near the goal at the wanted level."""
        f = np.asarray(lines * spacing, dtype=np.float64)
        rows = np.flatnonzero(self.known)
        gain, goal = self.gain_on(f, first), self.goal_on(f, rows)
        weight = 1.0 / self.goal_rms[rows] ** 2
        power = drive_spectrum(gain[:, rows] * weight[None, :, None], goal * weight[None])
        power = np.stack([_octave_mean(power[:, j], f) for j in range(power.shape[1])])
        # No drive is left silent, every column is needed: 15 dB below the strongest, in the measure of its own limits.
        relative = power / self.limits.velocity[:, None] ** 2
        power = np.maximum(relative, relative.max(axis=0) * 10**-1.5) * self.limits.velocity[:, None] ** 2
        # Past the band only its filter's edge needs the FRF, and lines there cost most acceleration.
        fade = np.clip((self.band_hz[1] / f) ** 4, 0.0, 1.0)
        return np.asarray(np.sqrt(2 * power * spacing) * self.settings.level * fade)

    def fitted(self, amplitude: Floats, lines: NDArray[np.intp], period: int) -> Floats:
        """Amplitudes with what takes most of a limit cut first, drive by drive, so that the rest need not be scaled.

        Of a drive that would leave a limit, the lines that use most of it are brought down to one common height.
        """
        f = lines * (self.rate_hz / period)
        bounds = (self.limits.reach, self.limits.velocity, self.limits.acceleration)
        out, most = amplitude.copy(), 0.97 * (1 - self.settings.reserve)
        state = self.rng.bit_generator.state
        for _round in range(4):
            # The phases of the set to come, so that its own peaks are looked at.
            self.rng.bit_generator.state = state
            signal = self.excitation(out, lines, period)
            uses = [use_of_limits(experiment, self.rate_hz, self.limits) for experiment in signal.samples]
            peaks = np.max([[use.stroke, use.velocity, use.acceleration] for use in uses], axis=0)
            if peaks.max() <= 1 - self.settings.reserve:
                break
            for order in range(len(bounds)):
                for j in np.flatnonzero(peaks[order] > most):
                    power = (out[j] * (2 * np.pi * f) ** order) ** 2
                    cap = _cap(power, (most / peaks[order][j]) ** 2)
                    out[j] *= np.sqrt(np.minimum(1.0, cap / np.maximum(power, 1e-300)))
        self.rng.bit_generator.state = state
        return out

    def gain_on(self, f: Floats, first: Frf) -> Floats:
        """Squared magnitude of the first look's FRF on other lines, (freq, response, drive)."""
        p, q = len(self.responses), len(self.drives)
        power = np.abs(first.values.reshape(first.freq_hz.size, p * q)) ** 2
        rows = [np.interp(f, first.freq_hz, _octave_mean(column, first.freq_hz)) for column in power.T]
        return np.stack(rows, axis=1).reshape(f.size, p, q)

    def goal_on(self, f: Floats, rows: NDArray[np.intp]) -> Floats:
        """The goal's density on other lines, held past the ends of the band, (freq, row)."""
        low, high = self.band_hz
        inside = np.clip(f, low * 1.1, high * 0.95)
        smooth = [_octave_mean(self.goal.psd[i], self.goal.freq_hz) for i in rows]
        return np.stack([np.interp(inside, self.goal.freq_hz, row) for row in smooth], axis=1)

    def main(self, first: Frf) -> Identification:
        """The shaped experiments and the FRF from them."""
        period, lines = self.grid(self.settings.period_s)
        spacing = self.rate_hz / period
        if self.known.any():
            amplitude = self.shaped(first, lines, spacing)
        else:
            amplitude = self.limits.velocity[:, None] / (2 * np.pi * lines * spacing)[None] * 0.02
        one_set_s = self.experiments * (self.settle_s + 2 * self.settings.period_s + self.taper_s)
        n_sets = self.room_for(one_set_s)
        sets: list[tuple[Multisine, list[Floats]]] = []
        factor, corrected = 1.0, 0
        attempt = 0
        while len(sets) < n_sets:
            attempt += 1
            if not sets:
                n_sets = self.room_for(one_set_s)
            signal = self.excitation(self.fitted(amplitude * factor, lines, period), lines, period)
            room = within_limits(signal, self.limits, most=1 - self.settings.reserve)
            signal = scaled(signal, room)
            name = f"main-{attempt}"
            try:
                responses = self.played(signal, name, range(1))
                share = self.share(signal, responses)
                off = share / self.settings.level if np.isfinite(share) else 1.0
                wrong = off > 1.25 or (off < 0.8 and room == 1.0)
                if not sets and corrected < 3 and wrong and share > 0:
                    corrected += 1
                    words = f"responses at {share:.0%} of the field's, {self.settings.level:.0%} wanted: rescaled"
                    self.steps.append(ExcitationStep(name=name, factor=factor, response_share=share, words=words))
                    factor *= float(np.clip(1 / off, 0.2, 4.0))
                    continue
                responses += self.played(signal, name, range(1, signal.samples.shape[0]))
            except RigTripped:
                self.steps.append(
                    ExcitationStep(
                        name=name, factor=factor, response_share=float("nan"), words="the rig tripped: halved"
                    )
                )
                if attempt > n_sets + 6:
                    raise RigError(
                        "the rig trips at every level of excitation tried; look at restraint and trip limits"
                    ) from None
                factor *= 0.5
                corrected = 3
                continue
            share = self.share(signal, responses)
            self.steps.append(
                ExcitationStep(
                    name=name, factor=factor, response_share=share, words=f"responses at {share:.0%} of the field's"
                )
            )
            sets.append((signal, responses))
        return self.identified(first, sets)

    def room_for(self, one_set_s: float) -> int:
        """How many sets of experiments the rest of the budget holds."""
        left = (self.budget_s - self.rig_time_s) // one_set_s
        return int(np.clip(left, 1, max(self.settings.realisations, 2) + 1))

    def excitation(self, amplitude: Floats, lines: NDArray[np.intp], period: int) -> Multisine:
        """One set of experiments; noise instead of multisines on request, the last experiment then the first again."""
        signal = orthogonal_multisine(
            amplitude, line_index=lines, period=period, rate_hz=self.rate_hz, n_periods=2,
            settle_s=self.settle_s, taper_s=self.taper_s, rng=self.rng,
        )  # fmt: skip
        if self.settings.excitation == "multisine":
            return signal
        duration_s = signal.samples.shape[2] / self.rate_hz
        density, f = amplitude**2 / 2 / (self.rate_hz / period), signal.freq_hz
        made = [
            shaped_random(
                density, f, duration_s=duration_s, rate_hz=self.rate_hz, taper_s=self.taper_s, rng=self.rng
            )
            for _experiment in range(self.experiments - 1)
        ]  # fmt: skip
        return replace(signal, samples=np.stack([*made, made[0]]))

    def identified(self, first: Frf, kept: list[tuple[Multisine, list[Floats]]]) -> Identification:
        """What the experiments show."""
        if self.settings.excitation == "multisine":
            sets = [lines_of(signal, responses) for signal, responses in kept]
            frf = best_linear_approximation(sets, kept[0][0].freq_hz, responses=self.responses, drives=self.drives)
        else:
            frf = frf_of_noise(
                [(signal.samples, np.stack(responses)) for signal, responses in kept],
                kept[0][0],
                responses=self.responses,
                drives=self.drives,
            )
        rms = np.sqrt(
            np.mean([band_rms(r[:, s.settle :], self.rate_hz, self.band_hz) ** 2 for s, rs in kept for r in rs], axis=0)
        )
        peak = np.max([np.abs(r).max(axis=1) for _s, rs in kept for r in rs], axis=0)
        level = float(np.median(rms[self.known] / self.goal_rms[self.known])) if self.known.any() else float("nan")
        return Identification(
            frf=frf, first=first, level=level, rig_time_s=self.rig_time_s, response_rms=rms, peak=peak,
            steps=tuple(self.steps), skewness=np.mean([_skewness(r) for _s, rs in kept for r in rs], axis=0),
            flat=np.max([_flat(r) for _s, rs in kept for r in rs], axis=0),
        )  # fmt: skip


def _cap(power: Floats, share: float) -> float:
    """The height to which the largest powers are cut so that `share` of their sum is left."""
    rising = np.sort(power)
    n = rising.size
    kept = np.concatenate([[0.0], np.cumsum(rising)])
    sums = kept[:-1] + rising * (n - np.arange(n))
    i = min(int(np.searchsorted(sums, share * kept[-1])), n - 1)
    return float((share * kept[-1] - kept[i]) / (n - i))


def _skewness(samples: Floats) -> Floats:
    centred = samples - samples.mean(axis=1, keepdims=True)
    spread = np.sqrt(np.mean(centred**2, axis=1))
    # A general power would take tens of times as long.
    cubed = np.mean(centred * centred**2, axis=1)
    return np.asarray(np.divide(cubed, spread**3, out=np.zeros_like(cubed), where=spread > 0))


def _flat(samples: Floats) -> Floats:
    """Share of samples within a thousandth of the span of the largest or the smallest, the more of the two."""
    high, low = samples.max(axis=1, keepdims=True), samples.min(axis=1, keepdims=True)
    near = 1e-3 * (high - low)
    share = np.maximum((samples >= high - near).mean(axis=1), (samples <= low + near).mean(axis=1))
    return np.asarray(np.where((high > low)[:, 0], share, 0.0))


def _octave_mean(power: Floats, freq_hz: NDArray[Any], share: float = 0.08) -> Floats:
    """Power averaged over neighbours within `share` of the frequency either way."""
    spacing = freq_hz[1] - freq_hz[0]
    total = np.concatenate([[0.0], np.cumsum(power)])
    n = power.size
    half = np.maximum(1, np.floor(share * freq_hz / spacing)).astype(int)
    low, high = np.maximum(np.arange(n) - half, 0), np.minimum(np.arange(n) + half + 1, n)
    return np.asarray((total[high] - total[low]) / (high - low))
