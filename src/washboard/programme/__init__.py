"""Programmes: a folder with programme.toml, recordings, and the stages made from them.

In comes a folder; out come stages that are fresh, stale or missing, each with what it was made from. A stage function
loads, calls a room and writes; the rooms do the work.
"""

from washboard.programme._file import FILE_NAME, parse_plan, read_plan, replace_value
from washboard.programme._fitted import KeptFit, fit_identified, fit_state, keep_fit, kept_fit, use_fit
from washboard.programme._frf_file import FILE_NAME as FRF_FILE
from washboard.programme._frf_file import load_frf
from washboard.programme._gathered import gathered
from washboard.programme._laps import load_laps
from washboard.programme._lock import Holder, ask_to_stop, holder_of
from washboard.programme._new import EXAMPLES, PLANTED, PlantedFault, example_text, new_programme
from washboard.programme._plan import About, Band, ChannelPlan, Plan
from washboard.programme._plays import PlayName, play_name
from washboard.programme._rig_link import open_link, rig_channels
from washboard.programme._stage import (
    Outcome,
    Stage,
    StageRecord,
    StageStatus,
    State,
    Workspace,
    event_files,
    read_record,
    run_stage,
    status_of,
)
from washboard.programme._stages import STAGE_NAMES, all_stages, stage_named
from washboard.programme._store import load_arrays, load_table, save_arrays, save_table
from washboard.programme._trust import made_here, trust_folder
from washboard.programme._warm_up import warm_up

__all__ = [
    "EXAMPLES",
    "FILE_NAME",
    "FRF_FILE",
    "PLANTED",
    "STAGE_NAMES",
    "About",
    "Band",
    "ChannelPlan",
    "Holder",
    "KeptFit",
    "Outcome",
    "Plan",
    "PlantedFault",
    "PlayName",
    "Stage",
    "StageRecord",
    "StageStatus",
    "State",
    "Workspace",
    "all_stages",
    "ask_to_stop",
    "event_files",
    "example_text",
    "fit_identified",
    "fit_state",
    "gathered",
    "holder_of",
    "keep_fit",
    "kept_fit",
    "load_arrays",
    "load_frf",
    "load_laps",
    "load_table",
    "made_here",
    "new_programme",
    "open_link",
    "parse_plan",
    "play_name",
    "read_plan",
    "read_record",
    "replace_value",
    "rig_channels",
    "run_stage",
    "save_arrays",
    "save_table",
    "stage_named",
    "status_of",
    "trust_folder",
    "use_fit",
    "warm_up",
]
