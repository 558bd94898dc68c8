"""The response of a thermal network to power, and how that response bends with each parameter.

The state equation is symmetric after scaling by the root of the capacities, so it falls apart into modes,
each a first-order filter that is exact for power constant between rows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import lapack

from analysis.arrays import FloatArray
from analysis.thermal.network import Order, built, layout

#: Modes that have died out would crawl through subnormal numbers, a hundred times slower than normal ones:
#: exponents stop here, and each step adds far less than any digit of the answer.
_DEEPEST = 500.0
_WHISPER = 1e-100


@dataclass(frozen=True)
class Modes:
    """The network at one set of parameters, taken apart into modes, with exact derivatives.

    Attributes:
        rate: 1/s, shape (m,).
        heat: gain of each mode from winding heat to [winding mean, probe], shape (2, m).
        rest: the same from a uniform start one kelvin above the air.
        d_rate, d_heat, d_rest: derivatives to the log-parameters, leading axis (k,).
    """

    rate: FloatArray
    heat: FloatArray
    rest: FloatArray
    d_rate: FloatArray
    d_heat: FloatArray
    d_rest: FloatArray


def modes(order: Order, theta: FloatArray) -> Modes:
    """Modes of *order* at log-parameters *theta*, shape (k,)."""
    lay = layout(order)
    capacity, conductance, d_capacity, d_conductance = built(order, theta)
    root = np.sqrt(capacity)
    scaled = lay.stamps / root
    rate, u = np.linalg.eigh(scaled.T @ (conductance[:, None] * scaled))
    rate = np.maximum(rate, 1e-12)
    uc = u / root[:, None]
    out_modal, rest_modal = lay.out @ uc, root @ u
    # First-order perturbation of a symmetric eigenproblem, all parameters at once; a tiny gap is kept from
    # dividing by zero.
    gap = rate - rate[:, None]
    gap[np.abs(gap) < 1e-12] = np.inf
    projected = scaled @ u
    half = 0.5 * d_capacity
    mixed = (u.T @ (half[:, :, None] * u)) * rate
    ds = projected.T @ ((d_conductance * conductance)[:, :, None] * projected) - mixed - mixed.swapaxes(1, 2)
    turn = ds / gap
    d_out = out_modal @ turn - (lay.out * half[:, None, :]) @ uc
    d_rest = rest_modal @ turn + (root * half) @ u
    heat, rest = out_modal * out_modal[0], out_modal * rest_modal
    d_heat = d_out * out_modal[0] + out_modal * d_out[:, :1, :]
    d_rate = ds.diagonal(axis1=1, axis2=2)
    return Modes(rate, heat, rest, d_rate, d_heat, d_out * rest_modal + out_modal * d_rest[:, None, :])


class Filters:
    """The first-order filters of all modes over one time grid.

    Args:
        time_s: Increasing times of the rows, shape (n,).
    """

    def __init__(self, time_s: FloatArray) -> None:
        self.elapsed_s = time_s - time_s[0]
        self.step_s = np.diff(time_s, prepend=time_s[0])

    def fading(self, rate: FloatArray) -> FloatArray:
        """What is left of each mode since the first row, shape (m, n); *rate* in 1/s, shape (m,)."""
        return np.asarray(np.exp(-np.minimum(rate[:, None] * self.elapsed_s, _DEEPEST)))

    def run(self, rate: FloatArray, inputs: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Answer of each mode to *inputs* held over each interval, and its derivative to the rate.

        Args:
            rate: 1/s, shape (m,).
            inputs: shape (q, n); element i acts from row i-1 to row i.

        Returns:
            The answers, shape (q, m, n), and the derivative of the first one, shape (m, n).
        """
        m, n, q = rate.size, self.step_s.size, inputs.shape[0]
        x = rate[:, None] * self.step_s
        decay = np.exp(-np.minimum(x, _DEEPEST))
        # (1 - exp(-x))/rate without loss of digits for slow modes.
        hold = -np.expm1(-x) / rate[:, None]
        decay[:, 0] = 0.0
        band = np.ones((2, m * n), order="F")
        band[1, :-1] = -decay.ravel()[1:]
        drive = (inputs[:, None, :] * hold).reshape(q, m * n).T + _WHISPER
        answer = _solve(band, drive).T.reshape(q, m, n)
        previous = np.zeros((m, n))
        previous[:, 1:] = answer[0, :, :-1]
        d_hold = (self.step_s * decay - hold) / rate[:, None]
        d_drive = inputs[0] * d_hold - self.step_s * decay * previous
        slope = _solve(band, d_drive.reshape(m * n, 1) + _WHISPER).reshape(m, n)
        return answer, slope


def _solve(band: FloatArray, right: FloatArray) -> FloatArray:
    """Solve the unit lower bidiagonal system: every mode's recursion in one call."""
    solved, _ = lapack.dtbtrs(band, np.asfortranarray(right), uplo="L", diag="U")
    return np.asarray(solved, dtype=np.float64)
