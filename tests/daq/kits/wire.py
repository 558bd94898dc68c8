"""What tests of runs over real wires share: a practice bench on chosen wires, and waiting."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from daq.clock import ScaledClock
from daq.config.builtin import builtin
from daq.run.practice import rig_text
from daq.sim.bench import SimBench, build
from daq.sim.server import serve
from tests.daq.kits.cli import PATIENCE_S


@contextmanager
def bench_on(
    folder: Path,
    *,
    scale: float,
    serial: Sequence[str] = ("meter",),
    script: str = "groomer_faults",
) -> Iterator[tuple[SimBench, Path]]:
    """Serve the simulated bench, *serial* on pseudo-serial ports and the rest over TCP; give its rig file.

    Args:
        folder: Where the rig file goes.
        scale: How much faster than the wall clock time runs.
        serial: Names of the instruments on pseudo-serial ports.
        script: Name of the fault script.
    """
    bench = build(builtin("fault_scripts", script), clock=ScaledClock(scale))
    tcp = [name for name in bench.peers if name not in serial]
    with serve(bench.peers, tcp=tcp, serial=serial) as resources:
        rig = folder / "rig-on-wires.toml"
        text = rig_text(resources, scale).replace("# timeout_s = 2.0", "timeout_s = 1.0")
        rig.write_text(text, encoding="utf-8")
        yield bench, rig


class Wires:
    """TCP connections to one instrument: they can go dead, all but one, or be closed and refused.

    *spared* is the number of the connection that does not go dead; 0 for none.
    """

    def __init__(self, resource: str, spared: int = 2) -> None:
        self._spared = spared
        self._target = ("127.0.0.1", int(resource.split("::")[2]))
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._open: list[socket.socket] = []
        self._threads: list[threading.Thread] = []
        #: How many connections there were.
        self.count = 0
        #: Set, no connection but the one that is spared carries anything any more.
        self.dead = threading.Event()
        self.resource = f"TCPIP0::127.0.0.1::{self._listener.getsockname()[1]}::SOCKET"
        self._start(self._accept)

    def close(self) -> None:
        """Close all and wait for the threads."""
        for each in (self._listener, *self._open):
            with suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)
            each.close()
        for thread in self._threads:
            thread.join()

    def refuse(self) -> None:
        """Close every connection and take no other."""
        for each in (self._listener, *self._open):
            with suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)
            each.close()

    def take_again(self) -> None:
        """Take connections at the same address again."""
        port = int(self.resource.split("::")[2])
        self._listener = socket.create_server(("127.0.0.1", port))
        self._start(self._accept)

    def _start(self, work: Callable[..., None], *args: object) -> None:
        self._threads.append(threading.Thread(target=work, args=args))
        self._threads[-1].start()

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                near, _ = self._listener.accept()
                far = socket.create_connection(self._target)
                self._open += [near, far]
                self.count += 1
                self._start(self._carry, near, far, self.count)
                self._start(self._carry, far, near, self.count)

    def _carry(self, source: socket.socket, target: socket.socket, number: int) -> None:
        with suppress(OSError):
            while data := source.recv(4096):
                if number == self._spared or not self.dead.is_set():
                    target.sendall(data)
            target.shutdown(socket.SHUT_WR)


def wait_until(seen: Callable[[], object], what: str, patience_s: float = PATIENCE_S) -> float:
    """Wait until *seen* says so; return how long that took, in seconds."""
    began_s = time.monotonic()
    while not seen():
        assert time.monotonic() - began_s < patience_s, f"waited in vain for {what}"
        time.sleep(0.002)
    return time.monotonic() - began_s


def children_of(pid: int) -> list[int]:
    """Return the living child processes of *pid*."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            state, parent = stat.read_text().rpartition(")")[2].split()[:2]
        except (FileNotFoundError, ProcessLookupError):
            continue  # it ended meanwhile
        if int(parent) == pid and state != "Z":
            found.append(int(stat.parent.name))
    return found


def alive(pid: int) -> bool:
    """Whether a process of that number runs, its remains not counted."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False
