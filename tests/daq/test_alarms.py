"""An alarm reaches the operator whatever becomes of the record."""

from __future__ import annotations

from unittest.mock import Mock

from daq.errors import RecordError
from daq.run import _Alarms


def test_a_record_that_takes_no_more_does_not_hide_an_alarm() -> None:
    """Closed or full, the record's own error does not stand in for what the alarm is about."""
    screen, record = Mock(), Mock(**{"event.side_effect": RecordError("the disk is full")})
    alarms = _Alarms(screen)
    alarms.record = record
    alarms("SWITCH THE SUPPLY OFF BY HAND")
    screen.alarm.assert_called_once_with("SWITCH THE SUPPLY OFF BY HAND")
    record.event.assert_called_once_with("alarm", "SWITCH THE SUPPLY OFF BY HAND")
