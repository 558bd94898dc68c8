"""The bench on real wires: loopback TCP and pseudo-serial ports, and nothing left behind."""

from __future__ import annotations

import os
import select
import socket
import threading
import tty
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.clock import ScaledClock
from daq.errors import InputError
from daq.sim.bench import SimBench, build
from daq.sim.devices.scpi import LINE_LIMIT
from daq.sim.server import serve
from tests.daq.kits.sim import NO_ERROR, SCRIPTS

SCALE = 500.0


def make() -> SimBench:
    """Build the healthy bench in quick time."""
    return build(SCRIPTS / "groomer_healthy.toml", clock=ScaledClock(SCALE))


@contextmanager
def connected(resource: str) -> Iterator[socket.socket]:
    """Connect to a served TCP resource."""
    _, host, port, kind = resource.split("::")
    assert kind == "SOCKET"
    with socket.create_connection((host, int(port)), timeout=5.0) as client:
        yield client


def ask_tcp(client: socket.socket, text: bytes) -> bytes:
    """Send one line over TCP and return the reply line."""
    client.sendall(text + b"\n")
    reply = b""
    while not reply.endswith(b"\n"):
        piece = client.recv(4096)
        assert piece, "the server hung up"
        reply += piece
    return reply[:-1]


@contextmanager
def opened(resource: str) -> Iterator[int]:
    """Open a served pseudo-serial port as a plain file."""
    path = resource.removeprefix("ASRL").removesuffix("::INSTR")
    port = os.open(path, os.O_RDWR | os.O_NOCTTY)
    try:
        tty.setraw(port)
        yield port
    finally:
        os.close(port)


def ask_serial(port: int, text: bytes) -> bytes:
    """Send one line over a serial port and return the reply line."""
    os.write(port, text + b"\n")
    reply = b""
    while not reply.endswith(b"\n"):
        ready, _, _ = select.select([port], [], [], 5.0)
        assert ready, f"no reply to {text!r}"
        reply += os.read(port, 4096)
    return reply[:-1]


def resources_in_use() -> tuple[int, int]:
    """Count this process's threads and open descriptors."""
    return threading.active_count(), len(list(Path("/proc/self/fd").iterdir()))


def test_every_instrument_answers_on_its_wire() -> None:
    """TCP and serial peers say over the wire what they say in the process."""
    built = make()
    with serve(built.peers, tcp=("supply", "switch", "oven"), serial=("meter", "thermometer")) as resources:
        assert sorted(resources) == sorted(built.peers)
        for name, resource in resources.items():
            expected = built.peers[name].feed(b"*IDN?\n")[:-1]
            if resource.startswith("TCPIP0::127.0.0.1::"):
                with connected(resource) as client:
                    assert ask_tcp(client, b"*IDN?") == expected
            else:
                with opened(resource) as port:
                    assert ask_serial(port, b"*IDN?") == expected


def test_a_coil_is_measured_over_the_wires() -> None:
    """Supply and switch by TCP and the meter by serial work on one and the same coil, and time passes."""
    built = make()
    with ExitStack() as stack:
        wires = stack.enter_context(serve(built.peers, tcp=("supply", "switch"), serial=("meter",)))
        supply, switch = (stack.enter_context(connected(wires[name])) for name in ("supply", "switch"))
        meter = stack.enter_context(opened(wires["meter"]))
        assert ask_tcp(switch, b"ROUT:CLOS (@101,201);:SYST:ERR?") == NO_ERROR.encode()
        assert ask_serial(meter, b'FUNC "FRES";FRES:RANG 10;NPLC 1;:SYST:ERR?') == NO_ERROR.encode()
        cold_ohm = float(ask_serial(meter, b"READ?"))
        assert cold_ohm == pytest.approx(built.resistance_ohm("Y1"), abs=0.005)
        assert ask_tcp(supply, b"VOLT 8.4;OUTP ON;OUTP?") == b"1"
        built.world.clock.sleep(60.0)
        amperes = float(ask_tcp(supply, b"MEAS:CURR?"))
        assert 1.5 < amperes < 8.4 / cold_ohm - 0.1


def test_nothing_stays_behind() -> None:
    """Leaving the block ends every thread and closes every descriptor, clients connected or not."""
    built = make()
    before = resources_in_use()
    for _ in range(3):
        with ExitStack() as clients:
            with serve(built.peers, tcp=("supply", "oven"), serial=("meter",)) as wires:
                client = clients.enter_context(connected(wires["supply"]))
                ask_tcp(client, b"*IDN?")
                clients.enter_context(connected(wires["oven"]))
                port = clients.enter_context(opened(wires["meter"]))
                ask_serial(port, b"*IDN?")
            assert threading.active_count() == before[0]
            assert client.recv(100) == b""
        assert resources_in_use() == before
    with pytest.raises(ConnectionError), connected(wires["supply"]):
        pass


