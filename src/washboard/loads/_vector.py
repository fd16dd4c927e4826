# ruff: noqa: ARG001 - an intrinsic names the arguments that its generated code takes
"""Eight-wide vector steps for the counting loops, as LLVM vector code that numba calls.

The arithmetic is the same on every processor; only `_compress`, which packs the chosen lanes together, is written
three ways: one instruction with AVX-512, a table of permutations with AVX2, lane by lane elsewhere. All three give the
same bits. The compiled kernels are cached per processor, so the choice is made when they are compiled.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Literal

import llvmlite.ir as ir
import numba.core.cgutils
import numba.extending
from numba import types

# Without types of their own.
cgutils: Any = numba.core.cgutils
intrinsic: Any = numba.extending.intrinsic

_I8, _I32, _I64 = ir.IntType(8), ir.IntType(32), ir.IntType(64)
_F64 = ir.DoubleType()
_V = ir.VectorType(_F64, 8)
_V4 = ir.VectorType(_F64, 4)
_MASK = ir.VectorType(ir.IntType(1), 8)

Flavour = Literal["avx512", "avx2", "plain"]


def flavour(features: str) -> Flavour:
    """How lanes are packed on a processor with these LLVM feature names."""
    names = set(features.split(","))
    if "+avx512f" in names and "+avx512vl" in names:
        return "avx512"
    return "avx2" if "+avx2" in names else "plain"


def _flavour_of(context: Any) -> Flavour:
    return flavour(str(context.codegen().magic_tuple()[2]))


def _constant(value: int, kind: Any = _I64) -> Any:
    return ir.Constant(kind, value)


def _place(context: Any, builder: Any, kind: Any, array: Any, index: Any) -> Any:
    data = context.make_array(kind)(context, builder, value=array).data
    element = context.get_data_type(kind.dtype)
    return builder.gep(data, [index], source_etype=element), element


def _load(context: Any, builder: Any, kind: Any, array: Any, index: Any) -> Any:
    """Eight samples from `array[index]` on, as doubles."""
    place, element = _place(context, builder, kind, array, index)
    vector = ir.VectorType(element, 8)
    value = builder.load(builder.bitcast(place, vector.as_pointer()), typ=vector)
    value.align = 4 if isinstance(element, ir.FloatType) else 8
    return builder.fpext(value, _V) if isinstance(element, ir.FloatType) else value


def _call(builder: Any, name: str, result: Any, arguments: Sequence[Any]) -> Any:
    kind = ir.FunctionType(result, [argument.type for argument in arguments])
    return builder.call(cgutils.get_or_insert_function(builder.module, kind, name), arguments)


def _store(builder: Any, value: Any, place: Any) -> None:
    stored = builder.store(value, builder.bitcast(place, value.type.as_pointer()))
    stored.align = 8


def _count(builder: Any, bits: Any) -> Any:
    return builder.zext(_call(builder, "llvm.ctpop.i8", _I8, [bits]), _I64)


def _abs(builder: Any, value: Any) -> Any:
    return _call(builder, "llvm.fabs.v8f64", _V, [value])


def _bits(builder: Any, mask: Any) -> Any:
    return builder.bitcast(mask, _I8)


def _permutations(builder: Any) -> Any:
    """Table of 16 permutations of 4 doubles, as pairs of 32-bit lanes, that bring the chosen ones to the front."""
    module, name = builder.module, "washboard_permutations"
    rows = []
    for choice in range(16):
        lanes = [lane for lane in range(4) if choice >> lane & 1]
        lanes += [0] * (4 - len(lanes))
        rows.append([half for lane in lanes for half in (2 * lane, 2 * lane + 1)])
    row = ir.VectorType(_I32, 8)
    kind = ir.ArrayType(row, 16)
    if name not in module.globals:
        table = ir.GlobalVariable(module, kind, name)
        table.linkage, table.global_constant = "internal", True
        table.initializer = ir.Constant(kind, [ir.Constant(row, values) for values in rows])
    return module.globals[name], row, kind


def _compress(context: Any, builder: Any, value: Any, bits: Any, place: Any) -> Any:
    """Store the lanes of `value` chosen by the 8 `bits` one after the other at `place`; returns how many.

    Writes a whole vector: the seven places after the last chosen lane hold rubbish afterwards.
    """
    chosen = _flavour_of(context)
    if chosen == "avx512":
        mask = builder.bitcast(bits, _MASK)
        packed = _call(builder, "llvm.x86.avx512.mask.compress.v8f64", _V, [value, ir.Constant(_V, None), mask])
        _store(builder, packed, place)
        return _count(builder, bits)
    if chosen == "avx2":
        table, row, kind = _permutations(builder)
        singles = ir.VectorType(ir.FloatType(), 8)
        done = _constant(0)
        for half in range(2):
            lanes = ir.Constant(ir.VectorType(_I32, 4), [half * 4 + lane for lane in range(4)])
            part = builder.shuffle_vector(value, value, lanes)
            nibble = builder.and_(builder.lshr(bits, _constant(4 * half, _I8)), _constant(15, _I8))
            entry = builder.gep(table, [_constant(0), builder.zext(nibble, _I64)], source_etype=kind)
            order = builder.load(entry, typ=row)
            order.align = 32
            packed = _call(builder, "llvm.x86.avx2.permps", singles, [builder.bitcast(part, singles), order])
            _store(builder, builder.bitcast(packed, _V4), builder.gep(place, [done], source_etype=_F64))
            done = builder.add(done, _count(builder, nibble))
        return done
    done = _constant(0)
    for lane in range(8):
        _store(
            builder,
            builder.extract_element(value, _constant(lane, _I32)),
            builder.gep(place, [done], source_etype=_F64),
        )
        bit = builder.and_(builder.lshr(bits, _constant(lane, _I8)), _constant(1, _I8))
        done = builder.add(done, builder.zext(bit, _I64))
    return done


def _any(builder: Any, mask: Any) -> Any:
    """Bit 8 set when any lane of `mask` is."""
    found = builder.icmp_unsigned("!=", _bits(builder, mask), _constant(0, _I8))
    return builder.shl(builder.zext(found, _I64), _constant(8))


@intrinsic
def turns8(_typing: Any, x: Any, i: Any, rise: Any, valid: Any, out: Any, k: Any) -> tuple[Any, Callable[..., Any]]:
    """Store to `out[k:]` those of x[i-1:i+7] that are turning points, as far as `valid`.

    `rise` is 1 when x[i-1] is above x[i-2]. Returns their number, plus 256 when any of x[i:i+8] equals its forerunner
    or is not a number (then all is void), plus 512 when x[i+7] is above x[i+6].
    """

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        x_, i_, rise_, valid_, out_, k_ = arguments
        kind = signature.args[0]
        before = _load(context, builder, kind, x_, builder.sub(i_, _constant(1)))
        here = _load(context, builder, kind, x_, i_)
        rises = _bits(builder, builder.fcmp_ordered(">", here, before))
        level = builder.fcmp_unordered("==", here, before)
        earlier = builder.or_(builder.shl(rises, _constant(1, _I8)), builder.trunc(rise_, _I8))
        bits = builder.and_(builder.xor(rises, earlier), builder.trunc(valid_, _I8))
        place, _ = _place(context, builder, signature.args[4], out_, k_)
        count = builder.or_(_compress(context, builder, before, bits, place), _any(builder, level))
        last = builder.zext(builder.lshr(rises, _constant(7, _I8)), _I64)
        return builder.or_(count, builder.shl(last, _constant(9)))

    return types.int64(x, types.int64, types.int64, types.int64, out, types.int64), generate


@intrinsic
def distinct8(_typing: Any, x: Any, i: Any, out: Any, k: Any) -> tuple[Any, Callable[..., Any]]:
    """Store to `out[k:]` those of x[i:i+8] that differ from their forerunner.

    Returns their number, plus 256 when any is not a number.
    """

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        x_, i_, out_, k_ = arguments
        kind = signature.args[0]
        before = _load(context, builder, kind, x_, builder.sub(i_, _constant(1)))
        here = _load(context, builder, kind, x_, i_)
        differs = builder.fcmp_unordered("!=", here, before)
        nan = builder.fcmp_unordered("uno", here, here)
        place, _ = _place(context, builder, signature.args[2], out_, k_)
        return builder.or_(_compress(context, builder, here, _bits(builder, differs), place), _any(builder, nan))

    return types.int64(x, types.int64, out, types.int64), generate


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
        count = _Rolling(builder, _constant(0))
        with cgutils.for_range(builder, steps_) as loop:
            index = builder.add(i_, builder.mul(loop.index, _constant(8)))
            a, b, c = (_load(context, builder, kind, x_, builder.add(index, _constant(n))) for n in (-1, 0, 1))
            turn = builder.xor(builder.fcmp_ordered(">", b, a), builder.fcmp_ordered(">", c, b))
            bits = _bits(builder, turn)
            found = _constant(0)
            for value, target, array in zip((a, b, c), targets, signature.args[3:], strict=True):
                place, _ = _place(context, builder, array, target, count.get())
                found = _compress(context, builder, value, bits, place)
            count.put(builder.add(count.get(), found))
        return count.get()

    return types.int64(x, types.int64, types.int64, before, here, after), generate


def _add_product(context: Any, builder: Any, total: Any, left: Any, right: Any) -> Any:
    """Total + left * right, rounded once where the processor can."""
    if "+fma" in str(context.codegen().magic_tuple()[2]).split(","):
        return _call(builder, "llvm.fma.v8f64", _V, [left, right, total])
    return builder.fadd(total, builder.fmul(left, right))


def _turned(builder: Any, rows: list[Any]) -> list[Any]:
    """Transpose of an 8 by 8 block, in three stages of pairwise shuffles."""

    def shuffle(left: Any, right: Any, lanes: list[int]) -> Any:
        return builder.shuffle_vector(left, right, ir.Constant(ir.VectorType(_I32, 8), lanes))

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
            return _place(context, builder, kind, array, _constant(8 * row))[0]

        def read(place: Any) -> Any:
            value = builder.load(builder.bitcast(place, _V.as_pointer()), typ=_V)
            value.align = 8
            return value

        b0, b1, b2, a1, a2 = (read(row_of(signature.args[3], factors_, n)) for n in range(5))
        slots = [row_of(signature.args[4], state_, n) for n in range(4)]
        rolling = [_Rolling(builder, read(slot)) for slot in slots]
        start, _ = _place(context, builder, signature.args[5], rows_, column_)
        with cgutils.for_range(builder, steps_) as loop:
            offset = builder.mul(loop.index, _constant(8))
            y1, y2, x1, x2 = (value.get() for value in rolling)
            found = []
            for step in range(8):
                index = builder.add(builder.add(i_, offset), _constant(step))
                place, element = _place(context, builder, signature.args[0], x_, index)
                sample = builder.load(place, typ=element)
                one = builder.insert_element(ir.Constant(_V, ir.Undefined), sample, _constant(0, _I32))
                x0 = builder.shuffle_vector(one, one, ir.Constant(ir.VectorType(_I32, 8), [0] * 8))
                known = builder.fmul(b2, x2)
                for factor, value in ((b1, x1), (b0, x0), (a2, y2), (a1, y1)):
                    known = _add_product(context, builder, known, factor, value)
                found.append(known)
                y1, y2, x1, x2 = known, y1, x0, x1
            for row, values in enumerate(_turned(builder, found)):
                index = builder.add(builder.mul(width_, _constant(row)), offset)
                _store(builder, values, builder.gep(start, [index], source_etype=_F64))
            for value, new in zip(rolling, (y1, y2, x1, x2), strict=True):
                value.put(new)
        for slot, value in zip(slots, rolling, strict=True):
            _store(builder, value.get(), slot)
        return context.get_dummy_value()

    integer = types.int64
    return types.void(x, integer, integer, factors, state, rows, integer, integer), generate


@intrinsic
def peel8(
    _typing: Any, t: Any, i: Any, out: Any, k: Any, ranges: Any, c: Any, carry: Any, chosen: Any, kept: Any
) -> tuple[Any, Callable[..., Any]]:
    """One step of a peeling pass over turning points t[i:i+8].

    The range from t[j] to t[j+1] is taken out when it is smaller than the one before it and not larger than the one
    after it: such a cycle closes whatever else does. Its size goes to `ranges[c:]`; points that stay go to `out[k:]`.
    `carry` is 1 when the range that ends at t[i] was taken; `chosen` and `kept` mask off lanes beyond the end.

    Returns points kept + 256 x ranges taken + 65536 x the next carry.
    """

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        t_, i_, out_, k_, ranges_, c_, carry_, chosen_, kept_ = arguments
        kind = signature.args[0]
        points = [_load(context, builder, kind, t_, builder.add(i_, _constant(step))) for step in (-1, 0, 1, 2)]
        before, here, after = (_abs(builder, builder.fsub(points[n + 1], points[n])) for n in range(3))
        smallest = builder.and_(builder.fcmp_ordered("<", here, before), builder.fcmp_ordered("<=", here, after))
        taken = builder.and_(_bits(builder, smallest), builder.trunc(chosen_, _I8))
        ends = builder.or_(builder.shl(taken, _constant(1, _I8)), builder.trunc(carry_, _I8))
        stay = builder.and_(builder.not_(builder.or_(taken, ends)), builder.trunc(kept_, _I8))
        sizes, _ = _place(context, builder, signature.args[4], ranges_, c_)
        cycles = _compress(context, builder, here, taken, sizes)
        places, _ = _place(context, builder, signature.args[2], out_, k_)
        left = _compress(context, builder, points[1], stay, places)
        carried = builder.zext(builder.lshr(taken, _constant(7, _I8)), _I64)
        packed = builder.or_(left, builder.shl(cycles, _constant(8)))
        return builder.or_(packed, builder.shl(carried, _constant(16)))

    integer = types.int64
    return integer(t, integer, out, integer, ranges, integer, integer, integer, integer), generate


class _Rolling:
    """A value that a loop carries from step to step."""

    def __init__(self, builder: Any, first: Any) -> None:
        self._builder, self._kind = builder, first.type
        self._place = cgutils.alloca_once(builder, first.type)
        self.put(first)

    def get(self) -> Any:
        return self._builder.load(self._place, typ=self._kind)

    def put(self, value: Any) -> None:
        self._builder.store(value, self._place)


def _lanes(builder: Any, left: Any, right: Any, first: int) -> Any:
    """Eight lanes of `left` followed by `right`, from lane `first` on."""
    return builder.shuffle_vector(left, right, ir.Constant(ir.VectorType(_I32, 8), list(range(first, first + 8))))


def _last_lane(builder: Any, value: Any) -> Any:
    return builder.insert_element(ir.Constant(_V, [0.0] * 8), value, _constant(7, _I32))


@intrinsic
def turns_run(_typing: Any, x: Any, i: Any, steps: Any, rise: Any, out: Any, k: Any) -> tuple[Any, Callable[..., Any]]:
    """As many steps of `turns8` as `steps`, from x[i] on; returns 4 x the new `k` + 2 x void + rise."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        x_, i_, steps_, rise_, out_, k_ = arguments
        kind = signature.args[0]
        place, element = _place(context, builder, kind, x_, builder.sub(i_, _constant(1)))
        one = builder.load(place, typ=element)
        one = builder.fpext(one, _F64) if isinstance(element, ir.FloatType) else one
        previous = _Rolling(builder, _last_lane(builder, one))
        level = _Rolling(builder, ir.Constant(_MASK, None))
        rising = _Rolling(builder, builder.trunc(rise_, _I8))
        count = _Rolling(builder, k_)
        with cgutils.for_range(builder, steps_) as loop:
            here = _load(context, builder, kind, x_, builder.add(i_, builder.mul(loop.index, _constant(8))))
            before = _lanes(builder, previous.get(), here, 7)
            rises = _bits(builder, builder.fcmp_ordered(">", here, before))
            level.put(builder.or_(level.get(), builder.fcmp_unordered("==", here, before)))
            bits = builder.xor(rises, builder.or_(builder.shl(rises, _constant(1, _I8)), rising.get()))
            target, _ = _place(context, builder, signature.args[4], out_, count.get())
            count.put(builder.add(count.get(), _compress(context, builder, before, bits, target)))
            rising.put(builder.lshr(rises, _constant(7, _I8)))
            previous.put(here)
        void = builder.lshr(_any(builder, level.get()), _constant(7))
        packed = builder.or_(builder.shl(count.get(), _constant(2)), void)
        return builder.or_(packed, builder.zext(rising.get(), _I64))

    return types.int64(x, types.int64, types.int64, types.int64, out, types.int64), generate


