"""Report: look at it, take it along."""

from __future__ import annotations

from collections.abc import Mapping
from urllib.parse import quote

from nicegui import ui

from washboard.web._chart import with_props
from washboard.web._exhibits import show_exhibits, show_findings
from washboard.web._frame import Page, button, lead, words

KINDS = {".pdf": "PDF, for print and archive", ".html": "HTML, one file, for screens"}


async def build(page: Page, _query: Mapping[str, str]) -> None:
    """Draw the page."""
    lead(page)
    files = sorted((page.desk.folder / "report").glob("report.*"))
    made = [file for file in files if file.suffix in KINDS]
    if made:
        with ui.element("section").classes("wb-sheet"):
            words("h2", "Take it along")
            for file in made:
                with ui.element("div").classes("wb-row"):
                    address = f"/file/report/{file.name}"
                    ui.link(f"Download {file.name}", f"{address}?save=true").classes("wb-a").props("download")
                    ui.label(f"{KINDS[file.suffix]}, {file.stat().st_size / 1024:.0f} kB").classes("wb-quiet")
        html = next((file for file in made if file.suffix == ".html"), None)
        if html is not None:
            with ui.element("section").classes("wb-sheet"):
                words("h2", "Preview")
                with ui.element("div").classes("wb-row"):
                    button(
                        "Open in a window of its own", lambda: ui.navigate.to(f"/file/report/{html.name}", new_tab=True)
                    )
                frame = ui.element("iframe").classes("wb-preview")
                stamp = int(html.stat().st_mtime)
                with_props(
                    frame,
                    src=f"/file/report/{quote(html.name)}?v={stamp}",
                    title="Preview of the report",
                    sandbox="",
                )
    await show_exhibits(page)
    show_findings(page)
