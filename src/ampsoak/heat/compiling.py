"""How kernels are compiled.

What Python never calls has no door to it (``inner``), and nothing here is called through a pointer: doors for a hundred
arrays take longer to compile than what is behind them.
Division by zero gives infinities, as everywhere in numpy: checks at every division would cost speed and compiling.
"""

from __future__ import annotations

import numba

_options = {"cache": True, "nogil": True, "error_model": "numpy", "no_cfunc_wrapper": True}

kernel = numba.njit(**_options)
inner = numba.njit(**_options, no_cpython_wrapper=True)


def compile_for(function, *arguments) -> None:
    """Compile a kernel for the kinds of ``arguments``, or load it where it is kept, without calling it."""
    function.compile(tuple(numba.typeof(argument) for argument in arguments))
