"""A report as data: what stands in it, before anybody decides how it is printed."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

from washboard.recording import Finding
from washboard.report._exhibit import Cell, Exhibit
from washboard.report._thin import thin_svg

#: What every report says before anything else.
CAUTIONS: Final[tuple[tuple[str, str], ...]] = (
    (
        "People first",
        "A vehicle on posts under hydraulic pressure can fall, throw parts and crush. Keep everybody outside the fence "
        "while pressure is on, have an emergency stop within reach that works without any computer, restrain the "
        "vehicle, and let nobody under or in it. Limits, pauses and watching by software, this one included, are no "
        "safety function.",
    ),
    (
        "Rules that come before this report",
        "Follow the law and codes of your country, the manuals of the rig's and the vehicle's makers and your "
        "laboratory's own rules. Work on hydraulics, lifting gear, electrics and the rig's structure belongs to people "
        "who are trained and, where the law asks for it, licensed for it. A decision on the release of a vehicle rests "
        "with the responsible engineer, not with a computed figure.",
    ),
    (
        "What pseudo-damage is",
        "It compares loads with loads by Palmgren and Miner's sum with a Basquin slope. It is no life: it knows "
        "nothing of the part's strength, of residual stress, corrosion, wear, heat or what happens outside the band of "
        "frequencies that was reproduced. The order of loads and the choice of slope matter; several slopes are shown "
        "so that this can be seen.",
    ),
    (
        "What the interval holds",
        "The scatter between recorded laps and between passes, nothing else. Few laps, an unusual driver, another load "
        "or another road are not in it.",
    ),
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Chapter:
    """One stage of the job: what it found and what shows it.

    Parameters
    ----------
    name, title : str
        The stage, and what it does.
    verdict : str
        ``"fine"`` or ``"look"``.
    summary : str
        What was found, in a few sentences.
    findings : tuple of Finding
        What is worth a look.
    exhibits : tuple of Exhibit
        Figures and tables.
    """

    name: str
    title: str
    verdict: Literal["fine", "look"]
    summary: str
    findings: tuple[Finding, ...] = ()
    exhibits: tuple[Exhibit, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Provenance:
    """What a stage was made from: one row of the table at the end.

    Parameters
    ----------
    stage, version, started : str
        Which stage, by which version of Washboard, when.
    seconds : float
        How long it took. [s]
    settings, inputs, outputs : str
        Digests of what it read of the programme file, of all its inputs and of all its files.
    """

    stage: str
    version: str
    started: str
    seconds: float
    settings: str
    inputs: str
    outputs: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Document:
    """A whole report.

    Parameters
    ----------
    title : str
        Name of the programme.
    facts : mapping of str to str
        What stands on the cover: vehicle, rig, service, and so on.
    statement : str
        The equivalence in words.
    chapters : tuple of Chapter
        In the order of the job.
    provenance : tuple of Provenance
        One row per stage.
    recordings : tuple of pairs of str
        Each original recording with the digest of its content.
    picture : Exhibit, optional
        Figure for the first page.
    cautions : tuple of pairs of str
        A heading and a paragraph each.
    """

    title: str
    facts: Mapping[str, str]
    statement: str
    chapters: tuple[Chapter, ...]
    provenance: tuple[Provenance, ...] = ()
    recordings: tuple[tuple[str, str], ...] = ()
    picture: Exhibit | None = None
    cautions: tuple[tuple[str, str], ...] = CAUTIONS


def shown(cell: Cell) -> str:
    """A cell as it is printed: four digits of a number, a dash for nothing."""
    if cell is None:
        return "–"
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, int):
        return f"{cell:,}"
    if isinstance(cell, float):
        if not math.isfinite(cell):
            return "–"
        size = abs(cell)
        if 1e4 <= size < 1e9:
            return f"{cell:,.0f}"
        return f"{cell:.4g}".replace("-", "−")
    return cell


def is_number(cell: Cell) -> bool:
    """Whether a cell is set to the right."""
    return isinstance(cell, (int, float)) and not isinstance(cell, bool)


def to_table(document: Document, *, most_rows: int | None = None) -> dict[str, Any]:
    """Everything as plain values with the cells formatted, for a typesetter; long tables cut to `most_rows`."""
    return {
        "title": document.title,
        "facts": [list(pair) for pair in document.facts.items()],
        "statement": document.statement,
        "picture": None if document.picture is None else _exhibit(document.picture, most_rows),
        "chapters": [_chapter(chapter, most_rows) for chapter in document.chapters],
        "provenance": [
            [
                row.stage, row.version, row.started.replace("T", " ").replace("+00:00", " UTC"), f"{row.seconds:.1f}",
                row.settings[:12], row.inputs[:12], row.outputs[:12],
            ]
            for row in document.provenance
        ],
        "recordings": [[name, digest] for name, digest in document.recordings],
        "cautions": [list(pair) for pair in document.cautions],
    }  # fmt: skip


def _chapter(chapter: Chapter, most_rows: int | None) -> dict[str, Any]:
    findings = [finding for finding in chapter.findings if finding.severity != "note"]
    notes = [finding for finding in chapter.findings if finding.severity == "note"]
    ordered = findings + notes
    kept = ordered if most_rows is None else ordered[:most_rows]
    return {
        "name": chapter.name,
        "title": chapter.title,
        "verdict": chapter.verdict,
        "summary": chapter.summary,
        "short": first_sentence(chapter.summary),
        "findings": [
            {"severity": finding.severity, "text": finding_text(finding), "advice": finding.advice} for finding in kept
        ],
        "more_findings": len(ordered) - len(kept),
        "exhibits": [_exhibit(exhibit, most_rows) for exhibit in chapter.exhibits],
    }


def _exhibit(exhibit: Exhibit, most_rows: int | None) -> dict[str, Any]:
    rows = exhibit.rows if most_rows is None else exhibit.rows[: exhibit.print_rows or most_rows]
    numeric = [
        any(is_number(row[column]) for row in exhibit.rows if column < len(row))
        for column in range(len(exhibit.columns))
    ]
    return {
        "title": exhibit.title,
        "caption": exhibit.caption,
        "svg": thin_svg(exhibit.svg),
        "widths": _widths(exhibit),
        "columns": list(exhibit.columns),
        "numeric": numeric,
        "rows": [[shown(cell) for cell in row] for row in rows],
        "more_rows": len(exhibit.rows) - len(rows),
    }


def _widths(exhibit: Exhibit) -> list[int]:
    """Share of the width for each column of long texts, 0 for columns that take what they need."""
    longest = [
        max((len(shown(row[column])) for row in exhibit.rows if column < len(row)), default=0)
        for column in range(len(exhibit.columns))
    ]
    return [min(length, 90) if length > 34 else 0 for length in longest]


def first_sentence(text: str) -> str:
    """A summary up to its first full stop or semicolon, for lists."""
    for mark in (". ", "; "):
        text = text.split(mark)[0]
    return text.rstrip(".")


def finding_text(finding: Finding) -> str:
    """A finding in one sentence, with its channel named."""
    if finding.channel and finding.channel not in finding.text:
        return f"{finding.channel}: {finding.text}"
    return finding.text
