"""Addresses as people have them become the one form that links take, and nothing else is touched."""

from __future__ import annotations

from pathlib import Path

import pytest

from daq.config.address import complete, host_alone, plainly
from daq.errors import InputError
from tests.daq.kits.rig import RIG, coil_set, rig, said, spoil


@pytest.mark.parametrize(
    ("written", "visa"),
    [
        ("COM3", "ASRL3::INSTR"),
        ("com12", "ASRL12::INSTR"),
        ("/dev/ttyUSB0", "ASRL/dev/ttyUSB0::INSTR"),
        ("/dev/cu.usbserial-1410", "ASRL/dev/cu.usbserial-1410::INSTR"),
        ("192.168.1.5", "TCPIP::192.168.1.5::5025::SOCKET"),
        ("192.168.1.5:5555", "TCPIP::192.168.1.5::5555::SOCKET"),
        ("meter.local", "TCPIP::meter.local::5025::SOCKET"),
        ("meter:9221", "TCPIP::meter::9221::SOCKET"),
    ],
)
def test_what_people_write_is_completed(written: str, visa: str) -> None:
    """A port and a host become VISA addresses, and are written plainly again."""
    assert complete(written) == visa
    assert complete(plainly(visa)) == visa


@pytest.mark.parametrize(
    "text",
    ["typed", "sim:meter", "typd", "GPIB0::9::INSTR", "USB0::1::2::3::INSTR", "the grey box", "http://x.y"],
)
def test_what_is_no_port_and_no_host_stays(text: str) -> None:
    """A VISA address, a word of the rig file and a slip are handed on as they are."""
    assert complete(text) == text


def test_a_host_without_a_port_is_known_as_such() -> None:
    """Only then may other ports be tried."""
    assert host_alone("meter.local") == "meter.local"
    assert not host_alone("meter.local:5025")
    assert not host_alone("COM3")


def test_a_rig_file_takes_plain_addresses(tmp_path: Path) -> None:
    """Serial keys stand beside a plain port, and the run sees the completed form."""
    text = spoil(RIG, '"ASRL/dev/ttyUSB0::INSTR"', '"/dev/ttyUSB0"')
    text = spoil(text, '"TCPIP::192.0.2.10::5025::SOCKET"', '"192.0.2.10"')
    bench = rig(tmp_path, text).value
    assert bench.oven is not None
    assert bench.oven.resource == "ASRL/dev/ttyUSB0::INSTR"
    assert bench.supply is not None
    assert bench.supply.resource == "TCPIP::192.0.2.10::5025::SOCKET"


def test_all_missing_keys_are_told_at_once(tmp_path: Path) -> None:
    """A file with three holes needs one try, and each hole has the line of its table."""
    text = spoil(spoil(RIG, "voltage_V = 15.0\n", ""), "body_degC = 105.0\n", "")
    text = spoil(text, '[probe]\nkind = "meter-pt100"\n', "")
    with pytest.raises(InputError) as caught:
        rig(tmp_path, text)
    message = said(caught)
    assert "key 'limits.voltage_V': is missing" in message
    assert "missing too: 'limits.body_degC' (line 2), 'probe', 'probe.kind'" in message


def test_an_empty_set_file_says_all_that_a_set_needs(tmp_path: Path) -> None:
    """Somebody who begins with nothing reads the whole list."""
    with pytest.raises(InputError) as caught:
        coil_set(tmp_path, "")
    assert "missing too: 'heat', 'system_V', 'limits', 'limits.body_degC', 'kinds', 'coils'" in said(caught)


def test_what_is_missing_by_a_rule_is_told_with_the_first_slip(tmp_path: Path) -> None:
    """A rule's own missing key comes with another's, too."""
    text = spoil(RIG, '"TCPIP::192.0.2.11::5025::SOCKET"', '"typed"')
    text = spoil(text, '"meter-pt100"', '"instrument"')
    with pytest.raises(InputError) as caught:
        rig(tmp_path, text)
    assert "key 'meter.accuracy': is missing" in said(caught)
    assert "missing too: 'probe.resource' (line" in said(caught)
