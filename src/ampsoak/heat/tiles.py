"""Tiles: blocks of eight rows and eight columns, of which matrices are made for the compiled algebra.

A *tile* is 64 numbers one behind the other, column by column. On the few thousand cells of a section the loops are so
short that what surrounds them costs more than they do; so what is done to a tile is written as vector instructions of
eight numbers. A *panel* is eight columns of a matrix: the tile on the diagonal and those under it.

Matrices are in single or double precision, and so is what is done with them; right sides are added up in double precision.
Products are added in a fixed order, each rounded once together with its sum (fused); so every processor gives the same bits.
Plain Python does not fuse, and differs in the last ones. A factor holds its tiles as they are, except that those on the
diagonal are inverted, row by row: then nothing has to wait for a division later on.
"""

from __future__ import annotations

import numba
import numpy as np
from llvmlite import ir
from numba.core import cgutils, types
from numba.core.codegen import get_host_cpu_features
from numba.extending import intrinsic

SIDE = 8  # rows and columns of a tile
TILE = SIDE * SIDE
PAD_ROWS = SIDE  # of a right side, behind its cells
_DUST = 1e-18


def aligned_room(rows: int, columns: int, dtype: type = np.float64) -> np.ndarray:
    """Room for numbers, (rows, columns), that starts where a line of the processor's cache does: a vector then never lies in two.

    What is in it does not mean anything.
    """
    line = 64
    size = rows * columns * np.dtype(dtype).itemsize
    raw = np.empty(size + line, dtype=np.uint8)
    start = -raw.ctypes.data % line
    return raw[start : start + size].view(dtype).reshape(rows, columns)


def aligned_zeros(rows: int, columns: int, dtype: type = np.float64) -> np.ndarray:
    """The same filled with zeros."""
    room = aligned_room(rows, columns, dtype)
    room[:] = 0.0
    return room


# -- vector code -------------------------------------------------------------------------------------------------------


class _Loop:
    """A counted loop in vector code with values carried round it."""

    def __init__(self, builder, first, last, carried):
        self.builder, self.last = builder, last
        before = builder.block
        self.body, self.end = builder.append_basic_block("body"), builder.append_basic_block("end")
        builder.cbranch(builder.icmp_signed("<", first, last), self.body, self.end)
        builder.position_at_end(self.body)
        self.count = builder.phi(_INDEX)
        self.count.add_incoming(first, before)
        self.values = [builder.phi(value.type) for value in carried]
        for phi, value in zip(self.values, carried, strict=True):
            phi.add_incoming(value, before)
        self._start = [(value, before) for value in carried]

    def close(self, values):
        """End the body with the carried ``values``; they come back as they are after the loop."""
        builder = self.builder
        after = builder.add(self.count, _index(1))
        self.count.add_incoming(after, builder.block)
        for phi, value in zip(self.values, values, strict=True):
            phi.add_incoming(value, builder.block)
        body = builder.block
        builder.cbranch(builder.icmp_signed("<", after, self.last), self.body, self.end)
        builder.position_at_end(self.end)
        results = []
        for value, (start, before) in zip(values, self._start, strict=True):
            phi = builder.phi(value.type)
            phi.add_incoming(start, before)
            phi.add_incoming(value, body)
            results.append(phi)
        return results


class _Tiles:
    """The numbers of an array, eight at a time, reckoned with in ``number``: the precision of the array, or a given one."""

    def __init__(self, context, builder, array_type, array, number=None):
        self.builder = builder
        self.data = context.make_array(array_type)(context, builder, array).data
        self.kept = ir.FloatType() if array_type.dtype == types.float32 else _DOUBLE
        self.number = self.kept if number is None else number
        self.vector = ir.VectorType(self.number, SIDE)
        self.align = 4 if array_type.dtype == types.float32 else 8

    def _at(self, place, more):
        return self.builder.gep(self.data, [self.builder.add(place, _index(more))])

    def load(self, place, more=0):
        """Eight numbers from ``place`` + ``more``."""
        where = self.builder.bitcast(self._at(place, more), ir.VectorType(self.kept, SIDE).as_pointer())
        return _converted(self.builder, self.builder.load(where, align=self.align), self.vector)

    def spread(self, place, more=0):
        """The number at ``place`` + ``more``, eight times."""
        number = self.builder.load(self._at(place, more), align=self.align)
        return _converted(self.builder, _spread(self.builder, number), self.vector)

    def store(self, values, place, more=0):
        """Put eight numbers to ``place`` + ``more``."""
        kept = ir.VectorType(self.kept, SIDE)
        where = self.builder.bitcast(self._at(place, more), kept.as_pointer())
        self.builder.store(_converted(self.builder, values, kept), where, align=self.align)


