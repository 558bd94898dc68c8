"""Rows a second of a soak's inner loops over real wires, against bare pyvisa on the same instruments.

    python -m tests.benchmarks.wire_speed --rounds 15

A simulated bench is served by a process of its own, all instruments on loopback TCP or all on pseudo-serial
ports. Each loop of the program is run and what the instruments are sent is noted; then a bare loop of pyvisa
sends just those commands to the same ports, reads the replies, and waits for contacts as long as ours does.
Both take turns, so that a busy machine is busy for both; told is the median of the rounds' ratios, bare time
over ours: 0.9 means that guard, checks and parsing together cost a tenth. Goal: at least 0.9.

The instruments' own time makes real loops slow, and it shrinks with --scale: the default integrates a reading
in 3 ms and not in 0.2 s. At 1 the ratio is nearly 1, at 600 the program itself is on trial.
"""

from __future__ import annotations

import argparse
import multiprocessing
import socket
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from functools import partial
from multiprocessing.connection import Connection
from pathlib import Path
from statistics import median
from typing import Any

import pyvisa

from daq.bench.assembly import open_bench
from daq.bench.harness import CONTACT_SETTLE_S
from daq.bench.operator import AbsentOperator
from daq.config.load import load_rig
from daq.procedures.procedure import Procedure
from daq.procedures.soak.heat_limits import HeatCeilings, HeatWatch
from daq.procedures.soak.powered_rows import DrivenRows
from daq.record.writer import Reading
from daq.sim.bench import SimBench
from tests.daq.kits.wire import bench_on

COIL = "Y1"
#: Rows in one block of a round.
ROWS = 10
#: Which instruments are on serial ports.
WIRES = {"TCP": (), "pseudo-serial": ("supply", "switch", "oven", "thermometer", "meter")}

Exchanges = list[tuple[str, bytes]]


class _Nowhere:
    """A record and a screen that keep nothing: what they cost is measured elsewhere."""

    def row(self, reading: Reading) -> None: ...

    def event(self, kind: str, text: str, coil: str = "") -> None: ...

    def progress(self, *_: object) -> None: ...


def serve(pipe: Connection, folder: Path, scale: float, serial: tuple[str, ...]) -> None:
    """Serve a bench until *pipe* ends; tell each time it is asked what the instruments were sent since."""
    heard: Exchanges = []
    with bench_on(folder, scale=scale, serial=serial) as (bench, rig_file):
        _tap(bench, heard)
        pipe.send(rig_file)
        while pipe.recv():
            pipe.send(heard)
            heard.clear()


def _tap(bench: SimBench, heard: Exchanges) -> None:
    """Note in *heard* what each instrument of *bench* is sent."""

    def tapped(name: str, feed: Callable[[bytes], bytes], data: bytes) -> bytes:
        heard.append((name, data))
        return feed(data)

    for name, peer in bench.peers.items():
        peer.feed = partial(tapped, name, peer.feed)  # type: ignore[method-assign]


@contextmanager
def served(scale: float, serial: tuple[str, ...]) -> Iterator[tuple[Path, Callable[[], Exchanges]]]:
    """Serve a bench in a process of its own; give its rig file, and what tells what was sent since asked."""
    spawn = multiprocessing.get_context("spawn")
    ours, theirs = spawn.Pipe()
    with tempfile.TemporaryDirectory() as folder:
        process = spawn.Process(target=serve, args=(theirs, Path(folder), scale, serial))
        process.start()

        def sent() -> Exchanges:
            ours.send(True)
            heard: Exchanges = ours.recv()
            return heard

        try:
            yield ours.recv(), sent
        finally:
            ours.send(False)
            process.join()


@contextmanager
def bare_resources(rig_file: Path) -> Iterator[dict[str, Any]]:
    """Open every instrument of *rig_file* with pyvisa alone, beside the program's own connections.

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


def bare(resources: dict[str, Any], exchanges: Exchanges, settle_s: float) -> None:
    """Send each command with pyvisa alone, and read the reply where there is one."""
    for index, (name, line) in enumerate(exchanges):
        resources[name].write_raw(line)
        if b"?" in line:
            resources[name].read_raw()
        if name == "switch" and exchanges[index + 1][0] != "switch":
            time.sleep(settle_s)


def timed(work: Callable[[], None]) -> float:
    """Return the seconds *work* takes."""
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def undriven(procedure: Procedure) -> None:
    """Rows of a coil that rests, as in an oven: switched to it, probe and ohms."""
    for _ in range(ROWS):
        procedure.observe_both(COIL, "hold", 90.0)


def driven(procedure: Procedure) -> None:
    """Rows of a coil under power in a guarded block: V, I, trips and mode."""
    bench = procedure.bench
    watch = HeatWatch(COIL, HeatCeilings(125.0, 155.0), stale_s=30.0)
    watch.cold(3.3, 20.0)
    bench.harness.to_driven_coil(COIL)
    with bench.guard.energised(COIL, voltage_V=1.0, coil_voltage_V=2.0, coil_current_A=2.0) as drive:
        rows = DrivenRows(procedure, watch, drive, COIL, "heat", 40.0)
        for _ in range(ROWS):
            rows.take()


LOOPS = {"undriven": undriven, "driven": driven}


def main() -> None:
    """Measure both loops on both wires and print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=15)
    parser.add_argument("--scale", type=float, default=60.0)
    options = parser.parse_args()
    say = sys.stdout.write
    say(
        f"{'wire':<15}{'loop':<10}{'exchanges a row':>16}{'rows/s ours':>13}{'rows/s bare':>13}{'ratio':>7}\n"
    )
    for wire, serial in WIRES.items():
        with (
            served(options.scale, serial) as (rig_file, sent),
            open_bench(load_rig(rig_file), AbsentOperator(), lambda _: None) as assembled,
            bare_resources(rig_file) as resources,
        ):
            procedure = Procedure(assembled.bench, _Nowhere(), _Nowhere())
            for name, loop in LOOPS.items():
                ours = partial(loop, procedure)
                ours()
                sent()
                ours()
                exchanges = sent()
                again = partial(bare, resources, exchanges, CONTACT_SETTLE_S / options.scale)
                rounds = [(timed(ours), timed(again)) for _ in range(options.rounds)]
                ours_s, bare_s = (median(each) for each in zip(*rounds, strict=True))
                ratio = median(theirs / mine for mine, theirs in rounds)
                say(
                    f"{wire:<15}{name:<10}{len(exchanges) / ROWS:>16.1f}{ROWS / ours_s:>13.0f}"
                    f"{ROWS / bare_s:>13.0f}{ratio:>7.2f}\n"
                )


if __name__ == "__main__":
    main()
