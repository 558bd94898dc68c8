"""The guard: limits, interlocks and the safe state."""

from __future__ import annotations

import os
import signal
from unittest.mock import Mock

import pytest

from daq.bench.guard.drive import Drive
from daq.bench.guard.guard import OUTPUT_UNKNOWN, Guard
from daq.bench.harness import Harness, Routes
from daq.bench.operator import AbsentOperator
from daq.clock import VirtualClock
from daq.errors import (
    InterlockError,
    LimitError,
    LinkClosedError,
    OutputUnknownError,
)
from daq.instruments.number import Number
from tests.daq.kits.fake_bench import FakeOven, FakeSupply, FakeSwitch
from tests.daq.kits.guard import drive, make_guard

OFF = ["volt 0", "output off", "is on?", "amps?"]


def test_protection_and_limits_come_before_the_output() -> None:
    """OVP, OCP and current limit stand, read back, before the output closes; zero comes before off."""
    supply = FakeSupply()
    with drive(make_guard(supply)):
        assert supply.on
    assert supply.calls == ["is on?", "protect 9.90 3.30", "limit 3", "volt 8.4", "output on", *OFF]


def test_the_lower_of_rig_and_coil_limit_wins() -> None:
    """A coil that would bear more than the rig gets the rig's limits, and protection no higher."""
    supply = FakeSupply()
    with drive(make_guard(supply), coil_voltage_V=24.0, coil_current_A=10.0):
        pass
    assert "protect 12.00 4.00" in supply.calls
    assert "limit 4" in supply.calls


@pytest.mark.parametrize("voltage_V", [9.01, 100.0, float("nan"), float("inf")])
def test_a_request_above_the_limit_is_refused_and_nothing_is_sent(voltage_V: float) -> None:
    """Refused with both numbers, never clamped, not one command on the wire."""
    supply = FakeSupply()
    with (
        pytest.raises(LimitError, match=r"rig allows 12 V, the coil 9 V; nothing was sent"),
        drive(make_guard(supply), voltage_V),
    ):
        raise AssertionError("the block must not be entered")
    assert supply.calls == []


@pytest.mark.parametrize("error", [RuntimeError("a bug"), KeyboardInterrupt(), SystemExit(1)])
def test_however_the_block_is_left_the_supply_is_off(error: BaseException) -> None:
    """Errors, Ctrl-C and exit all pass through the safe state and go on."""
    supply = FakeSupply()
    with pytest.raises(type(error)), drive(make_guard(supply)):
        raise error
    assert supply.calls[-4:] == OFF
    assert not supply.on


def test_a_supply_that_stays_on_is_an_alarm_and_blocks_everything_after() -> None:
    """Off that cannot be confirmed is tried again, told loudly, and nothing else is allowed."""
    supply, alarms = FakeSupply(), []
    guard = make_guard(supply, alarms)
    with pytest.raises(OutputUnknownError, match="BY HAND"), drive(guard):
        supply.stuck_on = True
    assert alarms == [OUTPUT_UNKNOWN]
    assert guard.output_unknown
    assert supply.calls.count("output off") == 3
    with pytest.raises(OutputUnknownError):
        guard.require_off("an ohms reading")


def test_a_lost_link_is_an_alarm() -> None:
    """No reply to the switch-off means the state is not known."""
    supply, alarms = FakeSupply(), []
    with pytest.raises(OutputUnknownError, match="no reply"), drive(make_guard(supply, alarms)):
        supply.dead = True
    assert alarms == [OUTPUT_UNKNOWN]


@pytest.mark.parametrize("residual_A", [0.5, -0.5])
def test_current_that_does_not_go_away_is_not_safe(residual_A: float) -> None:
    """Output reads off but current still flows, whichever way round: a welded relay or a second source."""
    supply = FakeSupply()
    with (
        pytest.raises(OutputUnknownError, match=rf"{residual_A:.3f} A still flow"),
        drive(make_guard(supply)),
    ):
        supply.residual_A = residual_A


