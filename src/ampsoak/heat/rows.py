"""Rows of eight: what eight members have at one unknown, side by side, so that each number of a matrix is read once.

An array of rows holds, unknown by unknown, eight numbers one behind the other, one per member. As in ``tiles`` each
operation exists twice, as vector instructions and as the algebra that plain Python runs; sums are fused and in a fixed
order, so every processor gives the same bits.
"""

from __future__ import annotations

import numba
import numpy as np
from llvmlite import ir
from numba.core import cgutils, types
from numba.extending import intrinsic

from ampsoak.heat.tiles import (
    _DOUBLE,
    SIDE,
    TILE,
    _constant,
    _converted,
    _fused,
    _index,
    _Loop,
    _rounded,
    _rounded_plain,
    _spread,
    _Tiles,
)

_STRANDS = 4  # sums that do not wait for each other
_VECTOR = ir.VectorType(_DOUBLE, SIDE)


def _row(builder, number):
    """Where row ``number`` begins."""
    return builder.mul(number, _index(SIDE))


def _products(builder, tiles, start, step, known):
    """Sum of numbers of a tile, ``step`` places apart from ``start`` = (place, more) on, times the rows ``known``."""
    place, more = start
    total = builder.fmul(tiles.spread(place, more), known[0])
    for q in range(1, len(known)):
        total = _fused(builder, tiles.spread(place, more + step * q), known[q], total)
    return total


@intrinsic
def _forward_rows_compiled(typing, factor, place, count, rows, start):
    signature = types.void(factor, types.intp, types.intp, rows, types.intp)

    def codegen(context, builder, signature, arguments):
        factor, place, count, rows, start = arguments
        tiles = _Tiles(context, builder, signature.args[0], factor)
        values = _Tiles(context, builder, signature.args[3], rows)
        here = [_rounded(builder, values.load(start, SIDE * q), tiles.vector) for q in range(SIDE)]
        taken = []
        for p in range(SIDE):
            known = _products(builder, tiles, (place, SIDE * p), 1, here[: p + 1])
            values.store(_converted(builder, known, values.vector), start, SIDE * p)
            taken.append(builder.fneg(_rounded(builder, _converted(builder, known, values.vector), tiles.vector)))
        loop = _Loop(builder, _index(1), count, [])
        ahead = builder.mul(loop.count, _index(TILE))  # numbers of a tile, and of eight rows
        tile, there = builder.add(place, ahead), builder.add(start, ahead)
        for r in range(SIDE):
            more = _converted(builder, _products(builder, tiles, (tile, r), SIDE, taken), values.vector)
            values.store(builder.fadd(values.load(there, SIDE * r), more), there, SIDE * r)
        loop.close([])
        return context.get_dummy_value()

    return signature, codegen


@intrinsic
def _backward_rows_compiled(typing, factor, place, count, rows, start):
    signature = types.void(factor, types.intp, types.intp, rows, types.intp)

    def codegen(context, builder, signature, arguments):
        factor, place, count, rows, start = arguments
        tiles = _Tiles(context, builder, signature.args[0], factor)
        values = _Tiles(context, builder, signature.args[3], rows)
        loop = _Loop(builder, _index(1), count, [_constant(tiles.vector, [0] * SIDE)] * SIDE)
        # from the last tile to the first, as in ``tiles.backward``
        ahead = builder.mul(builder.sub(count, loop.count), _index(TILE))
        tile, there = builder.add(place, ahead), builder.add(start, ahead)
        sums = list(loop.values)
        for r in range(SIDE):
            known = _rounded(builder, values.load(there, SIDE * r), tiles.vector)
            sums = [_fused(builder, tiles.spread(tile, SIDE * q + r), known, sums[q]) for q in range(SIDE)]
        sums = [_converted(builder, total, values.vector) for total in loop.close(sums)]
        left = [builder.fsub(values.load(start, SIDE * q), total) for q, total in enumerate(sums)]
        left = [_rounded(builder, value, tiles.vector) for value in left]
        for p in range(SIDE):
            answer = _products(builder, tiles, (place, SIDE * p + p), SIDE, left[p:])
            values.store(_converted(builder, answer, values.vector), start, SIDE * p)
        return context.get_dummy_value()

    return signature, codegen


