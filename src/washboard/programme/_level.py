"""The linear model of the specimen on its rig, with friction linear at the level of an event's shortened target."""

from __future__ import annotations

from washboard.programme._plan import Plan
from washboard.recording import Recording
from washboard.rig import LinearModel, Specimen, model_at_level


def band_of(plan: Plan, target: Recording) -> tuple[float, float]:
    """The band of the test, as far as the target's sample rate reaches. [Hz]"""
    return plan.band.low_hz, min(plan.band.high_hz, 0.45 * target.rate_hz)


def model_of(plan: Plan, specimen: Specimen, target: Recording) -> LinearModel:
    """The model at the level of `target`, see `model_at_level`."""
    band = band_of(plan, target)
    return model_at_level(specimen, plan.rig, target, plan.control, band_hz=band, weights=plan.weights)
