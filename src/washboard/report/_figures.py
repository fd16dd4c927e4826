"""Figures that stand in one page together: letters, markers and clips that several of them use are written once."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Final
from xml.etree import ElementTree as ET

_SVG: Final = "{http://www.w3.org/2000/svg}"
_LINK: Final = "{http://www.w3.org/1999/xlink}href"
_URL = re.compile(r"url\(#([^)]+)\)")


@dataclass(frozen=True, kw_only=True, slots=True)
class Sheet:
    """Figures for one HTML page.

    Parameters
    ----------
    shared : str
        An element of no size that holds what the figures refer to; it stands in the page once, before them.
    figures : tuple of str
        Each figure as an element of the page; empty where there was none or none that could be read.
    """

    shared: str
    figures: tuple[str, ...]


def sheet(svgs: Sequence[str], names: Sequence[str]) -> Sheet:
    """Figures with their definitions taken out, equal ones put together, and names read out by screen readers.

    Parameters
    ----------
    svgs : sequence of str
        SVG text each, empty for none.
    names : sequence of str
        What each shows, in a few words.
    """
    known: dict[str, str] = {}
    figures = []
    for svg, name in zip(svgs, names, strict=True):
        try:
            root = ET.fromstring(svg) if svg else None  # noqa: S314 - drawn by our own plotter
        except ET.ParseError:
            root = None
        figures.append("" if root is None else _figure(root, name, known))
    inside = "".join(text.replace(" ", f' id="{mark}" ', 1) for text, mark in known.items())
    shared = f'<svg width="0" height="0" style="position:absolute" aria-hidden="true"><defs>{inside}</defs></svg>'
    return Sheet(shared=shared if known else "", figures=tuple(figures))


def _figure(root: ET.Element, name: str, known: dict[str, str]) -> str:
    marks: dict[str, str] = {}
    for parent in root.iter():
        for defs in [child for child in parent if child.tag == f"{_SVG}defs"]:
            for one in defs:
                if "id" in one.attrib:
                    mark = one.attrib.pop("id")
                    marks[mark] = known.setdefault(_text(one, {}), f"g{len(known)}")
            parent.remove(defs)
    width, height = (float(part) for part in root.get("viewBox", "0 0 1 1").split()[2:])
    inner = "".join(_text(child, marks) for child in root)
    return f'<svg role="img" aria-label="{escape(name)}" viewBox="0 0 {width:g} {height:g}">{inner}</svg>'


def _text(element: ET.Element, marks: dict[str, str]) -> str:
    name = element.tag.removeprefix(_SVG)
    own = dict(element.attrib)
    if _LINK in own:
        link = own.pop(_LINK)
        own["href"] = f"#{marks.get(link[1:], link[1:])}" if link.startswith("#") else link
    if (
        name == "use"
        and "x" not in own
        and (moved := re.fullmatch(r"translate\((\S+)(?: 0)?\)", own.get("transform", "")))
    ):
        del own["transform"]
        own["x"] = moved.group(1)
    written = "".join(
        f' {key}="{escape(_URL.sub(lambda found: f"url(#{marks.get(found.group(1), found.group(1))})", value))}"'
        for key, value in own.items()
    )
    inner = escape(element.text, quote=False) if element.text else ""
    inner += "".join(_text(child, marks) for child in element)
    return f"<{name}{written or ' '}>{inner}</{name}>" if inner else f"<{name}{written or ' '}/>"
