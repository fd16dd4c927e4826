"""Figures: one function per kind of result, and the only room that draws.

In come results of the rooms; out come matplotlib figures made without pyplot, which `to_svg` turns into text that is
the same each time. Colours follow Okabe and Ito (2008); titles say what is found, axes carry units. Import a room's
figures from its file, for example ``from washboard.plot._loads import psd_figure``, or by name from here.
"""

from washboard.plot._data import figure_csv, safe_cell
from washboard.plot._pages import heat_figure, lines_figure, stack_figure
from washboard.plot._style import (
    CYCLE,
    DRIVE,
    FAINT,
    FIELD,
    GOOD,
    LABORATORY,
    LIMIT,
    LOOK,
    TARGET,
    axis_label,
    font_folder,
    new_figure,
    outline,
    panels,
    pretty_unit,
    styled,
    title,
)
from washboard.plot._svg import data_kept, to_png, to_svg

__all__ = [
    "CYCLE",
    "DRIVE",
    "FAINT",
    "FIELD",
    "GOOD",
    "LABORATORY",
    "LIMIT",
    "LOOK",
    "TARGET",
    "axis_label",
    "data_kept",
    "figure_csv",
    "font_folder",
    "heat_figure",
    "lines_figure",
    "new_figure",
    "outline",
    "panels",
    "pretty_unit",
    "safe_cell",
    "stack_figure",
    "styled",
    "title",
    "to_png",
    "to_svg",
]
