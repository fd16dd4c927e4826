# ruff: noqa: ARG001 - an intrinsic names the arguments that its generated code takes
"""Sums of ranges to a power, eight at a time, as LLVM vector code that numba calls: the same bits everywhere."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

import llvmlite.ir as ir
from numba import types

from washboard.loads._lanes import (
    F64,
    I32,
    V_LONG,
    Rolling,
    V,
    absolute,
    call,
    cgutils,
    constant,
    flavour_of,
    intrinsic,
    load,
    numbers,
    place_of,
    read,
    store,
    table,
)

#: Powers, in halves, that have a loop of their own: 1 to 10 by halves.
_OWN = range(2, 21)

#: Mantissas are brought near 1 by sixteen factors of few digits, so that the product is exact to a last place.
_FACTORS = [round(256 / (1 + (k + 0.5) / 16)) / 256 for k in range(16)]
_LOG2S = [-math.log2(factor) for factor in _FACTORS]
_ROOTS = [2.0 ** (k / 8) for k in range(8)]

#: Series of log2(1 + r) and of 2**g, up to where they are exact to a double for |r| < 0.035 and |g| < 1/16.
_LOG2_SERIES = [(-1) ** (n + 1) / (n * math.log(2)) for n in range(1, 11)]
_POWER_SERIES = [math.log(2) ** n / math.factorial(n) for n in range(8)]

_EIGHTHS = 1.5 * 2.0**49
"""Added to a number, leaves it rounded to eighths in the last bits."""


def _power(builder: Any, value: Any, halves: Any) -> Any:
    """Eight values to a power given in halves, a plain number or a value of the loop; rounded alike either way."""
    product, square = numbers(1.0), value
    fixed = isinstance(halves, int)
    for bit in range(1, 6):
        if fixed:
            if halves >> bit & 1:
                product = builder.fmul(product, square)
            if not halves >> bit + 1:
                break
        else:
            chosen = builder.icmp_signed("!=", builder.and_(halves, constant(1 << bit)), constant(0))
            product = builder.select(chosen, builder.fmul(product, square), product)
        square = builder.fmul(square, square)
    if fixed and not halves & 1:
        return product
    root = builder.fmul(product, call(builder, "llvm.sqrt.v8f64", V, [value]))
    if fixed:
        return root
    odd = builder.icmp_signed("!=", builder.and_(halves, constant(1)), constant(0))
    return builder.select(odd, root, product)


def _longs(value: int) -> Any:
    return ir.Constant(V_LONG, [value] * 8)


def _looked_up(context: Any, builder: Any, name: str, values: Sequence[float], where: Any) -> Any:
    """values[where] in every lane; there are 8 or 16 values, and `where` has bits above those that count."""
    size = len(values)
    if flavour_of(context).startswith("avx512"):
        low, high = (ir.Constant(V, list(values[k : k + 8])) for k in (0, size - 8))
        return call(builder, "llvm.x86.avx512.vpermi2var.pd.512", V, [low, where, high])
    address, kind = table(builder, name, [ir.Constant(F64, value) for value in values])
    where = builder.and_(where, _longs(size - 1))
    found = numbers(0.0)
    for lane in range(8):
        entry = builder.gep(
            address, [constant(0), builder.extract_element(where, constant(lane, I32))], source_etype=kind
        )
        found = builder.insert_element(found, builder.load(entry, typ=F64), constant(lane, I32))
    return found


def _series(builder: Any, coefficients: Sequence[float], values: Sequence[Any]) -> list[Any]:
    totals = [numbers(coefficients[-1])] * len(values)
    for coefficient in reversed(coefficients[:-1]):
        products = [builder.fmul(total, x) for total, x in zip(totals, values, strict=True)]
        totals = [builder.fadd(product, numbers(coefficient)) for product in products]
    return totals


def _within(builder: Any, value: Any, low: float, high: float) -> Any:
    value = builder.select(builder.fcmp_ordered("<", value, numbers(high)), value, numbers(high))
    return builder.select(builder.fcmp_ordered(">", value, numbers(low)), value, numbers(low))


def _logarithm(context: Any, builder: Any, value: Any) -> tuple[Any, Any, Any]:
    """Exponents, the log2 of sixteen steps of the mantissa, and what is left of it, near 0."""
    bits = builder.bitcast(value, V_LONG)
    exponent = builder.or_(builder.lshr(bits, _longs(52)), _longs(0x4330000000000000))
    exponent = builder.fsub(builder.bitcast(exponent, V), numbers(2.0**52 + 1023))
    mantissa = builder.or_(builder.and_(bits, _longs(0x000FFFFFFFFFFFFF)), _longs(0x3FF0000000000000))
    sixteenth = builder.lshr(bits, _longs(48))
    factor = _looked_up(context, builder, "washboard_factors", _FACTORS, sixteenth)
    r = builder.fsub(builder.fmul(builder.bitcast(mantissa, V), factor), numbers(1.0))
    return exponent, _looked_up(context, builder, "washboard_log2s", _LOG2S, sixteenth), r


def _real_powers(context: Any, builder: Any, values: Sequence[Any], power: Any) -> list[Any]:
    """Vectors of values above 0, or 0, to any power above 0: 2 to the power of (power times log2), to about 1e-14.

    Several vectors side by side, step by step, so that none waits for its own last step.
    """
    parts = [_logarithm(context, builder, value) for value in values]
    series = _series(builder, _LOG2_SERIES, [r for _, _, r in parts])
    turns, rests = [], []
    for (exponent, log2, r), total in zip(parts, series, strict=True):
        log2 = builder.fadd(builder.fmul(total, r), log2)
        # Both parts apart keep the last digits.
        whole, rest = builder.fmul(power, exponent), builder.fmul(power, log2)
        turn = builder.fadd(_within(builder, builder.fadd(whole, rest), -1022.0, 1024.0), numbers(_EIGHTHS))
        turns.append(builder.bitcast(turn, V_LONG))
        turn = builder.fsub(turn, numbers(_EIGHTHS))
        rests.append(_within(builder, builder.fadd(builder.fsub(whole, turn), rest), -0.0625, 0.0625))
    results = []
    for value, eighths, total in zip(values, turns, _series(builder, _POWER_SERIES, rests), strict=True):
        root = _looked_up(context, builder, "washboard_roots", _ROOTS, eighths)
        # The last bits of the sum hold the eighths; those above its own exponent are shifted out.
        scale = builder.shl(builder.lshr(builder.add(eighths, _longs(8 * 1023)), _longs(3)), _longs(52))
        result = builder.fmul(builder.fmul(total, root), builder.bitcast(scale, V))
        results.append(builder.select(builder.fcmp_ordered("==", value, numbers(0.0)), numbers(0.0), result))
    return results


def _in_fours(
    context: Any, builder: Any, kind: Any, ranges: Any, blocks: Any, power: Any, use: Callable[[Any, Any], None]
) -> None:
    """Raise ranges[:8*blocks], four vectors at a time as far as they go; `use` takes each with its place."""

    def some(first: Any, size: int) -> None:
        places = [builder.add(first, constant(8 * step)) for step in range(size)]
        values = [absolute(builder, load(context, builder, kind, ranges, place)) for place in places]
        for place, raised in zip(places, _real_powers(context, builder, values, power), strict=True):
            use(place, raised)

    fours = builder.lshr(blocks, constant(2))
    with cgutils.for_range(builder, fours) as loop:
        some(builder.shl(loop.index, constant(5)), 4)
    done = builder.shl(fours, constant(2))
    with cgutils.for_range(builder, builder.sub(blocks, done)) as loop:
        some(builder.shl(builder.add(done, loop.index), constant(3)), 1)


def _everywhere(builder: Any, value: Any) -> Any:
    one = builder.insert_element(numbers(0.0), value, constant(0, I32))
    return builder.shuffle_vector(one, one, ir.Constant(ir.VectorType(I32, 8), [0] * 8))


@intrinsic
def add_real_powers8(_typing: Any, ranges: Any, blocks: Any, power: Any, sums: Any) -> tuple[Any, Callable[..., Any]]:
    """Add the sizes of ranges[:8*blocks] to any `power` above 0 to the eight `sums`, lane by lane, to about 1e-14."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        ranges_, blocks_, power_, sums_ = arguments
        place, _ = place_of(context, builder, signature.args[3], sums_, constant(0))
        total, raised_by = Rolling(builder, read(builder, place)), _everywhere(builder, power_)

        def add(_place: Any, raised: Any) -> None:
            total.put(builder.fadd(total.get(), raised))

        _in_fours(context, builder, signature.args[0], ranges_, blocks_, raised_by, add)
        store(builder, total.get(), place)
        return context.get_dummy_value()

    return types.void(ranges, types.int64, types.float64, sums), generate


