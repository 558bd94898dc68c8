from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.errors import (
    IdentityError,
    InputError,
    LinkClosedError,
    LinkError,
    LinkTimeoutError,
    ReadbackError,
    RefusedError,
    ReplyError,
)
from daq.instruments.dialects.load import load_dialect
from daq.instruments.number import Number
from daq.instruments.talk.conversation import Conversation
from tests.daq.kits.talk import IDENTITY, SUPPLY, Instrument, role_of


def test_another_instrument_is_not_talked_to() -> None:
    """An identity without the expected words is IdentityError, capitals aside."""
    instrument = Instrument()
    talk = Conversation(
        instrument.link(), load_dialect("scpi-1999").role("supply"), name="supply", clock=instrument.clock
    )
    assert talk.start("INVENTED,supply") == "Invented,Supply"
    with pytest.raises(
        IdentityError, match="supply: in-process answers 'Invented,Supply', expected 'S-7' in it"
    ):
        talk.start("S-7")
    instrument.answers["*IDN?"] = ""
    with pytest.raises(ReplyError, match="answered '', expected an identity"):
        talk.start(None)


def test_an_identity_that_cannot_be_asked_is_not_taken_on_trust(tmp_path: Path) -> None:
    """A dialect without an identity question cannot check one, and says so; without one it starts with ''."""
    instrument = Instrument()
    talk = Conversation(instrument.link(), role_of(tmp_path, SUPPLY), name="supply", clock=instrument.clock)
    assert talk.start(None) == ""
    with pytest.raises(IdentityError, match="has no identity question"):
        talk.start("S-7")


def test_a_question_without_reply_is_put_once_more_in_step() -> None:
    """After a time-out the late reply is passed over by the identity, and the question is repeated once."""
    instrument = Instrument({"MEAS:VOLT?": "8.4"})
    talk = instrument.talk()
    replies = iter([None, "Invented,Supply", "2.5"])

    def answer(command: str) -> str | None:
        if command == "*IDN?":
            instrument.late = b"1234\n5678E+00\n"
        return next(replies)

    instrument.answer = answer
    assert talk.ask_number("measured_voltage") == Number(2.5, "ok")
    assert instrument.heard == ["MEAS:VOLT?", "*IDN?", "MEAS:VOLT?"]


def test_an_instrument_that_has_gone_silent_is_a_time_out() -> None:
    """If the identity does not come either, the error names instrument, command and waiting time."""
    instrument = Instrument()
    talk = instrument.talk()
    instrument.answer = lambda _command: None
    with pytest.raises(
        LinkTimeoutError, match=r"supply: 'MEAS:VOLT\?': in-process: no complete reply within 2 s"
    ):
        talk.ask_number("measured_voltage")
    assert instrument.heard == ["MEAS:VOLT?", "*IDN?"]


def test_an_instrument_that_answers_everything_but_its_name_is_a_time_out() -> None:
    """Replies that never become the known one end the attempt."""
    instrument = Instrument()
    talk = instrument.talk()
    instrument.answer = lambda command: None if command == "MEAS:VOLT?" else "1\n" * 20
    with pytest.raises(LinkTimeoutError, match=r"no 'Invented,Supply' to '\*IDN\?' among 10 replies"):
        talk.ask_number("measured_voltage")


def test_a_setting_is_never_repeated() -> None:
    """When the error queue is silent after a setting, it is asked again, the setting not sent twice."""
    instrument = Instrument({"VOLT?": "8.4"})
    talk = instrument.talk()
    silent = iter([True])
    known = instrument.answer
    instrument.answer = lambda command: (
        None if command == "SYST:ERR?" and next(silent, False) else known(command)
    )
    talk.tell("voltage", value=8.4)
    assert instrument.heard == ["VOLT 8.4000", "SYST:ERR?", "*IDN?", "SYST:ERR?", "VOLT?"]


