"""A second thread that takes half of the work of a large matrix.

A compiled step cannot hand work to a thread through the interpreter; so while a step runs, another thread waits in compiled code
for calls, which pass through an array that both read (``signal``). Whether it has come yet or not, the work is cut in the
same halves and gives the same bits.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import numba
import numpy as np
from llvmlite import ir
from numba.core import cgutils, types
from numba.extending import intrinsic

from ampsoak.heat.compiling import roomy_inner

# places in ``signal``, those that one thread writes and another reads a line of the processor's cache apart
PRESENT, TICKET, KIND, COUNT, DONE, GOOD = 0, 8, 16, 17, 24, 25
_SIGNALS = 32
_DISMISSED = -(2**62)
_LOOKS = 2000  # at a signal between two chances for whoever else waits for this processor


def new_signal() -> np.ndarray:
    """A signal nobody waits at, (32,)."""
    return np.zeros(_SIGNALS, dtype=np.int64)


@intrinsic
def _read_compiled(typing, signal, place):
    signature = types.int64(signal, types.intp)

    def codegen(context, builder, signature, arguments):
        data = context.make_array(signature.args[0])(context, builder, arguments[0]).data
        return builder.load_atomic(builder.gep(data, [arguments[1]]), "acquire", 8)

    return signature, codegen


@intrinsic
def _write_compiled(typing, signal, place, value):
    signature = types.void(signal, types.intp, types.int64)

    def codegen(context, builder, signature, arguments):
        data = context.make_array(signature.args[0])(context, builder, arguments[0]).data
        value = arguments[2]
        assert value.type == ir.IntType(64)
        builder.store_atomic(value, builder.gep(data, [arguments[1]]), "release", 8)
        return context.get_dummy_value()

    return signature, codegen


@intrinsic
def _take_compiled(typing, signal, ticket):
    signature = types.boolean(signal, types.int64)

    def codegen(context, builder, signature, arguments):
        data = context.make_array(signature.args[0])(context, builder, arguments[0]).data
        place = builder.gep(data, [ir.Constant(ir.IntType(64), TICKET)])
        found = builder.cmpxchg(place, arguments[1], builder.neg(arguments[1]), "acq_rel", "acquire")
        return builder.extract_value(found, 1)

    return signature, codegen


@intrinsic
def _give_way_compiled(typing):
    def codegen(context, builder, signature, arguments):
        if sys.platform != "win32":  # POSIX, sched_yield
            kind = ir.FunctionType(ir.IntType(32), [])
            builder.call(cgutils.get_or_insert_function(builder.module, kind, "sched_yield"), [])
        return context.get_dummy_value()

    return types.void(), codegen


def _read_plain(signal, place):
    """What stands at a place of ``signal``, and everything written before it was."""
    return int(signal[place])


def _write_plain(signal, place, value):
    """Write to a place of ``signal`` after everything written so far."""
    signal[place] = value


def _take_plain(signal, ticket):
    """Take the ``ticket`` before the other thread does; False when it has."""
    if signal[TICKET] != ticket:
        return False
    signal[TICKET] = -ticket
    return True


def _give_way_plain():
    """Let another thread have this processor."""


class Crew:
    """The other thread, for one member's steps.

    Parameters
    ----------
    attend : callable    takes a matrix and waits at its signal for work, until dismissed
    """

    def __init__(self, attend: Callable):
        self._attend, self._pool = attend, ThreadPoolExecutor(1)

    def beside(self, matrix, work: Callable[[], int]) -> int:
        """What ``work`` returns, with the other thread waiting at ``matrix`` meanwhile."""
        matrix.signal[:] = 0
        waiting = self._pool.submit(self._attend, matrix)
        try:
            return work()
        finally:
            matrix.signal[TICKET] = _DISMISSED
            waiting.result()


_plain = numba.config.DISABLE_JIT
read = _read_plain if _plain else _read_compiled
write = _write_plain if _plain else _write_compiled
_take = _take_plain if _plain else _take_compiled
_give_way = _give_way_plain if _plain else _give_way_compiled


@roomy_inner
def present(signal):
    """Whether another thread is there to take work."""
    return read(signal, PRESENT) != 0


@roomy_inner
def offer(signal, kind, count):
    """Offer a piece of work to the other thread; the number of its ticket."""
    ticket = 1 - read(signal, TICKET)  # the one before was taken, and so turned negative
    signal[KIND], signal[COUNT] = kind, count
    write(signal, TICKET, ticket)
    return ticket


@roomy_inner
def taken_back(signal, ticket):
    """Whether the other thread, busy elsewhere, has not begun; then the work is the caller's."""
    return _take(signal, ticket)


@roomy_inner
def wait(signal, ticket):
    """Wait until the other thread has done what it took; whether it went well."""
    looks = 0
    while read(signal, DONE) != ticket:
        looks += 1
        if looks % _LOOKS == 0:
            _give_way()
    return signal[GOOD] != 0


@roomy_inner
def listen(signal):
    """Wait for a piece of work and take it; the number of its ticket, 0 when dismissed."""
    looks = 0
    while True:
        ticket = read(signal, TICKET)
        if ticket == _DISMISSED:
            return 0
        if ticket > 0 and _take(signal, ticket):
            return ticket
        looks += 1
        if looks % _LOOKS == 0:
            _give_way()
