"""All that can be wrong with a recording, as findings: each with channel, time, evidence and a plain sentence."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from washboard.recording._clipping import find_clipping
from washboard.recording._drift import baseline
from washboard.recording._dropouts import Hit, find_dropouts
from washboard.recording._recording import Channel, Finding, Recording, Samples, Severity
from washboard.recording._spikes import find_spikes

#: What is looked for in a single channel.
FAULT_KINDS = ("spike", "nan", "flat", "zero", "clipping", "offset", "drift", "step")


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
    return tuple(found)


def channel_faults(samples: Samples, rate_hz: float, channel: Channel) -> list[Finding]:
    """The faults of one channel, samples of shape (time,)."""
    found: list[Finding] = []
    dropouts = find_dropouts(samples, rate_hz)
    for kind, words in (("nan", "missing (NaN)"), ("zero", "exactly zero"), ("flat", "stuck on one value")):
        hits = [hit for hit in dropouts if hit.kind == kind]
        if hits:
            found.append(_dropout(hits, kind, words, rate_hz, channel))
    spikes = find_spikes(samples)
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
    clipped = find_clipping(samples, channel.limits)
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
    return found


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
    base = baseline(samples, rate_hz)
    if base is None or base.spread <= 0:
        return []
    found = []
    ends = len(samples) / rate_hz
    if abs(base.step) > 3 * base.spread and abs(base.step) > 0.7 * base.wander:
        at = base.step_at / rate_hz
        found.append(
            Finding(
                kind="step",
                severity="warning",
                channel=channel.name,
                start_s=at,
                end_s=at,
                measured=base.step,
                limit=3 * base.spread,
                text=f"its zero jumps by {_value(base.step, channel)} near {at:.1f} s and stays there",
                advice="cut there, or take off each part's offset",
            )
        )
    elif abs(base.drift) > 2 * base.spread:
        found.append(
            Finding(
                kind="drift",
                severity="warning",
                channel=channel.name,
                start_s=0.0,
                end_s=ends,
                measured=base.drift,
                limit=2 * base.spread,
                text=f"its zero drifts by {_value(base.drift, channel)} from start to end",
                advice='take it off with [[check.repair]] do = "drift"',
            )
        )
    return found


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
    return f"{value:.3g} {channel.unit}".removesuffix(" 1").rstrip()


def has_nan(recording: Recording) -> bool:
    """Whether any sample is NaN or infinite; row by row, so that a memory map is not copied."""
    return any(not np.isfinite(row).all() for row in recording.samples)