def test_an_output_found_on_is_switched_off_and_refused() -> None:
    """Somebody else's output is not ours to use, and does not stay on."""
    supply = FakeSupply()
    supply.on = True
    with pytest.raises(InterlockError, match="already on"), drive(make_guard(supply)):
        raise AssertionError("the block must not be entered")
    assert not supply.on


def test_a_bug_in_a_driver_does_not_keep_the_supply_on() -> None:
    """Whatever goes wrong in switching off, off is tried again, and told if it stays unconfirmed."""
    supply, alarms = FakeSupply(), []
    with pytest.raises(OutputUnknownError, match="a bug"), drive(make_guard(supply, alarms)):
        supply.set_voltage = Mock(side_effect=RuntimeError("a bug"))  # type: ignore[method-assign]
    assert alarms == [OUTPUT_UNKNOWN]
    assert supply.calls.count("output off") == 3
    assert not supply.on


def test_a_voltage_that_stays_is_a_switch_that_does_nothing() -> None:
    """Behind an open coil no current tells; the voltage of a capacitor falls, however slowly."""
    supply, alarms = FakeSupply(), []
    supply.amperes_when_on = 0.0
    supply.voltage = Mock(return_value=Number(8.4, "ok"))  # type: ignore[method-assign]
    with pytest.raises(OutputUnknownError, match=r"8\.40 V stay"), drive(make_guard(supply, alarms)):
        pass
    clock = VirtualClock()
    slow = FakeSupply()
    slow.voltage = lambda: Number(8.0 - clock.monotonic(), "ok")  # type: ignore[method-assign]
    guard = Guard(slow, None, clock, voltage_V=12.0, current_A=4.0, body_degC=120.0, alarm=alarms.append)
    with drive(guard):
        pass
    assert not guard.output_unknown


def test_the_oven_does_not_heat_after_the_block() -> None:
    """Its handle is dead once the block has been left: off, and its setpoint at a room's temperature."""
    oven = FakeOven()
    with make_guard(FakeSupply(), oven=oven).heating(90.0) as heat:
        heat.go_to(50.0)
    with pytest.raises(InterlockError, match="after the guarded block; nothing was sent"):
        heat.go_to(60.0)
    assert (oven.setpoint, oven.heating) == (20.0, False)


def test_an_output_switched_on_by_somebody_else_is_off_before_a_contact_moves() -> None:
    """The supply is asked before contacts of the supply move: found on it is switched off, and refused."""
    supply = FakeSupply()
    guard, switch = make_guard(supply), FakeSwitch()
    routes = Routes(power={"Y1": 101}, sense={"Y1": 201})
    harness = Harness(guard, VirtualClock(), switch=switch, routes=routes, operator=AbsentOperator())
    supply.on = True
    with pytest.raises(InterlockError, match="output was on though this program had switched it off"):
        harness.to_driven_coil("Y1")
    assert switch.calls == []
    assert not supply.on
    harness.to_driven_coil("Y1")
    assert switch.calls == ["close (101, 201)"]


def test_a_trip_that_does_not_clear_is_not_driven_over() -> None:
    """After clearing it the supply is asked again; still tripped, the coil is not driven."""
    supply = FakeSupply()
    supply.tripped = lambda: True  # type: ignore[method-assign]
    with pytest.raises(InterlockError, match="stays tripped"), drive(make_guard(supply)):
        raise AssertionError("the block must not be entered")
    assert "output on" not in supply.calls


def test_an_output_that_went_off_by_itself_is_no_open_coil() -> None:
    """No current and the output off: the supply's doing, and said so; with the output on, the coil's."""
    supply = FakeSupply()
    with drive(make_guard(supply)) as powered:
        assert powered.trouble(dead=True) == ""
        supply.on = False
        assert "output went off by itself" in powered.trouble(dead=True)


