"""The outside bench itself: its physics and its instruments do what they say."""

from __future__ import annotations

import contextlib
import math
import socket
import threading
from collections.abc import Iterator

import numpy as np
import pytest

from tests.outside.bench import POWER, SENSE, SHORT, Bench, Trigger
from tests.outside.faults import Diode, OpensAbove, TurnsShorted
from tests.outside.instruments import MeterPanel, OvenPanel, SupplyPanel, SwitchPanel, ThermometerPanel
from tests.outside.physics import BODY, SHELLS, sound_coil
from tests.outside.server import Line, one_digit_wrong


def bench_of(*ohms: float, oven: bool = True) -> Bench:
    """Build a bench whose time stands still until a test lets it pass."""
    rng = np.random.default_rng(5)
    coils = [sound_coil(f"Y{i + 1}", "lift", ohm, rng) for i, ohm in enumerate(ohms)]
    bench = Bench(coils, seed=3, scale=1.0, oven=oven)
    bench.clock_s = lambda: bench.now_s  # type: ignore[method-assign]
    return bench


def let_pass(bench: Bench, seconds: float) -> None:
    """Let bench time pass."""
    target_s = bench.now_s + seconds
    bench.clock_s = lambda: target_s  # type: ignore[method-assign]
    bench.advance()


@pytest.mark.slow
def test_an_oven_brings_copper_and_body_to_its_air() -> None:
    """After half an hour at 60 degC winding, body and air agree within what places in the oven differ."""
    bench = bench_of(4.1, 4.1, 7.2)
    oven = OvenPanel(bench, 1)
    oven.take("SOUR:TEMP:SPO 60.00")
    oven.take("OUTP ON")
    let_pass(bench, 1800.0)
    assert bench.oven is not None
    assert abs(bench.oven.air_degC - 60.0) < 0.5
    assert np.ptp(bench.heat.T[:, : BODY + 1], axis=1).max() < 0.3
    assert abs(bench.heat.T - 60.0).max() < 2.5


def test_a_driven_winding_runs_ahead_of_its_body() -> None:
    """With some 15 W a winding is many kelvin hotter than the body that a probe sits on, and heats it."""
    bench = bench_of(4.1, oven=False)
    SwitchPanel(bench, 1).take("ROUT:CLOS (@101)")
    supply = SupplyPanel(bench, 2)
    for line in ("VOLT 8.4", "CURR 3", "OUTP ON"):
        supply.take(line)
    let_pass(bench, 120.0)
    assert 5.0 < bench.heat.T[0, 0] - bench.heat.T[0, BODY] < 40.0
    assert bench.heat.T[0, BODY] > 35.0
    assert supply.take("STAT:OPER:COND?") == "+256"
    assert float(supply.take("MEAS:CURR?") or "nan") == pytest.approx(bench.supply.out_A, abs=0.01)


def test_energy_put_in_is_energy_kept_or_lost() -> None:
    """What the supply gives in ten seconds is what the coil gained, as hardly anything is lost by then."""
    bench = bench_of(4.1, oven=False)
    bench.closed.add(POWER + 1)
    bench.supply.set_V, bench.supply.limit_A, bench.supply.output = 8.4, 5.0, True
    let_pass(bench, 10.0)
    gained_J = float((bench.heat.capacity[0] * (bench.heat.T[0] - bench.heat.room_degC)).sum())
    assert gained_J == pytest.approx(8.4 * bench.supply.out_A * 10.0, rel=0.06)


def test_the_supply_limits_its_current() -> None:
    """A load below the limit's resistance is driven with the limit's current, and the status says so."""
    bench = bench_of(1.0)
    bench.closed.add(POWER + 1)
    supply = SupplyPanel(bench, 2)
    for line in ("VOLT 8.4", "CURR 2", "OUTP ON"):
        supply.take(line)
    let_pass(bench, 0.3)
    assert bench.supply.out_A == pytest.approx(2.0, abs=1e-3)
    assert supply.take("STAT:OPER:COND?") == "+1024"


def test_a_diode_conducts_when_driven_and_not_to_the_ohmmeter() -> None:
    """With a diode across it a coil reads its ohms at 1 mA, and under drive next to nothing."""
    bench = bench_of(4.1)
    bench.coils[0].faults = [Diode(forward=True)]
    bench.closed.add(SENSE + 1)
    let_pass(bench, 0.3)
    assert bench.meter_ohm(4)[0] == pytest.approx(4.15, abs=0.1)
    bench.closed = {POWER + 1, SENSE + 1}
    bench.supply.set_V, bench.supply.limit_A, bench.supply.output = 8.4, 3.0, True
    let_pass(bench, 0.5)
    assert bench.supply.out_A == pytest.approx(3.0, abs=1e-3)
    assert bench.meter_V() / bench.supply.out_A < 0.35


