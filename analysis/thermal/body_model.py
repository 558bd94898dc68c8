"""The trace of a self-heated coil, and what a way of the heat with an unknown loss behind it makes of it.

Nothing outside the body is modelled: still air, draughts, neighbours, oil. What leaves the body beyond a
share of its own warmth is an unknown heat that wanders (a random walk in smooth steps), and is found with the
rest. The body is measured, so the walk is well known, and the noise of the probe goes into every uncertainty
as it should.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.arrays import FloatArray, IndexArray
from analysis.thermal import lags
from analysis.thermal.heat_path import BODY, UNEVEN, Order, answers

#: Rows become blocks between these lengths, and the wandering heat has knots between these distances: short
#: where the power has just changed.
_BLOCK_S, _KNOT_S = (4.0, 30.0), (10.0, 60.0)
#: What is left of a change of power counts so long, and from such a share of the most power on.
_STIRRED_S, _STIRRED = 30.0, 0.3
#: A bend of the body of so many of its own standard deviations is sharp, and has knots so near to each other.
_SHARP, _TURNED_S = 8.0, 10.0
#: Heat that reached the body before the trace began, so that a body on the move may start it: when, and how
#: much (K/s over the body's own heat capacity).
_BEFORE_S, _BEFORE_K_PER_S = 300.0, 0.03
#: How far a switching instant may be off the middle of its interval, over the interval: evenly spread.
_EDGE_SIGMA = 0.29
#: Of the logarithm of the copper's heat capacity in J/K.
_COPPER_J_PER_K, _COPPER_SIGMA = np.log(16.0), 1.5

#: Shares of the copper in R20 that a search may begin from.
_COPPERS = (0.98, 0.92, 0.86, 0.8)

#: After the parameters of the network, each a column: heat capacity, R20, logarithm of the slope in ohms a
#: kelvin, temperature at the start, V/I over the ohmmeter in proportion, the ohmmeter's offset; then edges.
COPPER, R20, SLOPE, START, GAIN, OFFSET, EDGES = range(7)


@dataclass(frozen=True)
class Data:
    """Rows ready to be fitted, all shape (n,); a masked-out reading has weight zero.

    *weight* has shape (2, n): 1/sigma of the resistance and of the probe reading.
    """

    time_s: FloatArray
    probe_degC: FloatArray
    resistance_ohm: FloatArray
    power_W: FloatArray
    #: Square of the current: what each ohm of joint takes from the winding. Zero: joint heat neglected.
    square_A2: FloatArray
    #: Power at stake in each interval with an unknown switching instant, shape (e, n).
    edge_W: FloatArray
    weight: FloatArray
    alpha20_per_K: float
    #: 1 where a row was read as V/I while the rest of the trace was read by an ohmmeter, else 0.
    by_vi: FloatArray
    #: How far V/I may be off the ohmmeter: relative, and the ohmmeter's own offset (standard uncertainties).
    vi_gain_u: float
    offset_u_ohm: float


class _Column:
    """One kind of reading in blocks: means, weights, the powers' lags, and where between the nodes it is."""

    def __init__(
        self, values: FloatArray, weight: FloatArray, data: Data, lagged: FloatArray, first: IndexArray
    ) -> None:
        square = weight**2
        total = np.add.reduceat(square, first)
        self.known = total > 0
        self._first, self._square, self._total = first, square, total[self.known]
        self.value, self.by_vi, at_s = (self.mean(each) for each in (values, data.by_vi, data.time_s))
        self.lagged = self.mean(lagged)
        self.weight = np.sqrt(self._total)
        self.at_s = at_s

    def mean(self, rows: FloatArray) -> FloatArray:
        """Weighted means over the blocks that hold a reading, of the last axis."""
        return np.asarray(
            np.add.reduceat(rows * self._square, self._first, axis=-1)[..., self.known] / self._total
        )

    def between(self, node_s: FloatArray, at_nodes: FloatArray) -> FloatArray:
        """Values at the blocks from those at the nodes, along the first axis."""
        if node_s.size == self.at_s.size and np.array_equal(node_s, self.at_s):
            return at_nodes
        right = np.clip(np.searchsorted(node_s, self.at_s), 1, node_s.size - 1)
        share = (self.at_s - node_s[right - 1]) / (node_s[right] - node_s[right - 1])
        share = share.reshape(-1, *[1] * (at_nodes.ndim - 1))
        return np.asarray(at_nodes[right - 1] * (1.0 - share) + at_nodes[right] * share)


