from __future__ import annotations

import os
import pty
import threading
from pathlib import Path
from types import SimpleNamespace

import pytest
from pyvisa import constants

from daq.clock import RealClock
from daq.errors import LinkBusyError, LinkClosedError, LinkTimeoutError
from daq.links import visa
from daq.links.settings import LinkTable
from daq.links.visa import open_link
from tests.daq.links.peers import TABLE, End, answering, echo, on_serial

CLOCK = RealClock()


def test_a_question_is_answered() -> None:
    """A command goes out and its reply comes back over a pseudo-serial port."""
    with on_serial(answering(echo)) as link:
        link.write("VAL1?")
        assert link.read() == "VAL1?"


def test_serial_settings_reach_the_port() -> None:
    """Baud rate and flow control come from the dialect, and the rig file's go before them."""
    master, slave = pty.openpty()
    link = open_link(f"ASRL{os.ttyname(slave)}::INSTR", LinkTable(baud=2400, flow="xon_xoff"), baud=19200)
    port = link._port._interface
    assert (port.baudrate, port.xonxoff, port.rtscts) == (19200, True, False)
    link.close()
    os.close(master)
    os.close(slave)


def test_bits_and_parity_reach_the_port() -> None:
    """Seven bits, even parity and two stop bits are asked of pyvisa (a pseudo-serial port has none)."""
    opened = SimpleNamespace(flush=lambda _mask: None)
    visa.configure(
        opened, LinkTable(baud=300, data_bits=7, parity="even", stop_bits=2, flow="rts_cts"), timeout_s=1.0
    )
    assert (opened.baud_rate, opened.data_bits) == (300, 7)
    assert opened.parity == constants.Parity.even
    assert opened.stop_bits == constants.StopBits.two
    assert opened.flow_control == constants.ControlFlow.rts_cts


def test_a_setting_that_the_port_cannot_do_is_a_link_error() -> None:
    """A port that refuses its settings is closed again, with the system's reason in one line."""
    master, slave = pty.openpty()
    resource = f"ASRL{os.ttyname(slave)}::INSTR"
    with pytest.raises(LinkClosedError, match=r"serial settings failed .*Invalid argument"):
        open_link(resource, LinkTable(data_bits=7, parity="even"))
    open_link(resource, TABLE).close()
    os.close(master)
    os.close(slave)


def test_a_reply_without_line_end_is_over_when_nothing_follows() -> None:
    """With no line end declared, a status byte of any value and a text are each one reply."""

    def handler(end: End) -> None:
        end.take()
        end.give(b"\xd1")
        end.take()
        end.give(b"05.")
        end.give(b"00")

    with on_serial(handler, LinkTable(send_end="", reply_end="", idle_s=0.03)) as link:
        link.write("STATUS?")
        assert link.read() == "\xd1"
        link.write("VSET1?")
        assert link.read() == "05.00"


@pytest.mark.slow
def test_a_late_reply_is_flushed() -> None:
    """What comes after a time-out is flushed, which a serial port can, and not taken for the next reply."""
    go, gone = threading.Event(), threading.Event()

    def handler(end: End) -> None:
        end.take()
        end.give(b"+1234.")
        assert go.wait(5)
        end.give(b"5678E+00\n")
        gone.set()
        end.take()
        end.give(b"right\n")

    with on_serial(handler, timeout_s=0.1) as link:
        link.write("READ?")
        with pytest.raises(LinkTimeoutError, match=r"only b'\+1234\.'"):
            link.read()
        go.set()
        assert gone.wait(5)
        link.write("*IDN?")
        assert link.read() == "right"


def test_silence_is_a_time_out_without_spinning() -> None:
    """No reply at all is LinkTimeoutError after the time-out."""
    with on_serial(answering(lambda _line: None), timeout_s=0.1) as link:
        link.write("READ?")
        began_s = CLOCK.monotonic()
        with pytest.raises(LinkTimeoutError, match=r"no complete reply within 0\.1 s$"):
            link.read()
        assert 0.09 < CLOCK.monotonic() - began_s < 0.4


def test_a_port_that_vanishes_is_noticed_at_once() -> None:
    """A port that goes away is LinkClosedError in read, write and drain, long before the time-out."""

    def handler(end: End) -> None:
        end.take()
        end.hang_up()

    with on_serial(handler, timeout_s=30) as link:
        link.write("READ?")
        began_s = CLOCK.monotonic()
        with pytest.raises(LinkClosedError):
            link.read()
        with pytest.raises(LinkClosedError):
            link.write("OUTP OFF")
        with pytest.raises(LinkClosedError):
            link.drain()
        assert CLOCK.monotonic() - began_s < 1


def test_a_write_that_nobody_takes_ends_in_time() -> None:
    """When the other end stops reading, write gives up after the time-out."""
    release = threading.Event()

    def handler(end: End) -> None:
        release.wait(5)
        end.hang_up()

    with on_serial(handler, timeout_s=0.1) as link:
        with pytest.raises(LinkTimeoutError, match="write failed"):
            for _ in range(1000):
                link.write("X" * 1000)
        release.set()


def test_a_port_has_one_user_under_all_its_names(tmp_path: Path) -> None:
    """The same port by another name is refused: the operating system would open it twice."""
    master, slave = pty.openpty()
    other_name = tmp_path / "meter"
    other_name.symlink_to(os.ttyname(slave))
    link = open_link(f"ASRL{os.ttyname(slave)}::INSTR", TABLE)
    with pytest.raises(LinkBusyError, match=f"in use by process {os.getpid()}"):
        open_link(f"ASRL{other_name}::INSTR", TABLE)
    link.close()
    open_link(f"ASRL{other_name}::INSTR", TABLE).close()
    os.close(master)
    os.close(slave)


def test_a_port_that_is_not_there_is_an_error_at_open(tmp_path: Path) -> None:
    """Opening a port that does not exist is LinkClosedError with the system's reason."""
    with pytest.raises(LinkClosedError, match=r"open failed.*No such file"):
        open_link(f"ASRL{tmp_path}/ttyS9::INSTR", TABLE)


def test_nothing_stays_open() -> None:
    """Opening and closing a port leaves no file descriptor behind."""
    with on_serial(answering(echo)):
        pass
    before = set(Path("/proc/self/fd").iterdir())
    for _ in range(3):
        with on_serial(answering(echo)) as link:
            link.write("A?")
            link.read()
    assert len(set(Path("/proc/self/fd").iterdir()) - before) == 0


def test_a_port_that_is_no_file_is_looked_at_now_and_then() -> None:
    """Where the system cannot wait for a port, waiting for bytes still ends with them or in time."""
    interface = SimpleNamespace(in_waiting=0, read=lambda count: b"x" * count)
    resource = SimpleNamespace(
        session=1, visalib=SimpleNamespace(sessions={1: SimpleNamespace(interface=interface)})
    )
    port = visa.SerialPort(resource, "COM3")
    assert port.receive(0.01) == b""
    threading.Timer(0.02, lambda: setattr(interface, "in_waiting", 3)).start()
    assert port.receive(5) == b"xxx"
