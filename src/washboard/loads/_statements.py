"""Is a record stationary, is it Gaussian? Answered with numbers and in words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from washboard.errors import DataError
from washboard.loads._damage import pseudo_damage
from washboard.loads._samples import as_rows, check_finite
from washboard.loads._spectra import psd
from washboard.loads._spectral_damage import spectral_damage, spectral_moments

F64 = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Character:
    """How one channel behaves over time and by amplitude.

    Parameters
    ----------
    kurtosis : float
        Fourth central moment over variance squared; 3 for a Gaussian record. [-]
    skewness : float
        [-]
    crest : float
        Largest deviation from the mean over the RMS about it. [-]
    rms_spread : float
        Largest over smallest RMS of the stretches. [-]
    spread_expected : float
        The spread that 95 of 100 stationary Gaussian records of this spectrum would stay below. [-]
    gaussian_share : float
        Damage a stationary Gaussian record of the same spectrum would do (Dirlik), over the damage counted. [-]
    slope : float
        Basquin slope of that comparison. [-]
    stationary, gaussian : bool
        The statements.
    text : str
        One or two plain sentences.
    """

    kurtosis: float
    skewness: float
    crest: float
    rms_spread: float
    spread_expected: float
    gaussian_share: float
    slope: float
    stationary: bool
    gaussian: bool
    text: str


def character(
    samples: ArrayLike, rate_hz: float, *, slope: float = 5.0, block_s: float = 8.0, low_hz: float = 0.5
) -> tuple[Character, ...]:
    """Stationarity and Gaussianity of each channel, judged on what the damage would be.

    A record counts as stationary when the RMS of stretches of `block_s` spreads no more than chance allows for its
    spectrum, and as Gaussian when a stationary Gaussian record of the same spectrum would do its damage within a factor
    of 1.5.

    Parameters
    ----------
    samples : array_like, shape (channel, time) or (time,)
    rate_hz : float
        Sample rate. [Hz]
    slope : float
        Basquin slope. [-]
    block_s : float
        Length of stretches and of spectral blocks. [s]
    low_hz : float
        Content below is left out of the spectral estimate of damage. [Hz]

    Notes
    -----
    The mean square of a stretch of length T of Gaussian noise of PSD G scatters by 1 / sqrt(B T) of itself, with
    B = (integral of G) squared over integral of G squared (Bendat and Piersol, Random Data, ch. 8).
    """
    rows = as_rows(samples, "A statement about a record")
    check_finite(rows, "A statement about a record")
    spectrum = psd(rows, rate_hz, block_s=min(block_s, rows.shape[1] / rate_hz / 2))
    found = []
    for number, row in enumerate(rows):
        values = np.asarray(row, np.float64)
        found.append(_one(values, rate_hz, spectrum.frequency_hz, spectrum.values[number], slope, block_s, low_hz))
    return tuple(found)


def _one(
    x: F64, rate_hz: float, frequency: F64, density: F64, slope: float, block_s: float, low_hz: float
) -> Character:
    deviation = x - x.mean()
    variance = float(np.mean(deviation**2))
    if variance == 0.0:
        return Character(
            kurtosis=3.0, skewness=0.0, crest=0.0, rms_spread=1.0, spread_expected=1.0, gaussian_share=1.0,
            slope=slope, stationary=True, gaussian=True, text="Constant.",
        )  # fmt: skip
    rms = np.sqrt(variance)
    kurtosis = float(np.mean(deviation**4)) / variance**2
    skewness = float(np.mean(deviation**3)) / rms**3
    length = max(2, min(round(block_s * rate_hz), x.size // 2))
    stretches = deviation[: x.size // length * length].reshape(-1, length)
    levels = np.sqrt(np.mean(stretches**2, axis=1))
    spread = float(levels.max() / max(levels.min(), 1e-12 * rms))
    step = frequency[1] - frequency[0]
    bandwidth = float((density.sum() * step) ** 2 / (np.sum(density**2) * step))
    scatter = 0.5 / np.sqrt(bandwidth * length / rate_hz)
    # Largest of n less smallest of n normal variates, 95 % point, by its usual approximation.
    expected = float(np.exp(scatter * (2.77 + 1.2 * np.log(stretches.shape[0] / 2))))
    share = _gaussian_share(x, rate_hz, frequency, density, slope, low_hz)
    stationary, gaussian = spread <= expected, 2 / 3 <= share <= 1.5
    return Character(
        kurtosis=kurtosis,
        skewness=skewness,
        crest=float(np.abs(deviation).max() / rms),
        rms_spread=spread,
        spread_expected=expected,
        gaussian_share=share,
        slope=slope,
        stationary=stationary,
        gaussian=gaussian,
        text=_words(stationary, gaussian, spread, expected, kurtosis, share, slope, block_s),
    )


def _gaussian_share(x: F64, rate_hz: float, frequency: F64, density: F64, slope: float, low_hz: float) -> float:
    counted = float(pseudo_damage(x, slope))
    try:
        moments = spectral_moments(frequency, density, low_hz=min(low_hz, float(frequency[-1]) / 2))
    except DataError:
        return 1.0
    predicted = float(spectral_damage(moments, slope)[0, 0]) * x.size / rate_hz
    return predicted / counted if counted > 0 else 1.0


def _words(
    stationary: bool,
    gaussian: bool,
    spread: float,
    expected: float,
    kurtosis: float,
    share: float,
    slope: float,
    block_s: float,
) -> str:
    if stationary:
        first = f"Stationary: stretches of {block_s:g} s differ in RMS by no more than chance ({spread:.2f}x)."
    else:
        first = (
            f"Not stationary: the RMS of stretches of {block_s:g} s differs {spread:.2f}x, chance would give up to "
            f"{expected:.2f}x."
        )
    if gaussian:
        return f"{first} Damage as of a Gaussian record of its spectrum ({share:.2f} by Dirlik, slope {slope:g})."
    side = "less" if share < 1 else "more"
    why = f"kurtosis {kurtosis:.1f}" + (": single strong events do the damage" if kurtosis > 4 and share < 1 else "")
    return (
        f"{first} Not Gaussian ({why}): its spectrum alone would predict {side} damage, {share:.2g} of that counted "
        f"(Dirlik, slope {slope:g})."
    )
