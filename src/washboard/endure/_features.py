"""What is measured of every pass: level, peak, damage and level by band of each channel."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from washboard.errors import DataError
from washboard.loads import pseudo_damage
from washboard.recording import Recording


@dataclass(frozen=True, kw_only=True, slots=True)
class PassFeatures:
    """Measures of one response.

    Parameters
    ----------
    channels : tuple of str
        Names.
    slopes : tuple of float
        Basquin slopes of `damage`. [-]
    bands_hz : tuple of pairs of floats
        Bands of `band_rms`. [Hz]
    rms, peak : ndarray, shape (channel,)
        About the mean of the channel. [unit of the channel]
    damage : ndarray, shape (channel, slope)
        Pseudo-damage, residue as half cycles (ASTM E1049). [unit of the channel to the power of the slope]
    band_rms : ndarray, shape (channel, band)
        [unit of the channel]
    """

    channels: tuple[str, ...]
    slopes: tuple[float, ...]
    bands_hz: tuple[tuple[float, float], ...]
    rms: NDArray[np.float64]
    peak: NDArray[np.float64]
    damage: NDArray[np.float64]
    band_rms: NDArray[np.float64]

    def to_table(self) -> dict[str, Any]:
        """Plain values, for the journal."""
        return {
            "channels": list(self.channels),
            "slopes": list(self.slopes),
            "bands_hz": [list(band) for band in self.bands_hz],
            "rms": self.rms.tolist(),
            "peak": self.peak.tolist(),
            "damage": self.damage.tolist(),
            "band_rms": self.band_rms.tolist(),
        }

    @classmethod
    def from_table(cls, table: Mapping[str, Any]) -> PassFeatures:
        """What `to_table` made."""
        return cls(
            channels=tuple(table["channels"]),
            slopes=tuple(table["slopes"]),
            bands_hz=tuple((band[0], band[1]) for band in table["bands_hz"]),
            rms=np.asarray(table["rms"], np.float64),
            peak=np.asarray(table["peak"], np.float64),
            damage=np.asarray(table["damage"], np.float64),
            band_rms=np.asarray(table["band_rms"], np.float64),
        )


def octave_bands(low_hz: float, high_hz: float) -> tuple[tuple[float, float], ...]:
    """Bands of about an octave that fill `low_hz` to `high_hz` without overlap. [Hz]"""
    n_bands = max(1, round(np.log2(high_hz / low_hz)))
    edges = np.geomspace(low_hz, high_hz, n_bands + 1)
    return tuple((float(a), float(b)) for a, b in pairwise(edges))


def pass_features(
    response: Recording, *, slopes: tuple[float, ...], bands_hz: tuple[tuple[float, float], ...]
) -> PassFeatures:
    """Measure one response.

    Levels by band are those of the whole pass's periodogram, so that they add up: the squares of all bands and of what
    lies outside them sum to the square of the RMS value (Parseval).

    Parameters
    ----------
    response : Recording
        Finite samples, shape (channel, time).
    slopes : tuple of float
        Basquin slopes. [-]
    bands_hz : tuple of pairs of floats
        [Hz]

    Raises
    ------
    DataError
        Samples that are not finite, with channel and time.
    """
    samples = np.asarray(response.samples, np.float64)
    if not np.isfinite(samples).all():
        row, sample = np.argwhere(~np.isfinite(samples))[0]
        raise DataError(
            f"{response.name or 'the response'}: channel '{response.names[row]}' is not a number at "
            f"{sample / response.rate_hz:.3f} s; look at its sensor and cable before going on"
        )
    centred = samples - samples.mean(axis=1, keepdims=True)
    n = samples.shape[1]
    power = np.abs(np.fft.rfft(centred, axis=1)) ** 2 / n**2
    power[:, 1 : (n + 1) // 2] *= 2
    frequency_hz = np.fft.rfftfreq(n, 1 / response.rate_hz)
    bands = [power[:, (frequency_hz >= low) & (frequency_hz < high)].sum(axis=1) for low, high in bands_hz]
    return PassFeatures(
        channels=response.names,
        slopes=slopes,
        bands_hz=bands_hz,
        rms=np.sqrt(np.mean(centred**2, axis=1)),
        peak=np.abs(centred).max(axis=1),
        damage=pseudo_damage(samples, slopes),
        band_rms=np.sqrt(np.stack(bands, axis=1)) if bands else np.zeros((samples.shape[0], 0)),
    )
