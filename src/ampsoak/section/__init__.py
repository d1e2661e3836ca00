"""Shapes painted on a graded mesh."""

from ampsoak.base.compile_cache import use_compile_cache

use_compile_cache()