_INDEX = ir.IntType(64)
_SMALL = ir.IntType(32)
_DOUBLE = ir.DoubleType()
# so many sums of eight numbers fit into the registers; the results do not depend on it
_AT_ONCE = SIDE if "+avx512f" in get_host_cpu_features() else SIDE // 2


def _index(value: int):
    return ir.Constant(_INDEX, value)


def _constant(kind, values):
    return ir.Constant(kind, [float(value) for value in values])


def _converted(builder, values, kind):
    """``values`` as vectors of ``kind``."""
    if values.type == kind:
        return values
    return (builder.fpext if kind.element == _DOUBLE else builder.fptrunc)(values, kind)


def _name(kind, operation):
    return f"llvm.{operation}.v{SIDE}f{64 if kind.element == _DOUBLE else 32}"


def _fused(builder, one, other, start):
    """``start`` + one * other, rounded once."""
    kind = ir.FunctionType(one.type, [one.type] * 3)
    return builder.call(cgutils.get_or_insert_function(builder.module, kind, _name(one.type, "fma")), [one, other, start])


def _without_dust(builder, values):
    """Of single precision, zero for what is so small that its square could not be written down as other numbers are."""
    if values.type.element == _DOUBLE:
        return values
    kind = ir.FunctionType(values.type, [values.type])
    size = builder.call(cgutils.get_or_insert_function(builder.module, kind, _name(values.type, "fabs")), [values])
    return builder.select(
        builder.fcmp_ordered("<", size, _constant(values.type, [_DUST] * SIDE)), _constant(values.type, [0] * SIDE), values
    )


def _rounded(builder, values, kind):
    """Right sides ``values`` in the precision ``kind`` of a factor."""
    return values if values.type == kind else _without_dust(builder, _converted(builder, values, kind))


def _shuffle(builder, one, other, order):
    return builder.shuffle_vector(one, other, ir.Constant(ir.VectorType(_SMALL, SIDE), order))


def _spread(builder, number):
    """The vector that holds ``number`` eight times."""
    undefined = ir.Constant(ir.VectorType(number.type, SIDE), ir.Undefined)
    return _shuffle(builder, builder.insert_element(undefined, number, ir.Constant(_SMALL, 0)), undefined, [0] * SIDE)


def _lane(builder, vector, place):
    """The vector that holds number ``place`` of ``vector`` eight times."""
    return _shuffle(builder, vector, ir.Constant(vector.type, ir.Undefined), [place] * SIDE)


def _number(builder, vector, place):
    return builder.extract_element(vector, ir.Constant(_SMALL, place))


def _sum(builder, vectors):
    """The vector of the sums of each of eight ``vectors``."""
    while len(vectors) > 1:
        half = SIDE // len(vectors)  # numbers of one vector that lie side by side
        low, high = [], []
        for start in range(0, SIDE, 2 * half) if len(vectors) > 2 else (0,):
            for offset in (0, SIDE):
                low += [offset + start + k for k in range(half)]
                high += [offset + start + half + k for k in range(half)]
        pairs = zip(vectors[::2], vectors[1::2], strict=True)
        vectors = [builder.fadd(_shuffle(builder, a, b, low), _shuffle(builder, a, b, high)) for a, b in pairs]
    return vectors[0]


def _total(builder, vector):
    """The vector that holds the sum of ``vector`` eight times."""
    for half in (4, 2, 1):
        other = _shuffle(builder, vector, ir.Constant(vector.type, ir.Undefined), [k ^ half for k in range(SIDE)])
        vector = builder.fadd(vector, other)
    return vector


