"""Road profiles of two wheel tracks: random ones by ISO 8608, with coherence between left and right.

The displacement PSD of a class is ``Gd(n) = Gd(n0) (n / n0)**-2`` with n0 = 0.1 /m and the class means
16e-6 * 4**k m3, k = 0 for A to 7 for H (ISO 8608:2016, geometric means).
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from washboard.errors import InputError
from washboard.simulate._assemble import Array

REFERENCE_PER_M: Final = 0.1
#: Wave numbers a random road holds; ISO 8608 reports from 0.01 /m, and a tyre levels out what is shorter than 0.1 m.
BAND_PER_M: Final = (0.011, 12.0)

#: Constants of the coherence of left and right track: reference [rad/m] and exponent per class.
_COHERENCE: Final = {"A": (8.5, 3.5), "B": (5.3, 2.2), "C": (3.0, 1.3), "D": (1.6, 0.8), "E": (0.8, 0.5)}


@dataclass(frozen=True, kw_only=True, slots=True)
class Road:
    """Heights of two wheel tracks along the road, shape (2, distance): left, then right. [m]

    Parameters
    ----------
    height_m : ndarray, shape (2, distance)
    spacing_m : float
        Between the heights. [m]
    """

    height_m: Array
    spacing_m: float
    name: str = ""

    @property
    def length_m(self) -> float:
        """Length. [m]"""
        return float((self.height_m.shape[1] - 1) * self.spacing_m)

    @property
    def distance_m(self) -> NDArray[np.float64]:
        """Where each height is, from the start. [m]"""
        return np.asarray(np.arange(self.height_m.shape[1]) * self.spacing_m, dtype=np.float64)

    def plus(self, height_m: Array) -> Road:
        """The road with more height on it, shape (2, distance) or (distance,). [m]"""
        return dataclasses.replace(self, height_m=self.height_m + height_m)

    def roughened(self, share: float, roughness_m3: float, *, seed: int | list[int]) -> Road:
        """Another line on the same road: what differs between lines is `share` of a road of `roughness_m3`."""
        other = random_road(self.length_m, roughness_m3=roughness_m3 * share**2, spacing_m=self.spacing_m, seed=seed)
        return self.plus(other.height_m[:, : self.height_m.shape[1]])


def class_roughness(road_class: str) -> float:
    """Geometric mean of Gd(n0) of an ISO 8608 class, A to H. [m3] Raises InputError."""
    classes = "ABCDEFGH"
    if len(road_class) != 1 or road_class.upper() not in classes:
        raise InputError(f"'{road_class}' is not a road class of ISO 8608; there are A to H")
    return float(16e-6 * 4.0 ** classes.index(road_class.upper()))


def track_coherence(wave_number_per_m: Array, *, track_m: float, roughness_m3: float) -> NDArray[np.float64]:
    """Share of the cross spectrum in the spectrum of one track: 1 for long waves, 0 for short ones.

    ``(1 + (Omega b / Omega_p)**2)**-p`` with constants by class, as published with the open multi-body library Chrono,
    which cites Mitschke and Wallentowitz (Dynamik der Kraftfahrzeuge). Roads rougher than E take E's.
    """
    level = np.clip(round(np.log(roughness_m3 / 16e-6) / np.log(4.0)), 0, 4)
    reference, exponent = _COHERENCE["ABCDE"[int(level)]]
    omega = 2 * np.pi * np.asarray(wave_number_per_m)
    return np.asarray((1 + (omega * track_m / reference) ** 2) ** -exponent)


def random_road(
    length_m: float,
    *,
    roughness_m3: float,
    seed: int | list[int],
    track_m: float = 2.0,
    spacing_m: float = 0.02,
    waviness: float = 2.0,
) -> Road:
    """A random road of two tracks with the displacement PSD of ISO 8608.

    Parameters
    ----------
    length_m : float
        Length. [m]
    roughness_m3 : float
        Gd(n0), for example `class_roughness("C")`. [m3]
    seed : int or list of int
        Of the random numbers.
    track_m : float
        Between left and right. [m]
    spacing_m : float
        Between heights. [m]
    waviness : float
        Exponent of the PSD.
    """
    n = round(length_m / spacing_m) + 1
    # Long enough to hold the longest wave a few times; a cut of a ring, so that its ends do not meet.
    ring = _fast_length(max(2 * n, round(4 / BAND_PER_M[0] / spacing_m)))
    wave = np.asarray(np.fft.rfftfreq(ring, spacing_m), dtype=np.float64)
    density = np.zeros_like(wave)
    inside = (wave >= BAND_PER_M[0]) & (wave <= BAND_PER_M[1])
    density[inside] = roughness_m3 * (wave[inside] / REFERENCE_PER_M) ** -waviness
    random = np.random.default_rng(seed)
    # One-sided PSD G: a bin of width 1/L holds variance G / L, spread over a complex amplitude.
    scale = np.sqrt(density / (ring * spacing_m) / 2) * ring / np.sqrt(2)
    first, second = (scale * (random.standard_normal(len(wave)) + 1j * random.standard_normal(len(wave))) for _ in "ab")
    share = track_coherence(wave, track_m=track_m, roughness_m3=roughness_m3)
    # Left and right are mirror images in how they are made: neither is the master of the other.
    together, apart = np.sqrt((1 + share) / 2), np.sqrt((1 - share) / 2)
    left = np.fft.irfft(together * first + apart * second, ring)[:n]
    right = np.fft.irfft(together * first - apart * second, ring)[:n]
    return Road(height_m=np.stack([left, right]), spacing_m=spacing_m)


def _fast_length(n: int) -> int:
    from scipy import fft

    return int(fft.next_fast_len(n, real=True))


def flat_road(length_m: float, *, spacing_m: float = 0.02) -> Road:
    """A level road."""
    return Road(height_m=np.zeros((2, round(length_m / spacing_m) + 1)), spacing_m=spacing_m)
