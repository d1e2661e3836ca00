"""How kernels are compiled.

What Python never calls has no door to it (``inner``), and nothing here is called through a pointer: doors for a hundred
arrays take longer to compile than what is behind them. A kernel makes no arrays and so need not count who uses them,
which with a hundred of them took a tenth of its time; those that do make some are ``roomy`` and are given few. The
interpreter is released by kernels that take long; to get it back from another thread takes longer than the ``quick`` ones.
Division by zero gives infinities, as everywhere in numpy: checks at every division would cost speed and compiling.
"""

from __future__ import annotations

import numba
from numba.core.options import DefaultOptions

_options = {"cache": True, "nogil": True, "error_model": "numpy", "no_cfunc_wrapper": True}

# an option the compiler does not document; where it has gone, users are counted and all else is as before
_counted, _uncounted = ({"_nrt": count} if hasattr(DefaultOptions, "_nrt") else {} for count in (True, False))

kernel = numba.njit(**_options, **_uncounted)
quick_kernel = numba.njit(**_options | {"nogil": False}, **_uncounted)
inner = numba.njit(**_options, **_uncounted, no_cpython_wrapper=True)
roomy_kernel = numba.njit(**_options, **_counted)
roomy_inner = numba.njit(**_options, **_counted, no_cpython_wrapper=True)


def compile_for(function, *arguments) -> None:
    """Compile a kernel for the kinds of ``arguments``, or load it where it is kept, without calling it."""
    function.compile(tuple(numba.typeof(argument) for argument in arguments))
