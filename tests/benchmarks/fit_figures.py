"""How far fitted joints are off, and what their stated uncertainties are worth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.arrays import FloatArray


@dataclass(frozen=True)
class FitFigures:
    """Errors of several joints in mohm, and the share of them (0 to 1) that their 95 % intervals hold."""

    median_mohm: float
    p95_mohm: float
    held: float


def fit_figures(error_mohm: FloatArray, stated_mohm: FloatArray) -> FitFigures:
    """Return the figures of errors and standard uncertainties, each of shape (n,), n at least 1."""
    off = np.abs(error_mohm)
    return FitFigures(
        float(np.median(off)), float(np.percentile(off, 95)), float(np.mean(off < 1.96 * stated_mohm))
    )