@intrinsic
def _miss_rows_compiled(typing, grid, links, own, temperature, first, change, weight, miss):
    signature = types.void(
        types.UniTuple(types.intp, 3), links, own, temperature, types.intp, change, types.float64, miss
    )  # fmt: skip

    def codegen(context, builder, signature, arguments):
        grid, links, own, temperature, first, change, weight, miss = arguments
        cells, stride_x, stride_y = cgutils.unpack_tuple(builder, grid, 3)
        conductance, cell, warmth, gone, filled = (
            _Tiles(context, builder, signature.args[k], array)
            for k, array in ((1, links), (2, own), (3, temperature), (5, change), (7, miss))
        )
        both = builder.add(stride_x, stride_y)
        line, zero = builder.add(cells, both), _index(0)  # numbers of one kind of link
        neighbours = []  # where conductances begin, how far ahead the neighbour is
        for kind, low, high in ((0, zero, stride_x), (1, zero, stride_y), (2, zero, both), (3, stride_x, stride_y)):
            span = builder.sub(high, low)
            begin = builder.add(builder.mul(line, _index(kind)), both)
            neighbours += [(builder.sub(begin, low), span), (builder.sub(begin, high), builder.neg(span))]
        loop = _Loop(builder, zero, cells, [])
        place, properties = builder.add(first, loop.count), builder.mul(loop.count, _index(3))
        row = _row(builder, loop.count)
        here = warmth.load(_row(builder, place))
        # two strands, which do not wait for each other
        totals = [cell.spread(properties), builder.fneg(builder.fmul(cell.spread(properties, 1), here))]
        for number, (begin, span) in enumerate(neighbours):
            there = warmth.load(_row(builder, builder.add(place, span)))
            factor = conductance.spread(builder.add(begin, loop.count))
            totals[number % 2] = _fused(builder, factor, builder.fsub(there, here), totals[number % 2])
        stored = builder.fneg(builder.fmul(cell.spread(properties, 2), gone.load(row)))
        filled.store(_fused(builder, _spread(builder, weight), builder.fadd(*totals), stored), row)
        loop.close([])
        return context.get_dummy_value()

    return signature, codegen


@intrinsic
def _dot_rows_compiled(typing, weights, rows, count, result, start):
    signature = types.void(weights, rows, types.intp, result, types.intp)

    def codegen(context, builder, signature, arguments):
        weights, rows, count, result, start = arguments
        factors = _Tiles(context, builder, signature.args[0], weights)
        values = _Tiles(context, builder, signature.args[1], rows)
        whole = builder.sdiv(count, _index(_STRANDS))
        loop = _Loop(builder, _index(0), whole, [_constant(_VECTOR, [0] * SIDE)] * _STRANDS)
        at = builder.mul(loop.count, _index(_STRANDS))
        sums = [
            _fused(builder, factors.spread(at, k), values.load(_row(builder, at), SIDE * k), total)
            for k, total in enumerate(loop.values)
        ]
        sums = loop.close(sums)
        loop = _Loop(builder, builder.mul(whole, _index(_STRANDS)), count, [sums[0]])
        more = _fused(builder, factors.spread(loop.count), values.load(_row(builder, loop.count)), loop.values[0])
        sums[0] = loop.close([more])[0]
        total = builder.fadd(builder.fadd(sums[0], sums[1]), builder.fadd(sums[2], sums[3]))
        _Tiles(context, builder, signature.args[3], result).store(total, start)
        return context.get_dummy_value()

    return signature, codegen


@intrinsic
def _take_products_compiled(typing, columns, cells, values, first, lumps, rows):
    signature = types.void(columns, types.intp, values, types.intp, types.intp, rows)

    def codegen(context, builder, signature, arguments):
        columns, cells, values, first, lumps, rows = arguments
        factors = _Tiles(context, builder, signature.args[0], columns)
        known = _Tiles(context, builder, signature.args[2], values)
        target = _Tiles(context, builder, signature.args[5], rows)
        outer = _Loop(builder, _index(0), cells, [])
        row = _row(builder, outer.count)
        inner = _Loop(builder, _index(0), lumps, [target.load(row)])
        factor = builder.fneg(factors.spread(builder.add(builder.mul(inner.count, cells), outer.count)))
        total = _fused(builder, factor, known.load(_row(builder, builder.add(first, inner.count))), inner.values[0])
        target.store(inner.close([total])[0], row)
        outer.close([])
        return context.get_dummy_value()

    return signature, codegen