def test_out_of_step_a_setting_still_goes_first() -> None:
    """After a damaged reply the next setting (it may be output off) is sent before getting in step."""
    instrument = Instrument({"MEAS:VOLT?": "8.4.1", "OUTP?": "0"})
    talk = instrument.talk()
    with pytest.raises(ReplyError):
        talk.ask_number("measured_voltage")
    instrument.heard.clear()
    talk.tell("output", state=False)
    assert instrument.heard == ["OUTP OFF", "*IDN?", "SYST:ERR?", "OUTP?"]


@pytest.mark.parametrize(
    ("readback", "same"),
    [
        ("8.4", True),
        ("8.405", True),
        ("8.395", True),
        ("8.4051", False),
        ("8.3949", False),
        ("9.91E37", False),
    ],
)
def test_a_setting_is_read_back_and_compared(readback: str, same: bool) -> None:
    """A number read back may differ by the tolerance, its ends included, and has to be a number."""
    talk = Instrument({"VOLT?": readback}).talk()
    if same:
        talk.tell("voltage", value=8.4)
    else:
        with pytest.raises(
            ReadbackError, match=r"after 'VOLT 8\.4000' voltage reads back .*, expected 8\.4 within"
        ):
            talk.tell("voltage", value=8.4)


def test_a_value_that_the_format_would_change_is_noticed(tmp_path: Path) -> None:
    """What is compared is the value asked for, not the one that two decimals left of it."""
    talk = Instrument({"V?": "8.42"}).talk(role_of(tmp_path, SUPPLY.replace("0.01", "0.001")))
    with pytest.raises(ReadbackError, match=r"after 'V 8\.42' voltage reads back 8\.42, expected 8\.4249"):
        talk.tell("voltage", value=8.4249)


def test_settings_sent_together_read_the_error_queue_once_and_are_refused_together() -> None:
    """Range and integration go out one after the other; one look into the queue answers for both."""
    instrument = Instrument()
    talk = instrument.talk("meter")
    both = [("range_ohms_4w", {"value": 100.0}), ("nplc_ohms_4w", {"value": 1.0})]
    talk.tell_all(both)
    assert instrument.heard == ["FRES:RANG 100.0", "FRES:NPLC 1.0", "SYST:ERR?"]
    entries = iter(['-222,"Data out of range"'])
    instrument.answer = lambda command: (
        next(entries, '+0,"No error"') if command == "SYST:ERR?" else IDENTITY.get(command)
    )
    with pytest.raises(RefusedError, match=r"'FRES:RANG 100\.0', 'FRES:NPLC 1\.0' was refused: -222"):
        talk.tell_all(both)


def test_an_error_queue_that_never_empties_ends() -> None:
    """A queue that gives errors for ever is refused after its fiftieth."""
    instrument = Instrument()
    talk = instrument.talk()
    instrument.answers["SYST:ERR?"] = '-350,"Queue overflow"'
    with pytest.raises(RefusedError, match="does not empty, last entry '-350 Queue overflow'"):
        talk.tell("voltage", value=1)
    assert len(instrument.heard) == 51


def test_errors_in_a_declared_shape_are_understood(tmp_path: Path) -> None:
    """A dialect may say how its error entries look and which codes mean none."""
    table = '[errors]\nask = "ERR?"\nreply = "E={code};{text}"\nnone = [0, 1]\n'
    instrument = Instrument({"ERR?": "E=1;fine", "V?": "5"})
    talk = instrument.talk(role_of(tmp_path, SUPPLY + table))
    talk.tell("voltage", value=5)
    replies = iter(["E=7;too high", "E=0;"])
    instrument.answer = lambda command: next(replies) if command == "ERR?" else None
    with pytest.raises(RefusedError, match=r"'V 5\.00' was refused: 7 too high; expected no error"):
        talk.tell("voltage", value=5)


