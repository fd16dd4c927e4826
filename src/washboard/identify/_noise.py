"""The FRF from experiments with shaped random noise: H1 by averaged spectra, noise told apart by one repeated play."""

from __future__ import annotations

from dataclasses import replace
from functools import reduce

import numpy as np
from numpy.typing import NDArray

from washboard.identify._excitation import Multisine
from washboard.identify._frf import Frf, frf_h1, smoothed_frf
from washboard.identify._spectra import CrossSpectra, cross_spectra

Floats = NDArray[np.float64]


def frf_of_noise(
    sets: list[tuple[Floats, Floats]], layout: Multisine, *, responses: tuple[str, ...], drives: tuple[str, ...]
) -> Frf:
    """H1 from sets of experiments, each (drives (experiment, drive, time), responses (experiment, response, time)).

    The last experiment of a set repeats the first: half the power of their difference is noise, and they enter the
    averages as one, their mean. Powers are those of lines of a period, as with multisines: density times spacing / 2.

    Parameters
    ----------
    layout : Multisine
        Whose lines, period and sample rate are used.
    """
    rate_hz, period = layout.rate_hz, layout.period
    block_s, spacing = period / rate_hz, rate_hz / period
    rows, up_to_hz = layout.line_index, float(layout.freq_hz[-1])
    found: list[CrossSpectra] = []
    noise: list[Floats] = []
    for drive, response in sets:
        mean = 0.5 * (response[0] + response[-1])
        for u, r in zip(drive[:-1], [mean, *response[1:-1]], strict=True):
            found.append(cross_spectra(u, r, rate_hz, block_s=block_s, up_to_hz=up_to_hz))
        apart = cross_spectra(drive[0], response[0] - response[-1], rate_hz, block_s=block_s, up_to_hz=up_to_hz)
        noise.append(apart.response / 2)
    frf = frf_h1(reduce(_together, found), responses=responses, drives=drives)
    power = spacing / 2
    frf = replace(
        frf,
        values=frf.values[rows],
        freq_hz=frf.freq_hz[rows],
        residual=frf.residual[rows] * power,
        noise=np.minimum(np.mean(noise, axis=0)[rows], frf.residual[rows]) * power,
        information=frf.information[rows] * power,
        coherence=frf.coherence[rows],
        averaged=frf.averaged[rows],
    )
    return smoothed_frf(frf)


def _together(a: CrossSpectra, b: CrossSpectra) -> CrossSpectra:
    """Averages of both, each counted by its segments."""
    share = b.n_segments / (a.n_segments + b.n_segments)
    return CrossSpectra(
        freq_hz=a.freq_hz,
        drive=a.drive + share * (b.drive - a.drive),
        cross=a.cross + share * (b.cross - a.cross),
        response=a.response + share * (b.response - a.response),
        n_averages=a.n_averages + b.n_averages,
        n_segments=a.n_segments + b.n_segments,
    )
