"""Getting in step and connected again: what is repeated, what never is, and what stops the run."""

from __future__ import annotations

from pathlib import Path
from unittest.mock import Mock

import pytest

from daq.clock import VirtualClock
from daq.errors import IdentityError, LinkClosedError, LinkTimeoutError, ReplyError, StrayReplyError
from daq.instruments.dialects.load import SHIPPED, load_dialect
from daq.instruments.drivers.meter import DialectMeter, MeterSetup
from daq.instruments.drivers.switch import DialectSwitch
from daq.instruments.talk.conversation import Conversation
from daq.instruments.talk.exchange import RECONNECT_S
from daq.links.inprocess import InProcessLink

ANSWERS = {
    "*IDN?": "Invented,Thing",
    "SYST:ERR?": '+0,"No error"',
    "MEAS:VOLT?": "8.4",
    "MEAS:CURR?": "2.5",
    "VOLT?": "8.4",
    "OUTP?": "1",
    "READ?": "+3.300",
    "FUNC?": '"FRES"',
    "FRES:OCOM?": "1",
}


class Peer:
    """Answers from a table; cut, each exchange fails as a closed connection does."""

    def __init__(self) -> None:
        self.answers = dict(ANSWERS)
        self.heard: list[str] = []
        self.clock = VirtualClock()
        self.link = InProcessLink(self, "in-process", "\n", "\n", timeout_s=5.0, clock=self.clock)
        self.cut_until_s = -1.0
        #: Numbers of the exchanges, from 0, whose answer is lost.
        self.lose: set[int] = set()
        #: What comes behind the answer to a command.
        self.behind: dict[str, str] = {}

    def feed(self, data: bytes) -> bytes:
        """Take one command."""
        if self.clock.monotonic() < self.cut_until_s:
            raise LinkClosedError("the other end closed the connection")
        command = data.decode().strip()
        self.heard.append(command)
        answer = self.answers.get(command)
        if len(self.heard) - 1 in self.lose or answer is None:
            return b""
        return f"{answer}\n{self.behind.pop(command, '')}".encode()

    def talk(self, role: str = "supply", dialect: str = "scpi-1999") -> Conversation:
        """Start a conversation and forget its start."""
        talk = Conversation(self.link, load_dialect(dialect).role(role), name=role, clock=self.clock)
        talk.start(None)
        self.heard.clear()
        return talk

    def cut(self, lasting_s: float) -> None:
        """Lose the connection for a while."""
        self.cut_until_s = self.clock.monotonic() + lasting_s


def test_two_replies_at_once_are_no_reply() -> None:
    """Which of two replies is meant nobody knows: the question is put once more, in step."""
    peer = Peer()
    talk = peer.talk()
    peer.behind["MEAS:VOLT?"] = "9.9\n"
    assert talk.ask_number("measured_voltage").value == 8.4
    assert peer.heard == ["MEAS:VOLT?", "*IDN?", "MEAS:VOLT?"]


def test_two_replies_again_and_again_stop_the_run() -> None:
    """The second time it is a ReplyError with the command and both replies."""
    peer = Peer()
    talk = peer.talk()
    peer.answers["MEAS:VOLT?"] = "8.4\n9.9"
    with pytest.raises(StrayReplyError, match=r"'MEAS:VOLT\?' answered '8.4' and '9.9', expected one reply"):
        talk.ask_number("measured_voltage")


@pytest.mark.parametrize("op", ["measured_voltage", "output"])
def test_a_reply_nobody_asked_for_stops_the_run(op: str) -> None:
    """It may be the right answer to the question before, which then got another's."""
    peer = Peer()
    talk = peer.talk()
    talk.ask_number("measured_current")
    peer.link._pending = b"7.7\n"
    with pytest.raises(ReplyError, match=r"came '7\.7\\n' unasked, expected silence"):
        talk.ask_number(op) if op == "measured_voltage" else talk.tell(op, state=True)
    assert ("OUTP ON" in peer.heard) is (op == "output")  # a setting may be the one that makes safe


