"""Who moves which leads, when, and never under current."""

from __future__ import annotations

import pytest

from daq.bench.guard.guard import Guard
from daq.bench.harness import CONTACT_SETTLE_S, Harness, Routes
from daq.bench.operator import AbsentOperator
from daq.clock import VirtualClock
from daq.errors import InputError, InterlockError, LinkTimeoutError
from tests.daq.kits.fake_bench import FakeSupply, FakeSwitch

ROUTES = Routes(
    power={"Y1": 101, "Y2": 102},
    sense={"Y1": 201, "Y2": 202},
    probe={"Y1": 301},
    leak={"Y1": 401},
    short=209,
)


class Mover(AbsentOperator):
    """An operator who does what he is told and remembers it."""

    def __init__(self) -> None:
        self.told: list[str] = []

    def confirm(self, text: str) -> None:
        self.told.append(text)


class Switched:
    """A harness with a switch unit, and what it stands on."""

    def __init__(self, routes: Routes = ROUTES) -> None:
        self.clock = VirtualClock()
        self.switch = FakeSwitch()
        self.guard = Guard(
            FakeSupply(), None, self.clock, voltage_V=12, current_A=4, body_degC=120, alarm=print
        )
        self.harness = Harness(
            self.guard, self.clock, switch=self.switch, routes=routes, operator=AbsentOperator()
        )


class ByHand:
    """A harness without a switch unit, and what it stands on."""

    def __init__(self, *, announce: bool = True) -> None:
        self.operator = Mover()
        self.guard = Guard(
            FakeSupply(), None, VirtualClock(), voltage_V=12, current_A=4, body_degC=120, alarm=print
        )
        self.harness = Harness(
            self.guard,
            VirtualClock(),
            switch=None,
            routes=Routes(),
            operator=self.operator,
            announce=announce,
        )


def test_each_way_closes_its_channels_and_waits_for_the_contacts() -> None:
    """Sense alone, power with sense, probe, insulation, short; 30 ms after each move and no other wait."""
    bench = Switched()
    harness = bench.harness
    harness.to_coil("Y1")
    harness.to_driven_coil("Y1")
    harness.to_probe("Y1")
    harness.to_insulation("Y1")
    assert harness.to_short()
    assert bench.switch.calls == [
        "close (201,)",
        "close (101, 201)",
        "close (301,)",
        "close (401,)",
        "close (209,)",
    ]
    assert bench.clock.monotonic() == pytest.approx(5 * CONTACT_SETTLE_S, abs=1e-12)


def test_a_contact_that_is_closed_is_not_moved_again() -> None:
    """The same coil twice is one move and one wait; after a release it is a move again."""
    bench = Switched()
    for _ in range(3):
        bench.harness.to_coil("Y2")
    bench.harness.release()
    bench.harness.to_coil("Y2")
    assert bench.switch.calls == ["close (202,)", "open all", "close (202,)"]
    assert bench.clock.monotonic() == pytest.approx(2 * CONTACT_SETTLE_S, abs=1e-12)


def test_nothing_is_released_or_moved_under_current() -> None:
    """Inside a drive every move is refused and no command goes out."""
    bench = Switched()
    harness = bench.harness
    harness.to_driven_coil("Y1")
    with bench.guard.energised("Y1", voltage_V=5, coil_voltage_V=9, coil_current_A=3):
        for move in (harness.release, harness.to_short, lambda: harness.to_probe("Y1")):
            with pytest.raises(InterlockError, match="moving contacts refused: coil Y1 is driven"):
                move()
    assert bench.switch.calls == ["close (101, 201)"]


def test_after_a_failed_move_nobody_knows_where_the_leads_are() -> None:
    """A switch unit that failed is told again the next time, even for the coil it was on before."""
    bench = Switched()
    bench.harness.to_coil("Y1")
    close_only = bench.switch.close_only

    def fails(channels: tuple[int, ...]) -> None:
        raise LinkTimeoutError(f"switch: no reply after closing {channels}")

    bench.switch.close_only = fails  # type: ignore[method-assign]
    with pytest.raises(LinkTimeoutError):
        bench.harness.to_coil("Y2")
    bench.switch.close_only = close_only  # type: ignore[method-assign]
    bench.harness.to_coil("Y1")
    assert bench.switch.calls == ["close (201,)", "close (201,)"]


def test_a_missing_channel_is_named_with_its_table() -> None:
    """A coil without a channel is an error that shows the line to add."""
    harness = Switched().harness
    with pytest.raises(InputError, match=r"coil Y9: the rig file's \[switch\.sense\] has no channel.*Y9 = N"):
        harness.to_coil("Y9")
    with pytest.raises(InputError, match=r"\[switch\.probe\]"):
        harness.to_probe("Y2")


def test_what_the_switch_can_do_is_known_beforehand() -> None:
    """Insulation needs a leak channel of that coil, the joined leads a short channel."""
    harness = Switched().harness
    assert harness.switched
    assert harness.can_test_insulation("Y1")
    assert not harness.can_test_insulation("Y2")
    bench = Switched(Routes(sense={"Y1": 201}))
    assert not bench.harness.to_short()
    assert bench.switch.calls == []


def test_by_hand_the_operator_is_asked_once_a_move() -> None:
    """One prompt a coil, whether it is measured or driven; sensor and coil are different places."""
    bench = ByHand()
    harness = bench.harness
    assert not harness.switched
    harness.to_coil("Y1")
    harness.to_driven_coil("Y1")
    harness.to_coil("Y2")
    harness.to_probe("Y2")
    harness.to_coil("Y2")
    assert bench.operator.told == [
        "Move the leads to coil Y1",
        "Move the leads to coil Y2",
        "Put the meter's leads on the sensor of coil Y2",
        "Move the leads to coil Y2",
    ]
    assert not harness.can_test_insulation("Y1")
    assert not harness.to_short()


def test_a_typed_reading_needs_no_second_prompt_but_current_does() -> None:
    """The question for a typed reading names the coil; before current flows the move is asked for anyway."""
    bench = ByHand(announce=False)
    bench.harness.to_coil("Y1")
    bench.harness.to_coil("Y2")
    assert bench.operator.told == []
    bench.harness.to_driven_coil("Y2")
    assert bench.operator.told == ["Move the leads to coil Y2"]


def test_by_hand_nothing_is_asked_for_under_current() -> None:
    """While a coil is driven nobody is told to touch its leads."""
    bench = ByHand()
    bench.harness.to_driven_coil("Y1")
    with (
        bench.guard.energised("Y1", voltage_V=5, coil_voltage_V=9, coil_current_A=3),
        pytest.raises(InterlockError, match="moving contacts refused"),
    ):
        bench.harness.to_coil("Y2")
    assert bench.operator.told == ["Move the leads to coil Y1"]


def test_without_operator_and_switch_the_error_says_what_would_have_been_asked() -> None:
    """A run that needs hands where there are none stops with the prompt in its message."""
    bench = ByHand()
    harness = Harness(bench.guard, VirtualClock(), switch=None, routes=Routes(), operator=AbsentOperator())
    with pytest.raises(InputError, match="needs an operator at a terminal, to: Move the leads to coil Y1"):
        harness.to_coil("Y1")


def test_joined_leads_are_asked_for_and_leave_the_coil() -> None:
    """Holding the leads together is a prompt, and the coil they were on has to be asked for again."""
    bench = ByHand()
    bench.harness.to_coil("Y1")
    bench.harness.to_joined_leads()
    bench.harness.to_coil("Y1")
    assert bench.operator.told == [
        "Move the leads to coil Y1",
        "Hold the meter leads together",
        "Move the leads to coil Y1",
    ]
