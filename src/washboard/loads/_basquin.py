"""S-N lines (Basquin) with one or two slopes, and Palmgren-Miner damage on them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washboard.errors import InputError
from washboard.loads._rainflow import Cycles

F64 = NDArray[np.float64]

MinerRule = Literal["original", "elementary", "modified"]
"""Below the knee: no damage (original), the same slope (elementary), or slope 2k - 1 (modified, after Haibach)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class SnLine:
    """Cycles to failure against amplitude: N = knee_cycles (amplitude / knee_amplitude) to the power of -slope.

    Parameters
    ----------
    slope : float
        Above the knee. [-]
    knee_amplitude : float
        Amplitude (half the range) at the knee. [unit of the samples]
    knee_cycles : float
        Cycles to failure there.
    rule : str
        What holds below the knee.
    second_slope : float, optional
        Slope below the knee in place of the rule's. [-]

    Raises
    ------
    InputError
        A value that cannot be.
    """

    slope: float
    knee_amplitude: float
    knee_cycles: float
    rule: MinerRule = "elementary"
    second_slope: float | None = None

    def __post_init__(self) -> None:
        if not (self.slope > 0 and self.knee_amplitude > 0 and self.knee_cycles > 0):
            raise InputError("slope, knee amplitude and knee cycles of an S-N line must be above 0")
        if self.rule not in ("original", "elementary", "modified"):
            raise InputError(f"the Miner rule is 'original', 'elementary' or 'modified', not {self.rule!r}")
        if self.second_slope is not None and self.second_slope < self.slope:
            raise InputError("the second slope of an S-N line is at least the first")

    @property
    def slope_below(self) -> float:
        """Slope below the knee; infinite where nothing fails there."""
        if self.second_slope is not None:
            return self.second_slope
        return {"original": np.inf, "elementary": self.slope, "modified": 2 * self.slope - 1}[self.rule]

    def cycles_to_failure(self, amplitude: ArrayLike) -> F64:
        """Cycles to failure at each amplitude; infinite where it does no damage."""
        ratio = np.asarray(amplitude, np.float64) / self.knee_amplitude
        with np.errstate(divide="ignore", over="ignore"):
            above = self.knee_cycles * np.maximum(ratio, 1e-300) ** -self.slope
            if np.isinf(self.slope_below):
                below = np.full_like(ratio, np.inf)
            else:
                below = self.knee_cycles * np.maximum(ratio, 1e-300) ** -self.slope_below
        return np.where(ratio >= 1, above, below)


def miner_sum(amplitude: ArrayLike, count: ArrayLike, line: SnLine) -> float:
    """Palmgren-Miner sum: failure is expected about 1.

    Parameters
    ----------
    amplitude, count : array_like, shape (cycle,)
        Amplitudes (half the ranges) and how often each occurs.
    line : SnLine

    References
    ----------
    Palmgren 1924; Miner 1945, J. Appl. Mech. 12; Haibach 2006, Betriebsfestigkeit (modified rule).
    """
    return float(np.sum(np.asarray(count, np.float64) / line.cycles_to_failure(amplitude)))


def damage_on(cycles: Cycles, line: SnLine, amplitude: ArrayLike | None = None) -> float:
    """Palmgren-Miner sum of rainflow cycles; give `amplitude` where it has been corrected for the mean."""
    return miner_sum(cycles.amplitude if amplitude is None else amplitude, cycles.count, line)


def equivalent_amplitude(amplitude: ArrayLike, count: ArrayLike, slope: float, *, cycles: float | None = None) -> float:
    """The one amplitude that does the same pseudo-damage in `cycles` cycles (as many as counted, by default)."""
    values, n = np.asarray(amplitude, np.float64), np.asarray(count, np.float64)
    total = float(n.sum()) if cycles is None else float(cycles)
    if not (slope > 0 and total > 0):
        raise InputError("an equivalent amplitude needs a slope and a number of cycles above 0")
    largest = float(values.max(initial=0.0))
    if largest == 0.0:
        return 0.0
    # Relative to the largest, so that no power overflows.
    return float(largest * (np.sum(n * (values / largest) ** slope) / total) ** (1 / slope))
