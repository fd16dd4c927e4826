"""Endurance: the sequence of drives, passes counted in a journal, each compared with its reference.

In come drives, how often each is to be played, and a rig; out come a journal that survives crashes and is never
rewritten, and what has changed. A pass is begun in the journal before the rig is told and done after. Order of plays
and tolerance: common practice, no source; scatter limits are prediction intervals (ISO 16269-8).
"""

from washboard.endure._change import Change, PassComparison, Reference, change_statement, compare_pass, reference_of
from washboard.endure._features import PassFeatures, octave_bands, pass_features
from washboard.endure._journal import Journal, PassRecord, RunRecord
from washboard.endure._run import (
    OpenPassError,
    RunResult,
    done_plays,
    open_pass_text,
    run_sequence,
    settle,
)
from washboard.endure._sequence import Sequence, SequenceStep, mixed_sequence
from washboard.endure._settings import EndureSettings
from washboard.endure._states import COUNTED, ENDINGS, MEANING, OPEN, TRANSITIONS, EndReason, PassState

__all__ = [
    "COUNTED",
    "ENDINGS",
    "MEANING",
    "OPEN",
    "TRANSITIONS",
    "Change",
    "EndReason",
    "EndureSettings",
    "Journal",
    "OpenPassError",
    "PassComparison",
    "PassFeatures",
    "PassRecord",
    "PassState",
    "Reference",
    "RunRecord",
    "RunResult",
    "Sequence",
    "SequenceStep",
    "change_statement",
    "compare_pass",
    "done_plays",
    "mixed_sequence",
    "octave_bands",
    "open_pass_text",
    "pass_features",
    "reference_of",
    "run_sequence",
    "settle",
]
