"""Straight lines of exact x, as published examples have them, made of the line that the program fits."""

from __future__ import annotations

import numpy as np

from analysis.arrays import FloatArray
from analysis.statistics.line import Line, line_errors_in_both

#: Stated for each y: so little that any scatter widens the line by all of it.
STATED = 1e-6


def scattered_line(x: FloatArray, y: FloatArray, *, reference: float = 0.0) -> Line:
    """Fit points of exact *x*, each of shape (n,), and let their misfit widen the covariance."""
    stated = np.full_like(y, STATED)
    return line_errors_in_both(x, np.zeros_like(x), y, stated, reference=reference).widened()


def known_line(x: FloatArray, y: FloatArray, u_y: FloatArray) -> Line:
    """Fit points of exact *x* and known standard uncertainties of *y*, each of shape (n,)."""
    return line_errors_in_both(x, np.zeros_like(x), y, u_y)
