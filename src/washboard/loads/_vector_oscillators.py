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
    call,
    cgutils,
    constant,
    intrinsic,
    lanes,
    last_lane,
    place_of,
    read,
    read_one,
    store,
    word_of,
)


@intrinsic
def rises_run(_typing: Any, x: Any, i: Any, words: Any, out: Any) -> tuple[Any, Callable[..., Any]]:
    """Bit by bit to words of 64, from x[i] on: whether a sample is above its forerunner."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        x_, i_, words_, out_ = arguments
        start, element = place_of(context, builder, signature.args[0], x_, i_)
        previous = Rolling(
            builder,
            last_lane(builder, read_one(builder, builder.gep(start, [constant(-1)], source_etype=element), element)),
        )
        with cgutils.for_range(builder, words_) as loop:
            place = builder.gep(start, [builder.shl(loop.index, constant(6))], source_etype=element)
            masks, last = [], previous.get()
            for step in range(8):
                here = read(builder, builder.gep(place, [constant(8 * step)], source_etype=element), element)
                masks.append(builder.fcmp_ordered(">", here, lanes(builder, last, here, 7)))
                last = here
            previous.put(last)
            target, _ = place_of(context, builder, signature.args[3], out_, loop.index)
            builder.store(word_of(builder, masks), target)
        return context.get_dummy_value()

    return types.void(x, types.int64, types.int64, out), generate


@intrinsic
def lowest_bit(_typing: Any, word: Any) -> tuple[Any, Callable[..., Any]]:
    """Place of the lowest bit that is set; 64 when none is."""

    def generate(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return builder.cttz(arguments[0], ir.Constant(ir.IntType(1), 0))

    return types.int64(types.int64), generate


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

        b0, b1, b2, a1, a2 = (read(builder, row_of(signature.args[3], factors_, n)) for n in range(5))
        slots = [row_of(signature.args[4], state_, n) for n in range(4)]
        rolling = [Rolling(builder, read(builder, slot)) for slot in slots]
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
