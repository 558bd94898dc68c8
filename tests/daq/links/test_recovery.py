"""Recovery over real wires: connections that break and come back, and faults behind the TCP server."""

from __future__ import annotations

import pytest

from daq.clock import RealClock
from daq.config.builtin import builtin
from daq.errors import BenchError, IdentityError, LinkClosedError, LinkError, StrayReplyError
from daq.instruments.dialects.load import load_dialect
from daq.instruments.talk.conversation import Conversation
from daq.links.base import Link
from daq.links.settings import LinkTable
from daq.links.visa import open_link
from daq.sim.bench import assemble
from daq.sim.faults import load
from daq.sim.server import serve
from tests.daq.kits.fault_layer import Fault, Layer
from tests.daq.links.peers import TABLE, End, answering, listening

ANSWERS = {"*IDN?": "Invented,Thing", "SYST:ERR?": '+0,"No error"', "OUTP?": "1", "MEAS:VOLT?": "8.4"}


def supply(link: Link) -> Conversation:
    """Start a conversation with a supply at *link*."""
    talk = Conversation(link, load_dialect("scpi-1999").role("supply"), name="supply", clock=RealClock())
    talk.start(None)
    return talk


def hanging_up_at(command: str, heard: list[str], answers: dict[str, str] = ANSWERS) -> object:
    """Make a handler that closes the connection when it first hears *command*."""

    def handler(end: End) -> None:
        def answer(line: str) -> str | None:
            heard.append(line)
            if line == command and heard.count(command) == 1:
                end.hang_up()
                return None
            return answers.get(line)

        answering(answer)(end)

    return handler


def test_a_connection_that_breaks_under_a_question_is_made_again() -> None:
    """The supply hangs up; on a new connection it is recognised and asked again."""
    heard: list[str] = []
    with listening(hanging_up_at("MEAS:VOLT?", heard)) as resource:
        link = open_link(resource, TABLE)
        talk = supply(link)
        heard.clear()
        assert talk.ask_number("measured_voltage").value == 8.4
        assert heard == ["MEAS:VOLT?", "*IDN?", "MEAS:VOLT?"]
        link.close()


def test_a_connection_that_broke_meanwhile_is_noticed_before_a_setting_is_sent() -> None:
    """Nothing has been sent yet, so the setting goes out once, on the new connection."""
    heard: list[str] = []
    with listening(hanging_up_at("MEAS:VOLT?", heard)) as resource:
        link = open_link(resource, TABLE)
        talk = supply(link)
        link.write("MEAS:VOLT?")
        with pytest.raises(LinkClosedError):
            link.read()
        heard.clear()
        talk.tell("output", state=True)
        assert heard == ["*IDN?", "OUTP ON", "SYST:ERR?", "OUTP?"]
        link.close()


@pytest.mark.slow
def test_a_port_that_is_gone_for_good_is_an_error_soon() -> None:
    """Nobody listens any more: the wait is bounded, and closing twice still gives the port's lock back."""
    heard: list[str] = []
    with listening(hanging_up_at("MEAS:VOLT?", heard)) as resource:
        link = open_link(resource, TABLE)
        talk = supply(link)
        link.write("MEAS:VOLT?")
    clock = RealClock()
    began_s = clock.monotonic()
    with pytest.raises(LinkError, match=r"supply: 'MEAS:VOLT\?'"):
        talk.ask_number("measured_voltage")
    assert clock.monotonic() - began_s < 8.0
    link.close()
    link.close()
    with pytest.raises(LinkClosedError, match="the link is closed"):
        link.reopen()
    with listening(answering(ANSWERS.get)) as other:
        open_link(other, TABLE).close()


def test_two_replies_in_one_packet_are_told_apart_from_one() -> None:
    """Both arrive together and the question is put once more; if that does not help the run stops."""
    with listening(
        answering(lambda line: "8.4\n9.9" if line == "MEAS:VOLT?" else ANSWERS.get(line))
    ) as where:
        link = open_link(where, TABLE)
        with pytest.raises(StrayReplyError, match=r"answered '8\.4' and '9\.9', expected one reply"):
            supply(link).ask_number("measured_voltage")
        link.close()


def test_a_read_waits_as_long_as_it_is_told() -> None:
    """The time-out of one read stands before that of the link."""
    with listening(lambda end: end.take() and None) as resource:
        link = open_link(resource, LinkTable(timeout_s=30.0))
        assert link.timeout_s == 30.0
        with pytest.raises(LinkError, match=r"no complete reply within 0\.05 s"):
            link.read(0.05)
        link.close()


SCRIPT = load(builtin("fault_scripts", "groomer_healthy"))
SURVIVED = ("late reply", "drop reply", "duplicate reply", "delay", "cut", "partial reply")


@pytest.mark.slow
@pytest.mark.parametrize(
    "kind", [*SURVIVED, "garbage", "hang", "overlong", "wrong identity", "corrupt reply", "echo"]
)
def test_faults_behind_the_tcp_server_do_what_they_do_in_process(kind: str) -> None:
    """Over a socket, too, a reading is right or an error, and after a passing fault the next are right."""
    bench = assemble(SCRIPT, clock=RealClock())
    fault = Fault(kind, "supply", 12, lasting_s=0.12)
    layer = Layer(bench, (fault,), seed=3)
    with serve(layer.peers, tcp=["supply"]) as resources:
        link = open_link(resources["supply"], TABLE, timeout_s=0.1)
        talk = supply(link)
        told = []
        for _ in range(30):
            try:
                told.append(talk.ask_number("measured_voltage").value)
            except BenchError as exc:
                told.append(type(exc))
        link.close()
    assert [fault.kind for fault in layer.happened] == [kind]
    numbers = [value for value in told if isinstance(value, float)]
    assert kind == "corrupt reply" or all(abs(value) < 0.01 for value in numbers)
    if kind in SURVIVED:
        assert len(numbers) == 30
    if kind not in {"hang", "wrong identity"}:
        assert told[-10:] == numbers[-10:]
    if kind == "wrong identity":
        assert IdentityError not in told  # nobody asks again on a connection that holds