@intrinsic
def peel_run(_typing: Any, t: Any, steps: Any, out: Any, ranges: Any, found: Any) -> tuple[Any, Callable[..., Any]]:
    """As many full steps of `peel8` as `steps`, from t[1] on; found[:3] is k, c and the carry, before and after."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        t_, steps_, out_, ranges_, found_ = arguments
        kind = signature.args[0]
        slots = [_place(context, builder, signature.args[4], found_, _constant(n))[0] for n in range(3)]
        count, cycles = (_Rolling(builder, builder.load(slot, typ=_I64)) for slot in slots[:2])
        carry = _Rolling(builder, builder.trunc(builder.load(slots[2], typ=_I64), _I8))

        def load(index: Any) -> Any:
            return _load(context, builder, kind, t_, index)

        def size(left: Any, right: Any) -> Any:
            return _abs(builder, builder.fsub(_lanes(builder, left, right, 1), left))

        first, second = load(_constant(1)), load(_constant(9))
        points, coming = _Rolling(builder, first), _Rolling(builder, second)
        opening = _abs(builder, builder.fsub(first, load(_constant(0))))
        lead = builder.extract_element(opening, _constant(0, _I32))
        earlier, sizes = _Rolling(builder, _last_lane(builder, lead)), _Rolling(builder, size(first, second))
        with cgutils.for_range(builder, steps_) as loop:
            here, then = points.get(), coming.get()
            after = load(builder.add(builder.mul(loop.index, _constant(8)), _constant(17)))
            this, later = sizes.get(), size(then, after)
            smallest = builder.and_(
                builder.fcmp_ordered("<", this, _lanes(builder, earlier.get(), this, 7)),
                builder.fcmp_ordered("<=", this, _lanes(builder, this, later, 1)),
            )
            taken = _bits(builder, smallest)
            ends = builder.or_(builder.shl(taken, _constant(1, _I8)), carry.get())
            stay = builder.not_(builder.or_(taken, ends))
            target, _ = _place(context, builder, signature.args[3], ranges_, cycles.get())
            cycles.put(builder.add(cycles.get(), _compress(context, builder, this, taken, target)))
            target, _ = _place(context, builder, signature.args[2], out_, count.get())
            count.put(builder.add(count.get(), _compress(context, builder, here, stay, target)))
            carry.put(builder.lshr(taken, _constant(7, _I8)))
            points.put(then)
            coming.put(after)
            earlier.put(this)
            sizes.put(later)
        for slot, value in zip(slots, (count.get(), cycles.get(), builder.zext(carry.get(), _I64)), strict=True):
            builder.store(value, slot)
        return context.get_dummy_value()

    return types.void(t, types.int64, out, ranges, found), generate


def _power(builder: Any, value: Any, halves: Any) -> Any:
    """Eight values to a power given in halves, a plain number or a value of the loop; rounded alike either way."""
    product, square = ir.Constant(_V, [1.0] * 8), value
    fixed = isinstance(halves, int)
    for bit in range(1, 6):
        if fixed:
            if halves >> bit & 1:
                product = builder.fmul(product, square)
            if not halves >> bit + 1:
                break
        else:
            chosen = builder.icmp_signed("!=", builder.and_(halves, _constant(1 << bit)), _constant(0))
            product = builder.select(chosen, builder.fmul(product, square), product)
        square = builder.fmul(square, square)
    root = _call(builder, "llvm.sqrt.v8f64", _V, [value])
    if fixed:
        return builder.fmul(product, root) if halves & 1 else product
    odd = builder.icmp_signed("!=", builder.and_(halves, _constant(1)), _constant(0))
    return builder.select(odd, builder.fmul(product, root), product)


#: Powers, in halves, that have a loop of their own: 1 to 10 by halves.
_OWN = range(2, 21)


@intrinsic
def add_powers8(_typing: Any, ranges: Any, blocks: Any, halves: Any, sums: Any) -> tuple[Any, Callable[..., Any]]:
    """Add ranges[:8*blocks] to the power `halves` / 2 (2 to 63 halves) to the eight `sums`, lane by lane.

    A whole power is by repeated squaring, half a power more by a square root: to about a unit in the last place each.
    """

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        ranges_, blocks_, halves_, sums_ = arguments
        place, _ = _place(context, builder, signature.args[3], sums_, _constant(0))
        first = builder.load(builder.bitcast(place, _V.as_pointer()), typ=_V)
        first.align = 8
        total = _Rolling(builder, first)

        def run(power: Any) -> None:
            with cgutils.for_range(builder, blocks_) as loop:
                value = _load(context, builder, signature.args[0], ranges_, builder.mul(loop.index, _constant(8)))
                total.put(builder.fadd(total.get(), _power(builder, value, power)))

        other, done = builder.append_basic_block("any_power"), builder.append_basic_block("powers_added")
        switch = builder.switch(halves_, other)
        for power in _OWN:
            block = builder.append_basic_block(f"power_{power}")
            switch.add_case(_constant(power), block)
            builder.position_at_end(block)
            run(power)
            builder.branch(done)
        builder.position_at_end(other)
        run(halves_)
        builder.branch(done)
        builder.position_at_end(done)
        _store(builder, total.get(), place)
        return context.get_dummy_value()

    return types.void(ranges, types.int64, types.int64, sums), generate


@intrinsic
def as_bits(_typing: Any, value: Any) -> tuple[Any, Callable[..., Any]]:
    """The 64 bits of a double as an integer."""

    def generate(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return builder.bitcast(arguments[0], _I64)

    return types.int64(types.float64), generate


@intrinsic
def as_double(_typing: Any, value: Any) -> tuple[Any, Callable[..., Any]]:
    """The double with these 64 bits."""

    def generate(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return builder.bitcast(arguments[0], _F64)

    return types.float64(types.int64), generate