def _combine(builder, factors, vectors):
    """Sum of factors * vectors, in two halves that do not wait for each other."""
    even, odd = (builder.fmul(factors[k], vectors[k]) for k in range(2))
    for k in range(2, len(vectors), 2):
        even = _fused(builder, factors[k], vectors[k], even)
        odd = _fused(builder, factors[k + 1], vectors[k + 1], odd)
    return builder.fadd(even, odd)


@intrinsic
def _subtract_products_compiled(typing, room, target, rows, columns, count):
    signature = types.void(room, types.intp, types.intp, types.intp, types.intp)

    def codegen(context, builder, signature, arguments):
        room, target, rows, columns, count = arguments
        tiles = _Tiles(context, builder, signature.args[0], room)
        last = builder.mul(count, _index(SIDE))
        for first in range(0, SIDE, _AT_ONCE):
            chosen = range(first, first + _AT_ONCE)
            # tiles follow each other, and so do their columns
            loop = _Loop(builder, _index(0), last, [tiles.load(target, SIDE * j) for j in chosen])
            ahead = builder.mul(loop.count, _index(SIDE))
            entries = builder.fneg(tiles.load(builder.add(rows, ahead)))
            factors = [tiles.spread(builder.add(columns, ahead), j) for j in chosen]
            totals = [_fused(builder, one, entries, total) for one, total in zip(factors, loop.values, strict=True)]
            for j, total in zip(chosen, loop.close(totals), strict=True):
                tiles.store(total, target, SIDE * j)
        return context.get_dummy_value()

    return signature, codegen


@intrinsic
def _clear_compiled(typing, room, target):
    signature = types.void(room, types.intp)

    def codegen(context, builder, signature, arguments):
        tiles = _Tiles(context, builder, signature.args[0], arguments[0])
        for k in range(0, TILE, SIDE):
            tiles.store(_constant(tiles.vector, [0] * SIDE), arguments[1], k)
        return context.get_dummy_value()

    return signature, codegen


@intrinsic
def _add_diagonal_compiled(typing, room, near, far, turn, source, start):
    signature = types.void(room, types.intp, types.intp, types.intp, source, types.intp)

    def codegen(context, builder, signature, arguments):
        room, near, far, turn, source, start = arguments
        tiles = _Tiles(context, builder, signature.args[0], room)
        given = _Tiles(context, builder, signature.args[4], source, tiles.number)
        turned = _spread(builder, turn)
        for k in range(SIDE):
            target = builder.select(builder.icmp_signed("<", turn, _index(SIDE - k)), near, far)
            row = ir.Constant(turned.type, [(lane - k) % SIDE for lane in range(SIDE)])
            chosen = builder.icmp_signed("==", turned, row)
            value = builder.select(chosen, given.spread(start, k), _constant(tiles.vector, [0] * SIDE))
            tiles.store(builder.fadd(tiles.load(target, SIDE * k), value), target, SIDE * k)
        return context.get_dummy_value()

    return signature, codegen


@intrinsic
def _scatter_compiled(typing, room, start, origin, columns, column, rows, row):
    signature = types.void(room, types.intp, types.intp, columns, types.intp, rows, types.intp)

    def codegen(context, builder, signature, arguments):
        room, start, origin, columns, column, rows, row = arguments
        data = _Tiles(context, builder, signature.args[0], room).data
        across, along = (
            context.make_array(kind)(context, builder, array).data
            for kind, array in ((signature.args[3], columns), (signature.args[5], rows))
        )

        def place(source, first, more):
            return builder.sext(builder.load(builder.gep(source, [builder.add(first, more)])), _INDEX)

        targets = [builder.add(origin, place(along, row, _index(k))) for k in range(SIDE)]
        loop = _Loop(builder, _index(0), _index(SIDE), [])
        base = place(across, column, loop.count)
        given = builder.add(start, builder.mul(loop.count, _index(SIDE)))
        for k, target in enumerate(targets):
            here = builder.gep(data, [builder.add(base, target)])
            more = builder.load(builder.gep(data, [builder.add(given, _index(k))]))
            builder.store(builder.fadd(builder.load(here), more), here)
        loop.close([])
        return context.get_dummy_value()

    return signature, codegen


