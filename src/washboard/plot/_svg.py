"""Figures as SVG text that is the same, byte for byte, each time the same figure is drawn."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: Where the numbers of figures go that are turned into text, for who asked for them.
_KEPT: ContextVar[dict[str, str] | None] = ContextVar("kept", default=None)


@contextmanager
def data_kept() -> Iterator[dict[str, str]]:
    """While this is open, every figure turned into SVG leaves its numbers in the mapping: CSV text by SVG text."""
    kept: dict[str, str] = {}
    token = _KEPT.set(kept)
    try:
        yield kept
    finally:
        _KEPT.reset(token)


_NO_METADATA = {"Date": None, "Creator": None, "Format": None, "Type": None}


def to_svg(figure: Figure) -> str:
    """The figure as one SVG element, glyphs as paths, without date, version, prologue or random names.

    It can stand inside an HTML page, in a file of its own and in a PDF report.
    """
    import matplotlib as mpl

    stream = io.StringIO()
    with mpl.rc_context({"svg.hashsalt": "washboard", "svg.fonttype": "path"}):
        figure.savefig(stream, format="svg", metadata=_NO_METADATA)
    text = stream.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"\s*<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r"[ \t]+\n", "\n", text)
    if (kept := _KEPT.get()) is not None:
        from washboard.plot._data import figure_csv

        kept[text] = figure_csv(figure)
    return text


def to_png(figure: Figure, *, dots_per_inch: float = 150.0) -> bytes:
    """The figure as PNG bytes, without date or version in it."""
    stream = io.BytesIO()
    figure.savefig(stream, format="png", dpi=dots_per_inch, metadata={"Software": None})
    return stream.getvalue()