@pytest.mark.parametrize(
    ("mode", "dead", "asked"),
    [("CV", False, False), ("CV", True, True), ("", False, True), ("CC", False, True), (None, False, True)],
)
def test_a_trip_is_asked_for_unless_current_flows_at_a_regulated_voltage(
    mode: str | None, dead: bool, asked: bool
) -> None:
    """A tripped output carries no current and regulates nothing; where either is in doubt, it is asked."""
    supply, questions = FakeSupply(), []
    supply.regulation = mode
    with drive(make_guard(supply)) as powered:
        supply.tripped = lambda: bool(questions.append("tripped?")) or True  # type: ignore[method-assign]
        told = powered.trouble(dead=dead)
        assert (told == "a protection of the supply has tripped") == asked == bool(questions)
        supply.tripped = lambda: False  # type: ignore[method-assign]


def test_a_supply_without_protection_is_told_once() -> None:
    """Where OVP and OCP are missing the operator hears that the current limit stands alone."""
    supply, alarms = FakeSupply(), []
    supply.missing = ("over-voltage", "over-current")
    guard = make_guard(supply, alarms)
    for _ in range(2):
        with drive(guard):
            pass
    assert len(alarms) == 1
    assert "no over-voltage protection; no over-current protection" in alarms[0]
    assert "current limit alone" in alarms[0]


def test_no_ohms_and_no_second_drive_on_a_driven_coil() -> None:
    """Inside the block, whatever needs an undriven coil is refused."""
    guard = make_guard(FakeSupply())
    with drive(guard):
        with pytest.raises(InterlockError, match="coil Y1 is driven"):
            guard.require_off("an ohms reading")
        with pytest.raises(InterlockError, match="coil Y1 is driven"), drive(guard):
            raise AssertionError("the block must not be entered")
    guard.require_off("an ohms reading")


def test_no_contact_moves_while_a_coil_is_driven() -> None:
    """The harness asks the guard before it touches a relay."""
    guard, switch = make_guard(FakeSupply()), FakeSwitch()
    harness = Harness(
        guard,
        VirtualClock(),
        switch=switch,
        routes=Routes(power={"Y1": 101}, sense={"Y1": 201, "Y2": 202}),
        operator=AbsentOperator(),
    )
    harness.to_driven_coil("Y1")
    with drive(guard), pytest.raises(InterlockError, match="moving contacts refused"):
        harness.to_coil("Y2")
    assert switch.calls == ["close (101, 201)"]


def test_current_limiting_and_its_likely_cause_are_named() -> None:
    """Constant current where constant voltage is expected means a short."""
    supply = FakeSupply()
    with drive(make_guard(supply)) as powered:
        assert powered.trouble() == ""
        supply.regulation = "CC"
        assert "shorted" in powered.trouble()


def test_a_second_interrupt_does_not_break_the_safe_state() -> None:
    """A stop signal during switching off waits until the supply is off, then is delivered."""
    supply = FakeSupply()
    real = supply.set_voltage

    def interrupted(voltage_V: float) -> None:
        real(voltage_V)
        if voltage_V == 0:
            os.kill(os.getpid(), signal.SIGINT)

    supply.set_voltage = interrupted  # type: ignore[method-assign]
    with pytest.raises(KeyboardInterrupt), drive(make_guard(supply)):
        pass
    assert supply.calls[-4:] == OFF


def test_the_oven_is_off_after_the_block_and_obeys_the_lower_ceiling() -> None:
    """Setpoints above the coil's ceiling are refused; after the block it is off, and aims at a room's."""
    oven = FakeOven()
    guard = make_guard(FakeSupply(), oven=oven)
    with (
        pytest.raises(LimitError, match="rig allows 120 degC, the coil 100 degC"),
        guard.heating(100.0) as heat,
    ):
        heat.go_to(90.0)
        assert (oven.setpoint, oven.heating) == (90.0, True)
        heat.go_to(101.0)
    assert oven.setpoint == 20.0
    assert not oven.heating


