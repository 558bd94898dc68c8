"""The way of the heat, its lags and the model of a trace, against independent integration and differences."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import expm

from analysis.thermal import lags
from analysis.thermal.body_model import BODY, COPPER, Data, Model, first_guess
from analysis.thermal.heat_path import SHELLS, Order, answers
from analysis.thermal.search import copper_and_joint, search
from tests.benchmarks.invented_coils import Rows, ladder, simulate

ORDERS = [Order(), Order(hidden=True), Order(core=True), Order(hidden=True, core=True)]


def likely(order: Order) -> np.ndarray:
    """Parameters off what is most likely, shape (1, p)."""
    rng = np.random.default_rng(8)
    found = np.array([p.likely for p in order.parameters])
    return (found + rng.normal(0.0, 0.3, found.size))[None]


def data_of(rows: Rows) -> Data:
    """Rows of an invented coil, one switching instant not known and half of them read as V/I."""
    power = rows.power_W()
    edge = np.zeros((1, power.size))
    edge[0, int(np.flatnonzero(power > 0)[0])] = 18.0
    weight = np.stack((np.full(power.size, 1000.0), np.full(power.size, 10.0)))
    return Data(
        rows.time_s,
        rows.probe_degC,
        rows.resistance_ohm,
        power,
        power / rows.resistance_ohm,
        edge,
        weight,
        0.00393,
        (rows.current_A > 0).astype(float),
        2e-3,
        5e-3,
    )


@pytest.fixture(scope="module")
def data() -> Data:
    """A pulse and its cooling, a row in two seconds."""
    return data_of(simulate(ladder(), np.random.default_rng(4), every_s=2.0, cool_s=400.0))


def test_a_lag_between_those_of_the_bank_is_their_weighted_sum() -> None:
    """Weighed together, the bank answers a pulse as the lag itself does, to a thousandth of the pulse."""
    time_s = np.cumsum(np.random.default_rng(1).uniform(0.5, 5.0, 300))
    power = np.where((time_s > 50.0) & (time_s < 300.0), 1.0, 0.0)[None]
    bank = lags.through(time_s, power)[0]
    for tau_s in (0.7, 3.3, 21.0, 140.0, 900.0):
        exact = lags.through(time_s, power, np.array([tau_s]))[0, 0]
        assert lags.weights(np.array([tau_s]))[0] @ bank == pytest.approx(exact, abs=1e-3)


def test_steps_of_heat_are_answered_as_by_small_steps() -> None:
    """What the bank makes of a step that rises evenly is the sum of what it makes of many small ones."""
    knots, at = np.array([0.0, 20.0, 50.0]), np.linspace(0.0, 200.0, 21)
    found = lags.of_steps(at, knots, 300.0)
    fine = np.linspace(0.0, 200.0, 20001)
    held = np.clip((fine - 0.005 - 20.0) / 30.0, 0.0, 1.0)
    exact = lags.through(fine, held[None])[0][:, ::1000]
    assert found[:, :, 2] == pytest.approx(exact, abs=2e-4)
    assert found[:, :, 0] == pytest.approx(1.0 - np.exp(-(at + 300.0) / lags.BANK_S[:, None]))


@pytest.mark.parametrize("order", ORDERS, ids=str)
def test_answers_are_those_of_the_state_equation(order: Order) -> None:
    """Winding and probe rise as the heat balance of every node says, step by step, by either heat."""
    theta = likely(order)
    found = answers(theta, order)
    lead, body, loss, _, lag = np.exp(theta[0, :5])
    time_s = 400.0
    rise = found.gain[0] @ (1.0 - np.exp(-time_s / found.tau_s[0]))
    steady = found.gain[0].sum(axis=1)
    # At rest all that is put in leaves the body, wherever it went in, and lifts the winding by the lead more.
    through_body = loss / (1.0 + body)
    assert steady[1:] == pytest.approx(through_body, rel=1e-6)
    assert steady[0] - steady[2] == pytest.approx(lead, rel=1e-6)
    # A body that is held answers nothing: the initial rate is by the node's own heat capacity alone.
    rate = found.gain[0] @ (1.0 / found.tau_s[0])
    assert rate[0] == pytest.approx(_mean_over(theta), rel=1e-6)
    assert rate[1:] == pytest.approx([0.0, 0.0, 0.0], abs=1e-9)
    assert lag > 0.0
    assert (rise < steady).all()


def _mean_over(theta: np.ndarray) -> float:
    """Mean rate of shells that are heated alike but filled differently, by their definition."""
    copper = np.ones(SHELLS)
    copper[: SHELLS - 1] = np.exp(theta[0, 8 : 8 + SHELLS - 1])
    return float(np.mean(1.0 / SHELLS / (copper / copper.sum())))


def test_a_plain_path_is_its_matrix_exponential() -> None:
    """Equal shells on a body: the modes give what the matrix exponential of their equation gives."""
    theta = np.array([p.likely for p in Order().parameters])[None]
    found = answers(theta, Order())
    lead, body, loss, contact, lag = np.exp(theta[0, :5])
    between = np.array([4.0, 4.0, 4.0, 1.0 / (1.0 / 8.0 + contact / 3.0)])
    between *= np.sum((np.arange(1, 5) / 4.0) ** 2 / between) / lead
    capacity = np.array([0.25] * 4 + [body, 0.01])
    a = np.zeros((6, 6))
    for k, g in enumerate([*between, 0.01 / lag]):
        for here, there in ((k, k + 1), (k + 1, k)):
            a[here, here] -= g / capacity[here]
            a[here, there] += g / capacity[here]
    a[4, 4] -= (1.0 + body) / loss / body
    heat = np.array([0.25] * 4 + [0.0, 0.0]) / capacity
    for time_s in (3.0, 40.0, 900.0):
        state = np.linalg.solve(a, (expm(a * time_s) - np.eye(6)) @ heat)
        rise = found.gain[0] @ (1.0 - np.exp(-time_s / found.tau_s[0]))
        assert rise[:2] == pytest.approx([state[:4].mean(), state[5]], rel=1e-6)


@pytest.mark.parametrize("order", ORDERS, ids=str)
def test_derivatives_are_those_of_the_residuals(data: Data, order: Order) -> None:
    """Every unknown bends the residuals as its column says, by central differences."""
    model = Model(data, order)
    rng = np.random.default_rng(3)
    value = first_guess(data, model)
    value[: model.size] += rng.normal(0.0, 0.2, model.size)
    value[model.walk :] = rng.normal(0.0, 0.01, model.knot_s.size)
    exact = model.slopes(model.at(value))
    for k in range(value.size):
        step = np.zeros(value.size)
        step[k] = 1e-5
        low, high = (model.at(value + sign * step).residual for sign in (-1.0, 1.0))
        assert np.abs((low - high) / 2e-5 - exact[:, k]).max() <= 2e-4 * max(np.abs(exact[:, k]).max(), 1.0)


def test_blocks_lose_nothing_of_the_rows(data: Data) -> None:
    """Every reading weighs in its block as much as alone, and rows read what blocks read on average."""
    model = Model(data, Order())
    for column, weight in zip(model.columns, data.weight, strict=True):
        assert np.sum(column.weight**2) == pytest.approx(np.sum(weight**2))
    point = model.at(first_guess(data, model))
    ohms, probe = model.readings(point)
    of_blocks = point.residual * 1.0
    of_rows = [
        column.mean(seen - read) * column.weight
        for column, seen, read in zip(
            model.columns, (data.resistance_ohm, data.probe_degC), (ohms, probe), strict=True
        )
    ]
    assert np.concatenate(of_rows) == pytest.approx(of_blocks, abs=0.5)


def test_the_guess_is_near_enough_to_begin_from(data: Data) -> None:
    """Without any search the heat capacities are right within a third."""
    model = Model(data, Order())
    guess = first_guess(data, model)
    assert np.exp(guess[model.size + COPPER]) == pytest.approx(14.0, rel=0.33)
    assert np.exp(guess[BODY] + guess[model.size + COPPER]) == pytest.approx(80.0, rel=0.33)


def test_a_loss_that_jumps_does_not_move_the_joint() -> None:
    """A body that loses twice as much for three minutes of its cooling leaves joint and misfit alone."""
    coil = ladder(joint_ohm=0.1)
    rows = simulate(coil, np.random.default_rng(4), every_s=1.0)
    plain = search(data_of(rows), Order())
    # What a steady draught takes from the body, by superposition on the linear coil it is taken from.
    draught = np.where((rows.time_s > 500.0) & (rows.time_s < 680.0), -4.0, 0.0)
    body, winding = _by_body_heat(rows.time_s, draught)
    windy = Rows(
        rows.time_s,
        rows.probe_degC + body,
        rows.resistance_ohm + coil.copper_ohm * 0.00393 * winding,
        rows.energy_J,
        rows.voltage_V,
        rows.current_A,
    )
    fitted = search(data_of(windy), Order())
    (_, joint), cov = copper_and_joint(fitted)
    assert abs(joint - 0.1) < 3.0 * float(np.sqrt(cov[1, 1]))
    assert fitted.wander > plain.wander
    assert fitted.misfit < 1.6


def _by_body_heat(time_s: np.ndarray, heat_W: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rise of body and winding of the ladder coil by heat at its body, in small explicit steps."""
    coil = ladder()
    rate = (coil.link - np.diag(coil.link.sum(axis=1) + coil.loss)) / coil.capacity[:, None]
    fine = np.arange(time_s[0], time_s[-1] + 0.1, 0.1)
    put = np.interp(fine, time_s, heat_W)
    state, seen = np.zeros(coil.capacity.size), []
    for watts in put:
        seen.append((state[coil.body], coil.share @ state))
        state = state + 0.1 * (rate @ state)
        state[coil.body] += 0.1 * watts / coil.capacity[coil.body]
    body, winding = np.array(seen).T
    return np.interp(time_s, fine, body), np.interp(time_s, fine, winding)
