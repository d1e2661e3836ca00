"""How kernels are compiled.

What Python never calls has no door to it (``inner``), and nothing here is called through a pointer: doors for a hundred
arrays take longer to compile than what is behind them. A kernel makes no arrays and so need not count who uses them,
which with a hundred of them took a tenth of its time; those that do make some are ``roomy`` and are given few. The
interpreter is released by kernels that take long; to get it back from another thread takes longer than the ``quick`` ones.
Division by zero gives infinities, as everywhere in numpy: checks at every division would cost speed and compiling.
"""

from __future__ import annotations

import numba

_options = {"cache": True, "nogil": True, "error_model": "numpy", "no_cfunc_wrapper": True}

kernel = numba.njit(**_options, _nrt=False)
quick_kernel = numba.njit(**_options | {"nogil": False}, _nrt=False)
inner = numba.njit(**_options, _nrt=False, no_cpython_wrapper=True)
roomy_kernel = numba.njit(**_options, _nrt=True)
roomy_inner = numba.njit(**_options, _nrt=True, no_cpython_wrapper=True)


def compile_for(function, *arguments) -> None:
    """Compile a kernel for the kinds of ``arguments``, or load it where it is kept, without calling it."""
    function.compile(tuple(numba.typeof(argument) for argument in arguments))
