"""Figures as SVG text that is the same, byte for byte, each time the same figure is drawn."""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.figure import Figure

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
    return re.sub(r"[ \t]+\n", "\n", text)


def to_png(figure: Figure, *, dots_per_inch: float = 150.0) -> bytes:
    """The figure as PNG bytes, without date or version in it."""
    stream = io.BytesIO()
    figure.savefig(stream, format="png", dpi=dots_per_inch, metadata={"Software": None})
    return stream.getvalue()
