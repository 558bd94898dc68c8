"""The thermal network against general-purpose solvers and its own bookkeeping of energy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.linalg import expm

from daq.sim.faults import Thermal
from daq.sim.world.thermal import BODY, NODES, SHELLS, ThermalBank, matrices

TYPICAL = Thermal()
durations_s = st.floats(1e-4, 1e5)
powers_W = st.floats(0.0, 60.0)
airs_degC = st.floats(-20.0, 140.0)


def reference_step(
    nodes_degC: np.ndarray, dt_s: float, power_W: float, air_from_degC: float, air_to_degC: float
) -> np.ndarray:
    """Step by the exponential of the network, in whichever of two exact forms keeps its digits."""
    capacity, conductance, air = matrices(TYPICAL, TYPICAL.still_air_W_per_K)
    heat = np.zeros(NODES)
    heat[:SHELLS] = power_W / SHELLS
    rates = -conductance / capacity[:, None]
    slope_K_per_s = (air_to_degC - air_from_degC) / dt_s
    if dt_s < 10.0:
        # With its inputs (1 and t) appended as states: a long step would cost digits.
        system = np.zeros((NODES + 2, NODES + 2))
        system[:NODES, :NODES] = rates
        system[:NODES, NODES] = (heat + air * air_from_degC) / capacity
        system[:NODES, NODES + 1] = air * slope_K_per_s / capacity
        system[NODES + 1, NODES] = 1.0
        return (expm(system * dt_s) @ np.array([*nodes_degC, 1.0, 0.0]))[:NODES]
    # About the ramp that the network ends up following: a short, steep one would cost digits.
    follow_K_per_s = np.linalg.solve(conductance, air * slope_K_per_s)
    ramp_degC = np.linalg.solve(conductance, heat + air * air_from_degC - capacity * follow_K_per_s)
    return ramp_degC + follow_K_per_s * dt_s + expm(rates * dt_s) @ (nodes_degC - ramp_degC)


@given(durations_s, powers_W, airs_degC, airs_degC)
def test_a_step_of_any_length_is_the_matrix_exponential(
    dt_s: float, power_W: float, air_from_degC: float, air_to_degC: float
) -> None:
    """A step with constant power and air on a ramp equals the exponential of the whole system."""
    start_degC = np.linspace(40.0, 20.0, NODES)
    bank = ThermalBank([TYPICAL], [20.0])
    bank.set_nodes_degC(start_degC[None, :])
    bank.step(dt_s, np.array([power_W]), air_from_degC, air_to_degC)
    expected = reference_step(start_degC, dt_s, power_W, air_from_degC, air_to_degC)
    assert bank.nodes_degC()[0] == pytest.approx(expected, abs=1e-7)


@given(durations_s, durations_s, powers_W)
def test_two_steps_are_one(one_s: float, other_s: float, power_W: float) -> None:
    """It makes no difference where a stretch of constant power is cut."""
    whole, cut = ThermalBank([TYPICAL], [20.0]), ThermalBank([TYPICAL], [20.0])
    watts = np.array([power_W])
    whole.step(one_s + other_s, watts, 25.0, 25.0)
    cut.step(one_s, watts, 25.0, 25.0)
    cut.step(other_s, watts, 25.0, 25.0)
    assert cut.nodes_degC() == pytest.approx(whole.nodes_degC(), abs=1e-8)


def test_a_fine_integration_agrees() -> None:
    """Five minutes of changing power follow a general integrator run to a tight tolerance."""
    capacity, conductance, air = matrices(TYPICAL, TYPICAL.still_air_W_per_K)
    bank = ThermalBank([TYPICAL], [22.0])
    nodes_degC = np.full(NODES, 22.0)
    for power_W, dt_s in ((18.0, 60.0), (0.0, 40.0), (9.0, 200.0)):
        heat = np.zeros(NODES)
        heat[:SHELLS] = power_W / SHELLS
        solved = solve_ivp(
            lambda _, nodes, made=heat: (made + air * 22.0 - conductance @ nodes) / capacity,
            (0.0, dt_s),
            nodes_degC,
            rtol=1e-9,
            atol=1e-9,
        )
        nodes_degC = solved.y[:, -1]
        bank.step(dt_s, np.array([power_W]), 22.0, 22.0)
        assert bank.nodes_degC()[0] == pytest.approx(nodes_degC, abs=1e-5)


@given(powers_W, st.floats(1.0, 2000.0))
def test_energy_put_in_is_stored_when_none_can_leave(power_W: float, dt_s: float) -> None:
    """With practically no way to the air, capacities times rises add up to power times time."""
    sealed = Thermal(still_air_W_per_K=1e-12)
    capacity, _, _ = matrices(sealed, sealed.still_air_W_per_K)
    bank = ThermalBank([sealed], [22.0])
    bank.step(dt_s, np.array([power_W]), 22.0, 22.0)
    stored_J = float(capacity @ (bank.nodes_degC()[0] - 22.0))
    assert stored_J == pytest.approx(power_W * dt_s, rel=1e-6, abs=1e-6)


def test_energy_balance_with_losses() -> None:
    """Energy in is energy stored plus what the body gave to the air."""
    capacity, _, _ = matrices(TYPICAL, TYPICAL.still_air_W_per_K)
    bank = ThermalBank([TYPICAL], [22.0])
    lost_J, dt_s = 0.0, 0.5
    for _ in range(1200):
        before_degC = bank.node_degC(0, BODY)
        bank.step(dt_s, np.array([18.0]), 22.0, 22.0)
        mean_degC = (before_degC + bank.node_degC(0, BODY)) / 2.0
        lost_J += TYPICAL.still_air_W_per_K * (mean_degC - 22.0) * dt_s
    stored_J = float(capacity @ (bank.nodes_degC()[0] - 22.0))
    assert stored_J + lost_J == pytest.approx(18.0 * 600.0, rel=1e-5)


def test_steady_state_follows_from_the_conductances() -> None:
    """In the end all heat crosses the winding's outside and the body's; each shell makes a quarter."""
    power_W = 18.0
    bank = ThermalBank([TYPICAL], [22.0])
    bank.step(1e6, np.array([power_W]), 22.0, 22.0)
    body_degC = 22.0 + power_W / TYPICAL.still_air_W_per_K
    # Inside the three inner boundaries lie 1, 2 and 3 of the 4 shells, and so much of the heat.
    inner_W = power_W * (1 + 4 + 9) / 16
    lead_K = power_W / TYPICAL.winding_to_body_W_per_K + inner_W / TYPICAL.shell_to_shell_W_per_K
    assert bank.node_degC(0, BODY) == pytest.approx(body_degC, abs=1e-6)
    assert bank.winding_degC(0) == pytest.approx(body_degC + lead_K, abs=1e-6)


def test_a_typical_coil_behaves_as_coils_of_this_size_do() -> None:
    """18 W: winding 30-45 K above body; fast fall in tens of seconds; slow one 590 s still, 240 s moving air.

    Common practice, no source; figures the bench was asked for.
    """
    bank = ThermalBank([TYPICAL], [22.0])
    bank.step(1e6, np.array([18.0]), 22.0, 22.0)
    lead_K = bank.winding_degC(0) - bank.node_degC(0, BODY)
    assert 30.0 < lead_K < 45.0
    bank.step(60.0, None, 22.0, 22.0)
    assert (bank.winding_degC(0) - bank.node_degC(0, BODY)) < lead_K / math.e
    for moving, expected_s in ((False, 590.0), (True, 240.0)):
        bank.set_air(moving=moving)
        bank.step(1000.0, None, 22.0, 22.0)
        first_K = bank.node_degC(0, BODY) - 22.0
        bank.step(100.0, None, 22.0, 22.0)
        slow_s = 100.0 / math.log(first_K / (bank.node_degC(0, BODY) - 22.0))
        assert slow_s == pytest.approx(expected_s, rel=0.05)


def test_the_air_may_change_but_not_the_temperatures() -> None:
    """Switching the fan changes the coupling and leaves every temperature where it was."""
    bank = ThermalBank([TYPICAL, Thermal(body_J_per_K=90.0)], [22.0] * 2)
    bank.step(50.0, np.array([18.0, 5.0]), 22.0, 22.0)
    before = bank.nodes_degC()
    bank.set_air(moving=True)
    assert bank.nodes_degC() == pytest.approx(before, abs=1e-9)


@given(durations_s, airs_degC)
def test_nothing_happens_at_rest(dt_s: float, air_degC: float) -> None:
    """A coil at air temperature and without power stays there for any time."""
    bank = ThermalBank([TYPICAL], [air_degC])
    bank.step(dt_s, None, air_degC, air_degC)
    assert bank.nodes_degC() == pytest.approx(np.full((1, NODES), air_degC), abs=1e-9)


@given(st.integers(0, 2))
def test_coils_do_not_heat_each_other(driven: int) -> None:
    """Power in one coil leaves the others at rest and heats that one as if it were alone."""
    together, alone = ThermalBank([TYPICAL] * 3, [22.0] * 3), ThermalBank([TYPICAL], [22.0])
    watts = np.zeros(3)
    watts[driven] = 12.0
    together.step(30.0, watts, 22.0, 22.0)
    alone.step(30.0, np.array([12.0]), 22.0, 22.0)
    for index in range(3):
        expected = alone.winding_degC(0) if index == driven else 22.0
        assert together.winding_degC(index) == pytest.approx(expected, abs=1e-9)