@intrinsic
def _sum_columns_compiled(typing, room, source, strands):
    signature = types.void(room, types.intp, strands)

    def codegen(context, builder, signature, arguments):
        room, source, strands = arguments
        tiles = _Tiles(context, builder, signature.args[0], room)
        sums = _Tiles(context, builder, signature.args[2], strands)
        for k in range(SIDE):
            more = builder.fadd(sums.load(_index(0), SIDE * k), tiles.load(source, SIDE * k))
            sums.store(more, _index(0), SIDE * k)
        return context.get_dummy_value()

    return signature, codegen


@intrinsic
def _invert_diagonal_compiled(typing, room, target, strands, excess, start, factor, place):
    signature = types.boolean(room, types.intp, strands, excess, types.intp, factor, types.intp)

    def codegen(context, builder, signature, arguments):
        room, target, strands, excess, start, factor, place = arguments
        tiles = _Tiles(context, builder, signature.args[0], room)
        below = _Tiles(context, builder, signature.args[2], strands)
        whole = _Tiles(context, builder, signature.args[3], excess, tiles.number).load(start)
        kept = _Tiles(context, builder, signature.args[5], factor)
        columns = [tiles.load(target, SIDE * q) for q in range(SIDE)]
        inverse = [_constant(tiles.vector, [q == k for k in range(SIDE)]) for q in range(SIDE)]
        nothing, ones = _constant(tiles.vector, [0] * SIDE), _constant(tiles.vector, [1] * SIDE)
        # what each row sums up to but for the entries of this tile
        whole = builder.fsub(whole, _sum(builder, [below.load(_index(0), SIDE * q) for q in range(SIDE)]))
        definite = ir.Constant(ir.IntType(1), 1)
        for p in range(SIDE):
            rest = nothing
            if p + 1 < SIDE:
                under = ir.Constant(ir.VectorType(ir.IntType(1), SIDE), [k > p for k in range(SIDE)])
                rest = _total(builder, builder.select(under, columns[p], nothing))
            pivot = builder.fsub(_lane(builder, whole, p), rest)
            definite = builder.and_(
                definite, builder.fcmp_ordered(">", _number(builder, pivot, 0), ir.Constant(tiles.number, 0.0))
            )
            share = builder.fdiv(ones, pivot)
            column, row = (builder.fmul(vector, share) for vector in (columns[p], inverse[p]))
            left = _lane(builder, whole, p)
            whole = _fused(builder, builder.fneg(left), column, whole)  # those above p are done with
            for q in range(p + 1, SIDE):
                ratio = builder.fneg(_lane(builder, columns[p], q))
                columns[q] = _fused(builder, ratio, column, columns[q])
                inverse[q] = _fused(builder, ratio, row, inverse[q])
            root = builder.call(cgutils.get_or_insert_function(
                builder.module, ir.FunctionType(tiles.vector, [tiles.vector]), _name(tiles.vector, "sqrt")), [share])
            row = _without_dust(builder, builder.fmul(inverse[p], root))
            tiles.store(row, target, SIDE * p)
            kept.store(row, place, SIDE * p)
        return definite

    return signature, codegen


@intrinsic
def _divide_compiled(typing, room, target, diagonal, factor, place):
    signature = types.void(room, types.intp, types.intp, factor, types.intp)

    def codegen(context, builder, signature, arguments):
        room, target, diagonal, factor, place = arguments
        tiles = _Tiles(context, builder, signature.args[0], room)
        kept = _Tiles(context, builder, signature.args[3], factor)
        columns = [tiles.load(target, SIDE * q) for q in range(SIDE)]
        for j in range(SIDE):
            total = builder.fmul(columns[0], tiles.spread(diagonal, SIDE * j))
            for q in range(1, j + 1):
                total = _fused(builder, columns[q], tiles.spread(diagonal, SIDE * j + q), total)
            total = _without_dust(builder, total)
            tiles.store(total, target, SIDE * j)
            kept.store(total, place, SIDE * j)
        return context.get_dummy_value()

    return signature, codegen


