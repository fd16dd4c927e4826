"""Shortening: the least time that keeps its share of damage on every channel, joined without new damage.

In: samples of shape (channel, time), the share each channel keeps, Basquin slopes. Out: the joined time history with
where each part comes from, shares held by recount, and the proof of how near it is to the shortest. A covering integer
programme on HiGHS; counting follows ASTM E1049-85.
"""

from washboard.shorten._count import damage_by_stretch
from washboard.shorten._effects import Effects, effects
from washboard.shorten._join import Joined, fade_weights, join_runs
from washboard.shorten._laps import end_to_end
from washboard.shorten._reasons import KeptStretch, kept_stretches
from washboard.shorten._recording import as_recording, sequence_share, shares_asked
from washboard.shorten._select import CutLoss, Rules, Selection, no_rules, runs_of, select_windows
from washboard.shorten._settings import ShortenSettings
from washboard.shorten._shorten import Round, Shortened, shorten
from washboard.shorten._trade import SHARES, TradeOff, trade_off
from washboard.shorten._windows import Windows, windows_of

__all__ = [
    "SHARES",
    "CutLoss",
    "Effects",
    "Joined",
    "KeptStretch",
    "Round",
    "Rules",
    "Selection",
    "ShortenSettings",
    "Shortened",
    "TradeOff",
    "Windows",
    "as_recording",
    "damage_by_stretch",
    "effects",
    "end_to_end",
    "fade_weights",
    "join_runs",
    "kept_stretches",
    "no_rules",
    "runs_of",
    "select_windows",
    "sequence_share",
    "shares_asked",
    "shorten",
    "trade_off",
    "windows_of",
]
