# ruff: noqa: ARG001 - an intrinsic names the arguments that its generated code takes
"""Finding and peeling turning points 64 at a time, as LLVM vector code that numba calls.

Both are comparisons with a neighbour whose answers are gathered into a word of 64 bits; what is a turning point, what
closes and what stays is then arithmetic of bits, and the chosen lanes are packed together.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from numba import types

from washboard.loads._lanes import (
    F64,
    I32,
    I64,
    Rolling,
    cgutils,
    constant,
    intrinsic,
    lanes,
    last_lane,
    numbers,
    pack64,
    place_of,
    read,
    read_one,
    store,
    word_of,
)

_ALL = constant(-1)


def _at(builder: Any, place: Any, step: int, element: Any) -> Any:
    return builder.gep(place, [constant(step)], source_etype=element)


def _first(builder: Any, n: Any) -> Any:
    """The lowest `n` bits, for any `n`."""
    some = builder.sub(builder.shl(constant(1), builder.and_(n, constant(63))), constant(1))
    full = builder.icmp_signed(">=", n, constant(64))
    none = builder.icmp_signed("<=", n, constant(0))
    return builder.select(full, _ALL, builder.select(none, constant(0), some))


@intrinsic
def turns_run(_typing: Any, x: Any, i: Any, n: Any, out: Any, found: Any, check: Any) -> tuple[Any, Callable[..., Any]]:
    """Store to `out` those of x[i-1:i+n-1] that are turning points; reads up to the next whole 64 samples.

    found[:2] is the number in `out`, and whether the last sample before x[i] is above its forerunner (0 or 1), before
    and after. A sample that equals its forerunner counts as falling: a plateau on the way up gives two equal turning
    points, a cycle of no range. The eight lanes of `check` take the sum of all samples, which is finite only if all of
    them are.
    """

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        x_, i_, n_, out_, found_, check_ = arguments
        kind = signature.args
        slots = [place_of(context, builder, kind[4], found_, constant(n))[0] for n in range(2)]
        count, rising = (Rolling(builder, builder.load(slot, typ=I64)) for slot in slots)
        start, element = place_of(context, builder, kind[0], x_, i_)
        target, _ = place_of(context, builder, kind[3], out_, constant(0))
        previous = Rolling(builder, last_lane(builder, read_one(builder, _at(builder, start, -1, element), element)))
        kept, _ = place_of(context, builder, kind[5], check_, constant(0))
        # Four sums side by side, so that none waits for another.
        totals = [Rolling(builder, read(builder, kept)), *(Rolling(builder, numbers(0.0)) for _ in range(3))]

        def word(at: Any, left: Any = None) -> None:
            place = builder.gep(start, [at], source_etype=element)
            before, masks, last = [], [], previous.get()
            for step in range(8):
                here = read(builder, _at(builder, place, 8 * step, element), element)
                before.append(lanes(builder, last, here, 7))
                masks.append(builder.fcmp_ordered(">", here, before[-1]))
                totals[step % 4].put(builder.fadd(totals[step % 4].get(), here))
                last = here
            previous.put(last)
            rises = word_of(builder, masks)
            turns = builder.xor(rises, builder.or_(builder.shl(rises, constant(1)), rising.get()))
            if left is None:
                rising.put(builder.lshr(rises, constant(63)))
            else:
                turns = builder.and_(turns, _first(builder, left))
                rising.put(builder.and_(builder.lshr(rises, builder.sub(left, constant(1))), constant(1)))
            here = builder.gep(target, [count.get()], source_etype=F64)
            count.put(builder.add(count.get(), pack64(context, builder, before, turns, here)))

        with cgutils.for_range(builder, builder.lshr(n_, constant(6))) as loop:
            word(builder.shl(loop.index, constant(6)))
        left = builder.and_(n_, constant(63))
        with builder.if_then(builder.icmp_signed("!=", left, constant(0))):
            word(builder.sub(n_, left), left)
        total = builder.fadd(
            builder.fadd(totals[0].get(), totals[1].get()), builder.fadd(totals[2].get(), totals[3].get())
        )
        store(builder, total, kept)
        for slot, value in zip(slots, (count.get(), rising.get()), strict=True):
            builder.store(value, slot)
        return context.get_dummy_value()

    return types.void(x, types.int64, types.int64, out, found, check), generate


@intrinsic
def peel_run(_typing: Any, t: Any, n: Any, ranges: Any, found: Any) -> tuple[Any, Callable[..., Any]]:
    """Take every locally smallest range out of the `n` turning points t[:n], in place.

    The range from t[j] to t[j+1] is taken when it is not larger than the one before it and than the one after it: such
    a cycle closes whatever else does. As turning points go up and down in turn, a range is smaller than the one before
    it when its end lies inside, which is one comparison of turning points two apart. Of equal ranges the first of two
    goes after a rise, the second after a fall.

    found[:2] is the number of turning points that stay and the number of `ranges`, before and after. Ranges come with
    either sign. Reads to t[n+65], writes to t[63] beyond those that stay, and up to seven places beyond the ranges.
    """

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        t_, n_, ranges_, found_ = arguments
        kind = signature.args
        slots = [place_of(context, builder, kind[3], found_, constant(k))[0] for k in range(2)]
        left, cycles = Rolling(builder, constant(0)), Rolling(builder, builder.load(slots[1], typ=I64))
        start, _ = place_of(context, builder, kind[0], t_, constant(0))
        target, _ = place_of(context, builder, kind[2], ranges_, constant(0))
        first, second = (read_one(builder, _at(builder, start, step, F64)) for step in range(2))
        # Bit i tells t[i] > t[i-2]: that the range before t[i] is the smaller one where t[i-1] is a peak, and that it
        # is not where t[i-1] is a valley.
        valley = builder.fcmp_ordered(">", second, first)
        odd = constant(-0x5555555555555556)
        flip = builder.select(valley, odd, constant(0x5555555555555555))
        previous = Rolling(builder, numbers(0.0))
        carry = Rolling(builder, constant(0))
        # Nothing lies before the first range.
        known = Rolling(builder, constant(-4))

        def word(at: Any, *, whole: bool) -> None:
            place = builder.gep(start, [at], source_etype=F64)
            points = [read(builder, _at(builder, place, 8 * step, F64)) for step in range(8)]
            next_two = [read_one(builder, _at(builder, place, 64 + step, F64)) for step in range(2)]
            masks, last = [], previous.get()
            for here in points:
                masks.append(builder.fcmp_ordered(">", here, lanes(builder, last, here, 6)))
                last = here
            previous.put(last)
            smaller = builder.and_(builder.xor(word_of(builder, masks), flip), known.get())
            known.put(_ALL)
            coming = constant(0)
            for step, value in enumerate(next_two):
                lane = builder.extract_element(points[7], constant(6 + step, I32))
                above = builder.zext(builder.fcmp_ordered(">", value, lane), I64)
                coming = builder.or_(coming, builder.shl(above, constant(step)))
            coming = builder.xor(coming, builder.and_(flip, constant(3)))
            this = builder.or_(builder.lshr(smaller, constant(1)), builder.shl(coming, constant(63)))
            later = builder.or_(builder.lshr(smaller, constant(2)), builder.shl(coming, constant(62)))
            taken = builder.and_(this, builder.not_(later))
            if not whole:
                taken = builder.and_(taken, _first(builder, builder.sub(builder.sub(n_, constant(2)), at)))
            gone = builder.or_(builder.or_(taken, builder.shl(taken, constant(1))), carry.get())
            stay = builder.not_(gone)
            if not whole:
                stay = builder.and_(stay, _first(builder, builder.sub(n_, at)))
            carry.put(builder.lshr(taken, constant(63)))
            sizes = [
                builder.fsub(here, read(builder, _at(builder, place, 8 * step + 1, F64)))
                for step, here in enumerate(points)
            ]
            out = builder.gep(target, [cycles.get()], source_etype=F64)
            cycles.put(builder.add(cycles.get(), pack64(context, builder, sizes, taken, out, sparse=True)))
            out = builder.gep(start, [left.get()], source_etype=F64)
            left.put(builder.add(left.get(), pack64(context, builder, points, stay, out)))

        # Words in which every range has a later one, then the last one or two.
        full = builder.lshr(builder.sub(n_, constant(2)), constant(6))
        with cgutils.for_range(builder, full) as loop:
            word(builder.shl(loop.index, constant(6)), whole=True)
        words = builder.lshr(builder.add(n_, constant(63)), constant(6))
        with cgutils.for_range(builder, builder.sub(words, full)) as loop:
            word(builder.shl(builder.add(full, loop.index), constant(6)), whole=False)
        for slot, value in zip(slots, (left.get(), cycles.get()), strict=True):
            builder.store(value, slot)
        return context.get_dummy_value()

    return types.void(t, types.int64, ranges, found), generate
