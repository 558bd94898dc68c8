"""What the tests of rig and coil-set files share: texts that are good, and ways to spoil them."""

from __future__ import annotations

from pathlib import Path

import pytest

from daq.config.coil_set import CoilSet
from daq.config.load import load_coil_set, load_rig
from daq.config.rig import Rig
from daq.config.toml import Loaded
from daq.errors import InputError

RIG = """\
name = "test bench"
[limits]
voltage_V = 15.0
current_A = 4.0
body_degC = 105.0
winding_degC = 150.0
[meter]
resource = "TCPIP::192.0.2.11::5025::SOCKET"
[probe]
kind = "meter-pt100"
[supply]
resource = "TCPIP::192.0.2.10::5025::SOCKET"
[oven]
resource = "ASRL/dev/ttyUSB0::INSTR"
baud = 19200
[switch]
resource = "GPIB0::9::INSTR"
short = 209
[switch.sense]
Y1 = 201
"Y 2" = 202
[switch.power]
Y1 = 101
"Y 2" = 102
[switch.probe]
Y1 = 301
"Y 2" = 302
[switch.leak]
Y1 = 401
"""

COIL_SET = """\
name = "test set"
heat = "oven"
system_V = 12.0
[test]
voltage_V = 8.4
steps_degC = [50, 90]
[limits]
body_degC = 100.0
winding_degC = 140.0
[kinds.valve]
max_current_A = 3.5
r20_ohm = 3.3
[[coils]]
label = "Y1"
kind = "valve"
serial = "A-1"
[[coils]]
label = "Y 2"
kind = "valve"
serial = "A-2"
"""


def rig(folder: Path, text: str = RIG) -> Loaded[Rig]:
    """Load *text* as a rig file."""
    path = folder / "rig.toml"
    path.write_text(text, encoding="utf-8")
    return load_rig(path)


def coil_set(folder: Path, text: str = COIL_SET) -> Loaded[CoilSet]:
    """Load *text* as a coil-set file."""
    path = folder / "set.toml"
    path.write_text(text, encoding="utf-8")
    return load_coil_set(path)


def spoil(text: str, old: str, new: str) -> str:
    """Return *text* with its only *old* replaced."""
    assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in the good text"
    return text.replace(old, new)


def said(caught: pytest.ExceptionInfo[InputError]) -> str:
    """Return the message of an input error, which is one line and ends with exit status 2."""
    message = str(caught.value)
    assert "\n" not in message
    assert caught.value.exit_status == 2
    return message
