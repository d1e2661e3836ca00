"""How kernels are compiled.

A compiled function holds a copy of everything that it calls, so what is called from one place only is written into that
place (``inlined``) rather than compiled twice, and what Python never calls has no door to it (``inner``).
Division by zero gives infinities, as everywhere in numpy: checks at every division would cost speed and compiling.
"""

from __future__ import annotations

import numba

_options = {"cache": True, "nogil": True, "error_model": "numpy", "no_cfunc_wrapper": True}

kernel = numba.njit(**_options)
inner = numba.njit(**_options, no_cpython_wrapper=True)
inlined = numba.njit(**_options, inline="always")
