"""The thermal network against an independent integration and against differences."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.linalg import expm

from analysis.thermal import least_squares as network_fit
from analysis.thermal.data import Data
from analysis.thermal.least_squares import (
    AIR,
    COPPER,
    DRIFT,
    JOINT,
    NETWORK,
    OFFSET,
    SCALE,
    START,
    VI_GAIN,
    evaluate,
    extended,
    first_guess,
    least_squares,
    residual_of,
)
from analysis.thermal.modes import Filters, modes
from analysis.thermal.network import SHELLS, Order, built, layout
from tests.benchmarks.thermal_limit import bound, joints, noisy

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
    by_vi = np.where(power > 0, 1.0, 0.0)
    weight = np.ones((2, t.size))
    return Data(
        t, blank, blank, power, power / 4.0, edge, weight, 0.00393, 22.0, 10.0, 1e-4, by_vi, 2e-3, 5e-3
    )


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


@pytest.mark.parametrize("order", ORDERS, ids=str)
def test_rows_taken_in_blocks_are_the_rows_taken_at_once(
    monkeypatch: pytest.MonkeyPatch, order: Order
) -> None:
    """Temperatures and derivatives do not depend on how many rows are multiplied at a time."""
    data, value = made_data(), start_values(order)
    at_once = evaluate(order, value, data, Filters(data.time_s))
    monkeypatch.setattr(network_fit, "_BLOCK", 7)
    in_blocks = evaluate(order, value, data, Filters(data.time_s))
    for few, all_rows in zip(in_blocks, at_once, strict=True):
        np.testing.assert_allclose(few, all_rows, rtol=1e-12, atol=1e-12)


def test_derivatives_are_those_of_the_residuals() -> None:
    """Copper, joint and the difference of V/I from the ohmmeter bend the residuals as the derivatives say."""
    order = ORDERS[2]
    data, value = made_data(), start_values(order)
    value[[VI_GAIN, OFFSET]] = 0.003, 0.01
    filters = Filters(data.time_s)
    _, exact, _ = residual_of(order, value, data, filters)
    for k in range(value.size):
        step = np.zeros(value.size)
        step[k] = 1e-4 if k == DRIFT else 1e-5 * max(1.0, abs(value[k]))
        high, low = (residual_of(order, value + s * step, data, filters)[0] for s in (1, -1))
        assert np.abs((low - high) / (2 * step[k]) - exact[k]).max() <= 1e-5 * np.abs(exact[k]).max()


@pytest.mark.slow
@pytest.mark.parametrize("order", ORDERS, ids=str)
def test_temperatures_are_those_of_the_state_equation(order: Order) -> None:
    """The modal answer is the step-by-step matrix exponential of the same network, air drift included."""
    data, value = made_data(), start_values(order)
    k = len(layout(order).parameters)
    lay = layout(order)
    capacity, conductance, _, _ = built(order, value[NETWORK : NETWORK + k])
    n = capacity.size
    # State: node temperatures, air, drift of the air, one (for the heat).
    a = np.zeros((n + 3, n + 3))
    for (i, j), g in zip(lay.links, conductance, strict=True):
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
        seen.append((state[:SHELLS].mean(), state[n - 1 if order.lag else SHELLS]))
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


@pytest.mark.parametrize("order", ORDERS[1:], ids=str)
def test_what_the_trace_shows_keeps_its_parameter(order: Order) -> None:
    """Shells and contact leave the steady lead, fill the winding's capacity, masses the sum behind it."""
    rng = np.random.default_rng(8)
    theta = np.array([p.start for p in layout(order).parameters]) + rng.normal(
        0, 0.3, len(layout(order).parameters)
    )
    capacity, _, _, _ = built(order, theta)
    m = modes(order, theta)
    assert capacity[:SHELLS].sum() == pytest.approx(1.0)
    assert capacity[SHELLS : SHELLS + 1 + order.hidden].sum() == pytest.approx(np.exp(theta[1]))
    lead = float(((m.heat[0] - m.heat[1]) / m.rate).sum())
    assert lead * 3 * np.exp(theta[0]) == pytest.approx(1.0, abs=1 / (2 * SHELLS**2) + 1e-6)


