from __future__ import annotations

import resource as process
import socket
import threading
from collections.abc import Callable

import pytest

from daq.clock import RealClock
from daq.errors import InputError, LinkBusyError, LinkClosedError, LinkError, LinkTimeoutError
from daq.instruments.dialects.load import load_dialect
from daq.instruments.talk.conversation import Conversation
from daq.links import lines, visa
from daq.links.settings import LinkTable
from daq.links.visa import open_link
from tests.daq.links.peers import TABLE, End, answering, echo, listening

CLOCK = RealClock()


def cpu_s() -> float:
    """Return the processor time this process has used."""
    usage = process.getrusage(process.RUSAGE_SELF)
    return usage.ru_utime + usage.ru_stime


def test_a_question_is_answered() -> None:
    """A command goes out with its line end and the reply comes back without it, CR or not."""
    with listening(answering(lambda line: f"<{line}>\r")) as resource:
        link = open_link(resource, LinkTable(reply_end="\r\n"))
        link.write("*IDN?")
        assert link.read() == "<*IDN?>"
        assert link.resource == resource
        link.close()


def test_replies_that_arrive_together_are_read_one_by_one() -> None:
    """Two replies in one segment are two reads, and a raw byte above 127 passes unchanged."""

    def handler(end: End) -> None:
        end.take()
        end.give(b"one\ntwo \xb5\n")
        end.take()

    with listening(handler) as resource:
        link = open_link(resource, TABLE)
        link.write("go")
        assert [link.read(), link.read()] == ["one", "two µ"]
        link.close()


def test_writes_are_not_held_back() -> None:
    """Three writes and a question take no 40 ms: the session's own socket has TCP_NODELAY."""
    with listening(answering(echo)) as resource:
        link = open_link(resource, TABLE)
        assert link._port._interface.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) != 0
        began_s = CLOCK.monotonic()
        for _ in range(20):
            for command in ("VOLT 1", "CURR 1", "OUTP 1", "VOLT?"):
                link.write(command)
            assert link.read() == "VOLT?"
        assert CLOCK.monotonic() - began_s < 0.4  # 20 rounds of 44 ms would be 0.88 s
        link.close()


@pytest.mark.slow
def test_a_late_reply_is_never_taken_for_the_next_one() -> None:
    """The two halves of a reply that came late are thrown away, and the question is put once more."""
    late = threading.Event()
    asked: list[str] = []

    def handler(end: End) -> None:
        def answer(line: str) -> str | None:
            asked.append(line)
            if line == "READ?" and asked.count("READ?") == 1:
                end.give(b"+1234.")
                assert late.wait(5)
                return "5678E+00"
            return {"*IDN?": "Maker,Model", "READ?": "+2.5E+00", "SYST:ERR?": '+0,"No error"'}.get(line)

        answering(answer)(end)

    with listening(handler) as resource:
        link = open_link(resource, TABLE, timeout_s=0.2)
        talk = Conversation(link, load_dialect("scpi-1999").role("meter"), name="meter", clock=CLOCK)
        talk.start("model")
        threading.Timer(0.3, late.set).start()
        assert talk.ask_number("read").value == 2.5
        assert asked[-3:] == ["READ?", "*IDN?", "READ?"]
        link.close()


@pytest.mark.slow
def test_a_late_reply_does_not_survive_on_a_bare_link_either() -> None:
    """What arrives after a time-out is thrown away before the next command."""
    go = threading.Event()

    def handler(end: End) -> None:
        end.take()
        end.give(b"par")
        assert go.wait(5)
        end.give(b"tial\n")
        end.take()
        end.give(b"right\n")
        end.take()

    with listening(handler) as resource:
        link = open_link(resource, TABLE, timeout_s=0.1)
        link.write("first?")
        with pytest.raises(LinkTimeoutError, match=r"no complete reply within 0\.1 s, only b'par'"):
            link.read()
        go.set()
        CLOCK.sleep(0.1)
        link.write("second?")
        assert link.read() == "right"
        link.close()


@pytest.mark.parametrize("ask_again", [False, True])
def test_a_peer_that_closes_is_noticed_at_once(ask_again: bool) -> None:
    """After the other end has closed, read and write fail at once, without spinning to the time-out."""

    def handler(end: End) -> None:
        end.take()

    with listening(handler) as resource:
        link = open_link(resource, TABLE, timeout_s=30)
        link.write("*IDN?")
        began_s, used_s = CLOCK.monotonic(), cpu_s()
        with pytest.raises(LinkClosedError, match=r"127\.0\.0\.1.*(closed|failed)"):
            link.read()
        if ask_again:
            with pytest.raises(LinkClosedError):
                link.write("OUTP OFF")
        with pytest.raises(LinkClosedError):
            link.drain()
        assert CLOCK.monotonic() - began_s < 1
        assert cpu_s() - used_s < 0.5
        link.close()
        with pytest.raises(LinkClosedError, match="the link is closed"):
            link.read()


