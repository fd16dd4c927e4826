"""Plots and tables of a finished stage on a page, each with its exports."""

from __future__ import annotations

import csv
import io
import json
import logging
from collections.abc import Sequence
from html import escape
from pathlib import Path
from urllib.parse import quote

from nicegui import run, ui

from washboard.recording import Finding
from washboard.report import Cell, Exhibit
from washboard.web._chart import _safe_cell, with_props
from washboard.web._drawing import draw_exhibits
from washboard.web._frame import Page, words


def cell_text(cell: Cell) -> str:
    """A table cell as text."""
    if cell is None:
        return "–"
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float):
        if 1e4 <= abs(cell) < 1e7:
            return f"{float(f'{cell:.4g}'):,.0f}"
        short = f"{cell + 0.0:.4g}"
        return short if "e" not in short else f"{cell:.3e}"
    if isinstance(cell, int) and abs(cell) >= 10_000:
        return f"{cell:,}"
    return str(cell)


log = logging.getLogger(__name__)

#: A cell of at most so many letters is not broken into lines.
SHORT = 26


def _css(cell: Cell, number: bool) -> str:
    names = [*(["n"] if number else []), *(["s"] if isinstance(cell, str) and len(cell) <= SHORT else [])]
    return f' class="{" ".join(names)}"' if names else ""


def table_html(columns: Sequence[str], rows: Sequence[Sequence[Cell]], caption: str = "") -> str:
    """A table as HTML; every cell is text, never markup."""
    numeric = [
        bool(rows) and all(isinstance(row[n], (int, float)) or row[n] is None for row in rows if n < len(row))
        for n in range(len(columns))
    ]
    head = "".join(
        f'<th scope="col"{" class=n" if number else ""}>{escape(name)}</th>'
        for name, number in zip(columns, numeric, strict=True)
    )
    body = "".join(
        "<tr>"
        + "".join(
            f"<td{_css(cell, n < len(numeric) and numeric[n])}>{escape(cell_text(cell))}</td>"
            for n, cell in enumerate(row)
        )
        + "</tr>"
        for row in rows
    )
    name = f'<caption class="wb-hidden">{escape(caption)}</caption>' if caption else ""
    return f'<table class="wb-table">{name}<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>'


def show_table(columns: Sequence[str], rows: Sequence[Sequence[Cell]], caption: str = "") -> ui.html:
    """A table on the page, scrolling within itself where it is long."""
    with ui.element("div").classes("wb-scroll").props('tabindex="0"'):
        return ui.html(table_html(columns, rows, caption), sanitize=False)


def table_csv(exhibit: Exhibit) -> str:
    """The table of an exhibit as comma-separated values."""
    stream = io.StringIO()
    writer = csv.writer(stream)
    writer.writerow([_safe_cell(name) for name in exhibit.columns])
    for row in exhibit.rows:
        writer.writerow([_safe_cell(cell) if isinstance(cell, str) else "" if cell is None else cell for cell in row])
    return stream.getvalue()


def file_name(text: str) -> str:
    """Words as the name of a file."""
    plain = "".join(letter if letter.isascii() and letter.isalnum() else "-" for letter in text.lower())
    return "-".join(part for part in plain.split("-") if part)[:60] or "figure"


def _is_wide(exhibit: Exhibit) -> bool:
    """Whether a table needs the whole width: many columns, or text to be read in its cells."""
    text = max((len(str(cell)) for row in exhibit.rows for cell in row), default=0)
    return len(exhibit.columns) > 5 or (len(exhibit.columns) > 2 and text > 40)