@dataclass(frozen=True)
class Point:
    """The model at one set of values.

    Attributes:
        value: All unknowns, shape (p,): network, the common ones, edges, steps of the wandering heat in K/s.
        residual: Of the blocks over their sigma, resistance first.
        rise_K: Of winding and probe over the start, at the blocks of each.
        wander: What the wandering heat adds at the nodes, (2, n, m) a step.
        added_K: All steps together, at the nodes, shape (2, n).
    """

    value: FloatArray
    residual: FloatArray
    rise_K: tuple[FloatArray, FloatArray]
    wander: FloatArray
    added_K: FloatArray


class Model:
    """Blocks of one trace under a network of one order.

    Args:
        data: The rows.
        order: What the network has.
    """

    def __init__(self, data: Data, order: Order, shared: Model | None = None) -> None:
        self.data, self.order = data, order
        self.parameters = order.parameters
        self.size = len(self.parameters)
        if shared is None:
            inputs = np.vstack((data.power_W[None], data.square_A2[None], data.edge_W))
            self.lagged = lags.through(data.time_s, inputs)
            first, self.knot_s = _split(data)
            seen = zip((data.resistance_ohm, data.probe_degC), data.weight, strict=True)
            self.columns = [_Column(values, each, data, self.lagged, first) for values, each in seen]
            longest = max(self.columns, key=lambda each: each.at_s.size)
            self.node_s = longest.at_s
            self.steps = lags.of_steps(self.node_s, self.knot_s, _BEFORE_S)
        else:
            self.lagged, self.knot_s, self.columns = shared.lagged, shared.knot_s, shared.columns
            self.node_s, self.steps = shared.node_s, shared.steps
        self.edges = data.edge_W.shape[0]
        #: Where the steps of the wandering heat begin.
        self.walk = self.size + EDGES + self.edges
        free = np.inf
        common = [_COPPER_SIGMA, free, free, free, data.vi_gain_u, data.offset_u_ohm]
        likely = [_COPPER_J_PER_K, 0.0, 0.0, 0.0, 0.0, 0.0]
        self._sigma = np.array([*(p.sigma for p in self.parameters), *common, *[_EDGE_SIGMA] * self.edges])
        self._likely = np.array([*(p.likely for p in self.parameters), *likely, *[0.0] * self.edges])
        self._root_s = np.concatenate(([0.0], np.sqrt(np.diff(self.knot_s))))

    def sigma(self, wander: float) -> FloatArray:
        """How far from the likely each unknown plausibly is; *wander* in K/s a root of a second."""
        walk = self._root_s * wander
        walk[0] = _BEFORE_K_PER_S
        return np.concatenate((self._sigma, walk))

    def likely(self) -> FloatArray:
        """What each unknown most likely is before anything is read."""
        return np.concatenate((self._likely, np.zeros(self.knot_s.size)))

    def joint_ohm(self, value: FloatArray) -> float:
        """What is in series with the copper at *value*."""
        copper = np.exp(value[self.size + SLOPE]) / self.data.alpha20_per_K
        return float(value[self.size + R20] - copper)

    def at(self, value: FloatArray) -> Point:
        """Evaluate the model."""
        gain = self._gain(value[None, : self.size])[0]
        a_copper = np.exp(-value[self.size + COPPER])
        powers = self._powers(value)
        wander = np.exp(value[BODY]) * np.tensordot(gain[2:], self.steps, (1, 0))
        added_K = wander @ value[self.walk :]
        rises = []
        for row, column in enumerate(self.columns):
            by_power = a_copper * (gain[row] @ np.tensordot(powers, column.lagged, (0, 0)))
            rises.append(by_power + column.between(self.node_s, added_K[row]))
        ohms, probe = self.columns
        read = self._ohms(value, value[self.size + START] + rises[0], ohms.by_vi)
        off = ohms.value - read, probe.value - value[self.size + START] - rises[1]
        residual = np.concatenate(
            [each * column.weight for each, column in zip(off, self.columns, strict=True)]
        )
        return Point(value, residual, (rises[0], rises[1]), wander, added_K)

    def _ohms(self, value: FloatArray, winding_degC: FloatArray, by_vi: FloatArray) -> FloatArray:
        common = value[self.size :]
        ohm = common[R20] + np.exp(common[SLOPE]) * (winding_degC - 20.0)
        return np.asarray(ohm * (1.0 + common[GAIN] * by_vi) + common[OFFSET] * by_vi)

    def slopes(self, point: Point) -> FloatArray:
        """What a little of each unknown takes from the residuals at *point*, shape (n, p)."""
        value, size = point.value, self.size
        theta, common = value[:size], value[size:]
        nudge = 1e-4 * np.eye(size)
        nudged = self._gain(np.concatenate((theta[None], theta + nudge, theta - nudge)))
        gain, by_theta = nudged[0], (nudged[1 : size + 1] - nudged[size + 1 :]) / 2e-4
        a_copper, slope, body = np.exp(-common[COPPER]), np.exp(common[SLOPE]), np.exp(theta[BODY])
        powers, wandered = self._powers(value), self.steps @ value[self.walk :]
        found = []
        for row, column in enumerate(self.columns):
            lagged = np.tensordot(powers, column.lagged, (0, 0))
            added = column.between(self.node_s, body * (by_theta[:, 2 + row] @ wandered).T)
            block = np.zeros((column.at_s.size, value.size))
            block[:, :size] = a_copper * (by_theta[:, row] @ lagged).T + added
            by_walk = column.between(self.node_s, point.added_K[row])
            block[:, BODY] += by_walk
            block[:, size + COPPER] = by_walk - point.rise_K[row]
            block[:, size + START] = 1.0
            # The heat of the joint is not the copper's, and the joint is R20 less slope over alpha.
            joint_heat = a_copper * (gain[row] @ column.lagged[1])
            block[:, size + R20] = -joint_heat
            block[:, size + SLOPE] = joint_heat * slope / self.data.alpha20_per_K
            block[:, size + EDGES : self.walk] = a_copper * (gain[row] @ column.lagged[2:]).T
            block[:, self.walk :] = column.between(self.node_s, point.wander[row])
            found.append(block)
        ohms, probe = self.columns
        scale = 1.0 + common[GAIN] * ohms.by_vi
        over_K = common[START] + point.rise_K[0] - 20.0
        winding = found[0] * (slope * scale)[:, None]
        winding[:, size + R20] += scale
        winding[:, size + SLOPE] += slope * over_K * scale
        winding[:, size + GAIN] = (common[R20] + slope * over_K) * ohms.by_vi
        winding[:, size + OFFSET] = ohms.by_vi
        return np.concatenate((winding * ohms.weight[:, None], found[1] * probe.weight[:, None]))

    def of_rows(self, point: Point) -> tuple[FloatArray, FloatArray]:
        """Winding and probe in degC at every row, shapes (n,)."""
        gain = self._gain(point.value[None, : self.size])[0]
        lagged = np.tensordot(self._powers(point.value), self.lagged, (0, 0))
        by_power = np.exp(-point.value[self.size + COPPER]) * (gain[:2] @ lagged)
        start = point.value[self.size + START]
        winding, probe = (
            start + rise + np.interp(self.data.time_s, self.node_s, added)
            for rise, added in zip(by_power, point.added_K, strict=True)
        )
        return winding, probe

    def readings(self, point: Point) -> tuple[FloatArray, FloatArray]:
        """What ohms and probe should read at every row, shapes (n,)."""
        winding, probe = self.of_rows(point)
        return self._ohms(point.value, winding, self.data.by_vi), probe

    def _gain(self, theta: FloatArray) -> FloatArray:
        """Weights of the bank, shape (b, 4, d)."""
        found = answers(theta, self.order)
        return np.asarray(found.gain @ lags.weights(found.tau_s))

    def _powers(self, value: FloatArray) -> FloatArray:
        """What of each input is heat in the copper: power, square of the current, edges."""
        return np.concatenate(([1.0, -self.joint_ohm(value)], value[self.size + EDGES : self.walk]))


