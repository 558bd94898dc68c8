"""Line servers on loopback TCP, each with switches for what a wire or an instrument can do wrong."""

from __future__ import annotations

import contextlib
import re
import socket
import threading
import time
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tests.outside.instruments import Instrument


class Line:
    """Serves one instrument on a port of the system's choice; every connection has a thread of its own."""

    def __init__(self, instrument: Instrument) -> None:
        self.instrument = instrument
        self.hanging = False
        self.garbage_share = 0.0
        self.digit_share = 0.0
        self.silent_share = 0.0
        self.late_s = 0.0
        self.connections = 0
        self.refused = False
        self._open: set[socket.socket] = set()
        self._threads: list[threading.Thread] = []
        self._lock = threading.Lock()
        self._ended = threading.Event()
        self._listener = self._listen(0)
        self.port = self._listener.getsockname()[1]
        self._acceptor = threading.Thread(target=self._accept, daemon=True)
        self._acceptor.start()

    @property
    def resource(self) -> str:
        """The address, as rig files spell it."""
        return f"TCPIP::127.0.0.1::{self.port}::SOCKET"

    @staticmethod
    def _listen(port: int) -> socket.socket:
        listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(("127.0.0.1", port))
        listener.listen()
        listener.settimeout(0.05)
        return listener

    def drop(self) -> None:
        """Close every connection; new ones are taken."""
        with self._lock:
            for peer in self._open:
                with contextlib.suppress(OSError):
                    peer.shutdown(socket.SHUT_RDWR)

    def refuse(self) -> None:
        """Close every connection and take no new one."""
        self.refused = True
        with contextlib.suppress(OSError):
            # Closed alone it would listen on until the acceptor wakes.
            self._listener.shutdown(socket.SHUT_RDWR)
            self._listener.close()
        self.drop()

    def relent(self) -> None:
        """Take connections again, on the same port."""
        self._listener = self._listen(self.port)
        self.refused = False

    def end(self) -> None:
        """Close everything and wait for every thread."""
        self._ended.set()
        self.drop()
        self._acceptor.join()
        for thread in self._threads:
            thread.join()
        with contextlib.suppress(OSError):
            self._listener.close()

    def _accept(self) -> None:
        while not self._ended.is_set():
            if self.refused:
                time.sleep(0.02)
                continue
            try:
                peer, _ = self._listener.accept()
            except OSError:
                continue
            peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            peer.settimeout(0.05)
            with self._lock:
                self._open.add(peer)
                self.connections += 1
            thread = threading.Thread(target=self._serve, args=(peer,), daemon=True)
            self._threads.append(thread)
            thread.start()

    def _serve(self, peer: socket.socket) -> None:
        waiting = b""
        with peer:
            while not self._ended.is_set():
                try:
                    got = peer.recv(4096)
                except TimeoutError:
                    continue
                except OSError:
                    break
                if not got:
                    break
                waiting += got
                while b"\n" in waiting:
                    line, waiting = waiting.split(b"\n", 1)
                    try:
                        self._answer(peer, line.decode("latin-1").strip())
                    except OSError:
                        break
        with self._lock:
            self._open.discard(peer)

    def _answer(self, peer: socket.socket, line: str) -> None:
        if self.hanging or not line:
            return
        reply = self.instrument.take(line)
        if self.hanging or reply is None:
            return
        if self.late_s > 0.0:
            self.instrument.bench.sleep(self.late_s)
        draw = self.instrument.rng.random
        if draw() < self.silent_share:
            return
        if draw() < self.garbage_share:
            reply = "\x15?}" + reply[::-1] + "~"
        elif draw() < self.digit_share:
            reply = one_digit_wrong(reply, int(draw() * 1000))
        peer.sendall(reply.encode("latin-1") + self.instrument.reply_end)


def one_digit_wrong(reply: str, pick: int) -> str:
    """Change one digit of a reply into another."""
    digits = [m.start() for m in re.finditer(r"\d", reply.split("E", maxsplit=1)[0])]
    if not digits:
        return reply
    at = digits[pick % len(digits)]
    other = str((int(reply[at]) + 1 + pick % 8) % 10)
    return reply[:at] + other + reply[at + 1 :]