def test_an_answer_that_ctrl_c_left_behind_is_nobody_elses(monkeypatch: pytest.MonkeyPatch) -> None:
    """Stopped while a reply is on its way, the setting that makes safe goes out and is taken at once."""
    peer = Peer()
    talk = peer.talk()
    with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
        patch.setattr(peer.link, "read", Mock(side_effect=KeyboardInterrupt))
        talk.ask_number("measured_current")
    peer.answers["VOLT?"] = "0"
    talk.tell("voltage", value=0.0)
    assert peer.heard == ["MEAS:CURR?", "VOLT 0.0000", "*IDN?", "SYST:ERR?", "VOLT?"]


@pytest.mark.parametrize("rest", [b"2.5\n", b"\r\n", b"\x80#"])
def test_repetitions_and_noise_between_replies_are_passed_over(rest: bytes) -> None:
    """The last reply once more, a blank line, bytes without a line end: thrown away, the next is right."""
    peer = Peer()
    talk = peer.talk()
    assert talk.ask_number("measured_current").value == 2.5
    peer.link._pending = rest
    assert talk.ask_number("measured_voltage").value == 8.4


def test_a_connection_lost_in_passing_is_made_again_for_a_question() -> None:
    """The same instrument is recognised, and the question put once more."""
    peer = Peer()
    talk = peer.talk()
    peer.cut(1.0)
    assert talk.ask_number("measured_voltage").value == 8.4
    assert peer.heard == ["*IDN?", "MEAS:VOLT?"]
    assert talk.connections == 2


def test_a_new_connection_gets_the_dialects_greeting() -> None:
    """What the dialect starts with goes out again: a supply back in local mode would take nothing."""
    peer = Peer()
    peer.answers["INST:NSEL 1;:MEAS:VOLT?"] = "8.4"
    talk = peer.talk(dialect="scpi-channel-select")
    peer.cut(1.0)
    talk.ask_number("measured_voltage")
    assert peer.heard[:2] == ["*IDN?", "SYST:REM"]


def test_a_setting_on_a_lost_connection_is_not_sent_twice() -> None:
    """Whether it arrived is not known, so that exchange fails; the next one makes a new connection first."""
    peer = Peer()
    talk = peer.talk()
    peer.cut(1.0)
    with pytest.raises(LinkClosedError, match=r"'VOLT 8\.4000'"):
        talk.tell("voltage", value=8.4)
    talk.tell("voltage", value=8.4)
    assert peer.heard == ["*IDN?", "VOLT 8.4000", "SYST:ERR?", "VOLT?"]


def test_a_lost_connection_is_waited_for_only_so_long() -> None:
    """After RECONNECT_S the question fails; later ones try once and do not wait again."""
    peer = Peer()
    talk = peer.talk()
    peer.cut(1e9)
    began_s = peer.clock.monotonic()
    with pytest.raises(LinkClosedError, match=r"supply: 'MEAS:VOLT\?'"):
        talk.ask_number("measured_voltage")
    assert RECONNECT_S <= peer.clock.monotonic() - began_s < RECONNECT_S + 0.5
    began_s = peer.clock.monotonic()
    with pytest.raises(LinkClosedError):
        talk.tell("output", state=False)
    assert peer.clock.monotonic() == began_s


def test_another_instrument_on_the_new_connection_is_not_talked_to() -> None:
    """It is asked who it is and nothing else, however often."""
    peer = Peer()
    talk = peer.talk()
    peer.cut(0.1)
    peer.answers["*IDN?"] = "Other,Thing"
    for _ in range(2):
        with pytest.raises(IdentityError, match="'Other,Thing', expected 'Invented,Thing': another"):
            talk.ask_number("measured_voltage")
    assert set(peer.heard) == {"*IDN?"}


def test_a_supply_is_not_waited_for_as_long_as_a_meter() -> None:
    """A supply answers at once or not at all: 2 s; a meter may integrate for long: the dialect's 5 s."""
    for role, op, waited_s in (("supply", "measured_voltage", 4.0), ("meter", "read", 10.0)):
        peer = Peer()
        talk = peer.talk(role)
        peer.answers.clear()
        with pytest.raises(LinkTimeoutError):
            talk.ask_number(op)
        assert peer.clock.monotonic() == pytest.approx(waited_s)