def made_readings() -> tuple[Data, np.ndarray]:
    """A pulse seen with noise each second, rows made by the network itself, and the true values."""
    rng = np.random.default_rng(6)
    t = np.arange(1200.0)
    power = np.where((t > 20) & (t <= 320), 18.0, 0.0)
    blank, none = np.zeros(t.size), np.zeros((0, t.size))
    weight = np.repeat([[1000.0], [10.0]], t.size, axis=1)
    data = Data(
        t,
        blank,
        blank,
        power,
        power / 3.5,
        none,
        weight,
        0.00393,
        22.0,
        15.0,
        1e-9,
        np.zeros(t.size),
        1.0,
        1.0,
    )
    order = Order()
    value = np.array(
        [np.log(1 / 14), 22.0, 22.0, 0.0, 3.2, 0.1, 0.0, 0.0, *(p.start for p in layout(order).parameters)]
    )
    (winding, probe), _ = evaluate(order, value, data, Filters(t))
    ohm = 3.2 * (1 + 0.00393 * (winding - 20)) + 0.1 + rng.normal(0, 0.001, t.size)
    return replace(data, resistance_ohm=ohm, probe_degC=probe + rng.normal(0, 0.1, t.size)), value


def test_fewer_rows_say_the_same() -> None:
    """Condensed to a sixth of the rows the trace gives the same copper and joint, as uncertain."""
    data, _ = made_readings()
    few = data.condensed()
    assert few.time_s.size < data.time_s.size / 6
    assert np.sum(few.weight**2) == pytest.approx(np.sum(data.weight**2))
    by_few = least_squares(Order(), first_guess(few), few)
    by_all = least_squares(Order(), by_few.value, data)
    u = np.sqrt(np.diag(by_all.covariance()))
    off = np.abs(by_few.value - by_all.value) / u
    assert 0 < off[[COPPER, JOINT]].max() < 0.2
    # What is not asked for may be off by the bend inside a block: the last fit takes all rows.
    assert off.max() < 1.0
    assert np.sqrt(np.diag(by_few.covariance())) == pytest.approx(u, rel=0.05)


@pytest.mark.slow
def test_the_stated_uncertainty_is_the_least_there_can_be() -> None:
    """With the model known, the joint is as uncertain as the Cramér-Rao bound of the simulated coil says."""
    least, rows = bound()
    errors = []
    for seed in range(10):
        (joint, u), _ = joints(noisy(rows, seed))
        assert u == pytest.approx(least, rel=0.05)
        errors.append((joint - 0.1) / least)
    assert np.sqrt(np.mean(np.square(errors))) < 1.6


def test_condensed_rows_survive_missing_readings() -> None:
    """Readings missing here and there move the middle of a block, and copper and joint hardly."""
    data, _ = made_readings()
    weight = data.weight * (np.random.default_rng(9).random(data.weight.shape) > 0.3)
    holed = replace(data, weight=weight)
    few = least_squares(Order(), first_guess(holed.condensed()), holed.condensed())
    full = least_squares(Order(), few.value, holed)
    u = np.sqrt(np.diag(full.covariance()))
    off = np.abs(few.value - full.value) / u
    assert off[[COPPER, JOINT]].max() < 0.2
    assert off.max() < 1.0


def test_doubts_are_admitted_in_few_steps() -> None:
    """Contact, lag and uneven shells added to a fitted network cost few evaluations."""
    data, true = made_readings()
    few = data.condensed()
    plain = least_squares(Order(), first_guess(few), few)
    order = Order(contact=True, lag=True, uneven=True)
    wide = least_squares(order, extended(plain, order), few)
    assert wide.converged
    assert plain.evaluations + wide.evaluations < 40
    assert abs(wide.value[JOINT] - true[JOINT]) < 3 * np.sqrt(wide.covariance()[JOINT, JOINT])


def test_growing_adds_one_mass_and_ends() -> None:
    """Growth from the smallest order adds one mass at a time and stops at two."""
    order, steps = Order(), 0
    while order.grown():
        assert all(g.hidden + g.core == steps + 1 for g in order.grown())
        order = order.grown()[-1]
        steps += 1
    assert steps == 2
