"""A contact that was told to move and did not: the run stops, no coil is convicted."""

from __future__ import annotations

from unittest.mock import Mock

import pytest

from daq.errors import ReadbackError
from daq.instruments.drivers.switch import DialectSwitch


def test_a_contact_that_does_not_close_is_an_error() -> None:
    """The unit took the command without an error, and the contact reads back open."""
    talk = Mock(**{"has.return_value": True, "ask_state.return_value": False, "refusals.return_value": []})
    with pytest.raises(ReadbackError, match="channel 201 reads back open after it was told to close"):
        DialectSwitch(talk).close_only((201,))


def test_a_contact_that_does_not_open_is_an_error() -> None:
    """A welded relay would put two coils in parallel."""
    talk = Mock(
        **{"has.return_value": True, "ask_state.return_value": True, "refusals.return_value": ["-221 busy"]}
    )
    switch = DialectSwitch(talk)
    switch.close_only((201,))
    with pytest.raises(ReadbackError, match=r"201 reads back closed after it was told to open \(-221 busy\)"):
        switch.close_only((202,))


def test_a_unit_that_cannot_be_asked_is_believed() -> None:
    """Where the dialect has no question the command stands."""
    talk = Mock(**{"has.return_value": False})
    DialectSwitch(talk).close_only((201,))
    talk.ask_state.assert_not_called()


def test_a_channel_that_has_moved_is_asked_where_it_stands_and_not_for_errors() -> None:
    """The queue is read when a channel moves for the first time, or again after a new connection."""
    closed: set[str] = set()
    talk = Mock(connections=1, **{"has.return_value": True})
    for each in (talk.tell, talk.send):
        each.side_effect = lambda op, channels="": {
            "close": closed.add,
            "open": closed.discard,
            "open_all": lambda _: closed.clear(),
        }[op](channels)
    talk.ask_state.side_effect = lambda _, channel: str(channel) in closed
    switch = DialectSwitch(talk)
    for channels in ((201,), (301,), (201,), (301,)):
        switch.close_only(channels)
    assert [each.args[0] for each in talk.tell.call_args_list] == ["open_all", "close", "close"]
    assert talk.send.call_count == 5
    talk.connections = 2
    switch.close_only((201,))
    assert [each.args[0] for each in talk.tell.call_args_list[3:]] == ["open_all", "close"]
    assert talk.refusals.call_count == 0


def test_a_relay_that_is_slow_is_asked_once_more() -> None:
    """A contact that stands where it should at the second look has only been on its way."""
    talk = Mock(
        **{"has.return_value": True, "ask_state.side_effect": [False, True], "refusals.return_value": []}
    )
    DialectSwitch(talk).close_only((201,))
    assert talk.ask_state.call_count == 2
