"""Least squares of a thermal network against probe and resistance, with exact derivatives.

One fit has one order. Parameters are, in this order: log of 1/(heat capacity of the winding in J/K), air and
start in degC, drift of the air in K/s, copper and joint in ohms as the ohmmeter reads them, by how much V/I
is off it in proportion and by its offset in ohms, the logarithms of the network, and the share of energy that
each unknown switching instant moves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.arrays import FloatArray
from analysis.thermal.data import Data
from analysis.thermal.modes import Filters, Modes, modes
from analysis.thermal.network import Order, layout

SCALE, AIR, START, DRIFT, COPPER, JOINT, VI_GAIN, OFFSET, NETWORK = range(9)

#: Rows are multiplied in blocks too small for a linear algebra library to spread over threads: on a bench
#: computer that is busy elsewhere, waiting for the other thread takes many times longer than the product.
#: What is in hand then stays in the processor's cache as well, however long the record.
_BLOCK = 512


@dataclass(frozen=True)
class Fitted:
    """One fitted order: parameters (k,), normal matrix (k, k), residuals in sigma (2, n), chi-square."""

    order: Order
    value: FloatArray
    normal: FloatArray
    residual: FloatArray
    chi2: float
    count: int
    evaluations: int
    converged: bool
    winding_degC: FloatArray
    #: Sum of the logarithms of the prior's precisions.
    prior_log: float

    @property
    def misfit(self) -> float:
        """Reduced chi-square."""
        return self.chi2 / max(1, self.count - self.value.size)

    @property
    def doubt(self) -> float:
        """-2 log of the evidence (Laplace), less what all orders share: misfit and wasted freedom."""
        return self.chi2 + float(np.linalg.slogdet(self.normal)[1]) - self.prior_log

    def covariance(self) -> FloatArray:
        """Covariance of the parameters, shape (k, k), for white residuals of one sigma."""
        size = np.sqrt(np.maximum(np.diag(self.normal), 1e-300))
        inverse = np.linalg.pinv(self.normal / np.outer(size, size), rcond=1e-13, hermitian=True)
        return np.asarray(inverse / np.outer(size, size))


def evaluate(order: Order, value: FloatArray, data: Data, filters: Filters) -> tuple[FloatArray, FloatArray]:
    """Temperatures of winding and probe, shape (2, n), and their derivatives, shape (k, 2, n)."""
    k = len(layout(order).parameters)
    m = modes(order, value[NETWORK : NETWORK + k])
    heat = data.power_W - value[JOINT] * data.square_A2 + value[NETWORK + k :] @ data.edge_W
    joint_heat = bool(data.square_A2.any())
    answer, slope = filters.run(m.rate, np.stack((heat, *[data.square_A2] * joint_heat, *data.edge_W)))
    decay = filters.fading(m.rate)
    temperature, d = np.empty((2, heat.size)), np.zeros((value.size, 2, heat.size))
    for first in range(0, heat.size, _BLOCK):
        rows = slice(first, first + _BLOCK)
        parts = answer[..., rows], slope[:, rows], decay[:, rows], filters.elapsed_s[rows]
        temperature[:, rows] = _bent(m, value, parts, d[..., rows], joint_heat=joint_heat)
    return temperature, d


def _bent(
    m: Modes, value: FloatArray, parts: tuple[FloatArray, ...], d: FloatArray, *, joint_heat: bool
) -> FloatArray:
    """Temperatures at some rows, shape (2, b), by what each mode answers there; *d* (k, 2, b) is filled."""
    answer, slope, decay, t = parts
    k, scale, lean = m.d_rate.shape[0], np.exp(value[SCALE]), value[START] - value[AIR]
    risen = scale * (m.heat @ answer[0])
    left = m.rest @ decay
    # The air drifting at one kelvin a second, seen through the network.
    drifted = t - (m.rest / m.rate) @ (1.0 - decay)
    d[SCALE], d[AIR], d[START], d[DRIFT] = risen, 1.0 - left, left, drifted
    if joint_heat:
        d[JOINT] = -scale * (m.heat @ answer[1])
    for e, edge in enumerate(answer[1 + joint_heat :]):
        d[NETWORK + k + e] = scale * (m.heat @ edge)
    rest_rate, late = m.rest * m.d_rate[:, None, :], t * decay
    gain = [scale * m.d_heat, scale * m.heat * m.d_rate[:, None, :], lean * m.d_rest, -lean * rest_rate]
    d_theta = np.concatenate(gain, axis=2) @ np.concatenate((answer[0], slope, decay, late))
    if value[DRIFT] != 0.0:
        d_over = m.d_rest / m.rate - rest_rate / m.rate**2
        d_theta -= value[DRIFT] * (d_over @ (1.0 - decay) + (rest_rate / m.rate) @ late)
    d[NETWORK : NETWORK + k] = d_theta
    return np.asarray(risen + value[AIR] + lean * left + value[DRIFT] * drifted)


def residual_of(
    order: Order, value: FloatArray, data: Data, filters: Filters
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Residuals in sigma (2, n), their derivatives (k, 2, n), and the winding's temperature (n,)."""
    temperature, d = evaluate(order, value, data, filters)
    warmth = 1.0 + data.alpha20_per_K * (temperature[0] - 20.0)
    coil = value[COPPER] * warmth + value[JOINT]
    factor = 1.0 + value[VI_GAIN] * data.by_vi
    model = np.stack((coil * factor - value[OFFSET] * data.by_vi, temperature[1]))
    d[:, 0] *= value[COPPER] * data.alpha20_per_K * factor
    d[COPPER, 0] += warmth * factor
    d[JOINT, 0] += factor
    d[VI_GAIN, 0], d[OFFSET, 0] = coil * data.by_vi, -data.by_vi
    seen = np.stack((data.resistance_ohm, data.probe_degC))
    d *= data.weight
    return (seen - model) * data.weight, d, temperature[0]


