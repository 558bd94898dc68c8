"""Budgets, risks, lines, exponentials, steps, settling, outliers, tolerances: knows no coil and no word.

In: arrays and standard uncertainties. Out: estimates with theirs, and probabilities.
Each method stands with its source; those where a library has its own are held to that in tests.
"""
