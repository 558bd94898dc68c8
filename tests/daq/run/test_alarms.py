"""An alarm reaches the operator whatever becomes of the record."""

from __future__ import annotations

import os
import signal
from unittest.mock import Mock

import pytest

from daq.bench.watchdog.heartbeat import BREATH_S, DISK_S, BreathingRecord
from daq.errors import BenchError, OutputUnknownError, RecordError
from daq.run.alarms import Alarms, Notices, make_sure
from daq.signals import shielded, stoppable


def test_a_record_that_takes_no_more_does_not_hide_an_alarm() -> None:
    """Closed or full, the record's own error does not stand in for what the alarm is about."""
    screen, record = Mock(), Mock(**{"event.side_effect": RecordError("the disk is full")})
    alarms = Alarms(screen)
    alarms.record = record
    alarms("SWITCH THE SUPPLY OFF BY HAND")
    screen.alarm.assert_called_once_with("SWITCH THE SUPPLY OFF BY HAND")
    record.event.assert_called_once_with("alarm", "SWITCH THE SUPPLY OFF BY HAND")


def interrupted() -> None:
    """Make the last switching off, with Ctrl-C in the middle of it."""
    with shielded():
        os.kill(os.getpid(), signal.SIGINT)


def test_ctrl_c_during_the_last_switching_off_does_not_end_the_watch() -> None:
    """What is not proved is watched first; who then tells the program to go leaves an alarm."""
    guard = Mock(proved=False, standing=("OVEN",), **{"leave_safe.side_effect": interrupted})
    vigil = Mock(**{"keep.return_value": False})
    with stoppable(), pytest.raises(OutputUnknownError, match="OVEN"):
        make_sure(guard, vigil)
    vigil.keep.assert_called_once_with()


def test_ctrl_c_during_the_last_switching_off_stops_a_run_that_is_proved() -> None:
    """It is not lost: once all is proved the run ends as stopped."""
    guard, vigil = Mock(proved=True, **{"leave_safe.side_effect": interrupted}), Mock()
    with stoppable(), pytest.raises(KeyboardInterrupt):
        make_sure(guard, vigil)
    vigil.keep.assert_called_once_with()


@pytest.mark.parametrize("where", ["leave_safe", "keep"])
@pytest.mark.parametrize("proved", [True, False])
def test_whatever_breaks_the_watch_leaves_the_alarm_standing(where: str, proved: bool) -> None:
    """A fault of the program's own must not make a bench that is not proved pass for a safe one."""
    guard, vigil = Mock(proved=proved), Mock()
    getattr(guard if where == "leave_safe" else vigil, where).side_effect = RuntimeError("a bug")
    with pytest.raises(RuntimeError):
        make_sure(guard, vigil)
    assert guard.give_up.called != proved


def test_what_could_not_be_switched_off_at_once_is_told_after_the_watch() -> None:
    """The trouble of the last word outlives a watch that proved all in the end."""
    guard = Mock(proved=False, **{"leave_safe.side_effect": BenchError("late")})
    with pytest.raises(BenchError, match="late"):
        make_sure(guard, Mock(**{"keep.return_value": True}))
    guard.give_up.assert_not_called()


def test_alarms_and_notices_allow_a_disk_to_wake_up() -> None:
    """They are written while a coil is driven: a slow disk is no run that hangs."""
    beats: list[float] = []
    record = BreathingRecord(Mock(), Mock(beat=lambda allow_s=BREATH_S: beats.append(allow_s)))
    alarms, notices = Alarms(Mock()), Notices(Mock())
    alarms.record = record
    notices.record_in(record)
    alarms("HOT")
    notices("link", "lost")
    assert beats == [DISK_S, BREATH_S] * 2
