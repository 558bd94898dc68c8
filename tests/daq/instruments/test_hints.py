"""What a message advises: a command that is not known, an instrument that is off, an acknowledgement."""

from __future__ import annotations

from pathlib import Path

import pytest

from daq.errors import LinkTimeoutError, ReplyError
from daq.instruments.talk.conversation import Conversation
from tests.daq.kits.talk import SUPPLY, Instrument, role_of


def test_silence_after_one_command_of_many_is_a_command_that_is_not_known() -> None:
    """One that answers to its name and not to this question is on and connected."""
    instrument = Instrument({"MEAS:CURR?": "1.2"})
    talk = instrument.talk()
    talk.ask_number("measured_current")
    with pytest.raises(
        LinkTimeoutError, match="it may not know this command: leave the op out, or choose"
    ) as said:
        talk.ask_number("measured_voltage")
    assert "check that it is on" not in str(said.value)


def test_silence_after_a_command_that_was_answered_before_is_the_instrument_or_its_cable() -> None:
    """What it knew it has not forgotten."""
    instrument = Instrument({"MEAS:CURR?": "1.2"})
    talk = instrument.talk()
    talk.ask_number("measured_current")
    instrument.answer = lambda _command: None
    with pytest.raises(
        LinkTimeoutError, match="nor does it answer to its name any more: check that it is on"
    ):
        talk.ask_number("measured_current")


def test_silence_from_the_first_is_power_cable_address_speed_or_dialect() -> None:
    """Nothing has ever come: all of them may be it."""
    instrument = Instrument()
    instrument.answer = lambda _command: None
    with pytest.raises(LinkTimeoutError, match="answered nothing yet: check power, cable, address, speed"):
        instrument.talk()


@pytest.mark.parametrize("ack", ["OK", "ok", "#AK", "DONE"])
def test_an_acknowledgement_that_nobody_declared_names_ack(tmp_path: Path, ack: str) -> None:
    """A supply that answers each setting with OK is one whose dialect needs ack."""
    instrument = Instrument({"V 5.00": ack, "V?": "5.00"})
    talk = instrument.talk(role_of(tmp_path, SUPPLY))
    with pytest.raises(ReplyError, match=rf'needs ack = \["{ack}"\] in \[link\]'):
        talk.tell("voltage", value=5)


def test_a_late_acknowledgement_in_the_place_of_a_reply_names_ack_too(tmp_path: Path) -> None:
    """Where it comes behind the next question, it is that one's reply."""
    instrument = Instrument({"V?": "OK"})
    with pytest.raises(ReplyError, match=r'\'V\?\' answered \'OK\', expected .*; .* ack = \["OK"\]'):
        instrument.talk(role_of(tmp_path, SUPPLY)).tell("voltage", value=5)
    instrument = Instrument({"V?": "FIVE"})
    with pytest.raises(ReplyError) as said:
        instrument.talk(role_of(tmp_path, SUPPLY)).tell("voltage", value=5)
    assert "ack" not in str(said.value)


def test_an_acknowledgement_that_does_not_come_names_ack(tmp_path: Path) -> None:
    """Where the dialect declares one in vain, it says so."""
    role = role_of(tmp_path, SUPPLY + '[link]\nack = ["OK"]\n')
    instrument = Instrument()
    talk = Conversation(instrument.link(), role, name="supply", clock=instrument.clock)
    with pytest.raises(
        LinkTimeoutError, match=r"expected 'OK'; the dialect says that it follows \(ack or echo"
    ):
        talk.tell("voltage", value=5)


def test_one_that_knows_its_name_and_no_error_queue_is_said_to_be_that() -> None:
    """Small instruments have none; they are on and connected all the same."""
    instrument = Instrument()
    del instrument.answers["SYST:ERR?"]
    instrument.answer = instrument.answers.get
    with pytest.raises(
        ReplyError, match=r"answers '\*IDN\?' and not 'SYST:ERR\?': it has no such error queue"
    ):
        instrument.talk()
