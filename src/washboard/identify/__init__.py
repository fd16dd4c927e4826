"""Identification: how the responses of rig and specimen follow the drives, and how surely that is known.

In come a way to play drives, their limits and the field's spectra; out come the FRF matrix with noise, distortion and
coherence, and what is wrong in words. Multisines and the best linear approximation after Pintelon and Schoukens;
averaged estimators and coherences after Bendat and Piersol; orthogonal experiments after Dobrowiecki and Schoukens.
"""

from washboard.identify._bla import Experiments, best_linear_approximation, lines_of
from washboard.identify._campaign import (
    ExcitationStep,
    Goal,
    Identification,
    Player,
    band_rms,
    identify_rig,
)
from washboard.identify._coherence import Coherences, coherences
from washboard.identify._excitation import (
    Multisine,
    drive_spectrum,
    interleaved_multisine,
    mixing_matrix,
    orthogonal_multisine,
    shaped_random,
)
from washboard.identify._frf import (
    Frf,
    common_delay_s,
    delays_s,
    frf_h1,
    frf_h2,
    frf_hv,
    interpolated,
    ordinary_coherence,
    partial_coherence,
    smoothed,
    smoothed_frf,
    unbiased_coherence,
)
from washboard.identify._limits import (
    DriveLimits,
    HeldDrive,
    LimitUse,
    hold_to_limits,
    limits_of,
    rest_taper,
    use_of_limits,
)
from washboard.identify._noise import frf_of_noise
from washboard.identify._quality import Quality, field_goal, identification_findings, quality
from washboard.identify._settings import IdentifySettings
from washboard.identify._spectra import CrossSpectra, cross_spectra, independent_averages

__all__ = [
    "Coherences",
    "CrossSpectra",
    "DriveLimits",
    "ExcitationStep",
    "Experiments",
    "Frf",
    "Goal",
    "HeldDrive",
    "Identification",
    "IdentifySettings",
    "LimitUse",
    "Multisine",
    "Player",
    "Quality",
    "band_rms",
    "best_linear_approximation",
    "coherences",
    "common_delay_s",
    "cross_spectra",
    "delays_s",
    "drive_spectrum",
    "field_goal",
    "frf_h1",
    "frf_h2",
    "frf_hv",
    "frf_of_noise",
    "hold_to_limits",
    "identification_findings",
    "identify_rig",
    "independent_averages",
    "interleaved_multisine",
    "interpolated",
    "limits_of",
    "lines_of",
    "mixing_matrix",
    "ordinary_coherence",
    "orthogonal_multisine",
    "partial_coherence",
    "quality",
    "rest_taper",
    "shaped_random",
    "smoothed",
    "smoothed_frf",
    "unbiased_coherence",
    "use_of_limits",
]
