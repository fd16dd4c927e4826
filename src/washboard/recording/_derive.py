"""Derived channels: safe arithmetic over channel names, with units carried along and checked.

An expression is parsed into a tree of which only arithmetic on names and numbers is let through; nothing is ever
executed, so that a programme file from elsewhere can do no harm.
"""

from __future__ import annotations

import ast
import math
import operator
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from washboard import units
from washboard.errors import ChannelError, InputError, UnitError
from washboard.recording._recording import Channel, Recording, Step
from washboard.recording._settings import DerivedChannel

_LONGEST: Final = 500
_DEEPEST: Final = 260
_LARGEST_POWER: Final = 6.0
_OPERATORS: Final[dict[type[ast.operator], Callable[[Any, Any], Any]]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: operator.truediv,
    ast.Pow: operator.pow,
}
_PLAIN: Final[dict[str, Callable[[Any], Any]]] = {
    "sin": np.sin,
    "cos": np.cos,
    "tan": np.tan,
    "atan": np.arctan,
    "exp": np.exp,
    "log": np.log,
}


@dataclass(frozen=True, slots=True)
class _Value:
    """Samples or a number, in SI, with the dimensions of its unit."""

    number: Any
    dimension: Any


def derive(recording: Recording, derived: Sequence[DerivedChannel]) -> Recording:
    """The recording with computed channels added, in order; one may use those before it.

    Parameters
    ----------
    recording : Recording
        In any units; expressions see SI values.
    derived : sequence of DerivedChannel

    Raises
    ------
    InputError
        Something other than arithmetic, or an expression too long or too deep.
    UnitError
        Units do not fit each other, or not the unit stated.
    ChannelError
        A name is not there, or taken.
    """
    for entry in derived:
        recording = _with(recording, entry)
    return recording


def names_in(entry: DerivedChannel) -> tuple[str, ...]:
    """Names of the channels that an expression needs, in the order they occur. Raises InputError."""
    tree = _parsed(entry)
    found: list[str] = []
    for node in ast.walk(tree):
        name = _channel_name(node)
        if name is not None and name not in entry.constant and name not in found and name not in _FUNCTIONS:
            found.append(name)
    return tuple(found)


def _with(recording: Recording, entry: DerivedChannel) -> Recording:
    if entry.name in recording.names:
        raise ChannelError(f"{recording.name or 'this recording'}: there is already a channel '{entry.name}'")
    value = _evaluate(_parsed(entry).body, recording, entry)
    wanted = units.dimension_of(entry.unit, entry.quantity)
    if value.dimension != wanted:
        raise UnitError(
            f"derived channel '{entry.name}': '{entry.expression}' gives {_words(value.dimension)}, not "
            f"{_words(wanted)} as its unit '{entry.unit}' says"
        )
    scale, offset = units.factor_to_si(entry.unit, entry.quantity)
    samples = np.broadcast_to((value.number - offset) / scale, (recording.n_samples,))
    dtype = recording.samples.dtype
    _refuse_undefined(samples, recording, entry)
    return recording.replace(
        samples=np.concatenate((recording.samples, samples[None].astype(dtype))),
        channels=(
            *recording.channels,
            Channel(name=entry.name, unit=entry.unit, quantity=entry.quantity, description=f"= {entry.expression}"),
        ),
        step=Step(
            function="recording.derive",
            settings={"name": entry.name, "expression": entry.expression, "constant": dict(entry.constant)},
        ),
        owned=True,
    )


def _refuse_undefined(samples: Any, recording: Recording, entry: DerivedChannel) -> None:
    """A quotient by zero or a root of less than zero is said where it happens; NaN of the channels used stays NaN."""
    undefined = ~np.isfinite(samples)
    for name in names_in(entry) if undefined.any() else ():
        if name in recording.names:
            undefined &= np.isfinite(recording.values(name))
    if undefined.any():
        raise InputError(
            f"derived channel '{entry.name}': '{entry.expression}' has no value at {int(undefined.sum())} samples of "
            f"{recording.name or 'this recording'}, first at {int(np.argmax(undefined)) / recording.rate_hz:.3f} s "
            "(a division by zero, or the root or logarithm of a number below zero)"
        )


def _words(dimension: Any) -> str:
    return "a plain number" if not dimension else str(dimension).replace("[", "").replace("]", "")


def _parsed(entry: DerivedChannel) -> ast.Expression:
    where = f"derived channel '{entry.name}'"
    if len(entry.expression) > _LONGEST:
        raise InputError(f"{where}: the expression is longer than {_LONGEST} letters")
    try:
        tree = ast.parse(entry.expression.strip(), mode="eval")
    except (SyntaxError, ValueError, RecursionError, MemoryError):
        raise InputError(f"{where}: '{entry.expression}' is not arithmetic in Python's way of writing") from None
    level: list[ast.AST] = [tree.body]
    depth = 0
    while level:
        depth += 1
        if depth > _DEEPEST:
            raise InputError(f"{where}: the expression is nested too deep")
        for node in level:
            if not isinstance(node, _LET_THROUGH):
                raise _not_arithmetic(node, where)
        level = [child for node in level for child in ast.iter_child_nodes(node)]
    return tree


