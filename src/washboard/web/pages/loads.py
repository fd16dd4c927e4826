"""Page of a step."""

from __future__ import annotations

from collections.abc import Mapping

from washboard.web._exhibits import show_exhibits, show_findings
from washboard.web._frame import Page, lead


async def build(page: Page, _query: Mapping[str, str]) -> None:
    """Draw the page."""
    lead(page)
    await show_exhibits(page)
    show_findings(page)
