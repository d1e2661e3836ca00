"""Limits and devices compared on stored curves. Never imports the solver."""
