"""Figures and tables. The only place that imports matplotlib."""
