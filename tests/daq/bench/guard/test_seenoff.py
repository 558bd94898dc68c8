"""The meter against the supply: a lie stays caught, and a conducting coil has no capacitor's excuse."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from daq.bench.guard.guard import OUTPUT_UNKNOWN, Guard
from daq.bench.guard.seen_off import SeenOff
from daq.bench.guard.vigil import Vigil
from daq.bench.harness import Harness, Routes
from daq.bench.operator import AbsentOperator
from daq.clock import VirtualClock
from daq.errors import LinkTimeoutError, OutputUnknownError, ReadbackError
from daq.instruments.haste import Haste
from daq.instruments.number import Number
from tests.daq.kits.fake_bench import FakeSupply, FakeSwitch
from tests.daq.kits.guard import drive

ROUTES = Routes(power={"Y1": 101, "Y2": 102}, sense={"Y1": 201, "Y2": 202}, break_under_current=True)


class Bench:
    """A supply whose output stage may fail closed, a meter across the coil, a switch unit beside them."""

    def __init__(self) -> None:
        self.supply, self.switch, self.clock = FakeSupply(), FakeSwitch(), VirtualClock()
        self.alarms: list[str] = []
        self.shorted = False
        self.guard = Guard(
            self.supply,
            None,
            self.clock,
            voltage_V=12.0,
            current_A=4.0,
            body_degC=120.0,
            alarm=self.alarms.append,
            clear=self.alarms.remove,
            across=self.across,
        )
        self.harness = Harness(
            self.guard, self.clock, switch=self.switch, routes=ROUTES, operator=AbsentOperator()
        )

    @property
    def connected(self) -> bool:
        """Whether a contact of the supply is closed."""
        return bool(self.switch.calls) and self.switch.calls[-1].startswith("close")

    def across(self) -> Number:
        """Return what the meter sees of the coil."""
        live = self.connected and (self.shorted or self.supply.on)
        return Number(8.4 if live else 0.0, "ok")


class Voice:
    """Hears nothing."""

    def cry(self, text: str) -> None:
        """Cry."""

    def event(self, kind: str, text: str, coil: str) -> None:
        """Tell."""


def test_a_lie_that_was_caught_does_not_prove_itself_behind_open_contacts() -> None:
    """The path broken, the meter sees nothing: the same lie ends no alarm, and nothing is closed."""
    bench = Bench()
    bench.harness.to_driven_coil("Y1")
    with pytest.raises(OutputUnknownError, match=r"the meter sees 8\.40 V"), drive(bench.guard):
        bench.shorted = True
    assert bench.switch.calls[-1] == "open (101, 102)"
    vigil = Vigil(bench.guard, bench.clock, Voice(), bodies=dict, aloud=False, patience_s=30.0)
    assert not vigil.keep()
    assert bench.alarms == [OUTPUT_UNKNOWN]
    for move in (lambda: bench.harness.to_driven_coil("Y2"), bench.harness.release):
        with pytest.raises(OutputUnknownError):
            move()
    assert bench.switch.calls[-1] == "open (101, 102)"


def test_a_supply_that_only_hung_proves_itself_behind_open_contacts() -> None:
    """Nobody caught it in a lie, so its word that it is off counts as soon as it answers."""
    bench = Bench()
    bench.harness.to_driven_coil("Y1")
    with pytest.raises(OutputUnknownError, match="no reply"), drive(bench.guard):
        bench.supply.dead = True
    assert bench.switch.calls[-1] == "open (101, 102)"
    bench.supply.dead = False
    assert Vigil(bench.guard, bench.clock, Voice(), bodies=dict, aloud=False, patience_s=30.0).keep()
    assert bench.alarms == []


def test_a_lie_is_over_when_the_meter_sees_it_over() -> None:
    """Where the contacts stay closed the meter can tell: somebody pulled the supply's leads."""
    bench = Bench()
    bench.guard.rely_on(
        Harness(bench.guard, bench.clock, switch=None, routes=Routes(), operator=AbsentOperator())
    )
    bench.switch.calls.append("close")
    with pytest.raises(OutputUnknownError), drive(bench.guard):
        bench.shorted = True
    bench.guard.try_again({})
    assert bench.alarms == [OUTPUT_UNKNOWN]
    bench.shorted = False
    bench.guard.try_again({})
    assert bench.alarms == []


def test_a_lie_that_was_caught_is_not_over_because_the_meter_falls_silent() -> None:
    """Seen once at 8.4 V, and then no more: the output stays unknown."""
    bench = Bench()
    bench.harness.to_driven_coil("Y1")
    looks = iter([Number(0.0, "ok"), *[Number(8.4, "ok")] * 200])

    def across() -> Number:
        if bench.clock.monotonic() > 1.0 and bench.guard._seen.caught:
            raise LinkTimeoutError("meter: no reply")
        return next(looks)

    bench.guard._seen._across = across
    with pytest.raises(OutputUnknownError), drive(bench.guard):
        pass
    assert bench.alarms == [OUTPUT_UNKNOWN]


def falling(clock: VirtualClock, first: Number, V_per_s: float) -> Callable[[], Number]:
    """Return a meter that reads *first* once, then a voltage that falls slowly from 8.4 V."""
    firsts = [first]
    return lambda: firsts.pop() if firsts else Number(8.4 - V_per_s * clock.monotonic(), "ok")


OVER = Number(None, "open or over range")


@pytest.mark.parametrize(
    ("behind_open", "first", "V_per_s", "gone"),
    [
        (True, Number(8.4, "ok"), 0.4, True),
        (True, Number(8.4, "ok"), 0.1, False),
        (False, Number(8.4, "ok"), 0.4, False),
        (False, Number(8.4, "ok"), 10.0, True),
        (True, OVER, 0.1, False),
    ],
)
def test_only_behind_an_open_coil_may_a_capacitor_keep_its_voltage(
    behind_open: bool, first: Number, V_per_s: float, gone: bool
) -> None:
    """7 V from 8.4 V is a capacitor where no current flowed, and 2 A of a coil that conducts."""
    clock = VirtualClock()
    seen = SeenOff(falling(clock, first, V_per_s), clock, Haste())
    seen.behind_open = behind_open
    if gone:
        seen.require()
    else:
        with pytest.raises(ReadbackError, match="the meter sees"):
            seen.require()
    assert seen.caught is not gone


@pytest.mark.parametrize(("amperes", "safe"), [(0.0, True), (2.0, False)])
def test_the_last_look_at_the_current_tells_whether_a_coil_conducts(amperes: float, safe: bool) -> None:
    """The supply says that all is gone, and the meter sees its voltage fall by a tenth a second."""
    clock, supply = VirtualClock(), FakeSupply()
    supply.amperes_when_on = amperes
    off_s: list[float] = []

    def across() -> Number:
        if supply.on or "output on" not in supply.calls:
            return Number(8.4 if supply.on else 0.0, "ok")
        off_s.append(clock.monotonic())
        return Number(8.4 * 0.9 ** (clock.monotonic() - off_s[0]), "ok")

    guard = Guard(
        supply, None, clock, voltage_V=12.0, current_A=4.0, body_degC=120.0, alarm=[].append, across=across
    )
    if safe:
        with drive(guard) as powered:
            powered.current()
        assert guard.proved
    else:
        with pytest.raises(OutputUnknownError, match="the meter sees"), drive(guard) as powered:
            powered.current()
