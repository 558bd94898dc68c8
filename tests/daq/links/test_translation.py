from __future__ import annotations

import importlib
import inspect

import pytest
import pyvisa.errors
import serial
from pyvisa import constants

from daq.errors import (
    InputError,
    LinkBusyError,
    LinkClosedError,
    LinkError,
    LinkTimeoutError,
)
from daq.links import visa
from daq.links.lines import LineLink
from daq.links.portlock import PortLock
from daq.links.settings import LinkTable
from daq.links.visa import KNOWN, open_link, translate

MODULES = [
    "pyvisa.errors",
    "pyvisa_py.sessions",
    "pyvisa_py.serial",
    "pyvisa_py.tcpip",
    "pyvisa_py.protocols.rpc",
    "pyvisa_py.protocols.vxi11",
    "pyvisa_py.protocols.xdrlib",
    "pyvisa_py.protocols.hislip",
    "serial",
    "serial.serialutil",
    "serial.serialposix",
    "socket",
    "termios",
]


def exceptions() -> list[type[Exception]]:
    """Return every exception class that the libraries under a link define or hand on."""
    found = {
        each
        for name in MODULES
        for label, each in vars(importlib.import_module(name)).items()
        if not label.startswith("_")
        and inspect.isclass(each)
        and issubclass(each, Exception)
        and not issubclass(each, Warning)
    }
    return sorted(found, key=lambda each: (each.__module__, each.__name__))


@pytest.mark.parametrize("kind", exceptions(), ids=lambda kind: f"{kind.__module__}.{kind.__name__}")
def test_every_exception_of_the_libraries_is_translated(kind: type[Exception]) -> None:
    """No exception class of pyvisa, pyvisa-py, pyserial, socket or termios escapes the table."""
    assert issubclass(kind, KNOWN)


@pytest.mark.parametrize(
    ("exc", "expected"),
    [
        (pyvisa.errors.VisaIOError(constants.StatusCode.error_timeout), LinkTimeoutError),
        (pyvisa.errors.VisaIOError(constants.StatusCode.error_connection_lost), LinkClosedError),
        (pyvisa.errors.VisaIOError(constants.StatusCode.error_resource_busy), LinkBusyError),
        (pyvisa.errors.VisaIOError(constants.StatusCode.error_invalid_setup), LinkError),
        (pyvisa.errors.InvalidSession(), LinkClosedError),
        (serial.SerialTimeoutException("write timeout"), LinkTimeoutError),
        (serial.PortNotOpenError(), LinkClosedError),
        (TimeoutError(), LinkTimeoutError),
        (BrokenPipeError(32, "Broken pipe"), LinkClosedError),
    ],
)
def test_an_exception_becomes_the_link_error_it_means(exc: Exception, expected: type[LinkError]) -> None:
    """Time-outs, lost connections and busy ports keep their meaning, and the message is one full line."""
    error = translate(exc, "ASRL1::INSTR", "read")
    assert type(error) is expected
    assert str(error).startswith("ASRL1::INSTR: read failed (")
    assert "\n" not in str(error)
    assert "()" not in str(error)


class Bus:
    """A message-based resource as pyvisa shows it: one read, one message."""

    def __init__(self, *messages: bytes) -> None:
        self.timeout = 0.0
        self.messages = list(messages)
        self.written: list[bytes] = []
        self.cleared = self.closed = 0

    def write_raw(self, data: bytes) -> None:
        """Take a message."""
        self.written.append(data)

    def read_raw(self) -> bytes:
        """Give the next message, or time out."""
        if not self.messages:
            raise pyvisa.errors.VisaIOError(constants.StatusCode.error_timeout)
        return self.messages.pop(0)

    def clear(self) -> None:
        """Count device clears."""
        self.cleared += 1

    def close(self) -> None:
        """Count, and fail as a bus that has gone."""
        self.closed += 1
        raise pyvisa.errors.VisaIOError(constants.StatusCode.error_connection_lost)


def bus_link(bus: Bus) -> LineLink:
    """Return a link over *bus*."""
    port = visa.MessagePort(bus, "GPIB0::5::INSTR")
    return LineLink(
        port, "GPIB0::5::INSTR", LinkTable(), timeout_s=0.02, owned=PortLock("test bus"), again=lambda: port
    )


def test_a_bus_message_is_a_reply_with_or_without_line_end() -> None:
    """USB, GPIB and VXI-11 say themselves where a message ends."""
    bus = Bus(b"1.5\n", b"2.5")
    link = bus_link(bus)
    link.write("READ?")
    assert [link.read(), link.read()] == ["1.5", "2.5"]
    assert bus.written == [b"READ?\n"]
    link.close()
    link.close()
    assert bus.closed == 1


def test_after_a_time_out_the_bus_device_is_cleared() -> None:
    """A late reply on a bus is thrown away by a device clear before the next command."""
    bus = Bus()
    link = bus_link(bus)
    with pytest.raises(LinkTimeoutError, match="no complete reply"):
        link.read()
    assert bus.cleared == 0
    link.write("*IDN?")
    assert bus.cleared == 1
    link.close()


@pytest.mark.parametrize("resource", ["USB0::0x1234::0x5678::A1::INSTR", "GPIB0::5::INSTR"])
def test_a_kind_of_port_that_this_machine_lacks_is_said_so(
    resource: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A resource whose library is not installed is an error of the input that gives the reason."""

    def lacking(*_args: object, **_kwargs: object) -> None:
        raise ValueError("Please install\nthe library")

    monkeypatch.setattr(visa.manager(), "open_resource", lacking)
    with pytest.raises(InputError, match=r"cannot be opened here \(Please install the library\)"):
        open_link(resource, LinkTable())


def test_a_bare_exception_of_the_backend_is_a_closed_link(monkeypatch: pytest.MonkeyPatch) -> None:
    """pyvisa-py's bare Exception for a connection that does not come about is LinkClosedError."""

    def failing(*_args: object, **_kwargs: object) -> None:
        raise Exception("could not connect: time-out")  # noqa: TRY002 - what pyvisa-py does

    monkeypatch.setattr(visa.manager(), "open_resource", failing)
    with pytest.raises(LinkClosedError, match="could not connect"):
        open_link("TCPIP0::127.0.0.1::5025::SOCKET", LinkTable())


def test_a_lock_file_that_cannot_be_made_is_said_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a place for the lock file the port is not opened unlocked."""
    monkeypatch.setattr("daq.links.portlock.tempfile.gettempdir", lambda: "/proc/nowhere")
    with pytest.raises(LinkError, match="no lock file in"):
        PortLock("a port")