def test_a_dialect_may_say_how_long_an_op_takes(tmp_path: Path) -> None:
    """The op's own timeout_s stands before all others; the rig file's before what is usual for a supply."""
    shipped = (SHIPPED / "scpi-1999.toml").read_text(encoding="utf-8")
    slow = shipped.replace("measured_voltage = { ask", "measured_voltage = { timeout_s = 8.0, ask")
    (tmp_path / "slow.toml").write_text(slow, encoding="utf-8")
    for timeout_s, op, waited_s in (
        (5.0, "measured_voltage", 16.0),
        (5.0, "measured_current", 4.0),
        (7.0, "measured_current", 14.0),
    ):
        peer = Peer()
        peer.link = InProcessLink(peer, "in-process", "\n", "\n", timeout_s=timeout_s, clock=peer.clock)
        talk = peer.talk(dialect=str(tmp_path / "slow.toml"))
        peer.answers.clear()
        with pytest.raises(LinkTimeoutError):
            talk.ask_number(op)
        assert peer.clock.monotonic() == pytest.approx(waited_s)


def test_while_current_flows_the_meter_is_not_waited_for_long() -> None:
    """The voltage across a driven coil is quick or the drive ends: some 2 s, and as long to get in step."""
    peer = Peer()
    peer.answers["FUNC?"] = '"VOLT:DC"'
    talk = peer.talk("meter")
    meter = DialectMeter(talk, MeterSetup(quick_nplc=1.0))
    meter.voltage("Y1")
    del peer.answers["READ?"], peer.answers["*IDN?"]
    began_s = peer.clock.monotonic()
    with pytest.raises(LinkTimeoutError):
        meter.voltage("Y1")
    assert peer.clock.monotonic() - began_s == pytest.approx(2 * 2.02)


def test_a_refusal_that_got_lost_is_found_by_reading_back() -> None:
    """Asked again the error queue is empty, so the setting is read back though the dialect would not."""
    peer = Peer()
    talk = peer.talk("meter")
    peer.answers["FRES:RANG?"] = "+1.0E+02"
    peer.lose = {1}
    talk.tell("range_ohms_4w", value=100.0)
    assert peer.heard == ["FRES:RANG 100.0", "SYST:ERR?", "*IDN?", "SYST:ERR?", "FRES:RANG?"]


def test_a_refusal_that_got_lost_where_nothing_reads_back_stops_the_run() -> None:
    """Without a question for it, nobody knows whether the setting was taken."""
    peer = Peer()
    talk = peer.talk()
    peer.lose = {1}
    with pytest.raises(LinkTimeoutError, match="'OUTP:PROT:CLE' was lost, so whether it was taken"):
        talk.tell("clear_trip")


def test_after_a_new_connection_the_meter_is_set_up_again() -> None:
    """It may have started afresh, in volts: a reading across the loss is not taken, settings go out anew."""
    peer = Peer()
    meter = DialectMeter(peer.talk("meter"), MeterSetup())
    meter.resistance("Y1")
    settings = [command for command in peer.heard if "?" not in command]
    peer.heard.clear()
    peer.cut(1.0)
    assert meter.resistance("Y1").value == 3.3
    assert [command for command in peer.heard if "?" not in command] == settings
    assert peer.heard.count("READ?") == 2


def test_after_a_new_connection_the_switch_unit_starts_from_all_open() -> None:
    """Its contacts may have fallen open, or not: nothing is taken for known."""
    peer = Peer()
    talk = peer.talk("switch")
    peer.answers |= {"ROUT:CLOS? (@101)": "1", "ROUT:CLOS? (@102)": "1", "ROUT:CLOS? (@103)": "0"}
    switch = DialectSwitch(talk)
    switch.close_only((101,))
    peer.answers["ROUT:CLOS? (@101)"] = "0"
    peer.heard.clear()
    peer.cut(1.0)
    with pytest.raises(LinkClosedError):
        switch.close_only((102,))
    switch.close_only((102,))
    assert [command for command in peer.heard if "?" not in command] == [
        "ROUT:OPEN:ALL",
        "ROUT:CLOS (@102)",
        "ROUT:OPEN:ALL",
        "ROUT:CLOS (@102)",
    ]