@intrinsic
def _forward_compiled(typing, factor, place, count, right, start):
    signature = types.void(factor, types.intp, types.intp, right, types.intp)

    def codegen(context, builder, signature, arguments):
        factor, place, count, right, start = arguments
        tiles = _Tiles(context, builder, signature.args[0], factor)
        values = _Tiles(context, builder, signature.args[3], right)
        here = _rounded(builder, values.load(start), tiles.vector)
        known = _sum(builder, [builder.fmul(tiles.load(place, SIDE * q), here) for q in range(SIDE)])
        values.store(_converted(builder, known, values.vector), start)
        known = builder.fneg(_rounded(builder, known, tiles.vector))
        factors = [_lane(builder, known, k) for k in range(SIDE)]
        loop = _Loop(builder, _index(1), count, [])
        tile = builder.add(place, builder.mul(loop.count, _index(TILE)))
        there = builder.add(start, builder.mul(loop.count, _index(SIDE)))
        entries = [tiles.load(tile, SIDE * k) for k in range(SIDE)]
        more = _converted(builder, _combine(builder, factors, entries), values.vector)
        values.store(builder.fadd(values.load(there), more), there)
        loop.close([])
        return context.get_dummy_value()

    return signature, codegen


@intrinsic
def _backward_compiled(typing, factor, place, count, right, start):
    signature = types.void(factor, types.intp, types.intp, right, types.intp)

    def codegen(context, builder, signature, arguments):
        factor, place, count, right, start = arguments
        tiles = _Tiles(context, builder, signature.args[0], factor)
        values = _Tiles(context, builder, signature.args[3], right)
        sums = []
        for first in range(0, SIDE, _AT_ONCE):
            chosen = range(first, first + _AT_ONCE)
            loop = _Loop(builder, _index(1), count, [_constant(tiles.vector, [0] * SIDE)] * _AT_ONCE)
            # from the last tile to the first, as panels are too: one way through memory, which processors foresee
            row = builder.sub(count, loop.count)
            tile = builder.add(place, builder.mul(row, _index(TILE)))
            known = _rounded(builder, values.load(builder.add(start, builder.mul(row, _index(SIDE)))), tiles.vector)
            sums += loop.close(
                [
                    _fused(builder, tiles.load(tile, SIDE * k), known, total)
                    for k, total in zip(chosen, loop.values, strict=True)
                ]
            )
        left = builder.fsub(values.load(start), _converted(builder, _sum(builder, sums), values.vector))
        left = _rounded(builder, left, tiles.vector)
        rows = [tiles.load(place, SIDE * q) for q in range(SIDE)]
        answer = _combine(builder, [_lane(builder, left, q) for q in range(SIDE)], rows)
        values.store(_converted(builder, answer, values.vector), start)
        return context.get_dummy_value()

    return signature, codegen


# -- the same in plain Python ------------------------------------------------------------------------------------------


def _tile(numbers, place):
    return numbers[place : place + TILE].reshape(SIDE, SIDE)


def _clear_plain(room, target):
    """Fill tile ``target`` with zeros."""
    room[target : target + TILE] = 0.0


def _add_diagonal_plain(room, near, far, turn, source, start):
    """Add eight numbers to eight columns: on a diagonal that is ``turn`` below the one of tile ``near`` and goes on
    in ``far``.
    """
    for k in range(SIDE):
        _tile(room, near if turn + k < SIDE else far)[k, (turn + k) % SIDE] += source[start + k]


def _scatter_plain(room, start, origin, columns, column, rows, row):
    """Add the tile at ``start`` to the places origin + columns[column + k] + rows[row + m] of the same array."""
    for k in range(SIDE):
        for m in range(SIDE):
            room[origin + columns[column + k] + rows[row + m]] += room[start + SIDE * k + m]


