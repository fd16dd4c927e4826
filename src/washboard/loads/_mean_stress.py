"""Mean-stress corrections: the amplitude about mean zero (R = -1) that does the damage of an amplitude about a mean.

All take and return amplitudes, half the ranges. Each is written for stress; where they are used on other quantities
the constants lose their meaning.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washboard.errors import DataError, InputError

F64 = NDArray[np.float64]


def _pair(amplitude: ArrayLike, mean: ArrayLike) -> tuple[F64, F64]:
    values, means = np.broadcast_arrays(np.asarray(amplitude, np.float64), np.asarray(mean, np.float64))
    if (values < 0).any():
        raise DataError("amplitudes for a mean-stress correction must be 0 or more")
    return values, means


def _straight(amplitude: ArrayLike, mean: ArrayLike, limit: float, name: str) -> F64:
    values, means = _pair(amplitude, mean)
    if not limit > 0:
        raise InputError(f"the {name} must be above 0, not {limit!r}")
    if (means >= limit).any():
        raise DataError(f"a mean of {means.max():g} reaches the {name} of {limit:g}: static failure, not fatigue")
    return np.asarray(values / (1 - means / limit))


def goodman(amplitude: ArrayLike, mean: ArrayLike, *, ultimate: float) -> F64:
    """Goodman: amplitude / (1 - mean / ultimate strength). Raises DataError where the mean reaches the strength."""
    return _straight(amplitude, mean, ultimate, "ultimate strength")


def soderberg(amplitude: ArrayLike, mean: ArrayLike, *, yield_strength: float) -> F64:
    """Soderberg: as Goodman with the yield strength."""
    return _straight(amplitude, mean, yield_strength, "yield strength")


def morrow(amplitude: ArrayLike, mean: ArrayLike, *, true_fracture: float) -> F64:
    """Morrow: as Goodman with the true fracture strength (or the fatigue strength coefficient)."""
    return _straight(amplitude, mean, true_fracture, "true fracture strength")


def gerber(amplitude: ArrayLike, mean: ArrayLike, *, ultimate: float) -> F64:
    """Gerber's parabola for tensile means; a compressive mean is left without effect."""
    values, means = _pair(amplitude, mean)
    tensile = np.maximum(means, 0)
    if not ultimate > 0:
        raise InputError(f"the ultimate strength must be above 0, not {ultimate!r}")
    if (tensile >= ultimate).any():
        raise DataError(f"a mean of {means.max():g} reaches the ultimate strength of {ultimate:g}")
    return np.asarray(values / (1 - (tensile / ultimate) ** 2))


def walker(amplitude: ArrayLike, mean: ArrayLike, *, exponent: float) -> F64:
    """Walker: maximum^(1 - exponent) times amplitude^exponent; 0 where the maximum is not tensile.

    Parameters
    ----------
    exponent : float
        0 to 1; 1 is no effect of the mean, 0.5 is Smith-Watson-Topper. [-]
    """
    values, means = _pair(amplitude, mean)
    if not 0 <= exponent <= 1:
        raise InputError(f"Walker's exponent lies between 0 and 1, not {exponent!r}")
    highest = np.maximum(values + means, 0)
    return np.asarray(highest ** (1 - exponent) * values**exponent)


def smith_watson_topper(amplitude: ArrayLike, mean: ArrayLike) -> F64:
    """Smith, Watson and Topper (1970): the root of maximum times amplitude; 0 where the maximum is not tensile."""
    return walker(amplitude, mean, exponent=0.5)


def fkm(amplitude: ArrayLike, mean: ArrayLike, *, sensitivity: float, sensitivity_high: float | None = None) -> F64:
    """Four straight pieces of the FKM guideline, to R = -1.

    The sensitivity M holds for -infinity < R <= 0, `sensitivity_high` (M / 3 unless given) for 0 < R < 0.5, and none
    beyond either end (R > 1: the amplitude at R = -infinity; R >= 0.5: that at R = 0.5).

    References
    ----------
    FKM guideline, Analytical strength assessment (stress-ratio fields I to IV).
    """
    values, means = _pair(amplitude, mean)
    m1 = sensitivity
    m2 = sensitivity / 3 if sensitivity_high is None else sensitivity_high
    if not (m2 >= 0 and 0 <= m1 < 1):
        raise InputError("mean-stress sensitivities lie between 0 and 1")
    # Field limits by the ratio of mean to amplitude: R = -infinity is -1, R = 0 is 1, R = 0.5 is 3.
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(values > 0, means / np.where(values > 0, values, 1), 0.0)
    step = (1 + m1) / (1 + m2)
    low = values * (1 - m1)
    middle = values + m1 * means
    high = step * (values + m2 * means)
    top = step * values * (1 + 3 * m2)
    return np.where(ratio < -1, low, np.where(ratio <= 1, middle, np.where(ratio < 3, high, top)))