def show_exhibit(stage: str, number: int, exhibit: Exhibit, mark: str, *, wide: bool = False) -> None:
    """One exhibit: the figure or the table, what to see in it, and its exports."""
    with ui.element("figure").classes("wb-figure wb-wide" if wide or _is_wide(exhibit) else "wb-figure"):
        words("h3", exhibit.title, "wb-h3")
        if exhibit.svg:
            address = f"/exhibit/{quote(stage)}/{number}.svg?v={quote(mark)}"
            large = f"washboard.large({json.dumps(address)}, {json.dumps(exhibit.title)})"
            # The one that is not on the screen is not loaded.
            for css, shown in (("by-day", address), ("by-night", f"{address}&night=true")):
                image = ui.element("img").classes(css)
                image._props.update({"src": shown, "alt": f"{exhibit.title}. {exhibit.caption}", "loading": "lazy"})
                image.on("click", js_handler=f"() => {large}")
        if exhibit.columns:
            show_table(exhibit.columns, exhibit.rows, exhibit.title)
        if exhibit.caption:
            words("figcaption", exhibit.caption)
        with ui.element("div").classes("wb-tools wb-noprint"):
            name = file_name(exhibit.title)
            if exhibit.svg:
                larger = ui.button("Larger", color=None).props("flat no-caps dense").classes("wb-btn wb-link")
                with_props(larger, aria_label=f"Larger: {exhibit.title}")
                larger.on("click", js_handler=f"() => {large}")
                ui.link("SVG", f"{address}&save={name}").classes("wb-a").props("download")
                png = f'washboard.png("{address}", "{name}.png")'
                ui.button("PNG", color=None).props("flat no-caps dense").classes("wb-btn wb-link").on(
                    "click", js_handler=f"() => {png}"
                )
                ui.button("Copy", color=None).props("flat no-caps dense").classes("wb-btn wb-link").on(
                    "click", js_handler=f'() => washboard.copy("{address}")'
                )
            if exhibit.columns or exhibit.svg:
                ui.link("Data (CSV)", f"/exhibit/{quote(stage)}/{number}.csv?save={name}").classes("wb-a").props(
                    "download"
                )


async def show_exhibits(
    page: Page,
    stage: str = "",
    *,
    heading: str = "What this step found",
    without: tuple[str, ...] = (),
    wide: tuple[str, ...] = (),
) -> None:
    """All plots and tables of a stage; where they are not drawn yet, they appear when they are.

    Those whose title begins with one of `without` are left out: the page shows them in its own way. Those whose title
    begins with one of `wide` get the width of the page.
    """
    stage = stage or page.step.stage
    status = page.status.get(stage)
    if status is None or status.record is None:
        return
    mark = status.record.started
    section = ui.element("section").classes("wb-sheet")
    with section:
        words("h2", heading)
        wait = ui.label("Drawing the plots …").classes("wb-quiet").props('role="status"')

    def fill() -> None:
        wait.delete()
        exhibits = page.desk.exhibits(stage)
        section.set_visibility(bool(exhibits))
        with section, ui.element("div").classes("wb-halves"):
            for number, exhibit in enumerate(exhibits):
                if not without or not exhibit.title.startswith(without):
                    show_exhibit(stage, number, exhibit, mark, wide=bool(wide) and exhibit.title.startswith(wide))

    async def draw() -> None:
        trouble = await _draw(page.desk.folder, stage)
        if page.gone:
            return
        if trouble:
            wait.set_text(f"The plots of this step cannot be drawn: {trouble}")
            return
        fill()

    if page.desk.drawn(stage):
        fill()
    else:
        ui.timer(0.01, draw, once=True)


async def _draw(folder: Path, stage: str) -> str:
    """Draw in a process of its own where there is one; should that one be ended from outside, then here."""
    if run.process_pool is not None:
        try:
            return await run.cpu_bound(draw_exhibits, folder, stage) or ""
        except Exception:
            log.warning("the process that draws has ended", exc_info=True)
    return await run.io_bound(draw_exhibits, folder, stage) or ""


def finding_words(finding: Finding) -> str:
    """A finding with its channel in front, unless it names it itself."""
    if not finding.channel or finding.channel in finding.text:
        return finding.text
    return f"{finding.channel}: {finding.text}"


def show_findings(page: Page, stage: str = "") -> None:
    """What a stage noticed, most serious first."""
    status = page.status.get(stage or page.step.stage)
    findings = status.record.findings if status and status.record else ()
    if not findings:
        return
    order = {"error": 0, "warning": 1, "note": 2}
    with ui.element("section").classes("wb-sheet"):
        words("h2", f"{len(findings)} thing{'s' if len(findings) > 1 else ''} to know")
        with ui.element("ul").classes("wb-findings"):
            for finding in sorted(findings, key=lambda finding: order[finding.severity]):
                with ui.element("li").classes(f"is-{finding.severity}"):
                    ui.label(finding_words(finding))
                    if finding.advice:
                        ui.label(finding.advice).classes("wb-quiet wb-small")
