"""Buttons under a stack of time histories: where to look, and what to take along of it."""

from __future__ import annotations

import json
from urllib.parse import quote

from nicegui import ui

from washboard.web._frame import button, words
from washboard.web._stack import Stack


def stack_tools(stack: Stack, *, holds: bool = False) -> None:
    """Draw the buttons; with `holds`, also the choice to hold the vertical scales."""

    def export(kind: str) -> None:
        ui.navigate.to(f"/stack.{kind}?q={quote(json.dumps(stack.as_json()))}")

    with ui.element("div").classes("wb-row wb-noprint"):
        button("Whole length", stack.whole)
        button("Closer", lambda: stack.zoom(0.5))
        button("Wider", lambda: stack.zoom(2.0))
        button("Earlier", lambda: stack.shift(-0.5))
        button("Later", lambda: stack.shift(0.5))
        button("Range before", stack.back)
        if holds:
            ui.checkbox("hold the vertical scales", on_change=lambda event: stack.hold(bool(event.value)))
        for kind, label in (("svg", "SVG"), ("png", "PNG"), ("csv", "Data (CSV)")):
            button(label, lambda kind=kind: export(kind), kind="wb-link")
    words(
        "p",
        "Drag to zoom in, Shift and drag to slide, Ctrl and wheel to zoom at the pointer, double click for all.",
        "wb-quiet wb-small",
    )
