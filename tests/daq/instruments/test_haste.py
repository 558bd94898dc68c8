"""On the wire: what is asked again, what is told, and how long an exchange may take while current flows."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from daq.errors import LinkClosedError, LinkTimeoutError, ReadbackError, ReplyError
from daq.instruments.dialects.load import load_dialect
from daq.instruments.haste import UNDER_CURRENT_S, Haste
from daq.instruments.talk.conversation import LATEST, TRIES, Conversation
from tests.daq.instruments.test_wire import Peer


class Bench:
    """A supply or meter whose replies can be spoilt one by one, with all that is told of its wire."""

    def __init__(self, role: str = "supply") -> None:
        self.peer = Peer()
        self.haste = Haste()
        self.told: list[str] = []
        self.spoil: Callable[[int, str], str | None] = lambda _count, reply: reply
        self.count = 0
        feed = self.peer.feed

        def spoilt(data: bytes) -> bytes:
            reply = feed(data)
            if reply and not data.startswith(b"*IDN?"):
                self.count += 1
                text = self.spoil(self.count - 1, reply.decode().strip())
                return b"" if text is None else f"{text}\n".encode()
            return reply

        self.peer.feed = spoilt  # type: ignore[method-assign]
        self.talk = Conversation(
            self.peer.link,
            load_dialect("scpi-1999").role(role),
            name=role,
            clock=self.peer.clock,
            haste=self.haste,
            notice=lambda kind, text: self.told.append(f"{kind}: {text}"),
        )
        self.talk.start(None)
        self.peer.heard.clear()
        self.count = 0

    def took_s(self, work: Callable[[], object]) -> float:
        """Do *work*, whatever it raises, and return the time it took."""
        began_s = self.peer.clock.monotonic()
        with pytest.raises((LinkTimeoutError, LinkClosedError, ReplyError)):
            work()
        return self.peer.clock.monotonic() - began_s


@pytest.mark.parametrize("bad", ["8.39.98", "", "\x00\xff!", "8.4V", "9"])
def test_a_damaged_reply_is_asked_for_again_and_told(bad: str) -> None:
    """It never becomes a number: the second answer does, in step, and the event shows the first."""
    bench = Bench()
    bench.spoil = lambda count, reply: f"{bad}x" if count == 0 else reply
    assert bench.talk.ask_number("measured_voltage").value == 8.4
    assert bench.peer.heard == ["MEAS:VOLT?", "*IDN?", "MEAS:VOLT?"]
    (told,) = bench.told
    assert told.startswith("link: supply: 'MEAS:VOLT?' answered ")
    assert told.endswith("; asked again")


def test_damaged_again_and_again_is_an_error_with_the_reply() -> None:
    """After three in a row nobody asks any more."""
    bench = Bench()
    bench.spoil = lambda _count, _reply: "?!"
    with pytest.raises(ReplyError, match=r"'MEAS:VOLT\?' answered '\?!', expected"):
        bench.talk.ask_number("measured_voltage")
    assert bench.peer.heard.count("MEAS:VOLT?") == TRIES


@pytest.mark.parametrize(("once_in", "bears"), [(100, True), (10, True), (3, False)])
def test_an_instrument_may_babble_now_and_then_but_not_often(once_in: int, bears: bool) -> None:
    """One reply in a hundred, or in ten, is borne; one in three, each asked again, is not."""
    bench = Bench()
    bench.spoil = lambda count, reply: "?!" if count % once_in == once_in - 1 else reply

    def read() -> None:
        for _ in range(3 * LATEST):
            bench.talk.ask_number("measured_voltage")

    if bears:
        read()
    else:
        with pytest.raises(
            ReplyError, match=r"of its latest .* replies were damaged; look at the instrument"
        ):
            read()


def test_a_readback_wrong_by_a_digit_is_asked_again_once() -> None:
    """A setting is never sent twice; read back right the second time it stands, wrong twice it is refused."""
    bench = Bench()
    bench.spoil = lambda _count, reply: (
        "8.9" if reply == "8.4" and bench.peer.heard.count("VOLT?") == 1 else reply
    )
    bench.talk.tell("voltage", value=8.4)
    assert bench.peer.heard == ["VOLT 8.4000", "SYST:ERR?", "VOLT?", "VOLT?"]
    assert "reads back 8.9, expected 8.4" in bench.told[0]
    bench.spoil = lambda _count, reply: "8.9" if reply == "8.4" else reply
    with pytest.raises(ReadbackError, match=r"reads back 8\.9, expected 8\.4"):
        bench.talk.tell("voltage", value=8.4)


def test_off_is_read_back_strictly() -> None:
    """An output that reads back as on after switching off is an error at once."""
    bench = Bench()
    with pytest.raises(ReadbackError, match="output reads back True, expected False"):
        bench.talk.tell("output", state=False)
    assert bench.peer.heard.count("OUTP?") == 1


def test_an_error_number_that_is_not_its_texts_is_no_refusal() -> None:
    """'+8,"No error"' was '+0' and is wrong by a digit; the queue is asked again."""
    bench = Bench()
    bench.spoil = lambda count, reply: reply.replace("+0", "+8") if count == 0 else reply
    bench.talk.tell("voltage", value=8.4)
    assert bench.peer.heard.count("SYST:ERR?") == 2


@pytest.mark.parametrize("role", ["supply", "meter"])
def test_while_current_flows_silence_costs_a_second_in_all(role: str) -> None:
    """No second question, no getting in step, no new connection: whoever drives switches off first."""
    bench = Bench(role)
    op, command = ("measured_current", "MEAS:CURR?") if role == "supply" else ("read", "READ?")
    bench.haste.on = True
    bench.spoil = lambda _count, _reply: None
    assert bench.took_s(lambda: bench.talk.ask_number(op)) <= UNDER_CURRENT_S + 1e-9
    assert bench.peer.heard == [command]
    bench.haste.on = False
    bench.spoil = lambda _count, reply: reply
    assert bench.talk.ask_number(op).value is not None
    assert bench.peer.heard == [command, "*IDN?", command]


def test_while_current_flows_a_lost_connection_is_not_made_anew() -> None:
    """It is told, and made when nothing is under power; that is told too, with how long it took."""
    bench = Bench()
    bench.haste.on = True
    bench.peer.cut(2.0)
    assert bench.took_s(lambda: bench.talk.ask_number("measured_current")) <= UNDER_CURRENT_S
    bench.haste.on = False
    assert bench.talk.ask_number("measured_current").value == 2.5
    lost, found = bench.told
    assert lost.startswith("link: supply: the connection was lost at MEAS:CURR?: ")
    assert found.startswith("link: supply: connected again after ")
    assert found.endswith("the same instrument answers, its settings are sent anew")


def test_while_current_flows_garbage_without_end_costs_a_second_at_most() -> None:
    """Each reply is damaged and comes late: what is asked again has to fit into the same second."""
    bench = Bench()
    bench.haste.on = True

    def late(_count: int, _reply: str) -> str:
        bench.peer.clock.sleep(0.4)
        return "?!"

    bench.spoil = late
    assert bench.took_s(lambda: bench.talk.ask_text("mode")) <= UNDER_CURRENT_S + 0.4