def test_the_pace_of_a_slow_instrument_is_kept(tmp_path: Path) -> None:
    """Commands are at least the declared gap apart, counted from the last reply, and no more."""
    instrument = Instrument({"V?": "5"})
    talk = instrument.talk(role_of(tmp_path, SUPPLY + "[link]\ngap_s = 0.08\n"))
    instrument.heard_s.clear()
    for _ in range(3):
        talk.tell("voltage", value=5)
    gaps = [later - sooner for sooner, later in zip(instrument.heard_s, instrument.heard_s[1:], strict=False)]
    assert gaps == [pytest.approx(0.08)] * 5
    instrument.clock.sleep(1)
    began_s = instrument.clock.monotonic()
    instrument.answers["OUT?"] = "ON"
    assert talk.ask_state("output") is True
    assert instrument.clock.monotonic() == began_s


def test_two_blank_lines_after_a_setting_are_taken(tmp_path: Path) -> None:
    """Lines that follow a setting are consumed where declared, and do not shift the next reply."""
    instrument = Instrument({"V 5.00": "\r\n\r", "V?": "5"})
    talk = instrument.talk(role_of(tmp_path, SUPPLY + '[link]\nack = ["", ""]\n'))
    talk.tell("voltage", value=5)
    assert talk.ask_number("voltage").value == 5


def test_a_lost_acknowledgement_is_an_error_and_nothing_is_sent_again(tmp_path: Path) -> None:
    """A setting whose acknowledgement does not come is a time-out, sent once."""
    instrument = Instrument()
    talk = instrument.talk(role_of(tmp_path, SUPPLY + '[link]\nack = ["OK"]\n'))
    with pytest.raises(LinkTimeoutError, match=r"'V 5\.00'"):
        talk.tell("voltage", value=5)
    assert instrument.heard == ["V 5.00"]


def test_silence_means_no_reading_only_where_declared(tmp_path: Path) -> None:
    """An op that may be silent gives 'no reading'; another one is a time-out after its retry."""
    instrument = Instrument()
    talk = instrument.talk(role_of(tmp_path, SUPPLY))
    assert talk.ask_number("measured_current") == Number(None, "missing: no reading")
    with pytest.raises(LinkTimeoutError):
        talk.ask_number("measured_voltage")
    assert instrument.heard == ["IO?", "VO?", "VO?"]


def test_silence_of_a_dead_instrument_is_no_reading_of_a_live_one(tmp_path: Path) -> None:
    """Where there is an identity, silence counts as an answer only if the identity still comes."""
    text = SUPPLY + '[supply.identity]\nask = "*IDN?"\nreply = "{text}"\n'
    instrument = Instrument()
    talk = instrument.talk(role_of(tmp_path, text))
    assert talk.ask_number("measured_current") == Number(None, "missing: no reading")
    instrument.answer = lambda _command: None
    with pytest.raises(LinkTimeoutError):
        talk.ask_number("measured_current")


def test_an_instrument_that_does_not_stop_sending_is_an_error(tmp_path: Path) -> None:
    """Without an identity, being in step means silence; chatter without end is refused."""
    instrument = Instrument()
    link = instrument.link()
    talk = Conversation(link, role_of(tmp_path, SUPPLY), name="supply", clock=instrument.clock)
    talk.start(None)
    link.drain = lambda: 5  # type: ignore[method-assign]
    with pytest.raises(LinkError, match="does not stop sending"):
        talk.ask_number("measured_voltage")


def test_what_the_dialect_or_the_role_lacks_is_refused(tmp_path: Path) -> None:
    """Unknown ops, parameters and words of a rig file are errors of the input, and nothing is sent."""
    instrument = Instrument()
    talk = instrument.talk(role_of(tmp_path, SUPPLY))
    assert (talk.has("voltage"), talk.has("mode")) == (True, False)
    for call, match in (
        (lambda: talk.ask_text("mode"), "has no mode for a supply"),
        (lambda: talk.ask_number("colour"), "has no colour"),
        (lambda: talk.tell("voltage", state=True), "voltage takes no 'state', expected 'value'"),
        (lambda: talk.tell("voltage"), "needs value"),
        (lambda: talk.tell("measured_voltage"), "is only a question"),
    ):
        with pytest.raises(InputError, match=match):
            call()
    switch = Conversation(
        instrument.link(), load_dialect("scpi-1999").role("switch"), name="switch", clock=instrument.clock
    )
    with pytest.raises(InputError, match="cannot be asked"):
        switch.ask_state("open_all")
    assert instrument.heard == []


