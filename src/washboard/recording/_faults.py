"""All that can be wrong with a recording, as findings: each with channel, time, evidence and a plain sentence."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from washboard.errors import UnitError
from washboard.recording._array_faults import array_faults
from washboard.recording._clipping import find_clipping
from washboard.recording._drift import Baseline, baseline
from washboard.recording._dropouts import Hit, find_dropouts
from washboard.recording._recording import Channel, Finding, Recording, Samples, Severity, spanning
from washboard.recording._resolution import resolution
from washboard.recording._scan import may_clip, may_stick, scan
from washboard.recording._spectral_faults import Floor, find_hum, follows_ride, spectral_floor, spectrogram
from washboard.recording._spikes import find_spikes
from washboard.units import STANDARD_GRAVITY, factor_to_si

#: What is looked for: in a channel, between the channels of a recording, between the laps of an event.
FAULT_KINDS = (
    "spike", "nan", "flat", "zero", "clipping", "offset", "drift", "step", "resolution", "hum", "aliasing", "noise",
    "polarity", "swap", "unit", "lag", "time", "lap", "level",
)  # fmt: skip

BEYOND_CHANCE = 3.6
"""Standard deviations beyond which the top of a spectrum goes with the ride by more than chance."""

#: Quantities that a ride leaves where they were.
_ABOUT_ZERO = frozenset({"acceleration", "velocity", "angular velocity", "angular acceleration"})


def find_faults(recording: Recording) -> tuple[Finding, ...]:
    """Everything found wrong, channel by channel.

    Parameters
    ----------
    recording : Recording
        In any units; NaN samples are found, not refused.

    Returns
    -------
    tuple of Finding
        One for each kind and channel; its text says how often and where.
    """
    found: list[Finding] = []
    for channel, samples in zip(recording.channels, recording.samples, strict=True):
        found.extend(channel_faults(samples, recording.rate_hz, channel))
    found.extend(array_faults(recording))
    return tuple(found)


def channel_faults(samples: Samples, rate_hz: float, channel: Channel) -> list[Finding]:
    """The faults of one channel, samples of shape (time,)."""
    found: list[Finding] = []
    seen = scan(samples)
    dropouts = find_dropouts(samples, rate_hz) if seen is None or may_stick(seen) else ()
    for kind, words in (("nan", "missing (NaN)"), ("zero", "exactly zero"), ("flat", "stuck on one value")):
        hits = [hit for hit in dropouts if hit.kind == kind]
        if hits:
            found.append(_dropout(hits, kind, words, rate_hz, channel))
    spikes = find_spikes(samples, found=seen)
    if spikes:
        tallest = max(spikes, key=lambda hit: hit.measured)
        found.append(
            _finding(
                "spike",
                "warning",
                f"{_count(spikes, 'spike')}, the tallest {_value(tallest.measured, channel)} high at "
                f"{tallest.start / rate_hz:.2f} s: single samples that no motion could make",
                channel,
                spikes,
                rate_hz,
                measured=tallest.measured,
                advice='mend them with [[check.repair]] do = "despike"',
            )
        )
    clipped = find_clipping(samples, channel.limits) if seen is None or may_clip(seen, samples, channel.limits) else ()
    if clipped:
        total = sum(hit.end - hit.start for hit in clipped)
        found.append(
            _finding(
                "clipping",
                "warning",
                f"clipped at {_value(clipped[0].measured, channel)}: {_count(clipped, 'stretch', 'stretches')}, "
                f"{total} samples; the true peaks, and their damage, are larger",
                channel,
                clipped,
                rate_hz,
                measured=float(total),
                advice="leave these laps out, or measure again with a larger range",
            )
        )
    found.extend(_baseline_faults(samples, rate_hz, channel))
    coarse = _resolution_faults(samples, channel)
    found.extend(coarse)
    found.extend(_spectral(_cleared(samples, spikes, dropouts), rate_hz, channel, coarse=bool(coarse)))
    return spanning(found, samples.size / rate_hz)


def _cleared(samples: Samples, spikes: Sequence[Hit], dropouts: Sequence[Hit]) -> Samples:
    """Spikes bridged and dropouts NaN, so that one fault does not pass for another in the spectrum."""
    if not spikes and not any(hit.kind != "nan" for hit in dropouts):
        return samples
    out = samples.copy()
    for hit in spikes:
        before, after = max(0, hit.start - 1), min(out.size - 1, hit.end)
        out[hit.start : hit.end] = np.linspace(out[before], out[after], hit.end - hit.start + 2)[1:-1]
    for hit in dropouts:
        out[max(0, hit.start - 1) : hit.end + 1] = np.nan
    return out


def _resolution_faults(samples: Samples, channel: Channel) -> list[Finding]:
    # Steps of an eighth of the RMS leave few different values: many of them need no closer look.
    few = samples[:: max(1, samples.size // 4096)]
    if np.unique(few).size > 0.5 * few.size > 512:
        return []
    found = resolution(samples)
    if found is None or found.steps_per_rms >= 8:
        return []
    return [
        Finding(
            kind="resolution",
            severity="warning",
            channel=channel.name,
            measured=found.bits,
            limit=6.0,
            text=f"uses only {found.bits:.1f} bits: its smallest step of {_value(found.step, channel)} is "
            f"1/{found.steps_per_rms:.1f} of its RMS",
            advice="measure again with a range that fits",
        )
    ]


def _spectral(samples: Samples, rate_hz: float, channel: Channel, *, coarse: bool) -> list[Finding]:
    spectra = spectrogram(samples, rate_hz)
    if spectra is None:
        return []
    rms = float(np.sqrt(spectra.density[:, 1:].mean(axis=0).sum() * spectra.step_hz))
    if rms <= 0:
        return []
    found = []
    hum = find_hum(samples, rate_hz)
    if hum is not None and hum.amplitude > 0.02 * rms:
        found.append(
            Finding(
                kind="hum",
                severity="warning",
                channel=channel.name,
                measured=hum.amplitude,
                limit=0.02 * rms,
                text=f"mains hum at {hum.line_hz:g} Hz with an amplitude of {_value(hum.amplitude, channel)}, "
                f"{hum.amplitude / rms:.0%} of its RMS",
                advice='take it off with [[check.repair]] do = "hum", and mend the shield or earth',
            )
        )
    # The steps of a coarse converter are noise too, but named as what they are.
    return found if coarse else found + _floor_faults(samples, rate_hz, channel, spectral_floor(spectra), rms)


def _floor_faults(samples: Samples, rate_hz: float, channel: Channel, floor: Floor, rms: float) -> list[Finding]:
    if floor.folded > 0.045 * rms and floor.fall > 0.4:
        link = follows_ride(samples, rate_hz)
        chance = BEYOND_CHANCE * link.chance
        if link.correlation > chance:
            return [
                Finding(
                    kind="aliasing",
                    severity="warning",
                    channel=channel.name,
                    measured=link.correlation,
                    limit=chance,
                    text=f"its spectrum does not fall off towards {rate_hz / 2:g} Hz, and what is there comes and goes "
                    f"with the ride (rank correlation {link.correlation:.2f}, by chance up to {chance:.2f}; "
                    f"{min(1.0, floor.folded / rms):.0%} of its RMS): it was sampled without an anti-alias filter",
                    advice="measure again with the filter; what is folded in cannot be taken off",
                )
            ]
    if floor.noise > 0.05 * rms and 0.5 < floor.flatness < 2.0:
        return [
            Finding(
                kind="noise",
                severity="warning",
                channel=channel.name,
                measured=floor.noise / rms,
                limit=0.05,
                text=f"its noise floor of {_value(floor.noise, channel)} is {floor.noise / rms:.0%} of its RMS (on a "
                "steady ride, content folded down for want of an anti-alias filter looks the same)",
                advice="measure again with a range that fits, or a better sensor or cable",
            )
        ]
    return []


def _dropout(hits: list[Hit], kind: str, words: str, rate_hz: float, channel: Channel) -> Finding:
    total = sum(hit.end - hit.start for hit in hits)
    severity: Severity = "error" if kind == "nan" else "warning"
    longest = max(hit.end - hit.start for hit in hits) / rate_hz
    return _finding(
        kind,
        severity,
        f"{words} for {total} samples in {_count(hits, 'stretch', 'stretches')}, the longest {longest:.3g} s",
        channel,
        hits,
        rate_hz,
        measured=longest,
        advice='bridge short ones with [[check.repair]] do = "fill", or leave the lap out',
    )


def _baseline_faults(samples: Samples, rate_hz: float, channel: Channel) -> list[Finding]:
    if channel.quantity == "temperature":
        return []
    base = baseline(samples, rate_hz)
    if base is None or base.spread <= 0:
        return []
    length = len(samples) / rate_hz
    if abs(base.step) > max(2.5 * base.spread, 4 * base.about_step) and base.step_fits < 0.5:
        at = base.step_at / rate_hz
        return [
            Finding(
                kind="step",
                severity="warning",
                channel=channel.name,
                start_s=at,
                end_s=length,
                measured=base.step,
                limit=2.5 * base.spread,
                text=f"its zero jumps by {_value(base.step, channel)} near {at:.1f} s and stays there",
                advice="cut there, or take off each part's offset",
            )
        ]
    if base.wander > max(2.5 * base.spread, 5 * base.about_curve):
        return [
            Finding(
                kind="drift",
                severity="warning",
                channel=channel.name,
                start_s=0.0,
                end_s=length,
                measured=base.drift,
                limit=2.5 * base.spread,
                text=f"its zero drifts by {_value(base.wander, channel)} over {length:.0f} s",
                advice='take it off with [[check.repair]] do = "drift"',
            )
        ]
    return _offset_faults(base, channel, length)


def _offset_faults(base: Baseline, channel: Channel, length: float) -> list[Finding]:
    try:
        si = abs(base.offset * factor_to_si(channel.unit, channel.quantity)[0])
    except UnitError:  # a unit that only the file's maker knows
        si = abs(base.offset)
    swinging = channel.quantity in _ABOUT_ZERO
    if channel.quantity == "acceleration" and abs(si - STANDARD_GRAVITY) < 0.08 * STANDARD_GRAVITY:
        return []
    limit = (1.5 if swinging else 3.0) * base.spread
    # A channel that never moves is said to be stuck, wherever it lies.
    if abs(base.offset) <= limit or base.spread < 1e-9 * abs(base.offset):
        return []
    return [
        Finding(
            kind="offset",
            severity="warning" if swinging else "note",
            channel=channel.name,
            start_s=0.0,
            end_s=length,
            measured=base.offset,
            limit=limit,
            text=f"lies {_value(base.offset, channel)} off zero, {abs(base.offset) / base.spread:.1f} times its RMS",
            advice='take it off with [[check.repair]] do = "offset", unless it is a static load',
        )
    ]


def _finding(
    kind: str,
    severity: Severity,
    text: str,
    channel: Channel,
    hits: Sequence[Hit],
    rate_hz: float,
    *,
    measured: float,
    advice: str,
) -> Finding:
    return Finding(
        kind=kind,
        severity=severity,
        text=text,
        channel=channel.name,
        start_s=hits[0].start / rate_hz,
        end_s=hits[-1].end / rate_hz,
        measured=measured,
        advice=advice,
    )


def _count(hits: Sequence[Hit], one: str, many: str = "") -> str:
    return f"{len(hits)} {one if len(hits) == 1 else many or one + 's'}"


def _value(value: float, channel: Channel) -> str:
    return f"{value:.4g} {channel.unit}".removesuffix(" 1").rstrip()
