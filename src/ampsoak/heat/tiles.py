"""Tiles: blocks of eight rows and eight columns, of which matrices are made for the compiled algebra.

A *tile* is 64 numbers one behind the other, column by column. On the few thousand cells of a section the loops are so
short that what surrounds them costs more than they do; so what is done to a tile is written as vector instructions of
eight numbers. A *panel* is eight columns of a matrix: the tile on the diagonal and those under it.

All arithmetic is in double precision. Products are added in a fixed order, each rounded once together with its sum
(fused); so every processor gives the same bits. Plain Python does not fuse, and differs in the last ones. A factor may
be kept in single precision. It holds its tiles as they are, except that those on the diagonal are inverted, row by
row: then nothing has to wait for a division later on.
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


def aligned_zeros(rows: int, columns: int, dtype: type = np.float64) -> np.ndarray:
    """Zeros, (rows, columns), that start where a line of the processor's cache does: a vector then never lies in two.
    """
    line = 64
    size = rows * columns * np.dtype(dtype).itemsize
    raw = np.zeros(size + line, dtype=np.uint8)
    start = -raw.ctypes.data % line
    return raw[start : start + size].view(dtype).reshape(rows, columns)


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
    """The numbers of an array, eight at a time and always as double precision."""

    def __init__(self, context, builder, array_type, array):
        self.builder = builder
        self.data = context.make_array(array_type)(context, builder, array).data
        self.single = array_type.dtype == types.float32
        self.vector = ir.VectorType(ir.FloatType(), SIDE) if self.single else _VECTOR

    def _at(self, place, more):
        return self.builder.gep(self.data, [self.builder.add(place, _index(more))])

    def load(self, place, more=0):
        """Eight numbers from ``place`` + ``more``."""
        found = self.builder.load(
            self.builder.bitcast(self._at(place, more), self.vector.as_pointer()), align=4 if self.single else 8
        )
        return self.builder.fpext(found, _VECTOR) if self.single else found

    def spread(self, place, more=0):
        """The number at ``place`` + ``more``, eight times; the array is in double precision."""
        return _spread(self.builder, self.builder.load(self._at(place, more), align=8))

    def store(self, values, place, more=0):
        """Put eight numbers to ``place`` + ``more``."""
        if self.single:
            values = self.builder.fptrunc(values, self.vector)
        where = self.builder.bitcast(self._at(place, more), self.vector.as_pointer())
        self.builder.store(values, where, align=4 if self.single else 8)


_INDEX = ir.IntType(64)
_SMALL = ir.IntType(32)
_NUMBER = ir.DoubleType()
_VECTOR = ir.VectorType(_NUMBER, SIDE)
# so many sums of eight numbers fit into the registers; the results do not depend on it
_AT_ONCE = SIDE if "+avx512f" in get_host_cpu_features() else SIDE // 2


def _index(value: int):
    return ir.Constant(_INDEX, value)


def _constant(values):
    return ir.Constant(_VECTOR, [float(value) for value in values])


def _fused(builder, one, other, start):
    """``start`` + one * other, rounded once."""
    kind = ir.FunctionType(_VECTOR, [_VECTOR] * 3)
    fused = cgutils.get_or_insert_function(builder.module, kind, f"llvm.fma.v{SIDE}f64")
    return builder.call(fused, [one, other, start])


def _shuffle(builder, one, other, order):
    return builder.shuffle_vector(one, other, ir.Constant(ir.VectorType(_SMALL, SIDE), order))


def _spread(builder, number):
    """The vector that holds ``number`` eight times."""
    undefined = ir.Constant(ir.VectorType(number.type, SIDE), ir.Undefined)
    return _shuffle(builder, builder.insert_element(undefined, number, ir.Constant(_SMALL, 0)), undefined, [0] * SIDE)


def _lane(builder, vector, place):
    """The vector that holds number ``place`` of ``vector`` eight times."""
    return _shuffle(builder, vector, ir.Constant(_VECTOR, ir.Undefined), [place] * SIDE)


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


def _combine(builder, start, factors, vectors):
    """``start`` + sum of factors * vectors, in two halves that do not wait for each other."""
    odd = builder.fmul(factors[1], vectors[1])
    even = _fused(builder, factors[0], vectors[0], start) if start is not None else builder.fmul(factors[0], vectors[0])
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
            tiles.store(_constant([0] * SIDE), arguments[1], k)
        return context.get_dummy_value()

    return signature, codegen


@intrinsic
def _add_diagonal_compiled(typing, room, near, far, turn, source, start):
    signature = types.void(room, types.intp, types.intp, types.intp, source, types.intp)

    def codegen(context, builder, signature, arguments):
        room, near, far, turn, source, start = arguments
        tiles = _Tiles(context, builder, signature.args[0], room)
        given = _Tiles(context, builder, signature.args[4], source)
        turned = _spread(builder, turn)
        for k in range(SIDE):
            target = builder.select(builder.icmp_signed("<", turn, _index(SIDE - k)), near, far)
            row = ir.Constant(turned.type, [(lane - k) % SIDE for lane in range(SIDE)])
            chosen = builder.icmp_signed("==", turned, row)
            value = builder.select(chosen, given.spread(start, k), _constant([0] * SIDE))
            tiles.store(builder.fadd(tiles.load(target, SIDE * k), value), target, SIDE * k)
        return context.get_dummy_value()

    return signature, codegen


@intrinsic
def _scatter_compiled(typing, room, start, columns, column, rows, row):
    signature = types.void(room, types.intp, columns, types.intp, rows, types.intp)

    def codegen(context, builder, signature, arguments):
        room, start, columns, column, rows, row = arguments
        data = _Tiles(context, builder, signature.args[0], room).data
        across, along = (
            context.make_array(kind)(context, builder, array).data
            for kind, array in ((signature.args[2], columns), (signature.args[4], rows))
        )

        def place(source, first, more):
            return builder.sext(builder.load(builder.gep(source, [builder.add(first, more)])), _INDEX)

        targets = [place(along, row, _index(k)) for k in range(SIDE)]
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
def _invert_diagonal_compiled(typing, room, target, factor, place):
    signature = types.boolean(room, types.intp, factor, types.intp)

    def codegen(context, builder, signature, arguments):
        room, target, factor, place = arguments
        tiles = _Tiles(context, builder, signature.args[0], room)
        kept = _Tiles(context, builder, signature.args[2], factor)
        columns = [tiles.load(target, SIDE * q) for q in range(SIDE)]
        inverse = [_constant([q == k for k in range(SIDE)]) for q in range(SIDE)]
        definite = ir.Constant(ir.IntType(1), 1)
        for p in range(SIDE):
            pivot = _number(builder, columns[p], p)
            definite = builder.and_(definite, builder.fcmp_ordered(">", pivot, ir.Constant(_NUMBER, 0.0)))
            share = builder.fdiv(ir.Constant(_NUMBER, 1.0), pivot)
            column, row = (builder.fmul(vector, _spread(builder, share)) for vector in (columns[p], inverse[p]))
            for q in range(p + 1, SIDE):
                ratio = builder.fneg(_lane(builder, columns[p], q))
                columns[q] = _fused(builder, ratio, column, columns[q])
                inverse[q] = _fused(builder, ratio, row, inverse[q])
            root = builder.call(builder.module.declare_intrinsic("llvm.sqrt", [_NUMBER]), [share])
            row = builder.fmul(inverse[p], _spread(builder, root))
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
        here = values.load(start)
        known = _sum(builder, [builder.fmul(tiles.load(place, SIDE * q), here) for q in range(SIDE)])
        values.store(known, start)
        known = builder.fneg(known)
        factors = [_lane(builder, known, k) for k in range(SIDE)]
        loop = _Loop(builder, _index(1), count, [])
        tile = builder.add(place, builder.mul(loop.count, _index(TILE)))
        there = builder.add(start, builder.mul(loop.count, _index(SIDE)))
        entries = [tiles.load(tile, SIDE * k) for k in range(SIDE)]
        values.store(_combine(builder, values.load(there), factors, entries), there)
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
            loop = _Loop(builder, _index(1), count, [_constant([0] * SIDE)] * _AT_ONCE)
            # from the last tile to the first, as panels are too: one way through memory, which processors foresee
            row = builder.sub(count, loop.count)
            tile = builder.add(place, builder.mul(row, _index(TILE)))
            known = values.load(builder.add(start, builder.mul(row, _index(SIDE))))
            sums += loop.close(
                [
                    _fused(builder, tiles.load(tile, SIDE * k), known, total)
                    for k, total in zip(chosen, loop.values, strict=True)
                ]
            )
        left = builder.fsub(values.load(start), _sum(builder, sums))
        rows = [tiles.load(place, SIDE * q) for q in range(SIDE)]
        values.store(_combine(builder, None, [_lane(builder, left, q) for q in range(SIDE)], rows), start)
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


def _scatter_plain(room, start, columns, column, rows, row):
    """Add the tile at ``start`` to the places columns[column + k] + rows[row + m] of the same array."""
    for k in range(SIDE):
        for m in range(SIDE):
            room[columns[column + k] + rows[row + m]] += room[start + SIDE * k + m]


def _subtract_products_plain(room, target, rows, columns, count):
    """Take from tile ``target`` tile(rows + k) tile(columns + k)^T for ``count`` tiles that follow each other."""
    for k in range(count):
        _tile(room, target)[:] -= _tile(room, columns + TILE * k).T @ _tile(room, rows + TILE * k)


def _invert_diagonal_plain(room, target, factor, place):
    """Replace tile ``target`` by its inverse Cholesky factor, row by row, and copy it; False if not positive
    definite.
    """
    columns, inverse = _tile(room, target).copy(), np.eye(SIDE)
    for p in range(SIDE):
        pivot = columns[p, p]
        if not pivot > 0.0:
            return False
        for q in range(p + 1, SIDE):
            ratio = columns[p, q] / pivot
            columns[q] -= ratio * columns[p]
            inverse[q] -= ratio * inverse[p]
        inverse[p] /= np.sqrt(pivot)
    _tile(room, target)[:] = inverse
    _tile(factor, place)[:] = inverse
    return True


def _divide_plain(room, target, diagonal, factor, place):
    """Multiply tile ``target`` from the right by the transposed inverse at ``diagonal``, and copy it."""
    _tile(room, target)[:] = _tile(room, diagonal) @ _tile(room, target)
    _tile(factor, place)[:] = _tile(room, target)


def _forward_plain(factor, place, count, right, start):
    """Solve for eight unknowns from ``start`` and take them from the rows below; ``count`` tiles of the panel at
    ``place``.
    """
    known = _tile(factor, place).astype(float) @ right[start : start + SIDE]
    right[start : start + SIDE] = known
    for k in range(1, count):
        right[start + SIDE * k : start + SIDE * (k + 1)] -= known @ _tile(factor, place + TILE * k).astype(float)


def _backward_plain(factor, place, count, right, start):
    """Solve for eight unknowns from ``start`` with the rows below known."""
    left = right[start : start + SIDE].copy()
    for k in range(1, count):
        left -= _tile(factor, place + TILE * k).astype(float) @ right[start + SIDE * k : start + SIDE * (k + 1)]
    right[start : start + SIDE] = left @ _tile(factor, place).astype(float)


# the compiled ones are vector code; run as plain Python they are the algebra they stand for
_plain = numba.config.DISABLE_JIT
clear = _clear_plain if _plain else _clear_compiled
add_diagonal = _add_diagonal_plain if _plain else _add_diagonal_compiled
scatter = _scatter_plain if _plain else _scatter_compiled
subtract_products = _subtract_products_plain if _plain else _subtract_products_compiled
invert_diagonal = _invert_diagonal_plain if _plain else _invert_diagonal_compiled
divide = _divide_plain if _plain else _divide_compiled
forward = _forward_plain if _plain else _forward_compiled
backward = _backward_plain if _plain else _backward_compiled
