"""The supply's driver: a protection is armed by an op of its own, and called armed where that reads back."""

from __future__ import annotations

from pathlib import Path

import pytest

from daq.errors import ReadbackError
from daq.instruments.dialects.load import load_dialect
from daq.instruments.drivers.supply import DialectSupply
from tests.daq.kits.talk import IDENTITY, SUPPLY, Instrument, role_of

LEVEL = """
over_voltage = { set = "OVP {value:.2f}", ask = "OVP?", reply = "{number}", verify = true, tolerance = 0.01 }
"""
FULL = '{ set = "ARM {state}", ask = "ARM?", reply = "{state}", verify = true }'


@pytest.mark.parametrize(
    ("arming", "answer", "state", "told"),
    [
        ("", "", "unknown", "over-voltage not armed: this dialect has no command"),
        ('{ set = "ARM {state}" }', "", "not read back", "over-voltage told to act, not read back"),
        (FULL, "1", "armed", "over-voltage armed, read back"),
        ('{ ask = "ARM?", reply = "{state}" }', "ON", "armed", "over-voltage armed, read back"),
        ('{ ask = "ARM?", reply = "{state}" }', "0", "not armed", "the supply says that it is off"),
    ],
)
def test_a_protection_is_armed_by_an_op_of_its_own(
    tmp_path: Path, arming: str, answer: str, state: str, told: str
) -> None:
    """What was told to act and read back as acting is armed; a level that reads back is not."""
    text = SUPPLY + LEVEL + (f"over_voltage_armed = {arming}\n" if arming else "")
    instrument = Instrument({"OVP?": "13.0", "ARM?": answer})
    voltage, current = DialectSupply(instrument.talk(role_of(tmp_path, text))).protect(13.0, 4.0)
    assert (voltage.state, current.state) == (state, "missing")
    assert told in voltage.told()
    assert ("ARM ON" in instrument.heard) == arming.startswith("{ set")


def test_one_that_acts_at_the_current_limit_has_no_level(tmp_path: Path) -> None:
    """A protection without a level of its own is armed all the same."""
    instrument = Instrument({"ARM?": "1"})
    talk = instrument.talk(role_of(tmp_path, SUPPLY + f"over_current_armed = {FULL}\n"))
    assert [each.state for each in DialectSupply(talk).protect(13.0, 4.0)] == ["missing", "armed"]


def test_one_that_reads_back_off_stops_the_run(tmp_path: Path) -> None:
    """A protection that stays off though it was told to act is a setting that does not read back."""
    instrument = Instrument({"ARM?": "0"})
    talk = instrument.talk(role_of(tmp_path, SUPPLY + f"over_current_armed = {FULL}\n"))
    with pytest.raises(ReadbackError, match="after 'ARM ON' over_current_armed reads back False"):
        DialectSupply(talk).protect(13.0, 4.0)


def test_arming_that_is_refused_is_not_armed_and_not_tried_again() -> None:
    """A supply that knows no such command refuses it once; its refusal is what the screen shows."""
    levels = {"VOLT:PROT?": "13", "CURR:PROT?": "4", "CURR:PROT:STAT?": "1"}
    instrument = Instrument(levels)
    supply = DialectSupply(instrument.talk(load_dialect("scpi-1999").role("supply")))
    refused = iter(['-113,"Undefined header"'])

    def answer(command: str) -> str | None:
        if command == "SYST:ERR?" and instrument.heard[-2] == "VOLT:PROT:STAT ON":
            return next(refused, IDENTITY[command])
        return instrument.answers.get(command)

    instrument.answer = answer
    for _ in range(2):
        voltage, current = supply.protect(13.0, 4.0)
        assert (voltage.state, current.state) == ("not armed", "armed")
        assert not voltage.stands
        assert "'VOLT:PROT:STAT ON' was refused: -113 Undefined header" in voltage.told()
    assert instrument.heard.count("VOLT:PROT:STAT ON") == 1