@intrinsic
def _shift_rows_compiled(typing, rows, count, shift):
    signature = types.void(rows, types.intp, shift)

    def codegen(context, builder, signature, arguments):
        rows, count, shift = arguments
        values = _Tiles(context, builder, signature.args[0], rows)
        more = _Tiles(context, builder, signature.args[2], shift).load(_index(0))
        loop = _Loop(builder, _index(0), count, [])
        row = _row(builder, loop.count)
        values.store(builder.fadd(values.load(row), more), row)
        loop.close([])
        return context.get_dummy_value()

    return signature, codegen


@intrinsic
def _largest_rows_compiled(typing, rows, count, result, start):
    signature = types.void(rows, types.intp, result, types.intp)

    def codegen(context, builder, signature, arguments):
        rows, count, result, start = arguments
        values = _Tiles(context, builder, signature.args[0], rows)
        loop = _Loop(builder, _index(0), count, [_constant(_VECTOR, [0] * SIDE)] * 2)
        here = values.load(_row(builder, loop.count))
        below = builder.fcmp_ordered("<", here, _constant(_VECTOR, [0] * SIDE))
        size = builder.select(below, builder.fneg(here), here)
        most, odd = loop.values
        most = builder.select(builder.fcmp_ordered(">", size, most), size, most)
        # what is no finite number leaves one that is none either
        most, odd = loop.close([most, builder.fadd(odd, builder.fsub(here, here))])
        _Tiles(context, builder, signature.args[2], result).store(builder.fadd(most, odd), start)
        return context.get_dummy_value()

    return signature, codegen


@intrinsic
def _read_rows_compiled(typing, before, rate_before, after, rate_after, weights, chosen, begin, end, result, start):
    signature = types.void(
        before, rate_before, after, rate_after, weights, chosen, types.intp, types.intp, result, types.intp
    )  # fmt: skip

    def codegen(context, builder, signature, arguments):
        *ends, weights, chosen, begin, end, result, start = arguments
        known = [_Tiles(context, builder, signature.args[k], array) for k, array in enumerate(ends)]
        factors = [_Tiles(context, builder, signature.args[4], weights).spread(_index(k)) for k in range(4)]
        picked = context.make_array(signature.args[5])(context, builder, chosen).data
        loop = _Loop(builder, begin, end, [_constant(_VECTOR, [-np.inf] * SIDE)])
        row = _row(builder, builder.load(builder.gep(picked, [loop.count])))
        first, second, third, fourth = (values.load(row) for values in known)
        low = _fused(builder, factors[1], second, builder.fmul(factors[0], first))
        high = _fused(builder, factors[3], fourth, builder.fmul(factors[2], third))
        value = builder.fadd(low, high)
        most = builder.select(builder.fcmp_ordered(">", value, loop.values[0]), value, loop.values[0])
        most = loop.close([most])[0]
        _Tiles(context, builder, signature.args[8], result).store(most, start)
        return context.get_dummy_value()

    return signature, codegen


# -- the same in plain Python ------------------------------------------------------------------------------------------


def _rows(numbers, first, count):
    return numbers[SIDE * first : SIDE * (first + count)].reshape(count, SIDE)


def _tile(numbers, place):
    return numbers[place : place + TILE].reshape(SIDE, SIDE)


def _forward_rows_plain(factor, place, count, rows, start):
    """``tiles.forward`` for eight right sides, from number ``start`` of rows."""
    first = start // SIDE
    known = np.tril(_tile(factor, place)) @ _rounded_plain(_rows(rows, first, SIDE), factor)
    _rows(rows, first, SIDE)[:] = known
    known = _rounded_plain(known, factor)
    for k in range(1, count):
        _rows(rows, first + SIDE * k, SIDE)[:] -= _tile(factor, place + TILE * k).T @ known


