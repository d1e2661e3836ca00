"""Symmetric band matrices: Cholesky factors and solutions, four columns and eight rows at a time.

A band is stored by columns, ``band[c, k]`` holding entry (c + k, c), and padded: ``PAD_COLUMNS`` zeros behind each column
and ``PAD_ROWS`` unit columns behind the last, so that whole blocks can be read and written at either end. On the few
thousand cells of a section the loops are so short that what surrounds them costs more than they do; so the two innermost
are written as vector instructions of eight numbers. Products are added one by one in a fixed order and never fused, so
every processor, and plain Python, gives the same bits.
"""

from __future__ import annotations

import numba
import numpy as np
from llvmlite import ir
from numba.core import types
from numba.extending import intrinsic

PAD_ROWS, PAD_COLUMNS = 12, 16
_ROWS, _COLUMNS = 8, 4  # of a block


def empty_band(cells: int, bandwidth: int) -> np.ndarray:
    """A padded band of zeros for ``cells`` unknowns that reach ``bandwidth`` places ahead."""
    return np.zeros((cells + PAD_ROWS, bandwidth + 1 + PAD_COLUMNS))


class _Loop:
    """A counted loop in vector code with values carried round it."""

    def __init__(self, builder, first, last, step, carried):
        self.builder, self.last, self.step = builder, last, step
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
        after = builder.add(self.count, ir.Constant(_INDEX, self.step))
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


_INDEX = ir.IntType(64)
_NUMBER = ir.DoubleType()
_VECTOR = ir.VectorType(_NUMBER, _ROWS)
_ZERO = ir.Constant(_VECTOR, [0.0] * _ROWS)


def _index(value: int):
    return ir.Constant(_INDEX, value)


def _spread(builder, number):
    """The vector that holds ``number`` eight times."""
    undefined = ir.Constant(_VECTOR, ir.Undefined)
    one = builder.insert_element(undefined, number, ir.Constant(ir.IntType(32), 0))
    return builder.shuffle_vector(one, undefined, ir.Constant(ir.VectorType(ir.IntType(32), _ROWS), [0] * _ROWS))


def _vector_at(builder, data, place):
    return builder.bitcast(builder.gep(data, [place]), _VECTOR.as_pointer())


def _load(builder, data, place):
    return builder.load(_vector_at(builder, data, place), align=8)


def _data(context, builder, array_type, array):
    return context.make_array(array_type)(context, builder, array).data


def _width(context, builder, array_type, array):
    return builder.extract_value(context.make_array(array_type)(context, builder, array).shape, 1)


@intrinsic
def _block_products_compiled(typing, band, first, last, row, column, out):
    signature = types.void(band, types.intp, types.intp, types.intp, types.intp, out)

    def codegen(context, builder, signature, arguments):
        band, first, last, row, column, out = arguments
        data, target = _data(context, builder, signature.args[0], band), _data(context, builder, signature.args[5], out)
        # entry (r, c) sits at c * width + r - c
        stride = builder.sub(_width(context, builder, signature.args[0], band), _index(1))
        loop = _Loop(builder, first, last, 1, [_ZERO] * _COLUMNS)
        base = builder.mul(loop.count, stride)
        rows = _load(builder, data, builder.add(base, row))
        across = builder.add(base, column)
        sums = []
        for j, total in enumerate(loop.values):
            factor = builder.load(builder.gep(data, [builder.add(across, _index(j))]), align=8)
            sums.append(builder.fadd(total, builder.fmul(_spread(builder, factor), rows)))
        for j, total in enumerate(loop.close(sums)):
            builder.store(total, _vector_at(builder, target, _index(_ROWS * j)), align=8)
        return context.get_dummy_value()

    return signature, codegen