#: All that an expression may be made of; whatever else Python can say is refused before anything is read.
_LET_THROUGH: Final = (
    ast.BinOp, ast.UnaryOp, ast.Call, ast.Name, ast.Load, ast.Constant, ast.USub, ast.UAdd, *_OPERATORS,
)  # fmt: skip


def _not_arithmetic(node: ast.AST, where: str) -> InputError:
    said = f", not '{ast.unparse(node)[:60]}'" if isinstance(node, ast.expr) else ""
    return InputError(
        f"{where}: only + - * / **, numbers, channel names and {', '.join(sorted(_FUNCTIONS))} may be used{said}"
    )


_FUNCTIONS: Final = frozenset({"ch", "abs", "sqrt", "minimum", "maximum", *_PLAIN})


def _channel_name(node: ast.AST) -> str | None:
    if isinstance(node, ast.Name):
        return node.id
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "ch" and len(node.args) == 1:
        argument = node.args[0]
        if isinstance(argument, ast.Constant) and isinstance(argument.value, str):
            return argument.value
    return None


def _evaluate(node: ast.AST, recording: Recording, entry: DerivedChannel) -> _Value:
    where = f"derived channel '{entry.name}'"
    if isinstance(node, ast.Constant) and isinstance(node.value, (int, float)) and not isinstance(node.value, bool):
        try:
            return _Value(float(node.value), units.dimension_of("1"))
        except OverflowError:
            raise InputError(f"{where}: a number in it is too large") from None
    name = _channel_name(node)
    if name is not None:
        return _named(name, recording, entry.constant, where)
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, (ast.USub, ast.UAdd)):
        inner = _evaluate(node.operand, recording, entry)
        return _Value(-inner.number if isinstance(node.op, ast.USub) else inner.number, inner.dimension)
    if isinstance(node, ast.BinOp) and type(node.op) in _OPERATORS:
        left, right = _evaluate(node.left, recording, entry), _evaluate(node.right, recording, entry)
        return _combined(node.op, left, right, where)
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and not node.keywords:
        arguments = [_evaluate(argument, recording, entry) for argument in node.args]
        return _called(node.func.id, arguments, where)
    raise _not_arithmetic(node, where)


def _named(name: str, recording: Recording, constant: Mapping[str, str], where: str) -> _Value:
    if name in constant:
        number, unit = units.split_quantity(constant[name])
        if not math.isfinite(number):
            raise UnitError(f"{where}: its constant '{name}' is too large: '{constant[name]}'")
        scale, offset = units.factor_to_si(unit)
        return _Value(number * scale + offset, units.dimension_of(unit))
    if name == "pi":
        return _Value(np.pi, units.dimension_of("1"))
    try:
        channel = recording.channel(name)
    except ChannelError as error:
        raise ChannelError(f"{where}: {error}") from None
    scale, offset = units.factor_to_si(channel.unit, channel.quantity)
    samples = recording.values(name).astype(np.float64) * scale + offset
    return _Value(samples, units.dimension_of(channel.unit, channel.quantity))


def _combined(op: ast.operator, left: _Value, right: _Value, where: str) -> _Value:
    if isinstance(op, (ast.Add, ast.Sub)):
        if left.dimension != right.dimension:
            raise UnitError(f"{where}: cannot add {_words(left.dimension)} and {_words(right.dimension)}")
        return _Value(_OPERATORS[type(op)](left.number, right.number), left.dimension)
    if isinstance(op, ast.Pow):
        if not isinstance(right.number, float) or right.dimension or not abs(right.number) <= _LARGEST_POWER:
            raise UnitError(f"{where}: a power must be a plain number no larger than {_LARGEST_POWER:g}")
        dimension = left.dimension**right.number if right.number else units.dimension_of("1")
        return _Value(_plain(np.power, left.number, right.number), dimension)
    number = _plain(_OPERATORS[type(op)], left.number, right.number)
    return _Value(number, _OPERATORS[type(op)](left.dimension, right.dimension))


def _plain(function: Callable[..., Any], *numbers: Any) -> Any:
    """Worked out as numpy does, where what has no value is NaN or infinite and nothing turns complex."""
    with np.errstate(all="ignore"):
        value = function(*(np.asarray(number, dtype=np.float64) for number in numbers))
    return float(value) if np.ndim(value) == 0 else value


def _called(name: str, arguments: list[_Value], where: str) -> _Value:
    if name in {"minimum", "maximum"} and len(arguments) == 2:
        if arguments[0].dimension != arguments[1].dimension:
            raise UnitError(f"{where}: {name} of {_words(arguments[0].dimension)} and {_words(arguments[1].dimension)}")
        return _Value(_plain(getattr(np, name), *(entry.number for entry in arguments)), arguments[0].dimension)
    if name == "ch":
        raise InputError(f'{where}: ch takes one channel name in quotes, such as ch("axle 1 left")')
    if name not in {"abs", "sqrt", *_PLAIN} or len(arguments) != 1:
        raise InputError(f"{where}: there is no function '{name}' of {len(arguments)} values")
    only = arguments[0]
    if name == "abs":
        return _Value(_plain(np.abs, only.number), only.dimension)
    if name == "sqrt":
        return _Value(_plain(np.sqrt, only.number), only.dimension**0.5)
    if only.dimension:
        raise UnitError(f"{where}: {name} needs a plain number or an angle, not {_words(only.dimension)}")
    return _Value(_plain(_PLAIN[name], only.number), only.dimension)
