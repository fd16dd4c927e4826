"""Reports: documents made from what the stages show, as PDF and HTML."""

from washboard.report._exhibit import Cell, Exhibit

__all__ = ["Cell", "Exhibit"]
