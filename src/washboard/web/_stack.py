"""The stack: all channels of recordings under one another, as a page element."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from nicegui.element import Element
from nicegui.events import GenericEventArguments

from washboard.plot import pretty_unit


@dataclass(frozen=True, kw_only=True, slots=True)
class Pane:
    """One channel of the stack and the unit it is shown in."""

    name: str
    unit: str
    description: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Layer:
    """One recording drawn in the stack: its file in the programme folder, its words, its colour's number."""

    file: str
    label: str
    colour: int = 0
    offset_s: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Mark:
    """A stretch of time that is explained: of pane number `pane`, or of all where it is -1."""

    pane: int
    start_s: float
    end_s: float
    kind: str
    text: str


class Stack(Element, component="stack.js"):  # type: ignore[call-arg]
    """Time histories, stacked; asks the server only for what is on the screen.

    Parameters
    ----------
    panes : list of Pane
        Channels, from the top.
    layers : list of Layer
        Recordings drawn over one another.
    duration_s : float
        Length of the time axis. [s]
    start_s, end_s : float, optional
        What to show first. [s]
    marks : list of Mark
        Explained stretches.
    remember : bool
        Keep the range in the page's address.
    on_shown : function, optional
        Called with the range, in seconds, whenever another one is on the screen.
    """

    def __init__(
        self,
        *,
        panes: list[Pane],
        layers: list[Layer],
        duration_s: float,
        label: str,
        start_s: float | None = None,
        end_s: float | None = None,
        marks: list[Mark] | None = None,
        pane_px: int = 92,
        view_px: int = 560,
        remember: bool = False,
        on_shown: Callable[[float, float], None] | None = None,
        on_pick: Callable[[int], None] | None = None,
    ) -> None:
        super().__init__()
        self.range_s = (start_s or 0.0, end_s or duration_s)
        self._panes, self._layers, self._marks = list(panes), list(layers), list(marks or [])
        self._props.update({"duration": duration_s, "start": start_s, "end": end_s, "label": label})
        self._props.update({"pane": pane_px, "view": view_px, "remember": remember})
        self._write()
        self._on_shown = on_shown
        self.on("shown", self._shown)
        if on_pick is not None:
            pick = on_pick
            self.on("pick", lambda event: pick(int(event.args)))

    @property
    def panes(self) -> list[Pane]:
        """Channels shown."""
        return self._panes

    @property
    def layers(self) -> list[Layer]:
        """Recordings shown."""
        return self._layers

    def _write(self) -> None:
        self._props["panes"] = [
            {"name": p.name, "unit": p.unit, "shown": pretty_unit(p.unit), "description": p.description}
            for p in self._panes
        ]
        self._props["layers"] = [
            {"file": layer.file, "label": layer.label, "colour": layer.colour, "offset": layer.offset_s}
            for layer in self._layers
        ]
        self._props["marks"] = [
            {"pane": m.pane, "from": m.start_s, "to": m.end_s, "kind": m.kind, "text": m.text} for m in self._marks
        ]

    def show(
        self,
        *,
        panes: list[Pane] | None = None,
        layers: list[Layer] | None = None,
        marks: list[Mark] | None = None,
        duration_s: float | None = None,
        pane_px: int | None = None,
        view_px: int | None = None,
    ) -> None:
        """Show other channels, recordings or marks; what is not given stays."""
        self._panes = self._panes if panes is None else list(panes)
        self._layers = self._layers if layers is None else list(layers)
        self._marks = self._marks if marks is None else list(marks)
        if duration_s is not None:
            self._props["duration"] = duration_s
        if pane_px is not None:
            self._props["pane"] = pane_px
        if view_px is not None:
            self._props["view"] = view_px
        self._write()
        self.update()

    def _shown(self, event: GenericEventArguments) -> None:
        self.range_s = (float(event.args["from"]), float(event.args["to"]))
        if self._on_shown is not None:
            self._on_shown(*self.range_s)

    def go(self, start_s: float, end_s: float, pane: int = -1) -> None:
        """Show another range and bring pane number `pane` onto the screen."""
        self.run_method("go", start_s, end_s, pane)

    def whole(self) -> None:
        """Show all of it."""
        self.run_method("whole")

    def back(self) -> None:
        """Show the range before this one."""
        self.run_method("back")

    def zoom(self, factor: float) -> None:
        """Show a longer (more than 1) or shorter range around the middle."""
        self.run_method("zoom", factor)

    def shift(self, share: float) -> None:
        """Move to the right by a share of the range."""
        self.run_method("shift", share)

    def hold(self, held: bool) -> None:
        """Keep the vertical scales as they are, or fit them to what is on the screen."""
        self.run_method("hold", held)

    def as_json(self) -> dict[str, Any]:
        """What is shown, for an export link."""
        return {
            "files": [layer.file for layer in self._layers],
            "offsets": [layer.offset_s for layer in self._layers],
            "labels": [layer.label for layer in self._layers],
            "channels": [[number, pane.name, pane.unit] for number, pane in enumerate(self._panes)],
            "from": self.range_s[0],
            "to": self.range_s[1],
        }