def first_guess(data: Data, model: Model) -> FloatArray:
    """All unknowns to begin from: one of a few joints, the rest by small linear fits."""
    seen_ohm, seen_probe = data.weight > 0
    time_s = data.time_s
    probe = np.interp(time_s, time_s[seen_probe], data.probe_degC[seen_probe])
    start, cold_ohm = float(np.median(probe[:5])), float(np.median(data.resistance_ohm[seen_ohm][:5]))
    r20 = cold_ohm / (1.0 + data.alpha20_per_K * (start - 20.0))
    risen = (data.resistance_ohm[seen_ohm] - cold_ohm) / (r20 * data.alpha20_per_K)
    rise = probe - start
    held = np.concatenate(([0.0], 0.5 * (rise[1:] + rise[:-1])))
    # A body without end makes the probe's trace a boundary: what the copper makes of it and of its own heat
    # are the same lags, and only the lead is searched for.
    theta = np.array([p.likely for p in Order().parameters])[None].repeat(14, axis=0)
    theta[:, 0] = np.log(np.geomspace(8.0, 120.0, 14))
    theta[:, BODY] = theta[:, 2] = np.log(1e7)
    found = answers(theta, Order())
    lead = np.where(found.tau_s < 1e5, found.gain[:, 0], 0.0)
    bank = lags.weights(found.tau_s)
    by_heat, by_body = lags.through(time_s, np.stack((data.power_W, held)))
    best = (np.inf, 0, 1.0, 1.0, by_heat[0])
    for at, part in enumerate(lead):
        follow = part / found.tau_s[at]
        heated = ((part @ bank[at]) @ by_heat)[seen_ohm]
        behind = (((follow @ bank[at]) @ by_body) + (1.0 - follow.sum()) * held)[seen_ohm]
        for share in _COPPERS:
            left = risen / share - behind
            per_J = float(heated @ left / (heated @ heated))
            squares = float(np.sum((share * (left - per_J * heated)) ** 2))
            if per_J > 0.0 and squares < best[0]:
                best = (squares, at, share, per_J, (follow @ bank[at]) @ by_heat)
    _, at, share, per_J, flow = best
    slope = share * r20 * data.alpha20_per_K
    step_s = np.diff(time_s, prepend=time_s[0])
    into, gone = np.cumsum(step_s * flow) - rise / per_J, np.cumsum(step_s * held)
    per_body, loss = np.linalg.lstsq(np.column_stack((into, -gone)), rise, rcond=None)[0]
    body = 1.0 / max(per_body, 1e-4)
    value = model.likely()
    value[0] = theta[at, 0]
    value[BODY] = np.log(np.clip(body * per_J, 1.0, 50.0))
    value[2] = np.log(np.clip((1.0 / per_J + body) / max(loss * body, 1e-3), 60.0, 2e4))
    value[model.size : model.size + 4] = np.log(np.clip(1.0 / per_J, 2.0, 100.0)), r20, np.log(slope), start
    return value