def test_a_contact_moved_under_current_is_noted() -> None:
    """Opening a power relay of a driven coil goes to the truth with its current; a sense relay does not."""
    bench = bench_of(4.1)
    bench.closed = {POWER + 1, SENSE + 1}
    bench.supply.set_V, bench.supply.limit_A, bench.supply.output = 8.4, 3.0, True
    let_pass(bench, 0.5)
    switch = SwitchPanel(bench, 1)
    switch.take("ROUT:OPEN (@201)")
    assert not bench.truth.moved
    switch.take("ROUT:OPEN (@101)")
    assert [round(m.current_A, 1) for m in bench.truth.moved] == [2.0]


def test_faults_come_and_go_with_temperature() -> None:
    """A hot open opens and closes with hysteresis; turns that short hot lower the resistance only there."""
    bench = bench_of(4.1, 4.1)
    bench.coils[0].faults = [OpensAbove(75, 66)]
    bench.coils[1].faults = [TurnsShorted(0.08, 70)]
    seen = []
    for degC in (23.0, 80.0, 70.0, 60.0):
        bench.heat.T[:] = degC
        bench._states(0.01)
        seen.append(
            [
                bench._ohm[i][1] / (bench.coils[i].copper_ohm(bench.heat.T[i, :SHELLS], bench.heat.shares[i]))
                for i in (0, 1)
            ]
        )
    assert [math.isinf(row[0]) for row in seen] == [False, True, True, False]
    assert [row[1] < 0.95 for row in seen] == [False, True, True, False]


def test_the_meter_overloads_above_its_range_and_reads_its_leads() -> None:
    """An open coil is overload; joined leads read milliohms by four wires and the leads by two."""
    bench = bench_of(4.1)
    meter = MeterPanel(bench, 1)
    assert meter.take("READ?") == "+9.90000000E+37"
    bench.closed = {SHORT}
    assert float(meter.take("READ?") or "nan") == pytest.approx(0.0012, abs=0.002)
    meter.take('FUNC "RES"')
    assert float(meter.take("READ?") or "nan") == pytest.approx(0.12, abs=0.01)


@pytest.mark.slow
def test_a_welded_oven_heats_past_its_setpoint() -> None:
    """Once its contactor welds, the heater gives full power whatever controller and output say."""
    bench = bench_of(4.1)
    assert bench.oven is not None
    bench.triggers = [
        Trigger(
            "welded",
            lambda b: b.oven is not None and b.oven.air_degC > 50,
            lambda b: setattr(b.oven, "welded", True),
        )
    ]
    oven = OvenPanel(bench, 1)
    oven.take("SOUR:TEMP:SPO 60")
    oven.take("OUTP ON")
    let_pass(bench, 300.0)
    oven.take("OUTP OFF")
    let_pass(bench, 300.0)
    assert oven.take("OUTP?") == "0"
    assert bench.oven.air_degC > 120.0


@contextlib.contextmanager
def served() -> Iterator[Line]:
    """Serve a thermometer on loopback."""
    bench = bench_of(4.1)
    line = Line(ThermometerPanel(bench, 1))
    try:
        yield line
    finally:
        line.end()


def ask(line: Line, text: str) -> bytes:
    """Ask over a connection of its own; nothing within a fifth of a second is an empty answer."""
    with socket.create_connection(("127.0.0.1", line.port), timeout=0.2) as peer:
        peer.sendall(text.encode() + b"\n")
        try:
            return peer.recv(200)
        except (TimeoutError, ConnectionError):
            return b""


def test_a_line_answers_hangs_refuses_and_comes_back() -> None:
    """Each switch of a line does what it says, and all its threads end with it."""
    before = threading.active_count()
    with served() as line:
        assert ask(line, "MEAS:TEMP? (@301)").startswith(b"+2")
        line.hanging = True
        assert ask(line, "MEAS:TEMP? (@301)") == b""
        line.hanging = False
        line.refuse()
        with pytest.raises(ConnectionRefusedError):
            ask(line, "*IDN?")
        line.relent()
        assert ask(line, "*IDN?").startswith(b"Outside,thermometer")
        line.garbage_share = 1.0
        assert b"}" in ask(line, "MEAS:TEMP? (@301)")
    assert threading.active_count() == before


def test_one_digit_wrong_changes_one_digit_only() -> None:
    """A reply with one digit wrong is as long as it was and differs in one place, never in its exponent."""
    for pick in range(40):
        wrong = one_digit_wrong("+4.10234E+00", pick)
        assert sum(a != b for a, b in zip(wrong, "+4.10234E+00", strict=True)) == 1
        assert wrong.endswith("E+00")