def test_nobody_listening_is_an_error_at_open() -> None:
    """A refused connection is LinkClosedError at once, not an open link whose first question fails."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    began_s = CLOCK.monotonic()
    with pytest.raises(LinkClosedError, match=f"{port}::SOCKET: open failed"):
        open_link(f"TCPIP0::127.0.0.1::{port}::SOCKET", TABLE, timeout_s=5)
    assert CLOCK.monotonic() - began_s < 1


def test_a_host_without_an_address_is_an_error_at_open(monkeypatch: pytest.MonkeyPatch) -> None:
    """A host name that nobody knows is LinkClosedError."""

    def unknown(*args: object) -> None:
        raise socket.gaierror(-2, "Name or service not known")

    monkeypatch.setattr(visa.socket, "getaddrinfo", unknown)
    with pytest.raises(LinkClosedError, match="look-up of the host failed"):
        open_link("TCPIP0::nowhere::5025::SOCKET", TABLE)


def test_a_write_that_nobody_takes_ends_in_time() -> None:
    """When the peer stops reading, write gives up in time, and the next command goes out on its own."""
    resume = threading.Event()
    received: list[bytes] = []
    done = threading.Event()

    def handler(end: End) -> None:
        assert resume.wait(5)
        while data := end.take():
            received.append(data)
            if b"OUTP OFF\n" in data:
                done.set()

    with listening(handler, buffer=4096) as resource:
        link = open_link(resource, TABLE, timeout_s=0.1)
        began_s = CLOCK.monotonic()
        with pytest.raises(LinkTimeoutError, match=r"does not take a command within 0\.1 s"):
            for _ in range(10_000):
                link.write("X" * 3999)
        assert CLOCK.monotonic() - began_s < 3
        resume.set()
        CLOCK.sleep(0.05)
        link.write("OUTP OFF")
        assert done.wait(5)
        link.close()
    assert b"".join(received).endswith(b"\nOUTP OFF\n")


def test_a_port_has_one_user() -> None:
    """A second link to an address is refused, in whatever spelling, until the first is closed."""
    with listening(answering(echo)) as resource:
        link = open_link(resource, TABLE)
        with pytest.raises(LinkBusyError, match="in use by process"):
            open_link(resource, TABLE)
        with pytest.raises(LinkBusyError):
            open_link(resource.replace("TCPIP0", "tcpip"), TABLE)
        link.close()
        link.close()
        again = open_link(resource, TABLE)
        again.write("*IDN?")
        assert again.read() == "*IDN?"
        again.close()


def test_threads_get_their_own_replies() -> None:
    """Two threads that share a conversation never get each other's reply."""
    identity = {"*IDN?": "Maker,Model", "SYST:ERR?": "0,No error", "MEAS:VOLT?": "1.0", "MEAS:CURR?": "2.0"}
    with listening(answering(identity.get)) as resource:
        link = open_link(resource, TABLE)
        talk = Conversation(link, load_dialect("scpi-1999").role("supply"), name="supply", clock=CLOCK)
        talk.start(None)
        wrong: list[float | None] = []

        def ask(op: str, expected: float) -> None:
            for _ in range(150):
                value = talk.ask_number(op).value
                if value != expected:
                    wrong.append(value)

        threads = [
            threading.Thread(target=ask, args=each)
            for each in (("measured_voltage", 1.0), ("measured_current", 2.0))
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        link.close()
    assert wrong == []


def test_an_endless_reply_is_cut(monkeypatch: pytest.MonkeyPatch) -> None:
    """A reply without end stops at the limit instead of filling the memory."""
    monkeypatch.setattr(lines, "REPLY_LIMIT", 10_000)

    def handler(end: End) -> None:
        end.take()
        while True:
            end.give(b"9" * 1000)

    with listening(handler) as resource:
        link = open_link(resource, TABLE, timeout_s=2)
        link.write("READ?")
        with pytest.raises(LinkError, match="more than 10000 bytes came without a line end"):
            link.read()
        link.close()


@pytest.mark.parametrize(
    ("resource", "match"),
    [
        ("", "no VISA address"),
        ("supply", "no VISA address"),
        ("TCPIP0::127.0.0.1::SOCKET", "no VISA address|port"),
        ("TCPIP0::127.0.0.1::0::SOCKET", "port '0', expected 1 to 65535"),
        ("TCPIP0::127.0.0.1::port::SOCKET", "port 'port', expected 1 to 65535"),
        ("TCPIP0::127.0.0.1::70000::SOCKET", "port '70000', expected 1 to 65535"),
    ],
)
def test_what_is_no_address_is_refused(resource: str, match: str) -> None:
    """An address that cannot be one is an error of the input, in one line."""
    with pytest.raises(InputError, match=match):
        open_link(resource, TABLE)


def test_text_that_is_no_ascii_is_not_sent() -> None:
    """A command with an umlaut is refused before anything goes out."""
    with listening(answering(echo)) as resource:
        link = open_link(resource, TABLE)
        with pytest.raises(InputError, match="expected ASCII"):
            link.write("VOLT 5 µV")
        link.close()


def with_failure(fail: Callable[[], None]) -> None:
    """Open a link while *fail* breaks the opening half-way."""
    with listening(answering(echo)) as resource:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(visa, "_SocketPort", lambda *_args: fail())
            with pytest.raises(LinkError):
                open_link(resource, TABLE)
        open_link(resource, TABLE).close()


def test_a_failed_open_leaves_nothing_behind() -> None:
    """When opening fails half-way, lock and session are given back and the next open succeeds."""

    def fail() -> None:
        raise LinkError("half-way")

    with_failure(fail)