@intrinsic
def _take_columns_compiled(typing, band, column, first, last, factors, right):
    signature = types.void(band, types.intp, types.intp, types.intp, factors, right)

    def codegen(context, builder, signature, arguments):
        band, column, first, last, factors, right = arguments
        data, target = _data(context, builder, signature.args[0], band), _data(context, builder, signature.args[5], right)
        given = _data(context, builder, signature.args[4], factors)
        stride = builder.sub(_width(context, builder, signature.args[0], band), _index(1))
        scale, base = [], []
        for j in range(_COLUMNS):
            scale.append(_spread(builder, builder.load(builder.gep(given, [_index(j)]))))
            base.append(builder.mul(builder.add(column, _index(j)), stride))
        loop = _Loop(builder, first, last, _ROWS, [])
        value = _load(builder, target, loop.count)
        for j in range(_COLUMNS):
            entries = _load(builder, data, builder.add(base[j], loop.count))
            value = builder.fsub(value, builder.fmul(scale[j], entries))
        builder.store(value, _vector_at(builder, target, loop.count), align=8)
        loop.close([])
        return context.get_dummy_value()

    return signature, codegen


@intrinsic
def _column_sums_compiled(typing, band, column, first, last, right, out):
    signature = types.void(band, types.intp, types.intp, types.intp, right, out)

    def codegen(context, builder, signature, arguments):
        band, column, first, last, right, out = arguments
        data, given = _data(context, builder, signature.args[0], band), _data(context, builder, signature.args[4], right)
        target = _data(context, builder, signature.args[5], out)
        stride = builder.sub(_width(context, builder, signature.args[0], band), _index(1))
        base = [builder.mul(builder.add(column, _index(j)), stride) for j in range(_COLUMNS)]
        loop = _Loop(builder, first, last, _ROWS, [_ZERO] * _COLUMNS)
        value = _load(builder, given, loop.count)
        sums = []
        for j, total in enumerate(loop.values):
            entries = _load(builder, data, builder.add(base[j], loop.count))
            sums.append(builder.fadd(total, builder.fmul(entries, value)))
        for j, total in enumerate(loop.close(sums)):
            builder.store(total, _vector_at(builder, target, _index(_ROWS * j)), align=8)
        return context.get_dummy_value()

    return signature, codegen


def _block_products_plain(band, first, last, row, column, out):
    out[:] = 0.0
    for c in range(first, last):
        for j in range(_COLUMNS):
            for i in range(_ROWS):
                out[j, i] += band[c, column - c + j] * band[c, row - c + i]


def _take_columns_plain(band, column, first, last, factors, right):
    for row in range(first, last, _ROWS):
        for j in range(_COLUMNS):
            for i in range(_ROWS):
                right[row + i] -= factors[j] * band[column + j, row - column - j + i]


def _column_sums_plain(band, column, first, last, right, out):
    out[:] = 0.0
    for row in range(first, last, _ROWS):
        for j in range(_COLUMNS):
            for i in range(_ROWS):
                out[j, i] += band[column + j, row - column - j + i] * right[row + i]


# the compiled ones are vector code; run as plain Python they are the loops they stand for
_plain = numba.config.DISABLE_JIT
_block_products = _block_products_plain if _plain else _block_products_compiled
_take_columns = _take_columns_plain if _plain else _take_columns_compiled
_column_sums = _column_sums_plain if _plain else _column_sums_compiled


@numba.njit(cache=True, nogil=True)
def _factorise_diagonal(band, column, products):
    """Factorise the four columns from ``column`` in their first eight rows; False if not positive definite."""
    for p in range(4):
        for k in range(8 - p):
            band[column + p, k] -= products[p, p + k]
    for p in range(4):
        here = column + p
        pivot = band[here, 0]
        if not (pivot > 0.0):
            return False
        inverse = 1.0 / np.sqrt(pivot)
        band[here, 0] = inverse
        for k in range(1, 8 - p):
            band[here, k] *= inverse
        for q in range(p + 1, 4):
            value = band[here, q - p]
            for k in range(8 - q):
                band[column + q, k] -= value * band[here, q - p + k]
    return True


