"""Quantities and units: text such as ``"250 mm"`` to SI numbers, and back.

Users write quantities as text with a unit; inside, everything is SI (m, s, kg, N, Pa, rad, Hz; strain in m/m).
A strict pattern reads the number first and only the unit part reaches pint, because pint alone reads ``"1,5 m"``
as 15 m and ``"±125 mm"`` as 125 mm, which is a safety matter on a rig.
"""

from __future__ import annotations

import math
import operator
import re
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from washboard.errors import UnitError

if TYPE_CHECKING:
    import pint
    from numpy.typing import NDArray

STANDARD_GRAVITY: Final = 9.80665
"""Standard acceleration of free fall [m/s2] (CGPM 1901)."""

_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?")
_UNIT = re.compile(r"[A-Za-zµμ°%Ω0-9*/^.·²³ ]{0,40}")
_LONG_EXPONENT = re.compile(r"\d{2,}|\*\*\s*\d{2,}|\^\s*\d{2,}|\*\*.*\*\*")

#: Spellings of the trade that pint reads otherwise or not at all.
_SPELLINGS: Final = {
    "%": "percent",
    "°C": "degC",
    "°": "degree",
    "deg": "degree",
    "microstrain": "micrometer/meter",
    "ustrain": "micrometer/meter",
    "µstrain": "micrometer/meter",
    "µm/m": "micrometer/meter",
    "µε": "micrometer/meter",
    "strain": "meter/meter",
    "l/min": "liter/minute",
    "rpm": "revolution/minute",
    "t": "tonne",
    "a": "year",
    "y": "year",
    "d": "day",
    "g": "gram",
    "g0": "standard_gravity",
    "1": "dimensionless",
    "-": "dimensionless",
    "": "dimensionless",
}

#: SI unit per quantity a channel can have, in the order they are offered.
QUANTITIES: Final[dict[str, str]] = {
    "acceleration": "m/s2",
    "velocity": "m/s",
    "displacement": "m",
    "force": "N",
    "moment": "N*m",
    "strain": "m/m",
    "stress": "Pa",
    "pressure": "Pa",
    "angle": "rad",
    "angular velocity": "rad/s",
    "angular acceleration": "rad/s2",
    "temperature": "K",
    "flow": "m3/s",
    "sound pressure": "Pa",
    "voltage": "V",
    "current": "A",
    "frequency": "Hz",
    "dimensionless": "1",
}


@cache
def _registry() -> pint.UnitRegistry[Any]:
    import pint

    registry: pint.UnitRegistry[Any] = pint.UnitRegistry(autoconvert_offset_to_baseunit=True, cache_folder=None)
    return registry


def _is_acceleration(si_unit: str) -> bool:
    return si_unit in {"m/s2", "m/s^2", "m/s**2"}


@cache
def _parse_unit(text: str, acceleration: bool) -> pint.Unit:
    text = text.strip().replace("μ", "µ")
    if acceleration and text in {"g", "gn", "G"}:
        text = "g0"
    if not _UNIT.fullmatch(text) and text != "-":
        raise UnitError(f"'{text}' is not a unit; write for example mm, kN, m/s2, l/min")
    plain = _SPELLINGS.get(text)
    if plain is None:
        plain = text.replace("²", "2").replace("³", "3").replace("·", "*")
        # m/s2 and mm3 are how people write powers; a digit after a letter is one.
        plain = re.sub(r"(?<=[A-Za-zµ])(\d)(?![\d.])", r"**\1", plain)
        plain = plain.replace("l/min", "liter/minute")
        if _LONG_EXPONENT.search(plain):
            raise UnitError(f"'{text}' is not a unit; a power has one digit")
    try:
        return _registry().parse_units(plain)
    except Exception:  # noqa: BLE001 - pint and its tokenizer raise many kinds
        raise UnitError(f"'{text}' is not a unit known here; write for example mm, kN, m/s2, l/min") from None


@cache
def _factor(unit: str, to: str, acceleration: bool) -> tuple[float, float]:
    """Scale and offset that bring a number in `unit` to `to`."""
    source, target = _parse_unit(unit, acceleration), _parse_unit(to, acceleration)
    if source.dimensionality != target.dimensionality:
        raise UnitError(f"'{unit}' cannot be turned into '{to or 'a plain number'}'")
    registry = _registry()
    zero = float(registry.Quantity(0.0, source).to(target).magnitude)
    one = float(registry.Quantity(1.0, source).to(target).magnitude)
    return one - zero, zero


