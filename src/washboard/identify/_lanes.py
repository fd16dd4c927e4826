"""Eight floats worked on at once by the processor's vector instructions, as a number type of compiled loops.

LLVM makes such instructions of a plain loop only where it can prove that what is read and what is written lie apart; in
a transform in place it cannot. Sums, differences and products of `Lanes` are always such instructions, of whatever
width the processor has.
"""

from __future__ import annotations

import operator
from typing import Any

from llvmlite import ir
from numba import njit, types
from numba.extending import intrinsic as _intrinsic
from numba.extending import models, overload, register_model

LANES = 8

#: Untyped: its first argument is numba's own, calls leave it out.
intrinsic: Any = _intrinsic


class Lanes(types.Type):  # type: ignore[misc]
    """Eight floats of one kind."""

    def __init__(self, dtype: Any) -> None:
        self.dtype = dtype
        super().__init__(name=f"Lanes({dtype})")


@register_model(Lanes)
class _LanesModel(models.PrimitiveModel):  # type: ignore[misc]
    def __init__(self, manager: Any, lanes: Lanes) -> None:
        super().__init__(manager, lanes, ir.VectorType(manager.lookup(lanes.dtype).get_value_type(), LANES))  # type: ignore[no-untyped-call]


def _place(context: Any, builder: Any, array_type: Any, array: Any, at: Any) -> Any:
    data = context.make_array(array_type)(context, builder, array).data
    kind = ir.VectorType(context.get_value_type(array_type.dtype), LANES)
    return builder.bitcast(builder.gep(data, [at]), kind.as_pointer())


@intrinsic
def load(_typing: Any, array: Any, _at: Any) -> Any:
    """``array.flat[_at : _at + 8]`` of a C-contiguous array; nothing is checked."""
    if array.layout != "C":
        return None

    def code(context: Any, builder: Any, _signature: Any, args: Any) -> Any:
        return builder.load(_place(context, builder, array, args[0], args[1]), align=array.dtype.bitwidth // 8)

    return Lanes(array.dtype)(array, types.intp), code


@intrinsic
def store(_typing: Any, array: Any, _at: Any, value: Any) -> Any:
    """``array.flat[_at : _at + 8] = value`` of a C-contiguous array; nothing is checked."""
    if array.layout != "C":
        return None

    def code(context: Any, builder: Any, _signature: Any, args: Any) -> Any:
        builder.store(args[2], _place(context, builder, array, args[0], args[1]), align=array.dtype.bitwidth // 8)
        return context.get_dummy_value()

    return types.void(array, types.intp, value), code


@intrinsic
def every(_typing: Any, value: Any) -> Any:
    """The same float in all lanes."""

    def code(_context: Any, builder: Any, _signature: Any, args: Any) -> Any:
        nothing = ir.Constant(ir.VectorType(args[0].type, LANES), ir.Undefined)
        first = builder.insert_element(nothing, args[0], ir.Constant(ir.IntType(32), 0))
        return builder.shuffle_vector(first, nothing, _places([0] * LANES))

    return Lanes(value)(value), code


def _places(which: list[int]) -> Any:
    return ir.Constant(ir.VectorType(ir.IntType(32), LANES), which)


def _riffle(first: int) -> Any:
    """Four lanes of each of two, from `first` on, in turn."""

    @intrinsic
    def riffled(_typing: Any, a: Any, b: Any) -> Any:
        def code(_context: Any, builder: Any, _signature: Any, args: Any) -> Any:
            which = [first + k // 2 + LANES * (k % 2) for k in range(LANES)]
            return builder.shuffle_vector(args[0], args[1], _places(which))

        return a(a, b), code

    return riffled


_low, _high = _riffle(0), _riffle(LANES // 2)


@njit
def _riffled(rows):  # type: ignore[no-untyped-def]
    a, b, c, d, e, f, g, h = rows
    return _low(a, e), _high(a, e), _low(b, f), _high(b, f), _low(c, g), _high(c, g), _low(d, h), _high(d, h)


@njit
def turned(rows):  # type: ignore[no-untyped-def]
    """Eight by eight floats transposed: three perfect shuffles of the rows."""
    return _riffled(_riffled(_riffled(rows)))


def _operation(name: str) -> Any:
    @intrinsic
    def worked_out(_typing: Any, a: Any, b: Any) -> Any:
        def code(_context: Any, builder: Any, _signature: Any, args: Any) -> Any:
            return getattr(builder, name)(*args, flags=("fast",))

        return a(a, b), code

    def chosen(a, b):  # type: ignore[no-untyped-def]
        return (lambda a, b: worked_out(a, b)) if isinstance(a, Lanes) and a == b else None

    return chosen


for _function, _name in ((operator.add, "fadd"), (operator.sub, "fsub"), (operator.mul, "fmul")):
    overload(_function)(_operation(_name))