def _prior(order: Order, data: Data) -> tuple[FloatArray, FloatArray]:
    """Where the parameters plausibly lie and 1/variance of that, both shape (k,)."""
    parameters = layout(order).parameters
    end = NETWORK + len(parameters)
    centre, weight = np.zeros(end + data.edges), np.zeros(end + data.edges)
    centre[AIR], weight[AIR] = data.air_degC, data.air_u_K**-2
    centre[SCALE] = np.log(1 / 15.0)
    weight[DRIFT] = data.drift_u_K_per_s**-2
    weight[VI_GAIN], weight[OFFSET] = data.vi_gain_u**-2, data.offset_u_ohm**-2
    centre[NETWORK:end] = [p.start for p in parameters]
    weight[NETWORK:end] = [p.spread**-2 for p in parameters]
    # The instant may be anywhere in its interval: uniform over one interval, half to either side.
    weight[end:] = 12.0
    return centre, weight


def _squares(values: FloatArray) -> float:
    """Sum of squares, without a linear algebra library and its threads."""
    return float(np.einsum("ij,ij->", values, values))


def _gram(rows: FloatArray, block: int = _BLOCK // 2) -> FloatArray:
    """Products of all pairs of *rows* (k, n), shape (k, k)."""
    k, n = rows.shape
    whole = n - n % block
    blocks = rows[:, :whole].reshape(k, -1, block).transpose(1, 0, 2)
    rest = rows[:, whole:]
    return np.asarray((blocks @ blocks.transpose(0, 2, 1)).sum(axis=0) + rest @ rest.T)


def least_squares(
    order: Order, start: FloatArray, data: Data, *, most: int = 60, tolerance: float = 1e-2
) -> Fitted:
    """Levenberg-Marquardt from *start*; stops when a step promises less than *tolerance* in chi-square."""
    filters = Filters(data.time_s)
    centre, precision = _prior(order, data)
    value, damping, harder = start.copy(), 0.1, 2.0
    residual, d, winding = residual_of(order, value, data, filters)

    def cost_of(r: FloatArray, v: FloatArray) -> float:
        return _squares(r) + float(temper * precision @ (v - centre) ** 2)

    def system() -> tuple[FloatArray, FloatArray]:
        products = _gram(np.concatenate((d.reshape(value.size, -1), residual.reshape(1, -1))))
        pull = products[:-1, -1] - temper * precision * (value - centre)
        return products[:-1, :-1] + np.diag(temper * precision), pull

    temper = max(1.0, _squares(residual) / data.count)
    cost, evaluations, converged = cost_of(residual, value), 1, False
    normal, gradient = system()
    # Damped in the measure of what is plausible, not of the curvature: the valleys here are long and flat
    # across many parameters, and damping by the diagonal of the normal matrix would creep along them.
    size = np.maximum(precision, 1e-12)
    size[SCALE], size[START], size[COPPER] = 0.5, 0.01, start[COPPER] ** -2
    size[JOINT] = 10.0 * size[COPPER]
    while not converged and evaluations < most:
        root = np.sqrt(np.diag(normal) + damping * size)
        damped = (normal + np.diag(damping * size)) / np.outer(root, root)
        step = np.linalg.solve(damped, gradient / root) / root
        promised = float(step @ (gradient + damping * size * step))
        # A leap of many e-folds overflows before it teaches anything.
        step *= min(1.0, 3.0 / max(1e-12, float(np.abs(step[NETWORK:]).max()), abs(float(step[SCALE]))))
        trial = value + step
        for at in (SCALE, slice(NETWORK, None)):
            # Rates ten e-folds from plausible are beyond what any trace can tell apart.
            trial[at] = np.clip(trial[at], centre[at] - 10.0, centre[at] + 10.0)
        trial_residual, trial_d, trial_winding = residual_of(order, trial, data, filters)
        evaluations += 1
        trial_cost = cost_of(trial_residual, trial)
        gain = (cost - trial_cost) / max(promised, 1e-30)
        if np.isfinite(trial_cost) and gain > 0:
            converged = promised < tolerance * max(1.0, trial_cost / data.count)
            value, residual, d, winding = trial, trial_residual, trial_d, trial_winding
            # Where the network does not fit, what is plausible counts for as much more: else a mass that is
            # missing bends everything else out of shape, and the next order starts from there.
            temper = max(1.0, _squares(residual) / data.count)
            cost = cost_of(residual, value)
            normal, gradient = system()
            damping = max(damping * max(0.1, 1.0 - (2.0 * gain - 1.0) ** 3), 1e-6)
            harder = 2.0
        else:
            converged = promised < tolerance * max(1.0, cost / data.count)
            damping, harder = damping * harder, harder * 2.0
    prior_log = float(np.log(precision[precision > 0]).sum())
    return Fitted(
        order, value, normal, residual, cost, data.count, evaluations, converged, winding, prior_log
    )


def first_guess(data: Data) -> FloatArray:
    """Starting values of the smallest order from the trace itself.

    The straight line of resistance on probe gives the copper; then for a few speeds of winding and body the
    heat capacity, the temperatures and the joint follow linearly, and the best is taken.
    """
    order = Order()
    filters = Filters(data.time_s)
    both = (data.weight > 0).all(axis=0)
    probe, ohm = data.probe_degC[both], data.resistance_ohm[both]
    line = np.polyfit(probe - 20.0, ohm, 1)
    copper = float(np.clip(line[0] / data.alpha20_per_K, 0.5 * np.median(ohm), 1.1 * np.median(ohm)))
    seen = np.concatenate(
        ((data.resistance_ohm - copper) / (copper * data.alpha20_per_K) + 20.0, data.probe_degC)
    )
    weight = np.concatenate((data.weight[0] * copper * data.alpha20_per_K, data.weight[1]))
    used = weight > 0
    best, guess = np.inf, np.zeros(NETWORK + 3 + data.edges)
    ones, zeros = np.ones(data.time_s.size), np.zeros(data.time_s.size)
    for tau_winding in (10.0, 30.0, 80.0):
        for body in (3.0, 10.0):
            for tau_body in (200.0, 600.0, 1800.0):
                theta = np.log([1 / (2.5 * tau_winding), body, 1 / tau_body])
                m = modes(order, theta)
                answer, _ = filters.run(m.rate, data.power_W[None, :])
                risen = (m.heat @ answer[0]).ravel()
                left = (m.rest @ filters.fading(m.rate)).ravel()
                columns = np.stack((risen, 1.0 - left, left, np.concatenate((ones, zeros))), axis=1)
                columns = columns[used] * weight[used, None]
                solution, *_ = np.linalg.lstsq(columns, seen[used] * weight[used])
                if solution[0] <= 0:
                    continue
                loss = float(np.sum((seen[used] * weight[used] - columns @ solution) ** 2))
                if loss < best:
                    best = loss
                    guess[SCALE], guess[AIR], guess[START] = np.log(solution[0]), solution[1], solution[2]
                    guess[COPPER], guess[JOINT] = copper, solution[3] * copper * data.alpha20_per_K
                    guess[NETWORK : NETWORK + 3] = theta
    return guess


def extended(fitted: Fitted, order: Order) -> FloatArray:
    """Starting values for *order* from a fitted order it grew from."""
    old = layout(fitted.order).parameters
    known = {p.name: fitted.value[NETWORK + k] for k, p in enumerate(old)}
    network = [known.get(p.name, p.start) for p in layout(order).parameters]
    return np.concatenate((fitted.value[:NETWORK], network, fitted.value[NETWORK + len(old) :]))