@intrinsic
def raise8(_typing: Any, ranges: Any, blocks: Any, power: Any, out: Any) -> tuple[Any, Callable[..., Any]]:
    """Put the sizes of ranges[:8*blocks] to any `power` above 0 in `out`, to about 1e-14."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        ranges_, blocks_, power_, out_ = arguments

        def put(at: Any, raised: Any) -> None:
            store(builder, raised, place_of(context, builder, signature.args[3], out_, at)[0])

        _in_fours(context, builder, signature.args[0], ranges_, blocks_, _everywhere(builder, power_), put)
        return context.get_dummy_value()

    return types.void(ranges, types.int64, types.float64, out), generate


@intrinsic
def add_powers8(_typing: Any, ranges: Any, blocks: Any, halves: Any, sums: Any) -> tuple[Any, Callable[..., Any]]:
    """Add the sizes of ranges[:8*blocks] to the power `halves` / 2 (2 to 63 halves) to the eight `sums`, lane by lane.

    A whole power is by repeated squaring, half a power more by a square root: to about a unit in the last place each.
    """

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        ranges_, blocks_, halves_, sums_ = arguments
        place, _ = place_of(context, builder, signature.args[3], sums_, constant(0))
        total = Rolling(builder, read(builder, place))

        def run(power: Any) -> None:
            with cgutils.for_range(builder, blocks_) as loop:
                value = load(context, builder, signature.args[0], ranges_, builder.mul(loop.index, constant(8)))
                total.put(builder.fadd(total.get(), _power(builder, absolute(builder, value), power)))

        other, done = builder.append_basic_block("any_power"), builder.append_basic_block("powers_added")
        switch = builder.switch(halves_, other)
        for power in _OWN:
            block = builder.append_basic_block(f"power_{power}")
            switch.add_case(constant(power), block)
            builder.position_at_end(block)
            run(power)
            builder.branch(done)
        builder.position_at_end(other)
        run(halves_)
        builder.branch(done)
        builder.position_at_end(done)
        store(builder, total.get(), place)
        return context.get_dummy_value()

    return types.void(ranges, types.int64, types.int64, sums), generate
