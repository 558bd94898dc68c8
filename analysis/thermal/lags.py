"""A bank of first-order lags with fixed time constants, of which any other lag is a weighted sum.

What a lag makes of a trace changes smoothly with the logarithm of its time constant. So the trace is put
through a few lags once, and a fit that searches for time constants only weighs them anew.
"""

from __future__ import annotations

import numpy as np
from scipy.linalg import lapack

from analysis.arrays import FloatArray

_RATIO = 0.4
_FASTEST_S, _COUNT = 0.3, 29
#: Time constants of the bank in seconds, shape (d,); a faster one is as good as none.
BANK_S = _FASTEST_S * np.exp(_RATIO * np.arange(_COUNT))
#: Neighbours that a time constant is interpolated from, and the divisors of Lagrange's weights.
_NEAR = 6
_DIVISORS = np.array([np.prod([i - j for j in range(_NEAR) if j != i]) for i in range(_NEAR)])

#: Lags that have died out would crawl through subnormal numbers, a hundred times slower than normal ones.
_DEEPEST, _WHISPER = 500.0, 1e-100


def weights(tau_s: FloatArray) -> FloatArray:
    """Weights of the bank that make up lags of *tau_s*, shape (..., k), in the shape (..., k, d)."""
    at = np.clip(np.log(tau_s / _FASTEST_S) / _RATIO, 0.0, _COUNT - 1.0)
    first = np.clip(np.floor(at).astype(np.intp) - _NEAR // 2 + 1, 0, _COUNT - _NEAR)
    near = np.arange(_NEAR)
    apart = (at - first)[..., None] - near
    apart = np.where(np.abs(apart) < 1e-9, 1e-9, apart)
    found = np.zeros((*tau_s.shape, _COUNT))
    share = apart.prod(axis=-1, keepdims=True) / apart / _DIVISORS
    np.put_along_axis(found, first[..., None] + near, share, axis=-1)
    return found


def through(time_s: FloatArray, inputs: FloatArray, tau_s: FloatArray = BANK_S) -> FloatArray:
    """What lags of unit gain make of *inputs*, from nothing.

    Args:
        time_s: Increasing times, shape (n,).
        inputs: Shape (q, n); element i acts from row i-1 to row i.
        tau_s: Shape (d,).

    Returns:
        At the rows, shape (q, d, n).
    """
    over = np.diff(time_s, prepend=time_s[0]) / tau_s[:, None]
    left = np.exp(-np.minimum(over, _DEEPEST))
    left[:, 0] = 0.0
    band = np.ones((2, over.size), order="F")
    band[1, :-1] = -left.ravel()[1:]
    added = (inputs[:, None, :] * -np.expm1(-over)).reshape(inputs.shape[0], over.size).T + _WHISPER
    solved, _ = lapack.dtbtrs(band, np.asfortranarray(added), uplo="L", diag="U")
    return np.asarray(solved.T, dtype=np.float64).reshape(inputs.shape[0], *over.shape)


def of_steps(at_s: FloatArray, knot_s: FloatArray, before_s: float) -> FloatArray:
    """What the bank makes of steps of one unit that rise evenly from knot to knot and then stay.

    Args:
        at_s: Shape (n,).
        knot_s: Increasing, shape (m,).
        before_s: One step more, a sudden one, came so long before the first knot.

    Returns:
        Shape (d, n, m), that one first.
    """
    since = np.maximum(at_s[:, None] - knot_s, 0.0)
    found = np.empty((BANK_S.size, at_s.size, knot_s.size))
    for made, tau_s in zip(found, BANK_S, strict=True):
        ramp = since + tau_s * np.expm1(-since / tau_s)
        made[:, 1:] = (ramp[:, :-1] - ramp[:, 1:]) / np.diff(knot_s)
        made[:, 0] = -np.expm1(-(at_s - knot_s[0] + before_s) / tau_s)
    return found
