"""A contact that was told to move and did not: the run stops, no coil is convicted."""

from __future__ import annotations

from unittest.mock import Mock

import pytest

from daq.errors import ReadbackError
from daq.instruments.switch import DialectSwitch


def test_a_contact_that_does_not_close_is_an_error() -> None:
    """The unit took the command without an error, and the contact reads back open."""
    talk = Mock(**{"has.return_value": True, "ask_state.return_value": False})
    with pytest.raises(ReadbackError, match="channel 201 reads back open after it was told to close"):
        DialectSwitch(talk).close_only((201,))


def test_a_contact_that_does_not_open_is_an_error() -> None:
    """A welded relay would put two coils in parallel."""
    talk = Mock(**{"has.return_value": True, "ask_state.return_value": True})
    switch = DialectSwitch(talk)
    switch.close_only((201,))
    with pytest.raises(ReadbackError, match="channel 201 reads back closed after it was told to open"):
        switch.close_only((202,))


def test_a_unit_that_cannot_be_asked_is_believed() -> None:
    """Where the dialect has no question the command stands."""
    talk = Mock(**{"has.return_value": False})
    DialectSwitch(talk).close_only((201,))
    talk.ask_state.assert_not_called()
