"""Replication: the drive whose response on the rig matches the target, with more responses than drives.

In come a target, an identified FRF with its uncertainty, limits, and a rig to play on; out come drives, errors, and
what was done in words. Regularised weighted least squares with the ridge taken from the FRF's own variance; off-line
iteration with the FRF refreshed from the plays (recursive least squares, Broyden's idea); measures in the forms of
MIL-STD-810H Methods 525 and 527.
"""

from washboard.replicate._control import ControlChoice, Reach, control_choice, field_cross_spectra
from washboard.replicate._forecast import Forecast, forecast
from washboard.replicate._iterate import Iteration, Play, Problem, Proposal, make_problem
from washboard.replicate._measures import (
    ErrorMeasures,
    WorstMoment,
    error_measures,
    global_asd_error_db,
    global_rms_error_db,
    overall_error,
)
from washboard.replicate._model import (
    LineGroups,
    LineModel,
    group_lines,
    line_model,
    refreshed,
    refreshed_inverse,
    weighted_inverse,
)
from washboard.replicate._procedure import PlayNote, Replication, replicate_event, stop_reason
from washboard.replicate._reuse import Decision, DriveOutlook, described_frf, drive_outlook
from washboard.replicate._settings import ReplicateSettings
from washboard.replicate._target import PreparedTarget, band_edge, prepare_target

__all__ = [
    "ControlChoice",
    "Decision",
    "DriveOutlook",
    "ErrorMeasures",
    "Forecast",
    "Iteration",
    "LineGroups",
    "LineModel",
    "Play",
    "PlayNote",
    "PreparedTarget",
    "Problem",
    "Proposal",
    "Reach",
    "ReplicateSettings",
    "Replication",
    "WorstMoment",
    "band_edge",
    "control_choice",
    "described_frf",
    "drive_outlook",
    "error_measures",
    "field_cross_spectra",
    "forecast",
    "global_asd_error_db",
    "global_rms_error_db",
    "group_lines",
    "line_model",
    "make_problem",
    "overall_error",
    "prepare_target",
    "refreshed",
    "refreshed_inverse",
    "replicate_event",
    "stop_reason",
    "weighted_inverse",
]
