"""What time stamps say: the sample rate, and where they jitter, gap, repeat or run backwards."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from washboard.errors import DataError

GAP_STEPS = 1.5
"""A step of more than this many sample intervals is a gap."""

EVEN_JITTER = 0.02
"""Stamps that lie within this share of an interval of an even grid are even for all that follows."""


@dataclass(frozen=True, kw_only=True, slots=True)
class TimeGap:
    """A stretch without samples: from the last stamp before to the first after. [s]"""

    start_s: float
    end_s: float
    missing: int


@dataclass(frozen=True, kw_only=True, slots=True)
class TimeReport:
    """What the stamps of one time base say.

    Parameters
    ----------
    rate_hz : float
        The rate of the even grid that fits them. [Hz]
    jitter : float
        Largest distance of a stamp from the even grid between gaps, as a share of the interval; the stamps are then
        uneven above `EVEN_JITTER`.
    jitter_rms : float
        The same, root mean square.
    gaps : tuple of TimeGap
        Where samples are missing.
    repeats : int
        How many stamps equal the one before.
    backwards : tuple of float
        Stamps where the time runs backwards. [s]
    drift_ppm : float
        How much the rate in the last third differs from that in the first. [parts per million]
    rounded_to_s : float
        Last digit to which the stamps were written, where that is all that sets them off an even grid, else 0. [s]
    """

    rate_hz: float
    jitter: float
    jitter_rms: float
    gaps: tuple[TimeGap, ...]
    repeats: int
    backwards: tuple[float, ...]
    drift_ppm: float
    rounded_to_s: float = 0.0

    @property
    def even(self) -> bool:
        """Whether the samples can be taken as they are, as uniformly sampled."""
        as_written = self.jitter <= EVEN_JITTER or self.rounded_to_s > 0
        return not self.gaps and not self.repeats and not self.backwards and as_written

    @property
    def remarks(self) -> tuple[str, ...]:
        """What is not as it should be, in words."""
        words = []
        if self.gaps:
            missing = sum(gap.missing for gap in self.gaps)
            words.append(f"{len(self.gaps)} gaps ({missing} samples missing), first at {self.gaps[0].start_s:.3f} s")
        if self.repeats:
            words.append(f"{self.repeats} time stamps repeat the one before")
        if self.backwards:
            words.append(f"time runs backwards {len(self.backwards)} times, first at {self.backwards[0]:.3f} s")
        if self.rounded_to_s > 0 and self.jitter > EVEN_JITTER:
            words.append(f"stamps written to {self.rounded_to_s:.1g} s only: an even grid, rounded")
        elif self.jitter > EVEN_JITTER and not self.repeats:
            words.append(f"uneven steps: stamps up to {self.jitter:.0%} of an interval off the even grid")
        return tuple(words)


def analyse_stamps(stamps_s: NDArray[np.float64]) -> TimeReport:
    """Sample rate and faults of a column of time stamps.

    Parameters
    ----------
    stamps_s : ndarray, shape (time,)
        Time stamps. [s]

    Raises
    ------
    DataError
        Fewer than two stamps, or stamps that are not finite.

    Notes
    -----
    The interval is the median step, refined by a straight line through the longest stretch without a gap (least
    squares); a rate within 2e-9 of a fraction with a denominator up to 1000 is taken as that fraction, because stamps
    in floating point cannot say more.
    """
    if stamps_s.size < 2:
        raise DataError("at least two samples are needed to tell a sample rate")
    if not np.isfinite(stamps_s).all():
        raise DataError(f"{int((~np.isfinite(stamps_s)).sum())} time stamps are not numbers")
    steps = np.diff(stamps_s)
    forward = steps[steps > 0]
    if forward.size == 0:
        raise DataError("the time stamps never move on")
    step = float(np.median(forward))
    gap_at = np.flatnonzero(steps > GAP_STEPS * step)
    back_at = np.flatnonzero(steps < 0)
    repeats = int(np.count_nonzero(steps == 0))
    edges = np.concatenate(([0], np.union1d(gap_at, back_at) + 1, [stamps_s.size]))
    longest = int(np.argmax(np.diff(edges)))
    piece = stamps_s[edges[longest] : edges[longest + 1]]
    step = _fitted_step(piece, step) if repeats == 0 else step
    rate = snapped_rate(1.0 / step)
    jitter, square = 0.0, 0.0
    for first, last in pairwise(edges):
        away = stamps_s[first:last] * rate
        away = away - np.arange(away.size)
        away -= np.median(away)
        if repeats == 0:
            jitter = max(jitter, float(np.abs(away).max()))
        square += float(away @ away)
    gaps = tuple(
        TimeGap(
            start_s=float(stamps_s[at]),
            end_s=float(stamps_s[at + 1]),
            missing=max(1, round(float(steps[at]) * rate) - 1),
        )
        for at in gap_at
    )
    return TimeReport(
        rate_hz=rate,
        jitter=jitter,
        jitter_rms=float(np.sqrt(square / stamps_s.size)),
        gaps=gaps,
        repeats=repeats,
        backwards=tuple(float(stamps_s[at + 1]) for at in back_at),
        drift_ppm=_drift_ppm(piece) if repeats == 0 else 0.0,
        rounded_to_s=_rounded_to(stamps_s, jitter / rate, step),
    )


def _rounded_to(stamps_s: NDArray[np.float64], away_s: float, step_s: float) -> float:
    """Last digit of the stamps, or of single precision, if nothing else sets them off an even grid; else 0. [s]

    A stamp is then half a digit off at most, wherever it lies between the digits; what is really uneven goes further.
    """
    largest = float(np.abs(stamps_s).max())
    # Of six digits fewer are left behind the point the later it is.
    late = stamps_s[-min(1000, stamps_s.size) :]
    digit = 0.0
    for places in range(12):
        tens = late * 10.0**places
        if np.abs(tens - np.round(tens)).max() < 1e-3:
            digit = 10.0**-places
            break
    if digit == 0.0 and np.array_equal(stamps_s.astype(np.float32).astype(np.float64), stamps_s):
        digit = float(np.spacing(np.float32(largest)))
    return digit if 0.0 < away_s <= 0.6 * digit < 0.45 * step_s else 0.0


def _fitted_step(piece: NDArray[np.float64], step: float) -> float:
    if piece.size < 3:
        return step
    number = np.arange(piece.size) - (piece.size - 1) / 2
    # For an even grid end to end is exact where least squares only rounds.
    ends = float(piece[-1] - piece[0]) / (piece.size - 1)
    fitted = float(number @ (piece - piece.mean()) / (number @ number))
    return ends if abs(ends - fitted) < 1e-9 * step else fitted


def _drift_ppm(piece: NDArray[np.float64]) -> float:
    third = piece.size // 3
    if third < 10:
        return 0.0
    first, last = _fitted_step(piece[:third], 1.0), _fitted_step(piece[-third:], 1.0)
    return 1e6 * (first / last - 1.0)


def snapped_rate(rate_hz: float) -> float:
    """`rate_hz`, or the simple fraction it can only stand for. [Hz]"""
    for denominator in (1, 10, 1000):
        near = Fraction(rate_hz).limit_denominator(denominator)
        if near > 0 and abs(float(near) - rate_hz) <= 2e-9 * rate_hz:
            return float(near)
    return rate_hz
