"""Serves simulated instruments on loopback TCP and on pseudo-serial ports.

One thread a listening port, a TCP connection or a serial port; all of them wait on a wake-up socket too,
so leaving the context ends every one of them at once and leaves nothing open.
"""

from __future__ import annotations

import os
import selectors
import socket
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from functools import partial

from daq import system
from daq.errors import InputError
from daq.links.base import Peer
from daq.sim.devices.scpi import LINE_LIMIT

_HOST = "127.0.0.1"
_CHUNK = 4096
#: A client that takes no data for this long (wall time) is given up.
_STALLED_S = 2.0

#: Made anew for each wait, so one without a descriptor of its own where there is such.
_Waiter: type[selectors.BaseSelector] = getattr(selectors, "PollSelector", selectors.SelectSelector)


class _Lines:
    """Cuts one connection's bytes into lines for a peer that other connections share."""

    def __init__(self, peer: Peer) -> None:
        self._peer = peer
        self._pending = b""

    def answers(self, data: bytes) -> Iterator[bytes]:
        """Feed every complete line to the peer; give what it answers, line by line."""
        *lines, self._pending = (self._pending + data).split(b"\n")
        # One byte more than the peer takes is enough for it to see that the line is too long.
        self._pending = self._pending[: LINE_LIMIT + 1]
        for line in lines:
            yield self._peer.feed(line[: LINE_LIMIT + 1] + b"\n")


class _Server:
    """The threads and descriptors behind one ``serve`` block."""

    def __init__(self) -> None:
        # Sockets, since not every system waits on the end of a pipe.
        self._wake_read, self._wake_write = socket.socketpair()
        self._threads: list[threading.Thread] = []
        self._guard = threading.Lock()
        self._closing = False
        self._descriptors: list[int] = []

    def listen(self, name: str, peer: Peer) -> str:
        """Serve *peer* on a free loopback port; return the VISA resource that reaches it."""
        listener = socket.create_server((_HOST, 0))
        port = listener.getsockname()[1]
        self._start(f"tcp {name}", lambda: self._accept(listener, name, peer))
        return f"TCPIP0::{_HOST}::{port}::SOCKET"

    def plug(self, name: str, peer: Peer) -> str:
        """Serve *peer* on a new pseudo-serial port; return the VISA resource that reaches it."""
        ends = system.open_pseudo_terminal()
        if ends is None:
            raise InputError(f"{name}: this system has no pseudo-serial ports to serve it on")
        master, slave = ends
        # Kept open here, so that the port outlives the clients that come and go.
        self._descriptors += [master, slave]
        os.set_blocking(master, False)
        path = os.ttyname(slave)
        self._start(f"serial {name}", lambda: self._serve_serial(master, peer))
        return f"ASRL{path}::INSTR"

    def close(self) -> None:
        """End every thread and close every descriptor."""
        with self._guard:
            self._closing = True
        self._wake_write.send(b"x")
        # Threads may be added by a listener until it has ended: it is looked for first and again.
        while True:
            with self._guard:
                if not self._threads:
                    break
                thread = self._threads.pop()
            thread.join()
        for descriptor in self._descriptors:
            os.close(descriptor)
        self._wake_read.close()
        self._wake_write.close()

    def _start(self, name: str, work: Callable[[], None]) -> bool:
        with self._guard:
            if self._closing:
                return False
            self._threads = [thread for thread in self._threads if thread.is_alive()]
            thread = threading.Thread(target=work, name=f"simulated bench: {name}", daemon=True)
            # Started under the guard: a thread in the list that is not yet alive would be swept away.
            thread.start()
            self._threads.append(thread)
        return True

    def _readable(self, descriptor: int) -> bool:
        """Wait for data; False when the server is closing."""
        with _Waiter() as waiter:
            waiter.register(descriptor, selectors.EVENT_READ)
            waiter.register(self._wake_read, selectors.EVENT_READ)
            return all(key.fileobj is not self._wake_read for key, _ in waiter.select())

    def _accept(self, listener: socket.socket, name: str, peer: Peer) -> None:
        with listener:
            while self._readable(listener.fileno()):
                try:
                    connection, _ = listener.accept()
                except OSError:
                    # Gone again between knocking and opening.
                    continue
                if not self._start(f"tcp {name} client", partial(self._serve_tcp, connection, peer)):
                    connection.close()

    def _serve_tcp(self, connection: socket.socket, peer: Peer) -> None:
        with connection, suppress(OSError):
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            connection.settimeout(_STALLED_S)
            lines = _Lines(peer)
            while self._readable(connection.fileno()):
                data = connection.recv(_CHUNK)
                if not data:
                    return
                for reply in lines.answers(data):
                    connection.sendall(reply)
                    if self._closing:
                        return

    def _serve_serial(self, master: int, peer: Peer) -> None:
        lines = _Lines(peer)
        while self._readable(master):
            with suppress(OSError):
                for reply in lines.answers(os.read(master, _CHUNK)):
                    self._send_serial(master, reply)
                    if self._closing:
                        return

    def _send_serial(self, master: int, reply: bytes) -> None:
        while reply:
            with _Waiter() as waiter:
                waiter.register(master, selectors.EVENT_WRITE)
                if not waiter.select(_STALLED_S):
                    # Nobody reads the port: a serial line drops what is not taken.
                    return
            reply = reply[os.write(master, reply) :]


@contextmanager
def serve(
    peers: Mapping[str, Peer], *, tcp: Sequence[str] = (), serial: Sequence[str] = ()
) -> Iterator[dict[str, str]]:
    """Serve the named peers while the block runs; give instrument name -> VISA resource string.

    Each TCP peer has its own free port on 127.0.0.1, each serial peer its own pseudo-terminal. When
    the block is left no thread, port or descriptor stays behind; a measurement under way is waited for.

    Raises:
        InputError: a name that is no peer, or one that is given twice.
    """
    names = [*tcp, *serial]
    for name in names:
        if name not in peers:
            raise InputError(f"simulated bench: no instrument {name!r} to serve; it has {', '.join(peers)}")
        if names.count(name) > 1:
            raise InputError(f"simulated bench: instrument {name!r} is to be served twice; name it once")
    server = _Server()
    try:
        resources = {name: server.listen(name, peers[name]) for name in tcp}
        resources |= {name: server.plug(name, peers[name]) for name in serial}
        yield resources
    finally:
        server.close()
