"""Correlation: laboratory against field, and the equivalence of laboratory running and service.

In come target and response of each event, damage of laps and of passes, and the stated service; out come ratios,
spectra, crossings and cycles of both side by side, and how much service the running equals, with its interval and in
words. Damage adds up after Palmgren and Miner, counting follows ASTM E1049, uncertainty JCGM 100:2008 (GUM).
"""

from washboard.correlate._comparison import Comparison, compare
from washboard.correlate._equivalence import (
    Equivalence,
    FieldEvent,
    LaboratoryEvent,
    Service,
    effective_degrees,
    equivalence,
)
from washboard.correlate._statement import Extremes, duration, extremes, statement

__all__ = [
    "Comparison",
    "Equivalence",
    "Extremes",
    "FieldEvent",
    "LaboratoryEvent",
    "Service",
    "compare",
    "duration",
    "effective_degrees",
    "equivalence",
    "extremes",
    "statement",
]
