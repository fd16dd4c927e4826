"""Loads: spectra, turning points, rainflow cycles, damage over time, by window, by frequency, and on S-N lines.

In: samples of shape (channel, time) in any unit, their rate, Basquin slopes. Out: frozen results that name their
conventions (residue, slope, edges). Counting follows ASTM E1049-85; pseudo-damage is a Palmgren-Miner sum of ranges,
for comparison only. Spectra follow Welch (1967), damage from spectra Dirlik (1985), damage spectra Smallwood (1981).
Samples that are not finite are refused with their place; nothing is repaired or left out here.
"""

from washboard.loads._bands import DamageByBand, ReproducedBand, damage_by_band, damage_in_band, recommended_band
from washboard.loads._basquin import MinerRule, SnLine, damage_on, equivalent_amplitude, miner_sum
from washboard.loads._damage import pseudo_damage
from washboard.loads._damage_spectrum import DamageSpectrum, Response, damage_spectrum, log_spaced
from washboard.loads._levels import LevelCrossings, level_crossings
from washboard.loads._matrices import (
    CycleMatrix,
    RangeCounts,
    from_to_matrix,
    range_counts,
    range_mean_matrix,
    range_pairs,
)
from washboard.loads._mean_stress import fkm, gerber, goodman, morrow, smith_watson_topper, soderberg, walker
from washboard.loads._rainflow import ClosedCycles, Cycles, Residue, rainflow
from washboard.loads._settings import LoadsSettings
from washboard.loads._spectra import CrossSpectra, Psd, cross_spectra, psd
from washboard.loads._spectral_damage import Method, SpectralMoments, spectral_damage, spectral_moments
from washboard.loads._statements import Character, character
from washboard.loads._stream import DamageStream, RainflowStream
from washboard.loads._turning import TurningPoints, turning_points
from washboard.loads._warm_up import warm_up
from washboard.loads._windows import Credit, damage_by_window, damage_history

__all__ = [
    "Character",
    "ClosedCycles",
    "Credit",
    "CrossSpectra",
    "CycleMatrix",
    "Cycles",
    "DamageByBand",
    "DamageSpectrum",
    "DamageStream",
    "LevelCrossings",
    "LoadsSettings",
    "Method",
    "MinerRule",
    "Psd",
    "RainflowStream",
    "RangeCounts",
    "ReproducedBand",
    "Residue",
    "Response",
    "SnLine",
    "SpectralMoments",
    "TurningPoints",
    "character",
    "cross_spectra",
    "damage_by_band",
    "damage_by_window",
    "damage_history",
    "damage_in_band",
    "damage_on",
    "damage_spectrum",
    "equivalent_amplitude",
    "fkm",
    "from_to_matrix",
    "gerber",
    "goodman",
    "level_crossings",
    "log_spaced",
    "miner_sum",
    "morrow",
    "psd",
    "pseudo_damage",
    "rainflow",
    "range_counts",
    "range_mean_matrix",
    "range_pairs",
    "recommended_band",
    "smith_watson_topper",
    "soderberg",
    "spectral_damage",
    "spectral_moments",
    "turning_points",
    "walker", "warm_up",
]  # fmt: skip
