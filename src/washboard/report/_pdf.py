"""A report as PDF, set by Typst: the words are data, never read as markup."""

from __future__ import annotations

import json
from importlib.resources import files

from washboard.errors import StorageError
from washboard.plot import font_folder
from washboard.report._document import Document, to_table

#: Longer tables are cut in print; the HTML report has them whole.
MOST_ROWS = 16


def pdf(document: Document) -> bytes:
    """The report as PDF bytes: A4, numbered pages, tagged for screen readers; the same document, the same bytes.

    Raises
    ------
    StorageError
        The typesetter failed, for example on a figure that is no SVG.
    """
    import typst

    template = (files("washboard.report") / "report.typ").read_bytes()
    data = json.dumps(to_table(document, most_rows=MOST_ROWS))
    try:
        made = typst.compile(
            template,
            font_paths=typst.Fonts(include_system_fonts=False, font_paths=[font_folder()]),
            ignore_system_fonts=True,
            format="pdf",
            sys_inputs={"data": data},
            timestamp=0,
        )
    except RuntimeError as error:
        raise StorageError(f"the PDF report could not be set: {str(error).splitlines()[0]}") from None
    assert isinstance(made, bytes)
    return made
