"""General-purpose solvers on the reference problems P1-P4, written as somebody who knows each library well would write them.

Temperatures are in degrees Celsius and drawings in millimetres in here, as the libraries' meshes are; nothing of ampsoak is imported,
so that the problems are written down twice and a slip on one side shows as an error against the reference.
"""
