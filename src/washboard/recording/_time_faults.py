"""What reading had to do to the time base, as findings: samples missing, uneven steps."""

from __future__ import annotations

from washboard.recording._recording import Finding, Recording

UNEVEN = 0.05
"""Uneven steps up to this share of an interval, root mean square, change little below a quarter of the sample rate."""


def time_faults(recording: Recording) -> list[Finding]:
    """Gaps and uneven stamps of the file that `recording` was read from, as its history says."""
    found = []
    for step in recording.history:
        if step.function != "recording.read_recording":
            continue
        uneven, missing = step.settings.get("uneven"), step.settings.get("missing")
        if not isinstance(uneven, (int, float)) or not isinstance(missing, (int, float)):
            continue
        if missing <= 0 and uneven <= UNEVEN:
            continue
        found.append(
            Finding(
                kind="time",
                severity="warning",
                measured=float(missing if missing > 0 else uneven),
                limit=0.0 if missing > 0 else UNEVEN,
                text=f"its time stamps are not even: {step.settings.get('time_base', '')}",
                advice="let the logger sample by its own clock, without leaving samples out; what lies near half the "
                "sample rate is not to be trusted here",
            )
        )
    return found
