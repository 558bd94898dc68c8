"""Links through pyvisa with the pyvisa-py backend: TCP sockets, serial ports, USB, GPIB, VXI-11.

The one place that imports pyvisa, and the one where its exceptions, the serial library's and the
system's become ours. pyvisa-py spins on a connection whose other end is gone, blocks in a write that
nobody takes, takes a refused connection for an open one, and reads a serial port byte by byte; so pyvisa
opens and sets a session, and bytes move on the session's own socket or port.
"""

from __future__ import annotations

import os
import select
import socket
from abc import ABC, abstractmethod
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from functools import cache
from typing import Any, Final

import msgspec
import pyvisa
import pyvisa.errors
import serial
from pyvisa import constants, rname
from pyvisa_py.protocols.rpc import RPCError
from pyvisa_py.protocols.vxi11 import Vxi11Error
from pyvisa_py.protocols.xdrlib import Error as XdrError
from pyvisa_py.sessions import OpenError, UnknownAttribute

from daq import system
from daq.clock import RealClock
from daq.errors import InputError, LinkBusyError, LinkClosedError, LinkError, LinkTimeoutError
from daq.links.advice import advice, reason
from daq.links.lines import LineLink
from daq.links.portlock import PortLock
from daq.links.settings import LinkTable

_CHUNK = 4096
#: A time-out of 0 would mean something else to a socket and to a serial port.
_LEAST_S = 1e-3
#: A lost connection is opened again within this, or not at all: the bench is blind meanwhile.
AGAIN_S = 1.0

_BY_CODE: Final = {
    constants.StatusCode.error_timeout: LinkTimeoutError,
    constants.StatusCode.error_connection_lost: LinkClosedError,
    constants.StatusCode.error_resource_not_found: LinkClosedError,
    constants.StatusCode.error_io: LinkClosedError,
    constants.StatusCode.error_invalid_object: LinkClosedError,
    constants.StatusCode.error_resource_busy: LinkBusyError,
    constants.StatusCode.error_resource_locked: LinkBusyError,
}
#: A serial port that has vanished or cannot do a setting; no kind of OSError, and not everywhere.
_TERMINAL: Final[tuple[tuple[type[Exception], type[LinkError]], ...]] = (
    () if system.termios is None else ((system.termios.error, LinkClosedError),)
)
#: The first that fits counts, so a class stands before those it derives from.
_BY_CLASS: Final[tuple[tuple[type[Exception], type[LinkError]], ...]] = (
    (pyvisa.errors.VisaIOError, LinkError),  # told apart by its code
    (pyvisa.errors.InvalidSession, LinkClosedError),
    (pyvisa.errors.LibraryError, LinkError),
    (pyvisa.errors.Error, LinkError),
    (serial.SerialTimeoutException, LinkTimeoutError),
    (serial.SerialException, LinkClosedError),
    (TimeoutError, LinkTimeoutError),
    (BlockingIOError, LinkTimeoutError),
    (OSError, LinkClosedError),
    (OpenError, LinkClosedError),
    (UnknownAttribute, LinkError),
    (Vxi11Error, LinkError),
    (RPCError, LinkError),
    (XdrError, LinkError),
    *_TERMINAL,
)
KNOWN: Final = tuple(kind for kind, _ in _BY_CLASS)


def translate(exc: Exception, resource: str, doing: str) -> LinkError:
    """Return the LinkError that says what *exc*, one of KNOWN, means for *resource* while *doing*."""
    kind = next(ours for theirs, ours in _BY_CLASS if isinstance(exc, theirs))
    if isinstance(exc, pyvisa.errors.VisaIOError):
        kind = _BY_CODE.get(constants.StatusCode(exc.error_code), kind)
    return kind(f"{resource}: {doing} failed ({reason(exc)}); {advice(exc)}")


class _Translated:
    """A block in which what the libraries raise becomes ours; several of them are passed in each exchange."""

    def __init__(self, resource: str, doing: str) -> None:
        self._resource = resource
        self._doing = doing

    def __enter__(self) -> None: ...

    def __exit__(self, kind: object, exc: BaseException | None, trace: object) -> None:
        if isinstance(exc, KNOWN) and not isinstance(exc, LinkError):
            raise translate(exc, self._resource, self._doing) from exc


class MessagePort:
    """USB, GPIB and VXI-11: the bus says where a message ends, and knows a device clear."""

    whole_messages = True

    def __init__(self, resource: Any, name: str) -> None:
        self._resource = resource
        self._name = name
        self._reading, self._writing = _Translated(name, "read"), _Translated(name, "write")

    def send(self, data: bytes, timeout_s: float) -> None:
        """Hand all of *data* over as one message."""
        with self._writing:
            self._resource.timeout = timeout_s * 1000
            self._resource.write_raw(data)

    def receive(self, timeout_s: float) -> bytes:
        """Return the next message, or nothing after *timeout_s*."""
        try:
            with self._reading:
                self._resource.timeout = max(1.0, timeout_s * 1000)
                return bytes(self._resource.read_raw())
        except LinkTimeoutError:
            return b""

    def discard(self) -> int:
        """Clear the device; how many bytes that throws away is not known."""
        with _Translated(self._name, "clear"):
            self._resource.clear()
        return 0

    def close(self) -> None:
        """Give the port back."""
        with _Translated(self._name, "close"):
            self._resource.close()