def test_a_drive_says_when_its_voltage_went_to_zero() -> None:
    """The energy of a heated coil is counted up to that instant."""
    clock = VirtualClock()
    guard = Guard(FakeSupply(), None, clock, voltage_V=12, current_A=4, body_degC=120, alarm=print)
    powered: Drive
    with drive(guard) as powered:
        assert powered.ended_s is None
        clock.sleep(3.0)
    assert powered.ended_s == 3.0


def test_a_current_over_range_has_not_gone() -> None:
    """A readback beyond its range after switching off is an alarm, not a zero."""
    supply = FakeSupply()
    supply.current = lambda: Number(None, "open or over range")  # type: ignore[method-assign]
    with pytest.raises(OutputUnknownError), drive(make_guard(supply)):
        pass


def test_an_interrupt_before_the_shield_leaves_nothing_on(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl-C in the line between block and shield: the bench is off when it is given back."""
    supply, oven = FakeSupply(), FakeOven()
    guard = make_guard(supply, oven=oven)

    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(guard, "make_safe", interrupted)
        patch.setattr(guard, "_stop_heat", interrupted)
        with pytest.raises(KeyboardInterrupt), guard.heating(100.0) as heat:
            heat.go_to(50.0)
            with drive(guard):
                pass
    assert supply.on
    assert oven.heating
    guard.leave_safe()
    assert not supply.on
    assert not oven.heating


def test_what_was_told_already_is_not_tried_again() -> None:
    """A supply that could not be confirmed off was an alarm once; giving the bench back adds none."""
    supply, alarms = FakeSupply(), []
    guard = make_guard(supply, alarms)
    with pytest.raises(OutputUnknownError), drive(guard):
        supply.dead = True
    guard.leave_safe()
    assert alarms == [OUTPUT_UNKNOWN]


def test_the_last_resort_is_tried_again_when_the_switch_unit_answers_later() -> None:
    """A switch unit that was not to be had at first opens the path once it is; done once, and said."""
    supply, told = FakeSupply(), list[str]()
    guard = Guard(
        supply,
        None,
        VirtualClock(),
        voltage_V=12.0,
        current_A=4.0,
        body_degC=120.0,
        alarm=Mock(),
        tell=told.append,
    )
    means = Mock(can_cut_oven=False)
    means.break_path.side_effect = [
        LinkClosedError("switch: gone"),
        LinkClosedError("switch: gone"),
        (True, "opened"),
    ]
    guard.rely_on(means)
    with pytest.raises(OutputUnknownError), drive(guard):
        supply.dead = True
    assert told[-1] == "the supply's path could not be opened: switch: gone"
    for _ in range(4):
        guard.try_again({})
    assert means.break_path.call_count == 3
    assert told[-1] == "opened"
    assert told.count("opened") == 1
    assert guard.standing == (OUTPUT_UNKNOWN,)


def test_no_last_resort_is_used_on_a_supply_that_is_off_by_then() -> None:
    """The supply answered again before the switch unit did: contacts need not suffer any more."""
    supply = FakeSupply()
    guard = make_guard(supply)
    means = Mock(can_cut_oven=False, **{"break_path.side_effect": LinkClosedError("switch: gone")})
    guard.rely_on(means)
    with pytest.raises(OutputUnknownError), drive(guard):
        supply.dead = True
    supply.dead = False
    for _ in range(3):
        guard.try_again({})
    means.break_path.assert_called_once_with()
    assert guard.proved


def test_no_coil_is_driven_for_ever() -> None:
    """A block that does not end is ended: the next reading of the current refuses, and all goes off."""
    supply, clock = FakeSupply(), VirtualClock()
    guard = Guard(supply, None, clock, voltage_V=12.0, current_A=4.0, body_degC=120.0, alarm=print)
    with pytest.raises(InterlockError, match="driven for more than 90 s"), drive(guard) as powered:
        for _ in range(1000):
            powered.current()
            clock.sleep(1.0)
    assert clock.monotonic() < 92.0
    assert not supply.on
