"""Eight-wide vectors of doubles as LLVM code: loads, packing of chosen lanes, and the processor they are made for.

The arithmetic is the same on every processor; only packing, which brings chosen lanes together, is written four ways:
by permutation of sixteen lanes or one instruction for eight with AVX-512, by a table of permutations with AVX2, lane by
lane elsewhere. All give the same bits. The compiled kernels are cached per processor, so the choice is made when they
are compiled.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

import llvmlite.ir as ir
import numba.core.cgutils
import numba.extending

# Without types of their own.
cgutils: Any = numba.core.cgutils
intrinsic: Any = numba.extending.intrinsic

I8, I16, I32, I64 = ir.IntType(8), ir.IntType(16), ir.IntType(32), ir.IntType(64)
F64 = ir.DoubleType()
V = ir.VectorType(F64, 8)
V_LONG = ir.VectorType(I64, 8)
_V4 = ir.VectorType(F64, 4)
_MASK = ir.VectorType(ir.IntType(1), 8)

Flavour = Literal["avx512 bytes", "avx512", "avx2", "plain"]


def flavour(features: str) -> Flavour:
    """How lanes are packed on a processor with these LLVM feature names."""
    names = set(features.split(","))
    if names >= {"+avx512f", "+avx512vl", "+avx512bw", "+avx512dq"}:
        return "avx512 bytes" if "+avx512vbmi2" in names else "avx512"
    return "avx2" if "+avx2" in names else "plain"


def flavour_of(context: Any) -> Flavour:
    """The same of what is being compiled."""
    return flavour(str(context.codegen().magic_tuple()[2]))


def constant(value: int, kind: Any = I64) -> Any:
    """A whole number."""
    return ir.Constant(kind, value)


def numbers(value: float) -> Any:
    """The same double in all lanes."""
    return ir.Constant(V, [value] * 8)


def place_of(context: Any, builder: Any, kind: Any, array: Any, index: Any) -> Any:
    """Address of array[index], and the type of its elements."""
    data = context.make_array(kind)(context, builder, value=array).data
    element = context.get_data_type(kind.dtype)
    return builder.gep(data, [index], source_etype=element), element


def load(context: Any, builder: Any, kind: Any, array: Any, index: Any) -> Any:
    """Eight samples from `array[index]` on, as doubles."""
    place, element = place_of(context, builder, kind, array, index)
    return read(builder, place, element)


def read(builder: Any, place: Any, element: Any = F64) -> Any:
    """Eight values at an address, as doubles."""
    vector = ir.VectorType(element, 8)
    value = builder.load(builder.bitcast(place, vector.as_pointer()), typ=vector)
    value.align = 4 if isinstance(element, ir.FloatType) else 8
    return builder.fpext(value, V) if isinstance(element, ir.FloatType) else value


def read_one(builder: Any, place: Any, element: Any = F64) -> Any:
    """One value at an address, as a double."""
    value = builder.load(place, typ=element)
    return builder.fpext(value, F64) if isinstance(element, ir.FloatType) else value


def call(builder: Any, name: str, result: Any, arguments: Sequence[Any]) -> Any:
    """Call of an LLVM function."""
    kind = ir.FunctionType(result, [argument.type for argument in arguments])
    return builder.call(cgutils.get_or_insert_function(builder.module, kind, name), arguments)


def store(builder: Any, value: Any, place: Any) -> None:
    """Eight values (or one) to an address."""
    stored = builder.store(value, builder.bitcast(place, value.type.as_pointer()))
    stored.align = 8


def count_bits(builder: Any, bits: Any) -> Any:
    """How many bits are set, as 64 bits."""
    found = call(builder, f"llvm.ctpop.i{bits.type.width}", bits.type, [bits])
    return found if bits.type.width == 64 else builder.zext(found, I64)


def absolute(builder: Any, value: Any) -> Any:
    """Lanes without their signs."""
    return call(builder, "llvm.fabs.v8f64", V, [value])


def bits_of(builder: Any, mask: Any) -> Any:
    """Eight comparisons as eight bits."""
    return builder.bitcast(mask, I8)


def lanes(builder: Any, left: Any, right: Any, first: int) -> Any:
    """Eight lanes of `left` followed by `right`, from lane `first` on."""
    return builder.shuffle_vector(left, right, ir.Constant(ir.VectorType(I32, 8), list(range(first, first + 8))))


def last_lane(builder: Any, value: Any) -> Any:
    """`value` in the last lane, 0 in the others."""
    return builder.insert_element(numbers(0.0), value, constant(7, I32))


class Rolling:
    """A value that a loop carries from step to step."""

    def __init__(self, builder: Any, first: Any) -> None:
        self._builder, self._kind = builder, first.type
        self._place = cgutils.alloca_once(builder, first.type)
        self.put(first)

    def get(self) -> Any:
        """Its present value."""
        return self._builder.load(self._place, typ=self._kind)

    def put(self, value: Any) -> None:
        """Its value from here on."""
        self._builder.store(value, self._place)


def table(builder: Any, name: str, rows: Sequence[Any]) -> Any:
    """Address of a constant table of the module; it is made when it is first asked for."""
    module, kind = builder.module, ir.ArrayType(rows[0].type, len(rows))
    if name not in module.globals:
        made = ir.GlobalVariable(module, kind, name)
        made.linkage, made.global_constant = "internal", True
        made.initializer = ir.Constant(kind, list(rows))
    return module.globals[name], kind


def _permuted4(builder: Any, part: Any, nibble: Any) -> Any:
    """Four lanes, the chosen ones first, by a table of 16 permutations of pairs of 32-bit lanes."""
    row = ir.VectorType(I32, 8)
    rows = []
    for choice in range(16):
        order = [lane for lane in range(4) if choice >> lane & 1]
        order += [0] * (4 - len(order))
        rows.append(ir.Constant(row, [half for lane in order for half in (2 * lane, 2 * lane + 1)]))
    address, kind = table(builder, "washboard_permutations", rows)
    entry = builder.gep(address, [constant(0), builder.zext(nibble, I64)], source_etype=kind)
    order = builder.load(entry, typ=row)
    order.align = 32
    singles = ir.VectorType(ir.FloatType(), 8)
    packed = call(builder, "llvm.x86.avx2.permps", singles, [builder.bitcast(part, singles), order])
    return builder.bitcast(packed, _V4)


def pack8(context: Any, builder: Any, value: Any, bits: Any, place: Any) -> Any:
    """Store the lanes of `value` chosen by the 8 `bits` one after the other at `place`; returns how many.

    Writes a whole vector: the places after the last chosen lane hold rubbish afterwards.
    """
    chosen = flavour_of(context)
    if chosen.startswith("avx512"):
        mask = builder.bitcast(bits, _MASK)
        packed = call(builder, "llvm.x86.avx512.mask.compress.v8f64", V, [value, ir.Constant(V, None), mask])
        store(builder, packed, place)
        return count_bits(builder, bits)
    done = constant(0)
    if chosen == "avx2":
        for half in range(2):
            order = ir.Constant(ir.VectorType(I32, 4), [half * 4 + lane for lane in range(4)])
            part = builder.shuffle_vector(value, value, order)
            nibble = builder.and_(builder.lshr(bits, constant(4 * half, I8)), constant(15, I8))
            store(builder, _permuted4(builder, part, nibble), builder.gep(place, [done], source_etype=F64))
            done = builder.add(done, count_bits(builder, nibble))
        return done
    for lane in range(8):
        one = builder.extract_element(value, constant(lane, I32))
        store(builder, one, builder.gep(place, [done], source_etype=F64))
        bit = builder.and_(builder.lshr(bits, constant(lane, I8)), constant(1, I8))
        done = builder.add(done, builder.zext(bit, I64))
    return done


def _first_of_16(builder: Any, left: Any, right: Any, bits: Any) -> Any:
    """The first eight lanes chosen by 16 bits out of two vectors: their numbers are packed, then looked up."""
    small = ir.VectorType(I8, 16)
    mask = builder.bitcast(bits, ir.VectorType(ir.IntType(1), 16))
    order = [ir.Constant(small, list(range(16))), ir.Constant(small, None), mask]
    packed = call(builder, "llvm.x86.avx512.mask.compress.v16i8", small, order)
    first = builder.shuffle_vector(packed, packed, ir.Constant(ir.VectorType(I32, 8), list(range(8))))
    where = builder.zext(first, V_LONG)
    return call(builder, "llvm.x86.avx512.vpermi2var.pd.512", V, [left, where, right])


def _pack_each(context: Any, builder: Any, values: Sequence[Any], bits: Any, place: Any) -> None:
    done = constant(0)
    for number, value in enumerate(values):
        some = builder.trunc(builder.lshr(bits, constant(8 * number)), I8)
        at = builder.gep(place, [done], source_etype=F64)
        done = builder.add(done, pack8(context, builder, value, some, at))


def pack64(context: Any, builder: Any, values: Sequence[Any], bits: Any, place: Any, *, sparse: bool = False) -> Any:
    """Store the lanes of eight vectors chosen by 64 bits one after the other at `place`; returns how many.

    `sparse`: no two neighbours are ever chosen. Up to seven places after the last chosen lane hold rubbish afterwards,
    but none beyond the 64th.
    """
    if flavour_of(context) != "avx512 bytes":
        _pack_each(context, builder, values, bits, place)
        return count_bits(builder, bits)
    firsts = [builder.and_(bits, constant((1 << 16 * number) - 1)) for number in range(1, 4)]
    ends = [constant(0), *(count_bits(builder, some) for some in (*firsts, bits))]

    def pack_pairs() -> None:
        for number in range(4):
            some = builder.trunc(builder.lshr(bits, constant(16 * number)), I16)
            packed = _first_of_16(builder, values[2 * number], values[2 * number + 1], some)
            store(builder, packed, builder.gep(place, [ends[number]], source_etype=F64))

    if sparse:
        pack_pairs()
        return ends[4]
    # A pair of vectors with more than eight chosen lanes needs both halves stored.
    over = constant(0)
    for number in range(4):
        over = builder.or_(over, builder.add(constant(8), builder.sub(ends[number], ends[number + 1])))
    few = builder.icmp_signed(">=", over, constant(0))
    with builder.if_else(few, likely=True) as (then, otherwise):
        with then:
            pack_pairs()
        with otherwise:
            _pack_each(context, builder, values, bits, place)
    return ends[4]


def word_of(builder: Any, masks: Sequence[Any]) -> Any:
    """Eight times eight comparisons as 64 bits."""
    word = constant(0)
    for number, mask in enumerate(masks):
        eight = builder.zext(bits_of(builder, mask), I64)
        word = builder.or_(word, builder.shl(eight, constant(8 * number)))
    return word