class _StreamPort(MessagePort, ABC):
    """A port on which we wait, read and write ourselves."""

    whole_messages = False

    def __init__(self, resource: Any, name: str) -> None:
        super().__init__(resource, name)
        self._interface: Any = resource.visalib.sessions[resource.session].interface

    def _readable(self, timeout_s: float) -> bool:
        return bool(select.select([self._interface], [], [], timeout_s)[0])

    @abstractmethod
    def _arrived(self) -> bytes:
        """Return what has arrived, without waiting."""

    def receive(self, timeout_s: float) -> bytes:
        with self._reading:
            return self._arrived() if self._readable(timeout_s) else b""


class _SocketPort(_StreamPort):
    """A TCP connection."""

    def __init__(self, resource: Any, name: str, timeout_s: float) -> None:
        super().__init__(resource, name)
        with _Translated(name, "open"):
            if refused := self._interface.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR):
                raise OSError(refused, os.strerror(refused))
            self._interface.getpeername()
            # pyvisa-py knows no attribute for it; without, a second write waits 40 ms for the peer.
            self._interface.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._interface.settimeout(timeout_s)

    def _arrived(self) -> bytes:
        return self._not_the_end(self._interface.recv(_CHUNK))

    def _not_the_end(self, data: bytes) -> bytes:
        if not data:
            raise LinkClosedError(f"{self._name}: the other end closed the connection; check the instrument")
        return data

    def send(self, data: bytes, timeout_s: float) -> None:
        with self._writing:
            if self._readable(0):
                # The first write after the other end is gone would succeed.
                self._not_the_end(self._interface.recv(1, socket.MSG_PEEK))
            self._interface.settimeout(max(timeout_s, _LEAST_S))
            try:
                self._interface.sendall(data)
            except TimeoutError as exc:
                raise LinkTimeoutError(
                    f"{self._name}: the instrument does not take a command within {timeout_s:g} s; restart it"
                ) from exc

    def discard(self) -> int:
        count = 0
        while count < _CHUNK * 256 and (data := self.receive(0)):
            count += len(data)
        return count


class SerialPort(_StreamPort):
    """A serial port; pyvisa's clear is not supported on it, flush is."""

    def _readable(self, timeout_s: float) -> bool:
        if hasattr(self._interface, "fileno"):
            return super()._readable(timeout_s)
        clock = RealClock()  # where a port is no file, all we can do is look now and then
        until_s = clock.monotonic() + timeout_s
        while not self._interface.in_waiting:
            if clock.monotonic() >= until_s:
                return False
            clock.sleep(0.002)
        return True

    def _arrived(self) -> bytes:
        # Readable without bytes: the port has vanished, and reading one makes pyserial say so.
        return bytes(self._interface.read(max(1, self._interface.in_waiting)))

    def send(self, data: bytes, timeout_s: float) -> None:
        """Hand all of *data* over; LinkTimeoutError when that takes longer."""
        with self._writing:
            if self._interface.write_timeout != timeout_s:
                self._interface.write_timeout = max(timeout_s, _LEAST_S)
            self._interface.write(data)

    def discard(self) -> int:
        """Throw away what has arrived; return how many bytes."""
        with _Translated(self._name, "flush"):
            count = int(self._interface.in_waiting)
            self._resource.flush(constants.BufferOperation.discard_read_buffer)
        return count


@cache
def manager() -> pyvisa.ResourceManager:
    """Return the process's one manager: closing it would close every other link's session too."""
    return pyvisa.ResourceManager("@py")


def open_link(
    resource: str,
    table: LinkTable,
    *,
    timeout_s: float | None = None,
    alone: bool = True,
    **serial_settings: Any,
) -> LineLink:
    """Open *resource*, such as ``TCPIP0::192.168.0.5::5025::SOCKET`` or ``ASRL/dev/ttyUSB0::INSTR``.

    Args:
        resource: A VISA address.
        table: The dialect's line ends, pace and serial settings.
        timeout_s: For each read and write; None: the dialect's.
        alone: Keep everybody else off; False opens a second connection beside the owner's.
        serial_settings: baud, data_bits, parity, stop_bits or flow instead of the dialect's.

    Raises:
        InputError: *resource* is not such an address, or a library for its kind is not installed.
        LinkClosedError: nobody listens there, or there is no such port.
        LinkBusyError: another user has the port.
        LinkError: anything else that keeps the port from opening.
    """
    timeout_s = table.timeout_s if timeout_s is None else timeout_s
    table = msgspec.structs.replace(table, **serial_settings)
    parsed = _parsed(resource)
    with ExitStack() as undo:
        lock = PortLock(_one_spelling(parsed)) if alone else None
        if lock is not None:
            undo.callback(lock.release)
        port = _port(resource, parsed, table, timeout_s)
        undo.pop_all()
    again_s = min(timeout_s, AGAIN_S)
    return LineLink(
        port,
        resource,
        table,
        timeout_s=timeout_s,
        owned=lock,
        again=lambda: _port(resource, parsed, table, timeout_s, open_s=again_s),
    )


