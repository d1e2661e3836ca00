"""Network, kernels, stepping and events."""
