# ruff: noqa: ARG001 - an intrinsic names the arguments that its generated code takes
"""Eight oscillators at once, and the peaks of their responses, as LLVM vector code that numba calls."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import llvmlite.ir as ir
from numba import types

from washboard.loads._lanes import (
    F64,
    I32,
    Rolling,
    V,
    bits_of,
    call,
    cgutils,
    constant,
    intrinsic,
    load,
    pack8,
    place_of,
    store,
)


@intrinsic
def peaks_run(
    _typing: Any, x: Any, i: Any, steps: Any, before: Any, here: Any, after: Any
) -> tuple[Any, Callable[..., Any]]:
    """Turning points among x[i:i+8*steps], each with its two neighbours, to three arrays; returns how many.

    A plateau gives turning points of no range.
    """

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        x_, i_, steps_, *targets = arguments
        kind = signature.args[0]
        count = Rolling(builder, constant(0))
        with cgutils.for_range(builder, steps_) as loop:
            index = builder.add(i_, builder.mul(loop.index, constant(8)))
            a, b, c = (load(context, builder, kind, x_, builder.add(index, constant(n))) for n in (-1, 0, 1))
            turn = builder.xor(builder.fcmp_ordered(">", b, a), builder.fcmp_ordered(">", c, b))
            bits = bits_of(builder, turn)
            found = constant(0)
            for value, target, array in zip((a, b, c), targets, signature.args[3:], strict=True):
                place, _ = place_of(context, builder, array, target, count.get())
                found = pack8(context, builder, value, bits, place)
            count.put(builder.add(count.get(), found))
        return count.get()

    return types.int64(x, types.int64, types.int64, before, here, after), generate


def _add_product(context: Any, builder: Any, total: Any, left: Any, right: Any) -> Any:
    """Total + left * right, rounded once where the processor can."""
    if "+fma" in str(context.codegen().magic_tuple()[2]).split(","):
        return call(builder, "llvm.fma.v8f64", V, [left, right, total])
    return builder.fadd(total, builder.fmul(left, right))


def _turned(builder: Any, rows: list[Any]) -> list[Any]:
    """Transpose of an 8 by 8 block, in three stages of pairwise shuffles."""

    def shuffle(left: Any, right: Any, lanes: list[int]) -> Any:
        return builder.shuffle_vector(left, right, ir.Constant(ir.VectorType(I32, 8), lanes))

    for size in (1, 2, 4):
        low = [lane + (8 - size if lane & size else 0) for lane in range(8)]
        high = [lane + size + (8 - size if lane & size else 0) for lane in range(8)]
        turned = list(rows)
        for row in range(8):
            if not row & size:
                turned[row] = shuffle(rows[row], rows[row + size], low)
                turned[row + size] = shuffle(rows[row], rows[row + size], high)
        rows = turned
    return rows


@intrinsic
def oscillate_run(
    _typing: Any, x: Any, i: Any, steps: Any, factors: Any, state: Any, rows: Any, width: Any, column: Any
) -> tuple[Any, Callable[..., Any]]:
    """Responses of eight oscillators to x[i:i+8*steps], each in its own row of `rows` from `column` on.

    factors[5, 8] are b0, b1, b2, -a1, -a2; state[4, 8] the last two responses and, in all lanes, the last two samples.
    """

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        x_, i_, steps_, factors_, state_, rows_, width_, column_ = arguments

        def row_of(kind: Any, array: Any, row: int) -> Any:
            return place_of(context, builder, kind, array, constant(8 * row))[0]

        def read(place: Any) -> Any:
            value = builder.load(builder.bitcast(place, V.as_pointer()), typ=V)
            value.align = 8
            return value

        b0, b1, b2, a1, a2 = (read(row_of(signature.args[3], factors_, n)) for n in range(5))
        slots = [row_of(signature.args[4], state_, n) for n in range(4)]
        rolling = [Rolling(builder, read(slot)) for slot in slots]
        start, _ = place_of(context, builder, signature.args[5], rows_, column_)
        with cgutils.for_range(builder, steps_) as loop:
            offset = builder.mul(loop.index, constant(8))
            y1, y2, x1, x2 = (value.get() for value in rolling)
            found = []
            for step in range(8):
                index = builder.add(builder.add(i_, offset), constant(step))
                place, element = place_of(context, builder, signature.args[0], x_, index)
                sample = builder.load(place, typ=element)
                one = builder.insert_element(ir.Constant(V, ir.Undefined), sample, constant(0, I32))
                x0 = builder.shuffle_vector(one, one, ir.Constant(ir.VectorType(I32, 8), [0] * 8))
                known = builder.fmul(b2, x2)
                for factor, value in ((b1, x1), (b0, x0), (a2, y2), (a1, y1)):
                    known = _add_product(context, builder, known, factor, value)
                found.append(known)
                y1, y2, x1, x2 = known, y1, x0, x1
            for row, values in enumerate(_turned(builder, found)):
                index = builder.add(builder.mul(width_, constant(row)), offset)
                store(builder, values, builder.gep(start, [index], source_etype=F64))
            for value, new in zip(rolling, (y1, y2, x1, x2), strict=True):
                value.put(new)
        for slot, value in zip(slots, rolling, strict=True):
            store(builder, value.get(), slot)
        return context.get_dummy_value()

    integer = types.int64
    return types.void(x, integer, integer, factors, state, rows, integer, integer), generate
