"""Readings a second of a soak's inner loops over real wires, against bare pyvisa on the same instruments.

    python tests/benchmarks/wire_speed.py --rounds 15

A simulated bench is served on loopback TCP (supply, switch, thermometer) and a pseudo-serial port (meter).
Each loop of the program is run and what the instruments are sent is noted; then a bare loop of pyvisa sends
just those commands to the same ports and reads the replies. The ratio is bare time over ours: 0.9 means that
guard, waiting for contacts, checks and parsing together cost a tenth. Goal: at least 0.9.

The instruments' own time makes real loops slow, and it shrinks with --scale: the default integrates a reading
in 3 ms and not in 0.2 s. At 1 the ratio is nearly 1, at 600 the program itself is on trial.
"""

from __future__ import annotations

import argparse
import socket
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from functools import partial
from pathlib import Path
from statistics import median
from typing import Any

import pyvisa

from daq.assembly import open_bench
from daq.driven import DrivenRows
from daq.heatwatch import Ceilings, HeatWatch
from daq.operator import AbsentOperator
from daq.practice import practice_bench
from daq.procedure import Procedure
from daq.record import Reading
from daq.rig import load_rig
from daq.sim.bench import SimBench

COIL = "Y1"
#: Rows in one block of a round.
ROWS = 10


class _Nowhere:
    """A record and a screen that keep nothing: what they cost is measured elsewhere."""

    def row(self, reading: Reading) -> None: ...

    def event(self, kind: str, text: str, coil: str = "") -> None: ...

    def progress(self, *_: object) -> None: ...


class _Heard:
    """What the instruments were sent, in order, while listening."""

    def __init__(self, bench: SimBench) -> None:
        self._lines: list[tuple[str, bytes]] | None = None
        for name, peer in bench.peers.items():
            self._tap(name, peer)

    def _tap(self, name: str, peer: Any) -> None:
        feed = peer.feed

        def tapped(data: bytes) -> bytes:
            if self._lines is not None:
                self._lines.append((name, data))
            return bytes(feed(data))

        peer.feed = tapped

    def during(self, work: Callable[[], None]) -> list[tuple[str, bytes]]:
        """Return what was sent while *work* went on."""
        self._lines = []
        work()
        heard, self._lines = self._lines, None
        return heard


def bare(resources: dict[str, Any], exchanges: list[tuple[str, bytes]]) -> None:
    """Send each command with pyvisa alone, and read the reply where there is one."""
    for name, line in exchanges:
        resources[name].write_raw(line)
        if b"?" in line:
            resources[name].read_raw()


@contextmanager
def bare_resources(rig_file: Path) -> Iterator[dict[str, Any]]:
    """Open every instrument of *rig_file* with pyvisa alone, once the program has let go of it.

    Sockets send at once, as ours do; left alone they wait up to 40 ms for an acknowledgement.
    """
    manager = pyvisa.ResourceManager("@py")
    with ExitStack() as stack:
        opened = {}
        for name, used in load_rig(rig_file).value.instruments().items():
            each: Any = manager.open_resource(used.resource, read_termination="\n", write_termination="\n")
            stack.callback(each.close)
            interface = each.visalib.sessions[each.session].interface
            if isinstance(interface, socket.socket):
                interface.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            opened[name] = each
        yield opened


def timed(work: Callable[[], None]) -> float:
    """Return the seconds *work* takes."""
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def undriven(procedure: Procedure) -> None:
    """Rows of a coil that rests, as in an oven: switched to it, probe and ohms."""
    for _ in range(ROWS):
        procedure.observe(COIL, "hold", 90.0)


def driven(procedure: Procedure) -> None:
    """Rows of a coil under power in a guarded block: V, I, trips and mode."""
    bench = procedure.bench
    watch = HeatWatch(COIL, Ceilings(125.0, 155.0), stale_s=30.0)
    watch.cold(3.3, 20.0)
    bench.harness.to_driven_coil(COIL)
    with bench.guard.energised(COIL, voltage_V=1.0, coil_voltage_V=2.0, coil_current_A=2.0) as drive:
        rows = DrivenRows(procedure, watch, drive, COIL, "heat", 40.0)
        for _ in range(ROWS):
            rows.take()


LOOPS = {"undriven": undriven, "driven": driven}


def main() -> None:
    """Measure both loops and print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=15)
    parser.add_argument("--scale", type=float, default=60.0)
    options = parser.parse_args()
    say = sys.stdout.write
    say(f"{'loop':<10}{'exchanges a row':>16}{'rows/s ours':>13}{'rows/s bare':>13}{'ratio':>7}\n")
    with (
        tempfile.TemporaryDirectory() as folder,
        practice_bench(Path(folder), scale=options.scale) as (bench, rig),
    ):
        heard = _Heard(bench)
        for name, loop in LOOPS.items():
            with open_bench(load_rig(rig), AbsentOperator(), lambda _: None) as assembled:
                work = partial(loop, Procedure(assembled.bench, _Nowhere(), _Nowhere()))
                work()
                exchanges = heard.during(work)
                our_s = median(timed(work) for _ in range(options.rounds))
            with bare_resources(rig) as resources:
                again = partial(bare, resources, exchanges)
                again()
                bare_s = median(timed(again) for _ in range(options.rounds))
            say(
                f"{name:<10}{len(exchanges) / ROWS:>16.1f}{ROWS / our_s:>13.0f}"
                f"{ROWS / bare_s:>13.0f}{bare_s / our_s:>7.2f}\n"
            )


if __name__ == "__main__":
    main()
