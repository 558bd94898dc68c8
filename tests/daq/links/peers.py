"""The other end of a wire, served by a small thread: on loopback TCP or on a pseudo-serial port."""

from __future__ import annotations

import os
import pty
import socket
import threading
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Protocol

from daq.links.lines import LineLink
from daq.links.settings import LinkTable
from daq.links.visa import open_link

TABLE = LinkTable()


class End(Protocol):
    """What a handler has in hand: bytes from the program, bytes to it, and hanging up."""

    def take(self) -> bytes:
        """Return what has come, empty at the end."""
        ...

    def give(self, data: bytes) -> None:
        """Send *data*."""
        ...

    def hang_up(self) -> None:
        """Close this end."""
        ...


class TcpEnd:
    """One TCP connection seen from the instrument."""

    def __init__(self, connection: socket.socket) -> None:
        self._connection = connection

    def take(self) -> bytes:
        """Return what has come, empty at the end."""
        return self._connection.recv(4096)

    def give(self, data: bytes) -> None:
        """Send *data*."""
        self._connection.sendall(data)

    def hang_up(self) -> None:
        """Close this end."""
        self._connection.close()


class PtyEnd:
    """The instrument's side of a pseudo-serial port."""

    def __init__(self, master: int) -> None:
        self._master = master
        self._open = True

    def take(self) -> bytes:
        """Return what has come, empty once the program has closed its side."""
        try:
            return os.read(self._master, 4096)
        except OSError:
            return b""

    def give(self, data: bytes) -> None:
        """Send *data*."""
        os.write(self._master, data)

    def hang_up(self) -> None:
        """Close this end: for the program the port vanishes."""
        if self._open:
            self._open = False
            os.close(self._master)


@contextmanager
def listening(handler: Callable[[End], None], *, buffer: int | None = None) -> Iterator[str]:
    """Listen on a loopback port, run *handler* for each connection, and yield the resource name."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        if buffer:
            server.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, buffer)
        open_ends: list[socket.socket] = []

        def serve() -> None:
            with suppress(OSError):
                while True:
                    connection, _ = server.accept()
                    open_ends.append(connection)
                    with connection, suppress(OSError):
                        handler(TcpEnd(connection))

        thread = threading.Thread(target=serve)
        thread.start()
        try:
            yield f"TCPIP0::127.0.0.1::{server.getsockname()[1]}::SOCKET"
        finally:
            server.shutdown(socket.SHUT_RDWR)
            for each in open_ends:
                with suppress(OSError):
                    each.shutdown(socket.SHUT_RDWR)
            thread.join(5)
            assert not thread.is_alive()


@contextmanager
def on_serial(
    handler: Callable[[End], None], table: LinkTable = TABLE, timeout_s: float = 5.0
) -> Iterator[LineLink]:
    """Yield an open link to a pseudo-serial port at whose other end *handler* runs."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    end = PtyEnd(master)
    link = open_link(f"ASRL{os.ttyname(slave)}::INSTR", table, timeout_s=timeout_s)
    os.close(slave)
    thread = threading.Thread(target=handler, args=(end,))
    thread.start()
    try:
        yield link
    finally:
        link.close()
        thread.join(5)
        assert not thread.is_alive()
        end.hang_up()


def answering(answer: Callable[[str], str | None]) -> Callable[[End], None]:
    """Make a handler that answers each line, or keeps silent for None."""

    def handle(end: End) -> None:
        pending = b""
        while data := end.take():
            *lines, pending = (pending + data).split(b"\n")
            for line in lines:
                reply = answer(line.decode())
                if reply is not None:
                    end.give(reply.encode() + b"\n")

    return handle


def echo(line: str) -> str | None:
    """Answer a question with itself, and a setting with nothing."""
    return line if line.endswith("?") else None