@numba.njit(cache=True, nogil=True)
def _finish_rows(band, column, row, products):
    """Take ``products`` from eight rows of the four columns from ``column``, factorised before, and eliminate them."""
    l10, l20, l30 = band[column, 1], band[column, 2], band[column, 3]
    l21, l31, l32 = band[column + 1, 1], band[column + 1, 2], band[column + 2, 1]
    d0, d1, d2, d3 = band[column, 0], band[column + 1, 0], band[column + 2, 0], band[column + 3, 0]
    k = row - column
    for i in range(8):
        x0 = (band[column, k + i] - products[0, i]) * d0
        x1 = (band[column + 1, k - 1 + i] - products[1, i] - l10 * x0) * d1
        x2 = (band[column + 2, k - 2 + i] - products[2, i] - l20 * x0 - l21 * x1) * d2
        x3 = (band[column + 3, k - 3 + i] - products[3, i] - l30 * x0 - l31 * x1 - l32 * x2) * d3
        band[column, k + i] = x0
        band[column + 1, k - 1 + i] = x1
        band[column + 2, k - 2 + i] = x2
        band[column + 3, k - 3 + i] = x3


@numba.njit(cache=True, nogil=True)
def _forward(band, column, last, four, right):
    """Solve for the four unknowns from ``column`` and take them from the rows up to ``last``."""
    for p in range(4):
        value = right[column + p]
        for q in range(p):
            value -= four[q] * band[column + q, p - q]
        four[p] = value * band[column + p, 0]
    for p in range(4):
        right[column + p] = four[p]
    _take_columns(band, column, column + 4, last, four, right)


@numba.njit(cache=True, nogil=True)
def _backward(band, column, last, sums, right):
    """Solve for the four unknowns from ``column`` with all rows up to ``last`` known."""
    _column_sums(band, column, column + 4, last, right, sums)
    for p in range(3, -1, -1):
        value = right[column + p]
        value -= ((sums[p, 0] + sums[p, 1]) + (sums[p, 2] + sums[p, 3])) + (
            (sums[p, 4] + sums[p, 5]) + (sums[p, 6] + sums[p, 7])
        )
        for q in range(p + 1, 4):
            value -= right[column + q] * band[column + p, q - p]
        right[column + p] = value * band[column + p, 0]


@numba.njit(cache=True, nogil=True)
def factorise(band):
    """Overwrite a padded ``band`` by its Cholesky factor; column 0 becomes the inverse diagonal.

    Four columns at a time: what all columns before them take from eight rows is summed up in registers, then the four
    are eliminated among themselves. Returns False if the matrix is not positive definite.
    """
    cells, reach = band.shape[0] - PAD_ROWS, band.shape[1] - PAD_COLUMNS - 1
    for k in range(PAD_ROWS):
        band[cells + k, 0] = 1.0
    products = np.empty((4, 8))
    for t in range(0, cells, 4):
        _block_products(band, max(0, t - reach), t, t, t, products)
        if not _factorise_diagonal(band, t, products):
            return False
        for row in range(t + 8, min(cells, t + 4 + reach), 8):
            _block_products(band, max(0, row - reach), t, row, t, products)
            _finish_rows(band, t, row, products)
    return True


@numba.njit(cache=True, nogil=True)
def solve_band(band, right):
    """Overwrite ``right`` (cells + PAD_ROWS,), zero past the cells, by the solution for a factorised ``band``."""
    cells, reach = band.shape[0] - PAD_ROWS, band.shape[1] - PAD_COLUMNS - 1
    four, sums = np.empty(4), np.empty((4, 8))
    blocks = (cells + 3) // 4
    for block in range(blocks):
        _forward(band, 4 * block, min(cells, 4 * block + 4 + reach), four, right)
    for block in range(blocks - 1, -1, -1):
        _backward(band, 4 * block, min(cells, 4 * block + 4 + reach), sums, right)