def tight(
    model: Model, sigma: FloatArray, likely: FloatArray, guess: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """The same with shells nearly alike and the joint nearly as guessed, for the first steps of a search."""
    sigma, likely = sigma.copy(), likely.copy()
    sigma[UNEVEN] *= 0.1
    sigma[model.size + SLOPE], likely[model.size + SLOPE] = 0.06, guess[model.size + SLOPE]
    return sigma, likely


def _stirred(data: Data) -> FloatArray:
    """How lately the power changed: 1 just then, falling to 0, shape (n,)."""
    calm = lags.through(data.time_s, data.power_W[None], np.array([_STIRRED_S]))[0, 0]
    most = max(float(data.power_W.max()), 1e-9)
    off = np.abs(data.power_W - calm) / most
    later = lags.through(data.time_s, off[None], np.array([_STIRRED_S]))[0, 0]
    return np.asarray(np.clip(np.maximum(off, later) / _STIRRED, 0.0, 1.0))


def _turned(data: Data) -> FloatArray:
    """Where the probe bends more sharply than a body left to itself: a door, a draught, a neighbour; (n,)."""
    bin_s = _BLOCK_S[1]
    weight = data.weight[1] ** 2
    number = ((data.time_s - data.time_s[0]) / bin_s).astype(np.intp)
    total = np.bincount(number, weight)
    known = np.flatnonzero(total > 0)
    found = np.zeros(total.size)
    if known.size > 4:
        mean, middle_s = (
            np.bincount(number, weight * each)[known] / total[known]
            for each in (data.probe_degC, data.time_s)
        )
        # A third difference leaves nothing of a smooth curve; its noise is that of 20 variances.
        even = np.interp(middle_s[0] + bin_s * np.arange(known.size), middle_s, mean)
        bend = np.abs(np.diff(even, 3))
        sigma = np.sqrt(20.0 / np.median(total[known]))
        sharp = np.flatnonzero(bend > _SHARP * sigma)
        for near in (1, 2):  # between the second and the third of the four
            found[known[sharp + near]] = 1.0
    return np.asarray(found[number])


def _split(data: Data) -> tuple[IndexArray, FloatArray]:
    """First rows of the blocks, and where the wandering heat may turn, in seconds; never fewer than two."""
    stirred, turned = _stirred(data), _turned(data)
    step_s = np.diff(data.time_s, prepend=data.time_s[0])

    def number(bounds_s: tuple[float, float]) -> FloatArray:
        shortest, longest = bounds_s
        per_s = np.maximum(stirred / shortest + (1.0 - stirred) / longest, turned / _TURNED_S)
        return np.cumsum(per_s * step_s)

    blocks, knots = number(_BLOCK_S), number(_KNOT_S)
    first = np.flatnonzero(np.diff(np.floor(blocks), prepend=-1.0))
    return first, np.interp(np.linspace(0.0, knots[-1], max(2, int(knots[-1]) + 1)), knots, data.time_s)
