"""Runs, limit curves and the main job, from scenario to record."""
