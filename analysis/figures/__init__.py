"""Figures: the curves of one coil, and R20 of all coils from run to run.

In: results and traces. Out: PNG and SVG, the same bytes from the same data, legible in grey and without
colour.
``drawing`` is how all are drawn; ``thinning`` draws few points that look like many.
"""
