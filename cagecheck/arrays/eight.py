"""Eight boxes compared with a place at once, in the processor's wide registers.

The compiler unrolls loops over eight things before it looks for what could be done together, so
these few steps are written in its own language. Where registers are narrower it splits them by
itself. What is computed is float64 and the same to the last bit on every machine.
"""

from __future__ import annotations

from typing import Any

import llvmlite.ir as ir
from numba.core import types
from numba.extending import intrinsic

WIDTH = 8

_DOUBLES = ir.VectorType(ir.DoubleType(), WIDTH)
_FLOATS = ir.VectorType(ir.FloatType(), WIDTH)


class _Lanes:
    """Writes steps that work on eight numbers."""

    def __init__(self, context: Any, builder: ir.IRBuilder) -> None:
        self.context, self.builder = context, builder

    def all(self, value: Any) -> Any:
        """Return the same number eight times."""
        lanes = ir.Constant(_DOUBLES, ir.Undefined)
        zero = ir.Constant(ir.IntType(32), 0)
        lanes = self.builder.insert_element(lanes, value, zero)
        nowhere = ir.Constant(_DOUBLES, ir.Undefined)
        same = ir.Constant(ir.VectorType(ir.IntType(32), WIDTH), [0] * WIDTH)
        return self.builder.shuffle_vector(lanes, nowhere, same)

    def place(self, kind: Any, array: Any, first: Any, lanes: Any) -> Any:
        """Return the address of eight numbers of an array, counted through all its axes."""
        made = self.context.make_array(kind)(self.context, self.builder, array)
        return self.builder.bitcast(self.builder.gep(made.data, [first]), lanes.as_pointer())

    def read(self, kind: Any, array: Any, first: Any) -> Any:
        """Return eight float32 numbers of an array in float64."""
        place = self.place(kind, array, first, _FLOATS)
        return self.builder.fpext(self.builder.load(place, align=4), _DOUBLES)

    def write(self, kind: Any, array: Any, values: Any) -> None:
        """Write eight numbers to the beginning of an array."""
        first = ir.Constant(ir.IntType(64), 0)
        self.builder.store(values, self.place(kind, array, first, _DOUBLES), align=8)

    def larger(self, a: Any, b: Any) -> Any:
        """Return the larger number of each of eight pairs."""
        return self.builder.select(self.builder.fcmp_ordered(">", a, b), a, b)

    def smaller(self, a: Any, b: Any) -> Any:
        """Return the smaller number of each of eight pairs."""
        return self.builder.select(self.builder.fcmp_ordered("<", a, b), a, b)

    def sum_of_products(self, pairs: list[tuple[Any, Any]]) -> Any:
        """Return a b + c d + ..., added up in that order."""
        build = self.builder
        total = build.fmul(*pairs[0])
        for a, b in pairs[1:]:
            total = build.fadd(total, build.fmul(a, b))
        return total


def _eight_within(
    typing: Any, boxes: Any, ranges: Any, which: Any, place: Any, along: Any, limit: Any,
    square: Any, share: Any,
) -> Any:  # fmt: skip
    """Return a bit for each of eight boxes that are nearer to a place than a limit.

    A box is so where the square of its distance is less than `limit` times its share: the fourth
    power of the largest dot product, from 0 to 1, of `along` with any vector in the box's range; 1
    where `along` is zero.

    boxes, ranges : (K, 6, 8) float32, least and greatest corners of boxes, and components of
    vectors; which : the row. place, along : three numbers. square, share : (8,) float64, filled.
    """

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        kinds, do = signature.args, _Lanes(context, builder)
        zero, one = (ir.Constant(_DOUBLES, [x] * WIDTH) for x in (0.0, 1.0))
        number = ir.Constant(ir.DoubleType(), 0.0)
        gaps, pairs = [], []
        some_way = ir.Constant(ir.IntType(1), 0)
        for k in range(3):
            here = do.all(builder.extract_value(arguments[3], k))
            rows = [_row(builder, arguments[2], j) for j in (k, 3 + k)]
            least, most = (do.read(kinds[0], arguments[0], first) for first in rows)
            gap = do.larger(builder.fsub(least, here), builder.fsub(here, most))
            gaps.append(do.larger(gap, zero))
            way = builder.extract_value(arguments[4], k)
            some_way = builder.or_(some_way, builder.fcmp_unordered("!=", way, number))
            # The end of the range that lies farther along.
            end = builder.select(builder.fcmp_ordered(">", way, number), rows[1], rows[0])
            pairs.append((do.all(way), do.read(kinds[1], arguments[1], end)))
        squares = do.sum_of_products([(gap, gap) for gap in gaps])
        cosine = do.smaller(do.larger(do.sum_of_products(pairs), zero), one)
        cosine = builder.select(some_way, cosine, one)
        shares = builder.fmul(cosine, cosine)
        shares = builder.fmul(shares, shares)
        do.write(kinds[6], arguments[6], squares)
        do.write(kinds[7], arguments[7], shares)
        within = builder.fcmp_ordered("<", squares, builder.fmul(do.all(arguments[5]), shares))
        bits = builder.bitcast(within, ir.IntType(WIDTH))
        return builder.zext(bits, ir.IntType(64))

    arguments = boxes, ranges, types.int64, place, along, types.float64, square, share
    return types.int64(*arguments), generate


def _lowest_bit(typing: Any, bits: Any) -> Any:
    """Return which bit of a number, not 0, is the lowest that is set."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return builder.cttz(arguments[0], ir.Constant(ir.IntType(1), 1))

    return types.int64(types.int64), generate


def _row(builder: Any, which: Any, k: int) -> Any:
    """Return where row k of the six of a box begins."""
    row = builder.add(builder.mul(which, ir.Constant(which.type, 6)), ir.Constant(which.type, k))
    return builder.mul(row, ir.Constant(which.type, WIDTH))


eight_within: Any = intrinsic(_eight_within)
lowest_bit: Any = intrinsic(_lowest_bit)
