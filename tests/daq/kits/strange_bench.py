"""A box of instruments as somebody finds it: on sockets and a serial line, one dead, one of unknown make."""

from __future__ import annotations

import os
import select
import socket
import termios
import threading
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field

from daq.clock import ScaledClock
from daq.config.builtin import builtin
from daq.links.base import Peer
from daq.sim.bench import SimBench, build

#: What the serial meter is set to: not what anybody tries first.
METER_BAUD, METER_SPEED = 19200, termios.B19200


class Unheard:
    """Answers to its name and to nothing else."""

    def feed(self, data: bytes) -> bytes:
        """Return the name, if that is asked for."""
        return b"Unheard Works,Model 7,0042,1.0\n" if data.strip().upper() == b"*IDN?" else b""


class Dead:
    """Takes all and answers nothing."""

    def feed(self, data: bytes) -> bytes:
        """Return nothing."""
        return b""


class TwoDialects:
    """A supply that takes its commands bare, or behind the number of a channel."""

    def __init__(self, supply: Peer) -> None:
        self._supply = supply

    def feed(self, data: bytes) -> bytes:
        """Hand on what is meant for the one channel there is."""
        text = data.strip().upper()
        if text == b"INST:NSEL?":
            return b"1\n"
        if text in {b"SYST:REM", b"SYST:LOC"}:
            return b""
        return self._supply.feed(data.replace(b"INST:NSEL 1;:", b""))


class Noted:
    """Keeps every line that an instrument is sent."""

    def __init__(self, peer: Peer) -> None:
        self._peer = peer
        self.heard: list[str] = []

    def feed(self, data: bytes) -> bytes:
        """Note and hand on."""
        self.heard.append(data.decode("latin-1").strip())
        return self._peer.feed(data)


@dataclass
class StrangeBench:
    """What is served: addresses by name as a person writes them, and what each instrument heard."""

    simulated: SimBench
    addresses: dict[str, str] = field(default_factory=dict)
    noted: dict[str, Noted] = field(default_factory=dict)

    def heard(self) -> set[str]:
        """Return all that any instrument was sent."""
        return {line for each in self.noted.values() for line in each.heard if line}


@contextmanager
def strange_bench(scale: float = 60.0) -> Iterator[StrangeBench]:
    """Serve the simulated bench's instruments and three strangers; give where they are."""
    simulated = build(builtin("fault_scripts", "groomer_healthy"), clock=ScaledClock(scale))
    bench = StrangeBench(simulated)
    peers = {name: simulated.peers[name] for name in ("switch", "oven", "thermometer")}
    peers |= {"supply": TwoDialects(simulated.peers["supply"]), "unheard": Unheard(), "dead": Dead()}
    bench.noted = {name: Noted(peer) for name, peer in peers.items()}
    bench.noted["meter"] = Noted(simulated.peers["meter"])
    stop, stopped = os.pipe()
    threads: list[threading.Thread] = []

    def begin(work: Callable[..., None], *args: object) -> None:
        threads.append(threading.Thread(target=work, args=args, daemon=True))
        threads[-1].start()

    def ready(descriptor: int) -> bool:
        return stop not in select.select([descriptor, stop], [], [])[0]

    def accept(listener: socket.socket, peer: Peer) -> None:
        with listener:
            while ready(listener.fileno()):
                begin(serve, listener.accept()[0], peer)

    def serve(connection: socket.socket, peer: Peer) -> None:
        pending = b""
        with connection, suppress(OSError):
            while ready(connection.fileno()) and (data := connection.recv(4096)):
                *lines, pending = (pending + data).split(b"\n")
                for line in lines:
                    connection.sendall(peer.feed(line + b"\n"))

    def serial(master: int, slave: int, peer: Peer) -> None:
        pending = b""
        while ready(master):
            data = os.read(master, 4096)
            if termios.tcgetattr(slave)[5] != METER_SPEED:
                os.write(master, b"\xf8\x80\xfe")  # what another speed makes of a line
                pending = b""
                continue
            *lines, pending = (pending + data).split(b"\n")
            for line in lines:
                os.write(master, peer.feed(line + b"\n"))

    master, slave = os.openpty()
    tty.setraw(slave)
    try:
        for name in peers:
            listener = socket.create_server(("127.0.0.1", 0))
            bench.addresses[name] = f"127.0.0.1:{listener.getsockname()[1]}"
            begin(accept, listener, bench.noted[name])
        bench.addresses["meter"] = os.ttyname(slave)
        begin(serial, master, slave, bench.noted["meter"])
        yield bench
    finally:
        os.write(stopped, b"x")
        for thread in threads:
            thread.join()
        for descriptor in (master, slave, stop, stopped):
            os.close(descriptor)