def _subtract_products_plain(room, target, rows, columns, count):
    """Take from tile ``target`` tile(rows + k) tile(columns + k)^T for ``count`` tiles that follow each other."""
    for k in range(count):
        _tile(room, target)[:] -= _tile(room, columns + TILE * k).T @ _tile(room, rows + TILE * k)


def _sum_columns_plain(room, source, strands):
    """Add a tile to ``strands`` (64,), eight for each column."""
    strands += room[source : source + TILE]


def _invert_diagonal_plain(room, target, strands, excess, start, factor, place):
    """Replace tile ``target`` by its inverse Cholesky factor, row by row, and copy it; False if not positive definite.

    What is on its diagonal does not count: each pivot is what its row sums up to, ``excess`` from ``start``, less all else in it:
    in this tile, and under it as summed in ``strands``. Links being what they are, all of that has one sign: no digit is lost
    however much the links outweigh what is held and lost.
    """
    columns, inverse = _tile(room, target).copy(), np.eye(SIDE, dtype=room.dtype)
    whole = excess[start : start + SIDE].astype(room.dtype) - _tile(strands, 0).sum(axis=1)
    for p in range(SIDE):
        pivot = whole[p] - columns[p, p + 1 :].sum()
        if not pivot > 0.0:
            return False
        for q in range(p + 1, SIDE):
            ratio = columns[p, q] / pivot
            whole[q] -= ratio * whole[p]
            columns[q] -= ratio * columns[p]
            inverse[q] -= ratio * inverse[p]
        inverse[p] /= np.sqrt(pivot)
    inverse = _without_dust_plain(inverse)
    _tile(room, target)[:] = inverse
    _tile(factor, place)[:] = inverse
    return True


def _without_dust_plain(values):
    return values if values.dtype == np.float64 else np.where(np.abs(values) < _DUST, np.float32(0.0), values)


def _divide_plain(room, target, diagonal, factor, place):
    """Multiply tile ``target`` from the right by the transposed inverse at ``diagonal``, and copy it."""
    _tile(room, target)[:] = _without_dust_plain(_tile(room, diagonal) @ _tile(room, target))
    _tile(factor, place)[:] = _tile(room, target)


def _rounded_plain(values, factor):
    return _without_dust_plain(values.astype(factor.dtype))


def _forward_plain(factor, place, count, right, start):
    """Solve for eight unknowns from ``start`` and take them from the rows below; ``count`` tiles of the panel at
    ``place``. Products have the precision of the factor, sums of right sides that of the right sides.
    """
    known = _tile(factor, place) @ _rounded_plain(right[start : start + SIDE], factor)
    right[start : start + SIDE] = known
    known = _rounded_plain(known, factor)
    for k in range(1, count):
        right[start + SIDE * k : start + SIDE * (k + 1)] -= known @ _tile(factor, place + TILE * k)


def _backward_plain(factor, place, count, right, start):
    """Solve for eight unknowns from ``start`` with the rows below known."""
    sums = np.zeros(SIDE, dtype=factor.dtype)
    for k in range(count - 1, 0, -1):
        known = _rounded_plain(right[start + SIDE * k : start + SIDE * (k + 1)], factor)
        sums += _tile(factor, place + TILE * k) @ known
    left = _rounded_plain(right[start : start + SIDE] - sums, factor)
    right[start : start + SIDE] = left @ _tile(factor, place)


# the compiled ones are vector code; run as plain Python they are the algebra they stand for
_plain = numba.config.DISABLE_JIT
clear = _clear_plain if _plain else _clear_compiled
add_diagonal = _add_diagonal_plain if _plain else _add_diagonal_compiled
scatter = _scatter_plain if _plain else _scatter_compiled
subtract_products = _subtract_products_plain if _plain else _subtract_products_compiled
sum_columns = _sum_columns_plain if _plain else _sum_columns_compiled
invert_diagonal = _invert_diagonal_plain if _plain else _invert_diagonal_compiled
divide = _divide_plain if _plain else _divide_compiled
forward = _forward_plain if _plain else _forward_compiled
backward = _backward_plain if _plain else _backward_compiled