def _backward_rows_plain(factor, place, count, rows, start):
    """``tiles.backward`` for eight right sides, from number ``start`` of rows."""
    first, sums = start // SIDE, np.zeros((SIDE, SIDE), dtype=factor.dtype)
    for k in range(count - 1, 0, -1):
        sums += _tile(factor, place + TILE * k) @ _rounded_plain(_rows(rows, first + SIDE * k, SIDE), factor)
    left = _rounded_plain(_rows(rows, first, SIDE) - sums, factor)
    _rows(rows, first, SIDE)[:] = np.tril(_tile(factor, place)).T @ left


def _miss_rows_plain(grid, links, own, temperature, first, change, weight, miss):
    """Fill ``miss`` with what cells miss of their balance: ``weight`` [s] times the heat that flows in, less what they store.

    Parameters
    ----------
    grid : (cells, stride_x, stride_y)
    links : flat          conductances [W/(m K)] along x, along y, rising, falling; each kind begins with
                          stride_x + stride_y zeros, as cells before the first have none
    own : flat            cell by cell: heat given [W/m], what it loses per kelvin [W/(m K)], capacity [J/(m K)]
    temperature : flat    [K]; cell 0 is row ``first``, with stride_x + stride_y rows before and after all cells
    change : flat         what temperature changes by [K]
    """
    cells, both = grid[0], grid[1] + grid[2]
    given, leak, capacity = own[: 3 * cells].reshape(cells, 3).T[:, :, None]
    here = _rows(temperature, first, cells)
    net = given - leak * here
    ends = (0, grid[1]), (0, grid[2]), (0, both), (grid[1], grid[2])
    for kind, (low, high) in enumerate(ends):
        for back, ahead in ((low, high - low), (high, low - high)):
            begin = kind * (cells + both) + both - back
            net += links[begin : begin + cells, None] * (_rows(temperature, first + ahead, cells) - here)
    _rows(miss, 0, cells)[:] = weight * net - capacity * _rows(change, 0, cells)


def _dot_rows_plain(weights, rows, count, result, start):
    """Fill eight numbers of ``result`` from ``start`` with the sum of weights (count,) times rows."""
    result[start : start + SIDE] = weights[:count] @ _rows(rows, 0, count)


def _take_products_plain(columns, cells, values, first, lumps, rows):
    """Take from each row of a cell the sum of columns[lump, cell] times row ``first`` + lump of ``values``."""
    _rows(rows, 0, cells)[:] -= columns[: lumps * cells].reshape(lumps, cells).T @ _rows(values, first, lumps)


def _shift_rows_plain(rows, count, shift):
    """Add ``shift`` (8,) to each row."""
    _rows(rows, 0, count)[:] += shift


def _largest_rows_plain(rows, count, result, start):
    """Fill eight numbers of ``result`` from ``start`` with the largest size in rows; not finite if one is not."""
    values = _rows(rows, 0, count)
    with np.errstate(invalid="ignore"):
        result[start : start + SIDE] = np.abs(values).max(axis=0, initial=0.0) + (values - values).sum(axis=0)


def _read_rows_plain(before, rate_before, after, rate_after, weights, chosen, begin, end, result, start):
    """Fill eight numbers of ``result`` from ``start`` with the largest, over rows chosen[begin:end], of the sum of the
    four arrays by ``weights`` (4,).
    """
    picked = chosen[begin:end]
    ends = (before, rate_before, after, rate_after)
    values = sum(weight * _rows(part, 0, part.size // SIDE)[picked] for weight, part in zip(weights, ends, strict=True))
    result[start : start + SIDE] = np.max(values, axis=0, initial=-np.inf)


_plain = numba.config.DISABLE_JIT
forward_rows = _forward_rows_plain if _plain else _forward_rows_compiled
backward_rows = _backward_rows_plain if _plain else _backward_rows_compiled
miss_rows = _miss_rows_plain if _plain else _miss_rows_compiled
dot_rows = _dot_rows_plain if _plain else _dot_rows_compiled
take_products = _take_products_plain if _plain else _take_products_compiled
shift_rows = _shift_rows_plain if _plain else _shift_rows_compiled
largest_rows = _largest_rows_plain if _plain else _largest_rows_compiled
read_rows = _read_rows_plain if _plain else _read_rows_compiled
