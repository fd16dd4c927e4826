"""Recordings: uniformly sampled multi-channel time histories with channel metadata, from field or rig.

In come files in open formats (MDF4, netCDF4/HDF5, UFF58, MAT, Parquet, CSV); out go `Recording` objects, the faults
found in them, and repaired copies. Originals are never written to. Axes follow ISO 8855: x forward, y left, z up.
"""

from washboard.recording._align import Alignment, Joined, find_lag, join_loggers
from washboard.recording._csv import CsvOptions, write_plain_csv
from washboard.recording._derive import derive, names_in
from washboard.recording._faults import FAULT_KINDS, find_faults
from washboard.recording._filter import band_pass
from washboard.recording._lap_faults import lap_faults
from washboard.recording._leave_out import without_marked
from washboard.recording._plant import Fault, FaultKind, plant_faults
from washboard.recording._read import (
    RecordingSummary,
    TrackSummary,
    convert,
    describe,
    read_recording,
    read_source,
    write_recording,
)
from washboard.recording._recording import Channel, Finding, Recording, Samples, Severity, Span, SpanKind, Step
from washboard.recording._repair import Repaired, RepairEffect, applies, repair
from washboard.recording._resample import resample
from washboard.recording._rows import Rows, open_rows, rows_of
from washboard.recording._settings import CheckSettings, DerivedChannel, RepairStep
from washboard.recording._sniff import Format, recording_format
from washboard.recording._source import Source, TimeBase, Track
from washboard.recording._stream import check_file, import_recording, rows_faults
from washboard.recording._timebase import TimeGap, TimeReport, analyse_stamps
from washboard.recording._uff58 import UffFunction, read_uff58_functions, write_uff58_functions
from washboard.recording._uniform import uniform
from washboard.recording._whole_file import whole_file, write_whole
from washboard.recording._working_copy import Missing, WorkingCopy, part_of, resample_file, write_working_copy

__all__ = [
    "FAULT_KINDS",
    "Alignment",
    "Channel",
    "CheckSettings",
    "CsvOptions",
    "DerivedChannel",
    "Fault",
    "FaultKind",
    "Finding",
    "Format",
    "Joined",
    "Missing",
    "Recording",
    "RecordingSummary",
    "RepairEffect",
    "RepairStep",
    "Repaired",
    "Rows",
    "Samples",
    "Severity",
    "Source",
    "Span",
    "SpanKind",
    "Step",
    "TimeBase",
    "TimeGap",
    "TimeReport",
    "Track",
    "TrackSummary",
    "UffFunction",
    "WorkingCopy",
    "analyse_stamps",
    "applies",
    "band_pass",
    "check_file",
    "convert",
    "derive",
    "describe",
    "find_faults",
    "find_lag",
    "import_recording",
    "join_loggers",
    "lap_faults",
    "names_in",
    "open_rows",
    "part_of",
    "plant_faults",
    "read_recording",
    "read_source",
    "read_uff58_functions",
    "recording_format",
    "repair",
    "resample",
    "resample_file",
    "rows_faults",
    "rows_of",
    "uniform",
    "whole_file",
    "without_marked",
    "write_plain_csv",
    "write_recording",
    "write_uff58_functions",
    "write_whole",
    "write_working_copy",
]
