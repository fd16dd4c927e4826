#!/usr/bin/env python3
"""Write docs/programme-file.md from the settings objects themselves, so that it cannot fall behind.

.venv/bin/python tools/reference.py           writes it
.venv/bin/python tools/reference.py --check   says whether it is up to date
"""

from __future__ import annotations

import collections.abc
import dataclasses
import inspect
import sys
import typing
from pathlib import Path
from typing import Any

FILE = Path(__file__).resolve().parent.parent / "docs" / "programme-file.md"

HEAD = """# The programme file

Made by `tools/reference.py` from the settings objects; do not edit.

`programme.toml` lies in the programme folder and says everything about a test. It is TOML: `[name]` begins a table,
`[[name]]` one of several. Quantities are text with a unit of the right kind, such as `"250 mm"`, `"60 kN"`,
`"280 bar"`, `"0.6 Hz"`; the decimal is a point. Plain numbers (shares, slopes, counts) have no unit. Unknown keys are
refused, and every problem is named with its line. Axes follow ISO 8855: x forward, y left, z up, from the ground under
the middle of the first axle. A key without a default must be written.

`washboard new DIR` writes a whole file with a comment to each key, to be changed into your own.
"""


def main(arguments: list[str]) -> int:
    text = reference()
    if "--check" in arguments:
        current = FILE.read_text(encoding="utf-8") if FILE.exists() else ""
        if current != text:
            print("docs/programme-file.md is behind the settings; run tools/reference.py")
            return 1
        return 0
    FILE.write_text(text, encoding="utf-8")
    return 0


def reference() -> str:
    from washboard.programme import Plan

    parts = [HEAD]
    _table(Plan, "", parts, seen=[], several=False)
    return "\n".join(parts)


def _table(cls: Any, path: str, parts: list[str], *, seen: list[Any], several: bool) -> None:
    from washboard.settings import toml_key

    hints = typing.get_type_hints(cls, include_extras=True)
    inner, rows = [], []
    for field in dataclasses.fields(cls):
        key, hint = toml_key(field.name), hints[field.name]
        child, many = _settings_in(hint)
        if child is not None:
            inner.append((child, f"{path}.{key}" if path else key, many))
            continue
        rows.append(f"| `{key}` | {_kind(hint)} | {_default(field, hint)} |")
    if path:
        head = f"[[{path}]]" if several else f"[{path}]"
        parts += [f"## `{head}`", "", *_words(cls), ""]
        if rows:
            parts += ["| key | value | default |", "|---|---|---|", *rows, ""]
    for child, child_path, many in inner:
        if child in seen:
            parts += [f"## `[{'[' if many else ''}{child_path}{']' if many else ''}]`", "", _again(child), ""]
            continue
        _table(child, child_path, parts, seen=seen, several=many)
        seen.append(child)


def _again(cls: Any) -> str:
    return f"The same keys as above ({cls.__name__})."


def _words(cls: Any) -> list[str]:
    return (inspect.getdoc(cls) or "").replace("``", "`").splitlines()


def _settings_in(hint: Any) -> tuple[Any, bool]:
    """The settings class a hint holds, and whether there may be several."""
    if dataclasses.is_dataclass(hint):
        return hint, False
    arguments = typing.get_args(hint)
    many = typing.get_origin(hint) is tuple
    for argument in arguments:
        found, _ = _settings_in(argument)
        if found is not None:
            return found, many
    return None, False


def _kind(hint: Any) -> str:
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    if origin is typing.Annotated:
        unit = getattr(hint.__metadata__[0], "unit", "")
        if unit in ("", "1"):
            return "a whole number" if arguments[0] is int else "a number"
        return f"a quantity in {unit} or alike"
    if origin is typing.Literal:
        return " or ".join(f'`"{value}"`' for value in arguments)
    if origin is tuple:
        if arguments[-1] is Ellipsis:
            return f"a list, each {_kind(arguments[0])}"
        return f"a list of {len(arguments)}, each {_kind(arguments[0])}"
    if origin in {dict, collections.abc.Mapping}:
        return f"a table by name, each {_kind(arguments[1])}"
    if arguments and type(None) in arguments:
        return _kind(next(argument for argument in arguments if argument is not type(None)))
    return {str: "text", int: "a whole number", float: "a number", bool: "`true` or `false`"}.get(hint, str(hint))


def _default(field: Any, hint: Any) -> str:
    if field.default_factory is not dataclasses.MISSING:
        return "none"
    if field.default is dataclasses.MISSING:
        return "**must be given**"
    return _shown(field.default, hint)


def _shown(value: Any, hint: Any) -> str:
    if value is None or value in ("", ()):
        return "none"
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    if isinstance(value, tuple):
        return "`[" + ", ".join(_plain(item) for item in value) + "]`"
    unit = _unit(hint)
    if isinstance(value, (int, float)) and unit:
        return f'`"{value:g} {unit}"`'
    return f"`{_plain(value)}`"


def _plain(value: Any) -> str:
    return f'"{value}"' if isinstance(value, str) else f"{value:g}"


def _unit(hint: Any) -> str:
    if typing.get_origin(hint) is typing.Annotated:
        unit = getattr(hint.__metadata__[0], "unit", "")
        return "" if unit == "1" else unit
    for argument in typing.get_args(hint):
        if found := _unit(argument):
            return found
    return ""


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
