"""Loads: spectra, turning points, rainflow cycles, pseudo-damage over time, by window and by frequency.

In: samples of shape (channel, time) in any unit, their rate, Basquin slopes. Out: frozen results that name their
conventions (residue, slope, edges). Counting follows ASTM E1049-85; damage is a Palmgren-Miner sum, for comparison.
Samples that are not finite are refused with their place; nothing is repaired or left out here.
Spectra follow Welch (1967).
"""

from washboard.loads._bands import DamageByBand, damage_by_band
from washboard.loads._damage import pseudo_damage
from washboard.loads._levels import LevelCrossings, level_crossings
from washboard.loads._rainflow import ClosedCycles, Cycles, Residue, rainflow
from washboard.loads._settings import LoadsSettings
from washboard.loads._spectra import Psd, psd
from washboard.loads._stream import DamageStream, RainflowStream
from washboard.loads._turning import TurningPoints, turning_points
from washboard.loads._windows import Credit, damage_by_window

__all__ = [
    "ClosedCycles",
    "Credit",
    "Cycles",
    "DamageByBand",
    "DamageStream",
    "LevelCrossings",
    "LoadsSettings",
    "Psd",
    "RainflowStream",
    "Residue",
    "TurningPoints",
    "damage_by_band",
    "damage_by_window",
    "level_crossings",
    "psd",
    "pseudo_damage",
    "rainflow",
    "turning_points",
]
