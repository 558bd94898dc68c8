"""The switch unit: contacts, their state, and the truth about current on them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.daq.kits.sim import ask, bench, tell

CHANNELS = (101, 102, 201, 202, 209, 301, 302, 401, 402)


def test_contacts_close_and_open_in_lists_and_ranges() -> None:
    """A list and a range move all their contacts; the query answers in its own order."""
    built, _ = bench()
    tell(built, "switch", "ROUT:CLOS (@101,201)")
    tell(built, "switch", "ROUTe:CLOSe (@ 301:302 )")
    assert ask(built, "switch", "ROUT:CLOS? (@201,202,101)") == "1,0,1"
    assert built.closed_channels() == {101, 201, 301, 302}
    tell(built, "switch", "ROUT:OPEN (@201,302)")
    assert built.closed_channels() == {101, 301}
    tell(built, "switch", "ROUT:OPEN:ALL")
    assert built.closed_channels() == frozenset()
    assert ask(built, "switch", "ROUT:CLOS? (@101)") == "0"


@pytest.mark.slow
@given(st.lists(st.tuples(st.booleans(), st.lists(st.sampled_from(CHANNELS), min_size=1)), max_size=12))
def test_the_state_is_what_was_last_asked_for(moves: list[tuple[bool, list[int]]]) -> None:
    """After any course of closings and openings each contact is as last told."""
    built, _ = bench()
    expected: set[int] = set()
    for close, channels in moves:
        numbers = ",".join(map(str, channels))
        tell(built, "switch", f"ROUT:{'CLOS' if close else 'OPEN'} (@{numbers})")
        expected = expected | set(channels) if close else expected - set(channels)
    assert built.closed_channels() == expected


def test_a_list_with_one_wrong_channel_moves_nothing() -> None:
    """Refused means not done, not done in part."""
    built, _ = bench()
    built.peers["switch"].feed(b"ROUT:CLOS (@101,777)\n")
    assert built.closed_channels() == frozenset()


def test_moving_takes_time() -> None:
    """Contacts take 15 ms, a query none."""
    built, clock = bench()
    tell(built, "switch", "ROUT:CLOS (@101,201)")
    assert clock.monotonic() == pytest.approx(0.015)
    ask(built, "switch", "ROUT:CLOS? (@101)")
    assert clock.monotonic() == pytest.approx(0.015)


def test_waiting_for_the_current_leaves_no_mark() -> None:
    """Zero, off, wait, open: no contact has moved under current."""
    built, clock = bench()
    tell(built, "switch", "ROUT:CLOS (@101,201)")
    tell(built, "supply", "VOLT 8.4;OUTP ON")
    clock.sleep(5.0)
    tell(built, "supply", "VOLT 0;OUTP OFF")
    clock.sleep(0.1)
    tell(built, "switch", "ROUT:OPEN:ALL")
    assert built.contacts_moved_under_current == 0
    assert built.sense_moved_on_live_coil == 0


def test_opening_under_current_is_noted() -> None:
    """An opening while current flows, even while it is still falling, counts; each contact once."""
    built, clock = bench()
    tell(built, "switch", "ROUT:CLOS (@101,102,201)")
    tell(built, "supply", "VOLT 8.4;OUTP ON")
    clock.sleep(1.0)
    tell(built, "supply", "OUTP OFF")
    clock.sleep(0.01)
    tell(built, "switch", "ROUT:OPEN (@101,102,201)")
    assert built.contacts_moved_under_current == 2
    assert built.sense_moved_on_live_coil == 1


def test_closing_on_to_a_live_supply_is_noted() -> None:
    """A power contact that closes with the output on counts."""
    built, clock = bench()
    tell(built, "supply", "VOLT 8.4;OUTP ON")
    clock.sleep(1.0)
    tell(built, "switch", "ROUT:CLOS (@101)")
    assert built.contacts_moved_under_current == 1


def test_other_coils_may_be_read_while_one_is_driven() -> None:
    """Sense contacts of an undriven coil move freely; closing a closed contact moves nothing."""
    built, clock = bench()
    tell(built, "switch", "ROUT:CLOS (@101)")
    tell(built, "supply", "VOLT 8.4;OUTP ON")
    clock.sleep(1.0)
    tell(built, "switch", "ROUT:CLOS (@101,202)")
    tell(built, "switch", "ROUT:OPEN (@202)")
    assert built.contacts_moved_under_current == 0
    assert built.sense_moved_on_live_coil == 0


def test_current_divides_between_coils_in_parallel() -> None:
    """With two power contacts closed both coils carry current, and the supply their sum."""
    built, clock = bench()
    tell(built, "switch", "ROUT:CLOS (@101,102)")
    tell(built, "supply", "VOLT 3;OUTP ON")
    clock.sleep(0.1)
    total_A = float(ask(built, "supply", "MEAS:CURR?"))
    assert total_A == pytest.approx(built.current_A("Y1") + built.current_A("Y2"), rel=1e-3)
    assert built.current_A("Y1") == pytest.approx(built.current_A("Y2"))
