"""The thermal network against an independent integration and against differences."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import expm

from analysis.network import SHELLS, Filters, Order, layout, modes
from analysis.network_fit import AIR, COPPER, DRIFT, JOINT, NETWORK, SCALE, START, Data, evaluate

ORDERS = [
    Order(),
    Order(lag=True),
    Order(contact=True, hidden=1),
    Order(contact=True, lag=True, hidden=2, uneven=True),
    Order(lag=True, hidden=1, core=True),
]


def made_data() -> Data:
    """Uneven rows of a pulse with changing power; readings are not used."""
    rng = np.random.default_rng(5)
    t = np.concatenate(([0.0], np.cumsum(rng.uniform(0.5, 5.0, 150))))
    power = np.where((t > 20) & (t < 200), 18.0 * rng.uniform(0.5, 1.0, t.size), 0.0)
    edge = np.zeros((1, t.size))
    edge[0, 60] = 18.0
    blank = np.zeros(t.size)
    return Data(t, blank, blank, power, power / 4.0, edge, np.ones((2, t.size)), 0.00393, 22.0, 10.0, 1e-4)


def start_values(order: Order) -> np.ndarray:
    """Plain values off the defaults, with a drift and a moved switching instant."""
    k = len(layout(order).parameters)
    value = np.zeros(NETWORK + k + 1)
    value[[SCALE, AIR, START, DRIFT, COPPER, JOINT]] = [np.log(1 / 14), 22.0, 25.0, 2e-4, 3.2, 0.1]
    value[NETWORK : NETWORK + k] = [p.start + 0.1 for p in layout(order).parameters]
    value[-1] = 0.2
    return value


@pytest.mark.parametrize("order", ORDERS, ids=str)
def test_derivatives_are_those_of_the_temperatures(order: Order) -> None:
    """Every exact derivative agrees with central differences of the temperatures."""
    data, value = made_data(), start_values(order)
    filters = Filters(data.time_s)
    _, exact = evaluate(order, value, data, filters)
    for k in range(value.size):
        step = np.zeros(value.size)
        step[k] = 1e-4 if k == DRIFT else 1e-5 * max(1.0, abs(value[k]))
        high, low = (evaluate(order, value + s * step, data, filters)[0] for s in (1, -1))
        differences = (high - low) / (2 * step[k])
        assert np.abs(differences - exact[k]).max() <= 1e-5 * max(np.abs(exact[k]).max(), 1e-3)


@pytest.mark.slow
@pytest.mark.parametrize("order", ORDERS, ids=str)
def test_temperatures_are_those_of_the_state_equation(order: Order) -> None:
    """The modal answer is the step-by-step matrix exponential of the same network, air drift included."""
    data, value = made_data(), start_values(order)
    k = len(layout(order).parameters)
    lay, theta = layout(order), value[NETWORK : NETWORK + k]
    capacity = lay.capacity * np.exp(lay.capacity_of.T @ theta)
    n = capacity.size
    # State: node temperatures, air, drift of the air, one (for the heat).
    a = np.zeros((n + 3, n + 3))
    for (i, j, g0), scaled in zip(lay.links, lay.link_of.T @ theta, strict=True):
        g = g0 * np.exp(scaled)
        for here, there in ((i, j), (j, i)):
            if here >= 0:
                a[here, here] -= g / capacity[here]
                a[here, there if there >= 0 else n] += g / capacity[here]
    a[n, n + 1] = 1.0
    state = np.concatenate((np.full(n, value[START]), [value[AIR], value[DRIFT], 1.0]))
    heat = data.power_W - value[JOINT] * data.square_A2 + value[-1] * data.edge_W[0]
    seen = []
    for step, watts in zip(np.diff(data.time_s, prepend=0.0), heat, strict=True):
        # Scale is 1 over the winding's heat capacity; each shell takes its equal part of the heat.
        a[:SHELLS, n + 2] = np.exp(value[SCALE]) * watts / SHELLS / capacity[:SHELLS]
        state = expm(a * step) @ state
        seen.append((state[:SHELLS].mean(), state[lay.probe]))
    temperature, _ = evaluate(order, value, data, Filters(data.time_s))
    assert temperature == pytest.approx(np.array(seen).T, abs=1e-6)


def test_the_steady_lead_of_a_fine_winding_is_that_of_a_slab() -> None:
    """At rest the mean of the evenly heated ladder leads the body nearly as a slab does: q/(3 g)."""
    order = Order()
    theta = np.array([p.start for p in layout(order).parameters])
    m = modes(order, theta)
    lead = float(((m.heat[0] - m.heat[1]) / m.rate).sum())
    # A slab of conductance g, heated evenly and cooled on one face: mean lead 1/(3 g), computed from the
    # definition; equal shells with their heat at the centre come within 1/(2 SHELLS²) of it.
    assert lead * 3 * np.exp(theta[0]) == pytest.approx(1.0, abs=1 / (2 * SHELLS**2) + 1e-9)


def test_growing_adds_one_feature_and_ends() -> None:
    """Growth from the smallest order adds one feature at a time and stops at two masses."""
    order, steps = Order(), 0
    while order.grown():
        assert all(g != order and not g.uneven for g in order.grown())
        order = order.grown()[-1]
        steps += 1
    assert steps <= 4
    assert order.hidden + order.core == 2