def test_an_error_inside_the_block_still_closes() -> None:
    """An exception passes through and leaves nothing behind either."""
    built = make()
    before = resources_in_use()
    with pytest.raises(KeyError), serve(built.peers, tcp=("supply",), serial=("meter",)):
        raise KeyError("on purpose")
    assert resources_in_use() == before


def test_names_that_cannot_be_served_are_refused() -> None:
    """An unknown instrument or one named twice is refused before anything is opened."""
    built = make()
    before = resources_in_use()
    with pytest.raises(InputError, match="no instrument 'pump'"), serve(built.peers, tcp=("pump",)):
        pass
    with pytest.raises(InputError, match="'meter' is to be served twice"):
        serve(built.peers, tcp=("meter",), serial=("meter",)).__enter__()
    assert resources_in_use() == before


def test_clients_come_and_go() -> None:
    """A client that leaves in mid-line or without reading disturbs neither the next nor the one beside it."""
    built = make()
    with serve(built.peers, tcp=("meter",)) as wires, connected(wires["meter"]) as steady:
        for _ in range(20):
            with connected(wires["meter"]) as client:
                client.sendall(b"READ?\nREAD?\n*ID")
            with connected(wires["meter"]) as client:
                client.sendall(b"READ?\n")
                client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\x00\x00\x00\x00\x00\x00\x00")
        assert ask_tcp(steady, b"*OPC?") == b"1"
        with connected(wires["meter"]) as client:
            assert ask_tcp(client, b"*OPC?") == b"1"


def test_two_clients_do_not_get_each_others_replies() -> None:
    """Lines sent in pieces by two clients at once stay apart, and so do the answers."""
    built = make()
    with serve(built.peers, tcp=("supply",)) as wires, ExitStack() as stack:
        one, other = (stack.enter_context(connected(wires["supply"])) for _ in range(2))
        one.sendall(b"*ID")
        other.sendall(b"*OP")
        assert ask_tcp(other, b"C?") == b"1"
        assert ask_tcp(one, b"N?").startswith(b"Coilsoak,")


def test_serial_clients_come_and_go() -> None:
    """The port stays when its user closes it, and works for the next one."""
    built = make()
    with serve(built.peers, serial=("meter",)) as wires:
        for _ in range(5):
            with opened(wires["meter"]) as port:
                assert ask_serial(port, b"*OPC?") == b"1"


def test_an_overlong_line_is_refused_over_the_wire() -> None:
    """A line far above the limit costs one error and no memory; the line after it is answered."""
    built = make()
    with serve(built.peers, tcp=("supply",)) as wires, connected(wires["supply"]) as client:
        client.sendall(b"V" * (100 * LINE_LIMIT) + b"\n")
        assert ask_tcp(client, b"SYST:ERR?") == b'-363,"Input buffer overrun"'
        assert ask_tcp(client, b"SYST:ERR?") == NO_ERROR.encode()


@pytest.mark.slow
@settings(max_examples=30)
@given(st.lists(st.binary(min_size=1, max_size=200), min_size=1, max_size=5))
def test_garbage_does_not_stop_the_server(pieces: list[bytes]) -> None:
    """After any bytes on both kinds of wire the instruments still answer a clean line."""
    built = make()
    with serve(built.peers, tcp=("supply",), serial=("meter",)) as wires, ExitStack() as stack:
        client = stack.enter_context(connected(wires["supply"]))
        port = stack.enter_context(opened(wires["meter"]))
        for piece in pieces:
            client.sendall(piece)
            os.write(port, piece)
        client.sendall(b"\n*CLS\n")
        os.write(port, b"\n*CLS\n")
        replies = ask_tcp(client, b"*IDN?").split(b"\n") + ask_serial(port, b"*IDN?").split(b"\n")
        assert replies[-1].startswith(b"Coilsoak,")


@pytest.mark.slow
def test_a_client_that_never_reads_does_not_hold_the_server() -> None:
    """Replies nobody takes are dropped in the end; leaving the block does not wait for that client."""
    built = make()
    before = threading.active_count()
    with ExitStack() as clients:
        with serve(built.peers, tcp=("switch",), serial=("supply",)) as wires:
            client = clients.enter_context(connected(wires["switch"]))
            port = clients.enter_context(opened(wires["supply"]))
            client.settimeout(0.5)
            with pytest.raises(TimeoutError):
                # A send that makes no headway at all for the whole time: the server is stalled on us.
                while True:
                    client.send(b"*IDN?;*IDN?;*IDN?;*IDN?;*IDN?\n" * 100)
            os.set_blocking(port, False)
            with pytest.raises(BlockingIOError):
                while True:
                    os.write(port, b"*IDN?;*IDN?;*IDN?;*IDN?;*IDN?\n" * 100)
            with connected(wires["switch"]) as second:
                second.settimeout(10.0)
                assert ask_tcp(second, b"*OPC?") == b"1"
        assert threading.active_count() == before
