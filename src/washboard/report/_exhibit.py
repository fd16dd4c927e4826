"""Exhibit: one plot or table with its words, as a stage shows it and a report prints it."""

from __future__ import annotations

from dataclasses import dataclass

Cell = str | int | float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Exhibit:
    """A figure (SVG text) or a table, with a title and a caption that says what to see in it.

    Parameters
    ----------
    title : str
        A few words.
    caption : str
        One or two sentences: what is shown, in which units, what to notice.
    svg : str
        The figure, drawn by `washboard.plot`; empty for a table.
    columns : tuple of str
        Headings of the table, with units in brackets.
    rows : tuple of tuples
        Cells; numbers are formatted where they are printed.
    print_rows : int, optional
        How many of them a printed report shows, if not as many as of other tables; nothing is cut on screens.
    """

    title: str
    caption: str = ""
    svg: str = ""
    columns: tuple[str, ...] = ()
    rows: tuple[tuple[Cell, ...], ...] = ()
    print_rows: int | None = None