def si_unit(unit: str, quantity: str = "") -> str:
    """The SI unit of the same kind as `unit`, as Washboard writes it.

    Parameters
    ----------
    unit : str
        A unit as a user writes it, for example ``"mm"``.
    quantity : str
        What is measured; needed only where the unit alone is ambiguous (``"g"`` is grams unless the quantity is an
        acceleration).

    Raises
    ------
    UnitError
        The unit is unknown.
    """
    acceleration = quantity == "acceleration"
    parsed = _parse_unit(unit, acceleration)
    if quantity in QUANTITIES and parsed.dimensionality == _parse_unit(QUANTITIES[quantity], False).dimensionality:
        return QUANTITIES[quantity]
    base = _registry().get_base_units(parsed)[1]
    # pint counts angles as plain numbers; only the base unit tells a degree from a strain.
    angular = {"radian": "rad", "radian / second": "rad/s", "radian / second ** 2": "rad/s2"}.get(str(base))
    if angular:
        return angular
    for candidate in QUANTITIES.values():
        if parsed.dimensionality == _parse_unit(candidate, False).dimensionality:
            return candidate
    return f"{base:~C}" or "1"


def factor_to_si(unit: str, quantity: str = "") -> tuple[float, float]:
    """Scale and offset that turn a value in `unit` into SI: ``si = scale * value + offset``."""
    return _factor(unit, si_unit(unit, quantity), quantity == "acceleration")


def dimension_of(unit: str, quantity: str = "") -> Any:
    """The dimensions of `unit` (length, time, ...), to be multiplied, divided and compared; false for a plain number.

    Raises UnitError.
    """
    return _parse_unit(unit, quantity == "acceleration").dimensionality


def split_quantity(text: str) -> tuple[float, str]:
    """Number and unit of a text such as ``"4.2 m"``; the unit is ``"1"`` where there is none. Raises UnitError."""
    stripped = text.strip()
    match = _NUMBER.match(stripped)
    rest = stripped[match.end() :].strip() if match else ""
    if match is None or re.match(r"[,.\d]", rest):
        raise UnitError(f"'{text}' is not a number with a unit, such as \"4.2 m\"")
    return float(match.group()), rest or "1"


def quantity_fits(unit: str, quantity: str) -> bool:
    """Whether `unit` can measure `quantity` (a key of `QUANTITIES`); an unknown quantity fits nothing."""
    if quantity not in QUANTITIES:
        return False
    acceleration = quantity == "acceleration"
    dimension = _parse_unit(QUANTITIES[quantity], False).dimensionality
    return bool(_parse_unit(unit, acceleration).dimensionality == dimension)


def convert(
    values: NDArray[np.floating[Any]] | float, unit: str, to: str, *, quantity: str = ""
) -> NDArray[np.float64] | float:
    """Values in `unit` expressed in `to`. Raises UnitError when the two are of different kinds."""
    scale, offset = _factor(unit, to, quantity == "acceleration")
    if isinstance(values, np.ndarray):
        return np.asarray(values, dtype=np.float64) * scale + offset
    return values * scale + offset


