"""Settings objects: one frozen dataclass per step, read from a programme file, a command line or a web form alike.

A class becomes a settings object by `@settings`. Its fields carry the SI unit in their name (`stroke_m`, `low_hz`),
while the key a user writes has none (`stroke = "250 mm"`, `low = "0.6 Hz"`), since the unit stands in the text.
Unknown keys are refused. Quantities are marked ``Annotated[float, Unit("m")]``.
"""

from __future__ import annotations

import dataclasses
import difflib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar, dataclass_transform

if TYPE_CHECKING:
    from pydantic import TypeAdapter

T = TypeVar("T")

# Longest first, so that `_m_s2` is taken off before `_s2` or `_m` could be.
_SUFFIXES = (
    "_rad_s", "_n_s_m", "_nms_rad", "_nm_rad", "_kg_m2", "_m3_s", "_m_s2", "_n_m", "_m_s", "_m2", "_m3", "_rad",
    "_hz", "_kg", "_pa", "_nm", "_m", "_s", "_n", "_w", "_k",
)  # fmt: skip


def toml_key(field: str) -> str:
    """The key a user writes for a field: its name without the SI unit."""
    for suffix in _SUFFIXES:
        if field.endswith(suffix) and len(field) > len(suffix):
            return field.removesuffix(suffix)
    return field


_CONFIG = {"extra": "forbid", "alias_generator": toml_key, "validate_by_name": True, "validate_by_alias": True}


@dataclass_transform(frozen_default=True, kw_only_default=True)
def settings(cls: type[T]) -> type[T]:
    """Make `cls` a frozen, keyword-only, slotted dataclass that pydantic reads with unknown keys refused."""
    made = dataclass(frozen=True, kw_only=True, slots=True)(cls)
    made.__pydantic_config__ = _CONFIG  # type: ignore[attr-defined]
    return made


@dataclass(frozen=True, kw_only=True, slots=True)
class Problem:
    """One thing wrong in a table of settings: where in it, and what."""

    path: tuple[str | int, ...]
    text: str


class SettingsError(ValueError):
    """A table could not be read as settings; carries every problem found, not just the first."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        self.problems = problems
        super().__init__("; ".join(f"{_dotted(problem.path)}: {problem.text}" for problem in problems))


def _dotted(path: tuple[str | int, ...]) -> str:
    text = ""
    for part in path:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text


_adapters: dict[Any, TypeAdapter[Any]] = {}


def from_table(cls: type[T], table: Mapping[str, Any]) -> T:
    """A settings object from a plain table, for example one of a TOML file.

    Raises
    ------
    SettingsError
        Unknown or missing keys, wrong units, values out of bounds: all of them, each with its place in the table.
    """
    from pydantic import TypeAdapter, ValidationError

    if cls not in _adapters:
        _adapters[cls] = TypeAdapter(cls)
    try:
        value: T = _adapters[cls].validate_python(dict(table))
    except ValidationError as error:
        raise SettingsError(tuple(_problem(detail, cls) for detail in error.errors(include_url=False))) from None
    return value


def _problem(detail: Any, cls: type) -> Problem:
    path = tuple(part for part in detail["loc"] if not (isinstance(part, str) and part.startswith("function-")))
    kind, value = detail["type"], detail.get("input")
    if kind in {"unexpected_keyword_argument", "extra_forbidden"}:
        near = difflib.get_close_matches(str(path[-1]), known_keys(cls, path[:-1]), n=1, cutoff=0.6)
        return Problem(path=path, text="no such key" + (f"; did you mean {near[0]}?" if near else ""))
    if kind in {"missing", "missing_argument", "missing_keyword_only_argument"}:
        return Problem(path=path, text="is missing")
    if kind == "literal_error":
        return Problem(path=path, text=f"{value!r} is not one of {detail['ctx']['expected']}")
    text = str(detail["msg"]).removeprefix("Value error, ")
    if kind not in {"value_error", "assertion_error"}:
        text = f"{value!r}: {text[0].lower()}{text[1:]}"
    return Problem(path=path, text=text)


def known_keys(cls: Any, path: tuple[str | int, ...] = ()) -> list[str]:
    """The keys a user may write in the table at `path` of `cls`."""
    import typing

    current = cls
    for part in path:
        if isinstance(part, int) or not dataclasses.is_dataclass(current):
            continue
        hints = typing.get_type_hints(current)
        field = next((name for name in hints if toml_key(name) == part or name == part), None)
        if field is None:
            return []
        current = _inner_dataclass(hints[field])
    if not dataclasses.is_dataclass(current):
        return []
    return [toml_key(field.name) for field in dataclasses.fields(current)]


def _inner_dataclass(hint: Any) -> Any:
    import typing

    if dataclasses.is_dataclass(hint):
        return hint
    for argument in typing.get_args(hint):
        found = _inner_dataclass(argument)
        if dataclasses.is_dataclass(found):
            return found
    return hint


def to_plain(value: Any) -> Any:
    """A settings object (or any nest of dataclasses, tuples and mappings) as plain JSON values, for provenance."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: to_plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(key): to_plain(item) for key, item in value.items()}
    if isinstance(value, (tuple, list)):
        return [to_plain(item) for item in value]
    if isinstance(value, (str, int, float, bool)) or value is None:
        return value
    return str(value)


Progress = Callable[[float, str], None]
"""Called with the finished share (0 to 1) and a few words; may raise `washboard.errors.Cancelled` to stop the work."""


def no_progress(_share: float, _words: str) -> None:
    """The progress of someone who does not look."""
