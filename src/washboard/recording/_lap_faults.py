"""Faults that show only between the laps of an event: an outlying lap, a channel in another unit, exchanged ones."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from washboard.recording._recording import Channel, Finding, Recording, spanning
from washboard.recording._relations import relation_faults
from washboard.units import STANDARD_GRAVITY

#: Laps differ in speed and line; a lap's level is out of line beyond this ratio to the median lap.
LEVEL_RATIO = 1.35

ODD_RATIO = 2.2
"""One channel is out of line with the others of its lap beyond this ratio: a wheel may miss half a row of holes."""

_BANDS_HZ = (0.5, 1.0, 2.0, 4.0, 8.0, 12.0, 16.0, 24.0, 32.0, 48.0)


def lap_faults(laps: Sequence[Recording]) -> tuple[tuple[Finding, ...], ...]:
    """What sets a lap or one of its channels apart from the other laps.

    Parameters
    ----------
    laps : sequence of Recording
        Laps of one event with the same channels. Fewer than three say nothing.

    Returns
    -------
    tuple of tuples of Finding
        As many as laps.
    """
    if len(laps) < 3 or any(lap.names != laps[0].names for lap in laps):
        return tuple(() for _lap in laps)
    features = np.stack([_features(lap) for lap in laps])
    related = relation_faults(laps)
    return tuple(
        tuple(spanning(_merged(_of_lap(features, number, lap), related[number]), lap.duration_s))
        for number, lap in enumerate(laps)
    )


def _merged(by_level: list[Finding], by_relation: list[Finding]) -> list[Finding]:
    """Both kinds of evidence, an exchange seen by both once; what follows from an exchange left out."""
    swaps = [finding for finding in by_level if finding.kind == "swap"]
    if swaps:
        by_relation = [finding for finding in by_relation if finding.kind == "unit"]
    elif any(finding.kind == "swap" for finding in by_relation):
        names = " ".join(f"{finding.channel} {finding.text}" for finding in by_relation if finding.kind == "swap")
        by_level = [finding for finding in by_level if not finding.channel or finding.channel not in names]
    return by_level + by_relation


def _features(lap: Recording) -> NDArray[np.float64]:
    """Log of the level of each channel in each band, shape (channel, band)."""
    from scipy import signal

    rows = []
    for row in lap.samples:
        line = np.array(row, dtype=np.float64)
        bad = ~np.isfinite(line)
        if bad.all():
            rows.append(np.full(len(_BANDS_HZ) - 1, np.nan))
            continue
        line[bad] = np.interp(np.flatnonzero(bad), np.flatnonzero(~bad), line[~bad])
        length = int(min(line.size, 4 * lap.rate_hz))
        freq, density = signal.welch(line, lap.rate_hz, nperseg=length)
        level = [
            density[(freq >= low) & (freq < high)].mean() if ((freq >= low) & (freq < high)).any() else np.nan
            for low, high in pairwise(_BANDS_HZ)
        ]
        rows.append(0.5 * np.log(np.maximum(level, 1e-300)))
    return np.array(rows)


def _of_lap(features: NDArray[np.float64], number: int, lap: Recording) -> list[Finding]:
    others = np.delete(features, number, axis=0)
    usual = np.nanmedian(others, axis=0)
    away = features[number] - usual
    level = np.nanmedian(away, axis=1)
    # How much the other laps differ among themselves, channel by channel.
    spread = np.nanmedian(np.abs(np.nanmedian(others - usual, axis=2)), axis=0)
    found, exchanged = _exchanged(features[number], usual, lap)
    whole = float(np.nanmedian(level))
    limit = max(np.log(LEVEL_RATIO), 4 * float(np.nanmedian(spread)))
    if abs(whole) > limit:
        times = float(np.exp(whole))
        words = f"{times:.2f} times" if times > 1 else f"{times:.0%} of"
        found.append(
            Finding(
                kind="lap",
                severity="warning",
                measured=times,
                limit=float(np.exp(limit)),
                text=f"all its channels together lie at {words} the level of the other laps: driven at another speed, "
                "load or line?",
                advice="leave it out with check.leave_out unless it belongs to the event",
            )
        )
    for channel, value, own in zip(lap.channels, level - whole, spread, strict=True):
        if channel.name not in exchanged:
            found.extend(_odd_channel(channel, float(value), max(np.log(ODD_RATIO), 6 * float(own))))
    return found


def _odd_channel(channel: Channel, value: float, limit: float) -> list[Finding]:
    if not np.isfinite(value) or abs(value) < limit:
        return []
    times = float(np.exp(value))
    size = max(times, 1 / times)
    words = f"{times:.3g} times" if times > 1 else f"1/{1 / times:.3g} of"
    for factor, meant in ((STANDARD_GRAVITY, "g taken for m/s2 or the other way round"), (1000.0, "a lost prefix")):
        if factor / 1.4 < size < factor * 1.4:
            return [
                Finding(
                    kind="unit",
                    severity="error",
                    channel=channel.name,
                    measured=times,
                    limit=float(np.exp(limit)),
                    text=f"lies at {words} its level in the other laps: its unit is likely wrong here ({meant})",
                    advice='mend it with [[check.repair]] do = "unit" for this lap',
                )
            ]
    return [
        Finding(
            kind="level",
            severity="warning",
            channel=channel.name,
            measured=times,
            limit=float(np.exp(limit)),
            text=f"lies at {words} its level in the other laps, which the other channels of this lap do not",
            advice="look at it beside another lap before it is used",
        )
    ]


def _exchanged(own: NDArray[np.float64], usual: NDArray[np.float64], lap: Recording) -> tuple[list[Finding], set[str]]:
    """Channels of one quantity whose spectra fit each other's place in the other laps much better, and their names."""
    best: tuple[float, int, int, float] | None = None
    for one in range(lap.n_channels):
        for two in range(one + 1, lap.n_channels):
            if lap.channels[one].quantity != lap.channels[two].quantity:
                continue
            here = _distance(own[one], usual[one]) + _distance(own[two], usual[two])
            there = _distance(own[one], usual[two]) + _distance(own[two], usual[one])
            if here > 0.35 and there < 0.45 * here and (best is None or here - there > best[0]):
                best = (here - there, one, two, there / here)
    if best is None:
        return [], set()
    _gain, one, two, share = best
    names = (lap.channels[one].name, lap.channels[two].name)
    return [
        Finding(
            kind="swap",
            severity="error",
            channel=names[0],
            measured=share,
            limit=0.45,
            text=f"and {names[1]} have each other's spectra of the other laps (misfit falls to {share:.0%} when "
            "exchanged): they are exchanged here",
            advice='mend it with [[check.repair]] do = "swap" for this lap',
        )
    ], set(names)


def _distance(one: NDArray[np.float64], two: NDArray[np.float64]) -> float:
    return float(np.sqrt(np.nanmean((one - two) ** 2)))