def _port(
    resource: str,
    parsed: rname.ResourceName,
    table: LinkTable,
    timeout_s: float,
    *,
    open_s: float | None = None,
) -> MessagePort:
    """Open *resource* as the kind of port it is, waiting *open_s* for it if given."""
    with ExitStack() as undo, _which_port(parsed):
        opened: Any = _open(resource, timeout_s if open_s is None else open_s)
        undo.callback(opened.close)
        port: MessagePort
        if isinstance(parsed, rname.TCPIPSocket):
            port = _SocketPort(opened, resource, timeout_s)
        elif isinstance(parsed, rname.ASRLInstr):
            with _Translated(resource, "serial settings"):
                configure(opened, table, timeout_s)
            port = SerialPort(opened, resource)
        else:
            port = MessagePort(opened, resource)
        undo.pop_all()
    return port


@contextmanager
def _which_port(parsed: rname.ResourceName) -> Iterator[None]:
    """Say of a socket on which nobody listens that another port may be right, and who looks for it."""
    try:
        yield
    except LinkClosedError as exc:
        if not isinstance(parsed, rname.TCPIPSocket):
            raise
        host, port = parsed.host_address, parsed.port
        raise LinkClosedError(
            f"{exc}; port {port} was tried, and `coilsoak find {host}` tries the usual others"
        ) from exc


def _open(resource: str, timeout_s: float) -> Any:
    try:
        return manager().open_resource(resource, open_timeout=int(timeout_s * 1000))
    except KNOWN as exc:
        raise translate(exc, resource, "open") from exc
    except (ValueError, ImportError) as exc:  # pyvisa-py on a kind whose library is missing
        usb = "; pip install 'coilsoak[usb]' brings it for USB" if resource.upper().startswith("USB") else ""
        raise InputError(f"{resource}: cannot be opened here ({' '.join(str(exc).split())}){usb}") from exc
    except Exception as exc:  # pyvisa-py raises bare Exception when a connection does not come about
        raise LinkClosedError(f"{resource}: open failed ({reason(exc)}); {advice(exc)}") from exc


def _parsed(resource: str) -> rname.ResourceName:
    """Return the parts of an address; InputError if it is none, LinkClosedError if its host is unknown."""
    try:
        parsed = rname.ResourceName.from_string(resource)
    except (rname.InvalidResourceName, ValueError) as exc:
        raise InputError(
            f"resource {resource!r} is no VISA address, expected such as TCPIP0::HOST::PORT::SOCKET or "
            "ASRL/dev/ttyUSB0::INSTR"
        ) from exc
    if isinstance(parsed, rname.TCPIPSocket):
        if not (parsed.port.isdecimal() and 0 < int(parsed.port) < 65536):
            raise InputError(f"resource {resource!r} has port {parsed.port!r}, expected 1 to 65535")
        # Beforehand, since pyvisa-py leaves its socket open when there is no such host.
        with _Translated(resource, "look-up of the host"):
            socket.getaddrinfo(parsed.host_address, None, socket.AF_INET)
    return parsed


def port_of(resource: str) -> str:
    """Return the one name of the port at *resource*, however the rig file spells it.

    Raises:
        InputError: *resource* is no VISA address.
        LinkClosedError: Its host is unknown.
    """
    return _one_spelling(_parsed(resource))


def _one_spelling(parsed: rname.ResourceName) -> str:
    """Return the port's name: one, however the rig file spells it."""
    if isinstance(parsed, rname.ASRLInstr):
        return f"ASRL{os.path.realpath(parsed.board)}"
    if isinstance(parsed, rname.TCPIPSocket):
        with _Translated(str(parsed), "look-up of the host"):
            found = socket.getaddrinfo(parsed.host_address, int(parsed.port), socket.AF_INET)
        host = min(str(each[4][0]) for each in found)
        return f"TCPIP::{host}::{int(parsed.port)}::SOCKET"
    return str(parsed).upper()


def configure(opened: Any, table: LinkTable, timeout_s: float) -> None:
    """Set an opened serial port to *table*."""
    opened.timeout = timeout_s * 1000
    opened.baud_rate = table.baud
    opened.data_bits = table.data_bits
    opened.parity = constants.Parity[table.parity]
    opened.stop_bits = {1: constants.StopBits.one, 2: constants.StopBits.two}[table.stop_bits]
    opened.flow_control = constants.ControlFlow[table.flow]
    opened.flush(constants.BufferOperation.discard_read_buffer)
