"""General-purpose solvers on the reference problems P1-P4, written as somebody who knows each library well would.

Temperatures are in degrees Celsius and drawings in millimetres in here, as the libraries' meshes are. Nothing of ampsoak is
imported except in ``ampsoak_side``: the problems are written down twice, so a slip shows as an error against the reference.
"""
