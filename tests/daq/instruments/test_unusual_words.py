"""What instruments say that is no plain number: other units, status words, frames with a check, two lines."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from msgspec.structs import replace

from daq.clock import RealClock
from daq.errors import InputError, ReadbackError, ReplyError
from daq.instruments.dialects.load import load_dialect
from daq.instruments.dialects.template import ReplyPattern, SpecialValues, Spellings, check_of, format_command
from daq.instruments.drivers.meter import DialectMeter, MeterSetup
from daq.instruments.drivers.oven import DialectOven
from daq.instruments.drivers.probe import InstrumentProbe
from daq.instruments.drivers.supply import DialectSupply
from daq.instruments.number import Number
from daq.instruments.talk.conversation import Conversation
from daq.links.visa import open_link
from tests.daq.kits.talk import SUPPLY, Instrument, role_of
from tests.daq.links.peers import End, listening, on_serial


class HexSupply:
    """A supply in millivolts that takes lines and says OK to most settings."""

    def __init__(self) -> None:
        self.numbers = {"SETV": "0", "SETI": "0", "OVL": "0"}
        self.on = self.armed = False

    def answer(self, line: str) -> str | None:
        """Take one line."""
        word, _, figure = line.partition(" ")
        if word.removesuffix("?") in self.numbers and word.endswith("?"):
            return f"{self.numbers[word[:-1]]} {'mA' if word == 'SETI?' else 'mV'}"
        if word in self.numbers:
            self.numbers[word] = figure
            return "OK"
        if word == "OVP":
            self.armed = figure == "1"
            return ">"
        if word == "OUT":
            self.on = figure == "1"
            return None
        return {
            "ID?": "INVENTED",
            "STS?": "#H10" if self.on else "#H0",
            "ERF?": "100" if self.armed else "0",
            "GETV?": f"{self.numbers['SETV'] if self.on else 0} mV",
            "GETI?": "250 mA" if self.on else "0 mA",
            "FLAGS?": "CV" if self.on else "",
            "EVT?": "0",
        }[line]


def lines(answer: Callable[[str], str | None], end: str = "\r\n") -> Callable[[End], None]:
    """Make a handler that answers each line, with *end* behind what it says."""

    def handle(wire: End) -> None:
        pending = b""
        while data := wire.take():
            *whole, pending = (pending + data).split(b"\n")
            for line in whole:
                reply = answer(line.decode())
                if reply is not None:
                    wire.give((reply + end).encode())

    return handle


def frames(wire: End) -> None:
    """Be an oven controller that talks in frames: one byte lost or changed is refused."""
    values = {"SL": "20.0", "PV": "21.4", "OS": "0", "II": "820"}
    pending = b""
    while data := wire.take():
        pending += data
        while pending:
            asks, sets = pending.find(b"\x05"), pending.find(b"\x03")
            if asks >= 0 and (sets < 0 or asks < sets):
                word, pending = pending[asks - 2 : asks].decode(), pending[asks + 1 :]
                body = f"{word}{values[word]}\x03".encode()
                check = 0
                for byte in body:
                    check ^= byte
                wire.give(b"\x02" + body + bytes([check]))
            elif 0 <= sets < len(pending) - 1:
                frame, check, pending = pending[: sets + 1], pending[sets + 1], pending[sets + 2 :]
                body = frame[frame.index(b"\x02") + 1 :]
                for byte in body:
                    check ^= byte
                if check == 0:
                    values[body[:2].decode()] = body[2:-1].decode()
                wire.give(b"\x15" if check else b"\x06")
            else:
                break


def talk_to(resource: str, dialect: str, role: str) -> Conversation:
    """Return a started conversation over TCP."""
    part = load_dialect(dialect).role(role)
    talk = Conversation(open_link(resource, part.link, timeout_s=2.0), part, name=role, clock=RealClock())
    talk.start(None)
    return talk


def test_a_supply_in_millivolts_with_status_words_is_driven() -> None:
    """Served over TCP: settings go out in its unit and read back in ours; OK is taken where it comes."""
    peer = HexSupply()
    with listening(lines(peer.answer)) as resource:
        supply = DialectSupply(talk_to(resource, "supply-status-hex", "supply"))
        assert [each.state for each in supply.protect(13.2, 4.0)] == ["armed", "missing"]
        supply.set_voltage(8.4)
        supply.set_current_limit(1.5)
        supply.switch_output(True)
        assert peer.numbers == {"SETV": "8400", "SETI": "1500", "OVL": "13200"}
        assert (supply.voltage(), supply.current()) == (Number(8.4, "ok"), Number(0.25, "ok"))
        assert (supply.mode(), supply.tripped()) == ("CV", False)
        supply.switch_output(False)
        assert not supply.output_is_on()
        assert not peer.on


def test_an_oven_that_talks_in_frames_is_set() -> None:
    """Served on a pseudo-serial line: each frame carries its check both ways, and ACK is its only word."""
    part = load_dialect("oven-frames").role("oven")
    # A pseudo-serial port has no parity.
    with on_serial(frames, replace(part.link, data_bits=8, parity="none")) as link:
        talk = Conversation(link, part, name="oven", clock=RealClock())
        assert talk.start(None) == "820"
        oven = DialectOven(talk)
        oven.set_temperature(90.0)
        oven.switch_heat(True)
        assert oven.temperature() == Number(21.4, "ok")
        oven.switch_heat(False)


def test_a_thermometer_with_letters_and_kelvin_is_read() -> None:
    """Served over TCP: each coil has its letter, and 295.15 K are 22 degC."""
    said = {"*IDN?": "INVENTED", "KRDG? A": "+295.15", "KRDG? C1": "+363.15"}
    with listening(lines(said.get)) as resource:
        talk = talk_to(resource, "thermometer-letter", "probe")
        probe = InstrumentProbe(talk, {"Y1": "A", "Y2": "C1"})
        assert probe.temperature("Y1").value == pytest.approx(22.0)
        assert probe.temperature("Y2").value == pytest.approx(90.0)
        assert InstrumentProbe(talk, "A").temperature("Y9").value == pytest.approx(22.0)
        with pytest.raises(InputError, match="coil Y3: the rig file gives its probe no channel; add Y3 = N"):
            probe.temperature("Y3")


def test_a_meter_that_answers_in_two_lines_is_read() -> None:
    """Served over TCP: both lines belong to one answer, and the next question starts afresh."""
    said = {"*IDN?": "INVENTED", "FUN?": "OHM", "RD?": "OHM\r\n3.3012"}
    with listening(lines(said.get)) as resource:
        meter = DialectMeter(talk_to(resource, "meter-two-lines", "meter"), MeterSetup(wires=2))
        assert [meter.resistance("Y1") for _ in range(3)] == [Number(3.3012, "ok")] * 3


def test_a_scaled_setting_is_compared_in_the_ops_unit(tmp_path: Path) -> None:
    """The tolerance is in volts, whatever the instrument counts in."""
    old = (
        'voltage = { set = "V {value:.2f}", ask = "V?", reply = "{number}", verify = true, tolerance = 0.01 }'
    )
    assert old in SUPPLY
    text = SUPPLY.replace(old, old.replace(".2f", ".0f").replace("verify", "scale = 0.001, verify"))
    instrument = Instrument({"V?": "8409"})
    instrument.talk(role_of(tmp_path, text)).tell("voltage", value=8.4)
    assert "V 8400" in instrument.heard
    instrument = Instrument({"V?": "8411"})
    with pytest.raises(ReadbackError, match=r"reads back 8\.411, expected 8\.4 within 0\.01"):
        instrument.talk(role_of(tmp_path, text)).tell("voltage", value=8.4)


@pytest.mark.parametrize(
    ("op", "key", "expected"),
    [
        ('{ ask = "M?", reply = "{hex}" }', "bits", "a status word answers by its bits"),
        ('{ ask = "M?", reply = "{words}", bits = { CV = 3 } }', "bits", "are words of {words}"),
        ('{ ask = "M?", reply = "{hex}", bits = { CV = "CV" } }', "bits", "are words of {words}"),
        ('{ ask = "M?", reply = "{text}", scale = 2.0 }', "scale", "and offset are for numbers"),
    ],
)
def test_a_mistake_in_them_is_named(tmp_path: Path, op: str, key: str, expected: str) -> None:
    """Bits by number belong to numbers, bits by name to words, a scale to numbers."""
    with pytest.raises(InputError, match=rf"key 'supply\.mode\.{key}': .*") as said:
        role_of(tmp_path, SUPPLY + f"mode = {op}\n")
    assert expected in str(said.value)


def test_a_scale_of_nothing_is_refused(tmp_path: Path) -> None:
    """Nothing can be set by it."""
    text = SUPPLY.replace(
        '{ ask = "VO?", reply = "{number}" }', '{ ask = "VO?", reply = "{number}", scale = 0.0 }'
    )
    with pytest.raises(InputError, match=r"measured_voltage\.scale': is 0"):
        role_of(tmp_path, text)


def test_checks_are_over_what_follows_the_last_stx() -> None:
    """The exclusive or and the sum leave the STX out; reckoned by hand."""
    assert check_of("bcc", "\x040011\x02SL50.0\x03") == "\x07"
    # 53 + 4C + 35 + 30 + 2E + 30 + 03 = 165 hexadecimal.
    assert check_of("sum8", "\x040011\x02SL50.0\x03") == "65"
    assert check_of("sum8", "AB") == "83"
    assert format_command("\x02A{value}\x03{sum8}", {"value": 1}, Spellings()) == "\x02A1\x0375"


@pytest.mark.parametrize(
    ("reply", "value"), [("\x02A1\x0375", 1.0), ("\x02A2\x0375", None), ("\x02A1\x0374", None)]
)
def test_a_reply_whose_check_is_wrong_is_no_reply(reply: str, value: float | None) -> None:
    """A changed digit does not pass for a reading."""
    pattern = ReplyPattern("\x02A{number}\x03{sum8}", {}, words=Spellings(), special=SpecialValues())
    fields = pattern.match(reply)
    found = None if fields is None else pattern.number(fields)
    assert (None if found is None else found.value) == value


@pytest.mark.parametrize(("said", "good"), [("OK", True), ("DONE", True), (None, True), ("ERR", False)])
def test_an_acknowledgement_may_vary_or_not_come(tmp_path: Path, said: str | None, good: bool) -> None:
    """Any declared spelling is taken, and silence where it is one of them; nothing else is."""
    role = role_of(tmp_path, SUPPLY + '[link]\nack = [["OK", "DONE", ""]]\n')
    instrument = Instrument({"V?": "5.0"} | ({} if said is None else {"V 5.00": said}))
    talk = instrument.talk(role)
    if good:
        talk.tell("voltage", value=5)
        assert talk.ask_number("voltage").value == 5.0
    else:
        with pytest.raises(ReplyError, match="was followed by 'ERR', expected 'OK' or 'DONE' or ''"):
            talk.tell("voltage", value=5)
    assert instrument.heard.count("V 5.00") == 1


def test_a_setting_may_have_an_acknowledgement_of_its_own(tmp_path: Path) -> None:
    """What one op's command is followed by stands before what the link says of all."""
    text = SUPPLY.replace(
        'output = { set = "OUT {state}",', 'output = { set = "OUT {state}", ack = ["RELAY"],'
    )
    instrument = Instrument({"V 5.00": "OK", "V?": "5.0", "OUT OFF": "RELAY", "OUT?": "OFF"})
    talk = instrument.talk(role_of(tmp_path, text + '[link]\nack = ["OK"]\n'))
    talk.tell("voltage", value=5)
    talk.tell("output", state=False)
