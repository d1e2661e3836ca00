"""Network, kernels, stepping and events."""

from ampsoak.base.compile_cache import use_compile_cache

use_compile_cache()
