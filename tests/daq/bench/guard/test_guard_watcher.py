"""The guard over a wire that fails, where somebody else watches who has another."""

from __future__ import annotations

from unittest.mock import Mock

import pytest

from daq.bench.guard.guard import OUTPUT_UNKNOWN
from daq.errors import LinkTimeoutError, OutputUnknownError, ReadbackError, ReplyError
from tests.daq.kits.fake_bench import FakeOven, FakeSupply
from tests.daq.kits.guard import drive, make_guard


def test_over_a_lost_link_whoever_watches_switches_off_before_there_is_an_alarm() -> None:
    """Confirmed over another connection the output is known: no alarm, and the run ends with the reason."""
    supply, alarms = FakeSupply(), []
    watcher = Mock(**{"switch_off.return_value": "the supply is at zero and off"})
    guard = make_guard(supply, alarms, watcher=watcher)
    with pytest.raises(ReadbackError, match=r"no reply .*did it over its own: the supply"), drive(guard):
        supply.dead = True
    assert alarms == []
    guard.require_off("a contact move")
    assert supply.calls.count("output off") == 1
    watcher.switch_off.assert_called_once_with(wait=False)


def test_whoever_watches_in_vain_does_not_keep_the_alarm_back() -> None:
    """Where no other connection helps, this one is tried as often as ever, and then the alarm stands."""
    supply, alarms = FakeSupply(), []
    watcher = Mock(**{"switch_off.return_value": ""})
    with (
        pytest.raises(OutputUnknownError, match="no reply"),
        drive(make_guard(supply, alarms, watcher=watcher)),
    ):
        supply.dead = True
    assert alarms == [OUTPUT_UNKNOWN]
    assert supply.calls.count("output off") == 3
    assert [call.kwargs["wait"] for call in watcher.switch_off.call_args_list] == [False, False, True]


def test_nobody_else_is_asked_while_the_wire_is_good() -> None:
    """An output that stays on stays on for everybody: the alarm does not wait for others to find out."""
    supply, alarms = FakeSupply(), []
    watcher = Mock(**{"switch_off.return_value": "all is off"})
    with pytest.raises(OutputUnknownError), drive(make_guard(supply, alarms, watcher=watcher)):
        supply.stuck_on = True
    watcher.switch_off.assert_not_called()
    assert alarms == [OUTPUT_UNKNOWN]


def test_replies_that_are_all_wrong_are_a_wire_that_fails() -> None:
    """One is tried over again by the run itself; at the third, whoever watches has another wire."""
    supply, alarms = FakeSupply(), []
    watcher = Mock(**{"switch_off.return_value": "the supply is at zero and off"})
    guard = make_guard(supply, alarms, watcher=watcher)
    with pytest.raises(ReadbackError, match="over its own"), drive(guard):
        supply.output_is_on = Mock(side_effect=ReplyError("supply: answered '?!'"))  # type: ignore[method-assign]
    assert supply.calls.count("output off") == 3
    watcher.switch_off.assert_called_once_with(wait=True)
    assert alarms == []


def test_an_oven_over_a_lost_link_is_left_to_whoever_watches_too() -> None:
    """Its heat goes off over another connection, and only if not is there the alarm."""
    for answer, error in (("the oven's heat is off", ReadbackError), ("", OutputUnknownError)):
        oven, alarms = FakeOven(), []
        guard = make_guard(FakeSupply(), alarms, oven, watcher=Mock(**{"switch_off.return_value": answer}))
        with pytest.raises(error), guard.heating(90.0):
            oven.switch_heat = Mock(side_effect=LinkTimeoutError("oven: no reply"))  # type: ignore[method-assign]
        assert len(alarms) == (answer == "")
        guard.leave_safe()
        assert oven.switch_heat.call_count == (1 if answer else 3)
