"""Shapes painted on a graded mesh."""