def test_a_channel_is_not_lost_on_a_dialect_without_one() -> None:
    """Channel 2 for a dialect that knows no channel is refused; channel 1 is what it has."""
    instrument = Instrument()
    role = load_dialect("scpi-1999").role("supply")
    Conversation(instrument.link(), role, name="supply", clock=instrument.clock, params={"channel": 1})
    with pytest.raises(InputError, match="dialect 'scpi-1999' takes no 'channel'"):
        Conversation(instrument.link(), role, name="supply", clock=instrument.clock, params={"channel": 2})


def test_ending_talks_once_and_complains_once() -> None:
    """The end is said once; on a link that had failed before, its failure is no news."""
    dialect = load_dialect("scpi-channel-select").role("supply")
    instrument = Instrument()
    talk = instrument.talk(dialect)
    talk.finish()
    talk.finish()
    assert instrument.heard == ["SYST:LOC"]

    instrument = Instrument()
    link = instrument.link()
    talk = Conversation(link, dialect, name="supply", clock=instrument.clock)
    talk.start(None)
    link.close()
    with pytest.raises(LinkClosedError, match="supply: 'SYST:LOC': in-process: the link is closed"):
        talk.finish()

    talk = Conversation(link, dialect, name="supply", clock=instrument.clock)
    with pytest.raises(LinkClosedError):
        talk.ask_state("output")
    talk.finish()


@pytest.mark.slow
@given(st.text(max_size=40) | st.text(st.sampled_from("+-.0123456789Ee,VA ONF\x00\r"), max_size=20))
def test_any_reply_parses_whole_or_is_a_reply_error(reply: str) -> None:
    """Whatever an instrument answers, a question gives its answer or ReplyError, and nothing else."""
    reply = reply.replace("\n", "")
    instrument = Instrument()
    talk = instrument.talk()
    answers = dict.fromkeys(("MEAS:VOLT?", "OUTP?", "STAT:OPER:COND?"), reply)
    instrument.answer = lambda command: answers.get(command, IDENTITY.get(command, ""))
    for ask, op in (
        (talk.ask_number, "measured_voltage"),
        (talk.ask_state, "output"),
        (talk.ask_text, "mode"),
    ):
        try:
            ask(op)
        except ReplyError as exc:
            assert str(exc).startswith("supply: ")
            assert "expected" in str(exc)


def test_a_reply_of_unreasonable_length_is_refused() -> None:
    """A reply of thousands of characters is ReplyError before it is looked at."""
    talk = Instrument({"MEAS:VOLT?": "1" * 5000}).talk()
    with pytest.raises(ReplyError, match="a reply of 5000 characters, expected at most 4096"):
        talk.ask_number("measured_voltage")


def test_two_roles_of_one_instrument_share_its_name_and_are_in_step_together(tmp_path: Path) -> None:
    """A role that cannot ask who it is gets in step by what the other role knows, and both are named."""
    instrument = Instrument({"VO?": "8.4"})
    meter = instrument.talk("meter")
    supply = Conversation(
        instrument.link(), role_of(tmp_path, SUPPLY), name="supply", clock=instrument.clock, beside=meter
    )
    assert supply.start(None) == ""
    instrument.heard.clear()
    replies = iter([None, "Invented,Supply", "8.4"])
    instrument.answer = lambda _command: next(replies)
    assert supply.ask_number("measured_voltage") == Number(8.4, "ok")
    assert instrument.heard == ["VO?", "*IDN?", "VO?"]
    instrument.answer = lambda _command: None
    with pytest.raises(LinkTimeoutError, match=r"^supply and supply: 'READ\?'"):
        meter.ask_number("read")
