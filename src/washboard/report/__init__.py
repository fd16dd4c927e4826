"""Reports: documents made from what the stages show, as PDF and HTML.

In come a document's parts as data (words, figures as SVG, tables, provenance); out come a PDF set by Typst and one
self-contained HTML file with the same content. Users' words are data and never markup. No computation happens here.
"""

from washboard.report._document import (
    CAUTIONS,
    Chapter,
    Document,
    Provenance,
    finding_text,
    first_sentence,
    shown,
    to_table,
)
from washboard.report._exhibit import Cell, Exhibit
from washboard.report._html import POLICY, html
from washboard.report._pdf import pdf

__all__ = [
    "CAUTIONS",
    "POLICY",
    "Cell",
    "Chapter",
    "Document",
    "Exhibit",
    "Provenance",
    "finding_text",
    "first_sentence",
    "html",
    "pdf",
    "shown",
    "to_table",
]
