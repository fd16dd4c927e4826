"""A target made ready for the rig: padded to rest at both ends, put into the band without phase shift, weighted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from washboard.errors import DataError
from washboard.identify import rest_taper

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


@dataclass(frozen=True, kw_only=True, slots=True)
class PreparedTarget:
    """What one play has to reproduce.

    Parameters
    ----------
    samples : ndarray, shape (response, time)
        Target within the band, run-in and run-out included. [SI]
    spectrum : ndarray, shape (line, response)
        Its lines inside the band, ``rfft/n``.
    freq_hz : ndarray, shape (line,)
        Frequencies of those lines. [Hz]
    lines : slice
        Where they are among all lines of the play.
    edge : ndarray, shape (line,)
        Band filter: 1 inside, falling to 0 past both edges.
    lead : int
        Samples of run-in before the target.
    length : int
        Samples of the target itself.
    rms : ndarray, shape (response,)
        Of the target itself, in band.
    rate_hz : float
    taper : ndarray, shape (time,)
        Factor that brings drives from and to rest.
    names : tuple of str
        Control channels.
    band_hz : tuple of two floats
    """

    samples: Floats
    spectrum: Complexes
    freq_hz: Floats
    lines: slice
    edge: Floats
    lead: int
    length: int
    rms: Floats
    rate_hz: float
    taper: Floats
    names: tuple[str, ...]
    band_hz: tuple[float, float]

    @property
    def n_samples(self) -> int:
        """Samples of a play."""
        return int(self.samples.shape[1])

    @property
    def span(self) -> slice:
        """Samples of a play that belong to the target."""
        return slice(self.lead, self.lead + self.length)

    def to_lines(self, samples: Floats) -> Complexes:
        """Lines (line, channel) of a play's samples (channel, time)."""
        return np.asarray(scipy.fft.rfft(samples, axis=1)[:, self.lines].T / self.n_samples)

    def to_time(self, spectrum: Complexes) -> Floats:
        """Samples (channel, time) of lines (line, channel)."""
        full = np.zeros((spectrum.shape[1], self.n_samples // 2 + 1), dtype=np.complex128)
        full[:, self.lines] = spectrum.T * self.n_samples
        return np.asarray(scipy.fft.irfft(full, self.n_samples, axis=1))

    def in_band(self, samples: Floats) -> Floats:
        """A play's response (response, time) through the band filter the target went through."""
        return self.to_time(self.to_lines(samples) * self.edge[:, None])


def prepare_target(
    samples: Floats, rate_hz: float, *, names: tuple[str, ...], band_hz: tuple[float, float], taper_s: float
) -> PreparedTarget:
    """Pad, fade and band-limit a target.

    Run-in and run-out repeat the target's ends mirrored in time and fading to rest, so that the vehicle is already
    moving as it should when the target begins. (Mirrored in sign too, they would carry an offset: a slow motion.)

    Raises
    ------
    DataError
        Shorter than two periods of the band's low edge, not finite, or a channel without content in the band.
    """
    samples = np.asarray(samples, dtype=float)
    length = samples.shape[1]
    if length < 2 * rate_hz / band_hz[0]:
        raise DataError(
            f"the target is {length / rate_hz:g} s long; at least two periods of {band_hz[0]:g} Hz are needed "
            f"({2 / band_hz[0]:.1f} s)"
        )
    if not np.all(np.isfinite(samples)):
        bad = names[int(np.flatnonzero(~np.isfinite(samples).all(axis=1))[0])]
        raise DataError(f"the target of channel '{bad}' holds NaN; repair it before replication")
    lead = max(2, round(max(taper_s, 1.5 / band_hz[0]) * rate_hz))
    total = scipy.fft.next_fast_len(length + 2 * lead, real=True)
    tail = total - length - lead
    centred = samples - samples.mean(axis=1, keepdims=True)
    fade_in = 0.5 - 0.5 * np.cos(np.pi * np.arange(lead) / lead)
    padded = np.zeros((samples.shape[0], total))
    padded[:, lead : lead + length] = centred
    mirror = min(lead, length - 1)
    padded[:, lead - mirror : lead] = centred[:, mirror:0:-1]
    padded[:, :lead] *= fade_in
    mirror = min(lead, length - 1, tail)
    end = lead + length
    padded[:, end : end + mirror] = centred[:, -2 : -mirror - 2 : -1] * fade_in[::-1][:mirror]
    spacing = rate_hz / total
    low, high = band_hz
    first = max(1, int(np.ceil(0.7 * low / spacing)))
    last = min(total // 2 - 1, int(np.floor(min(1.12 * high, 0.48 * rate_hz) / spacing)))
    lines = slice(first, last + 1)
    f = np.asarray(np.arange(first, last + 1) * spacing, dtype=np.float64)
    edge = band_edge(f, band_hz)
    spectrum = scipy.fft.rfft(padded, axis=1)[:, lines].T / total * edge[:, None]
    full = np.zeros((samples.shape[0], total // 2 + 1), dtype=np.complex128)
    full[:, lines] = spectrum.T * total
    target = scipy.fft.irfft(full, total, axis=1)
    rms = np.sqrt(np.mean(target[:, lead : lead + length] ** 2, axis=1))
    for name, value in zip(names, rms, strict=True):
        if not value > 0:
            raise DataError(
                f"channel '{name}' has no content between {low:g} and {high:g} Hz in this target; make it a monitor "
                "channel or check the sensor"
            )
    return PreparedTarget(
        samples=target, spectrum=spectrum, freq_hz=f, lines=lines, edge=edge, lead=lead, length=length, rms=rms,
        rate_hz=rate_hz, taper=rest_taper(total, rate_hz, 0.7 * lead / rate_hz), names=names, band_hz=band_hz,
    )  # fmt: skip


def band_edge(freq_hz: Floats, band_hz: tuple[float, float]) -> Floats:
    """1 inside the band, half-cosine down to 0 at 0.7 times its low and 1.12 times its high edge."""
    low, high = band_hz
    rise = np.clip((freq_hz / low - 0.7) / 0.3, 0.0, 1.0)
    fall = np.clip((1.12 - freq_hz / high) / 0.12, 0.0, 1.0)
    return np.asarray((0.5 - 0.5 * np.cos(np.pi * rise)) * (0.5 - 0.5 * np.cos(np.pi * fall)))