def parse_quantity(text: object, unit: str, *, plain_number: bool = False) -> float:
    """A number with a unit, written as text, in the SI unit `unit`.

    Parameters
    ----------
    text : str, or a number if `plain_number` or `unit` is ``"1"``
        For example ``"250 mm"``, ``"±125 mm"`` is refused, ``"80 %"`` is 0.8 where a plain number is wanted.
    unit : str
        The SI unit wanted, for example ``"m"``; ``"1"`` for a plain number.
    plain_number : bool
        Accept a bare number as already being in `unit`.

    Raises
    ------
    UnitError
        Not a number with a unit, a unit of another kind, or not finite.
    """
    example = _example(unit)
    if isinstance(text, bool) or not isinstance(text, (str, int, float)):
        raise UnitError(f"{text!r} is not a number with a unit, such as {example}")
    if not isinstance(text, str):
        if unit == "1" or plain_number:
            if not math.isfinite(text):
                raise UnitError(f"{text!r} is not a finite number")
            return float(text)
        raise UnitError(f"{text!r} has no unit; write it as text, such as {example}")
    stripped = text.strip()
    match = _NUMBER.match(stripped)
    if match is None:
        hint = "; write the signs of a range as two keys" if stripped.startswith("±") else ""
        raise UnitError(f"'{text}' is not a number with a unit, such as {example}{hint}")
    rest = stripped[match.end() :].strip()
    if re.match(r"[,.\d]", rest):
        raise UnitError(f"'{text}' is not a number with a unit; write the decimal with a point, as in {example}")
    if not rest and unit != "1" and not plain_number:
        raise UnitError(f"'{text}' has no unit; write for example {example}")
    if not rest:
        return float(match.group())
    acceleration = _is_acceleration(unit)
    parsed = _parse_unit(rest, acceleration)
    wanted = _parse_unit(unit, False)
    if parsed.dimensionality != wanted.dimensionality:
        meant = " (grams; an acceleration in g0 is meant only where an acceleration is wanted)" if rest == "g" else ""
        want = "a plain number" if unit == "1" else f"something in {unit}"
        raise UnitError(f"'{text}' is in {rest}{meant} where {want} is needed, such as {example}")
    scale, offset = _factor(rest, unit, acceleration)
    value = float(match.group()) * scale + offset
    if not math.isfinite(value):
        raise UnitError(f"'{text}' is not a finite number")
    return value


def _example(unit: str) -> str:
    examples = {
        "m": '"250 mm"', "m/s": '"1.5 m/s"', "m/s2": '"30 m/s2"', "s": '"2 s"', "Hz": '"0.6 Hz"', "N": '"60 kN"',
        "kg": '"7200 kg"', "Pa": '"280 bar"', "m2": '"40 cm2"', "m3/s": '"250 l/min"', "m3": '"20 l"', "1": "0.8",
        "rad": '"3 deg"', "N/m": '"800 kN/m"', "N*s/m": '"9 kN*s/m"', "kg*m2": '"5200 kg*m2"',
    }  # fmt: skip
    return examples.get(unit, f'"1 {unit}"')


def format_quantity(value: float, unit: str, to: str | None = None, *, digits: int = 3) -> str:
    """An SI value as text for people: ``format_quantity(0.25, "m", "mm")`` is ``"250 mm"``."""
    shown = value if to is None else float(_factor(unit, to, _is_acceleration(unit))[0] * value)
    name = unit if to is None else to
    number = f"{shown:.{digits}g}"
    if "e" in number and 1e-3 < abs(shown) < 1e7:
        number = f"{shown:.0f}"
    return f"{number} {name}".removesuffix(" 1")


@dataclass(frozen=True, kw_only=True, slots=True)
class _Bounds:
    gt: float | None
    ge: float | None
    lt: float | None
    le: float | None

    def check(self, value: float, unit: str, text: object) -> float:
        tests = (
            (self.gt, operator.gt, "more than"),
            (self.ge, operator.ge, "at least"),
            (self.lt, operator.lt, "less than"),
            (self.le, operator.le, "at most"),
        )
        for bound, holds, words in tests:
            if bound is not None and not holds(value, bound):
                raise UnitError(f"{text!r} must be {words} {format_quantity(bound, unit)}")
        return value


class Unit:
    """Marks a float field of a settings object as a quantity: ``stroke_m: Annotated[float, Unit("m", gt=0)]``.

    Where settings are read from a programme file, the field takes text with a unit of the right kind and holds the SI
    number; bounds are in SI.
    """

    __slots__ = ("_bounds", "plain", "unit")

    def __init__(
        self,
        unit: str,
        *,
        gt: float | None = None,
        ge: float | None = None,
        lt: float | None = None,
        le: float | None = None,
        plain: bool = False,
    ) -> None:
        self.unit = unit
        self.plain = plain
        self._bounds = _Bounds(gt=gt, ge=ge, lt=lt, le=le)

    def parse(self, text: object) -> float:
        """The SI value of `text`, checked against the bounds."""
        return self._bounds.check(parse_quantity(text, self.unit, plain_number=self.plain), self.unit, text)

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> Any:
        from pydantic_core import core_schema

        def validate(value: object) -> float | None:
            try:
                return self.parse(value)
            except UnitError as error:
                raise ValueError(str(error)) from None

        return core_schema.no_info_plain_validator_function(validate)
