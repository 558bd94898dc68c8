"""Supply, meter, switch unit, oven controller and thermometer, each a parser of its own over the bench.

The spellings follow the documented command syntaxes; parsing and doing are written here anew.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TYPE_CHECKING, ClassVar

import numpy as np

if TYPE_CHECKING:
    from tests.outside.bench import Bench

Action = Callable[..., "str | None"]
NO_ERROR = '+0,"No error"'


class Instrument:
    """One instrument: takes a line, may answer one."""

    dialect: ClassVar[str] = "scpi-1999"
    role: ClassVar[str] = "instrument"
    reply_end: bytes = b"\n"

    def __init__(self, bench: Bench, seed: int) -> None:
        self.bench = bench
        self.rng = np.random.default_rng(seed)
        self.errors: list[str] = []
        self.plugged = True
        self.heard: list[tuple[float, str]] = []

    def table(self) -> list[tuple[str, Action]]:
        """Return the patterns this instrument knows, with what each does."""
        raise NotImplementedError

    def take(self, line: str) -> str | None:
        """Do what *line* says and return the reply, if it is a question."""
        if not self.plugged:
            return None
        if line.upper() in {"SYST:ERR?", "*IDN?"}:
            if line.startswith("*"):
                return f"Outside,{self.role},S-{self.role[:2].upper()}7,2.1"
            return self.errors.pop(0) if self.errors else NO_ERROR
        for pattern, action in self.table():
            match = re.fullmatch(pattern, line, re.IGNORECASE)
            if match:
                self.prepare(line)
                with self.bench.lock:
                    self.bench.advance()
                    self.heard.append((self.bench.now_s, line))
                    return action(*match.groups())
        self.errors.append('-113,"Undefined header"')
        return None

    def prepare(self, line: str) -> None:
        """Take the time that *line* needs before it is done."""


NUMBER = r"([-+\d.eE]+)"
STATE = r"(ON|OFF|0|1)"


def is_on(word: str) -> bool:
    """Whether a word for a state says on."""
    return word.upper() in {"ON", "1"}


class SupplyPanel(Instrument):
    """Supply with one output. With *lies_off* or *blind_when_off* its panel tells of less than there is."""

    role = "supply"
    lies_off: bool = False
    blind_when_off: bool = False
    deaf_to_off: bool = False

    def table(self) -> list[tuple[str, Action]]:
        s = self.bench.supply
        return [
            (rf"VOLT {NUMBER}", lambda v: self.put("set_V", v)),
            (r"VOLT\?", lambda: f"{s.set_V:+.6E}"),
            (rf"CURR {NUMBER}", lambda v: self.put("limit_A", v)),
            (r"CURR\?", lambda: f"{s.limit_A:+.6E}"),
            (rf"VOLT:PROT {NUMBER}", lambda v: self.put("over_voltage_V", v)),
            (r"VOLT:PROT\?", lambda: f"{s.over_voltage_V:+.6E}"),
            (rf"CURR:PROT {NUMBER}", lambda v: self.put("over_current_A", v)),
            (r"CURR:PROT\?", lambda: f"{s.over_current_A:+.6E}"),
            (rf"VOLT:PROT:STAT {STATE}", lambda word: self.arm("armed_voltage", word)),
            (r"VOLT:PROT:STAT\?", lambda: str(int(s.armed_voltage))),
            (rf"CURR:PROT:STAT {STATE}", lambda word: self.arm("armed_current", word)),
            (r"CURR:PROT:STAT\?", lambda: str(int(s.armed_current))),
            (rf"OUTP {STATE}", self.output),
            (r"OUTP\?", self.says_on),
            (r"MEAS:VOLT\?", lambda: f"{self.volts():+.5E}"),
            (r"MEAS:CURR\?", lambda: f"{self.amps():+.5E}"),
            (r"STAT:OPER:COND\?", self.condition),
            (r"VOLT:PROT:TRIP\?", lambda: str(int(s.tripped_voltage))),
            (r"CURR:PROT:TRIP\?", lambda: str(int(s.tripped_current))),
            (r"OUTP:PROT:CLE", self.clear),
        ]

    def put(self, name: str, text: str) -> None:
        """Set a value; the widest protection ever sent is kept."""
        value = float(text)
        truth = self.bench.truth
        if name == "over_voltage_V":
            truth.protection_V = max(truth.protection_V, value)
        elif name == "over_current_A":
            truth.protection_A = max(truth.protection_A, value)
        setattr(self.bench.supply, name, value)

    def arm(self, name: str, word: str) -> None:
        """Let a protection act, or not."""
        setattr(self.bench.supply, name, is_on(word))

    def output(self, word: str) -> None:
        """Switch the output, unless the stage no longer hears."""
        if is_on(word) or not self.deaf_to_off:
            self.bench.supply.output = is_on(word)

    def says_on(self) -> str:
        """What the panel says of its output."""
        return "0" if self.lies_off else str(int(self.bench.supply.output))

    def volts(self) -> float:
        """What the panel shows as voltage."""
        if self.blind_when_off and not self.bench.supply.output:
            return 0.0
        return self.bench.supply.out_V * 1.0004 + 0.002 + float(self.rng.normal(0, 0.0008))

    def amps(self) -> float:
        """What the panel shows as current."""
        if self.blind_when_off and not self.bench.supply.output:
            return 0.0
        return self.bench.supply.out_A * 1.0005 + 0.0007 + float(self.rng.normal(0, 0.0004))

    def condition(self) -> str:
        """Constant voltage or constant current, as a status word."""
        s = self.bench.supply
        if self.lies_off or not s.output:
            return "+0"
        return "+1024" if s.limiting else "+256"

    def clear(self) -> None:
        """Forget a trip."""
        self.bench.supply.tripped_voltage = self.bench.supply.tripped_current = False


class WordSupplyPanel(SupplyPanel):
    """The same supply with short words and numbers, no error queue."""

    dialect = "word-number"
    reply_end = b"\r\n"

    def table(self) -> list[tuple[str, Action]]:
        s = self.bench.supply
        return [
            (rf"V1 {NUMBER}", lambda v: self.put("set_V", v)),
            (r"V1\?", lambda: f"V1 {s.set_V:.3f}"),
            (rf"I1 {NUMBER}", lambda v: self.put("limit_A", v)),
            (r"I1\?", lambda: f"I1 {s.limit_A:.3f}"),
            (rf"OVP1 {NUMBER}", lambda v: self.put("over_voltage_V", v)),
            (r"OVP1\?", lambda: f"VP1 {s.over_voltage_V:.2f}"),
            (rf"OCP1 {NUMBER}", lambda v: self.put("over_current_A", v)),
            (r"OCP1\?", lambda: f"CP1 {s.over_current_A:.2f}"),
            (r"OP1 ([01])", self.output),
            (r"OP1\?", self.says_on),
            (r"V1O\?", lambda: f"{self.volts():.3f}V"),
            (r"I1O\?", lambda: f"{self.amps():.3f}A"),
            (r"M1\?", lambda: "M CC" if s.limiting else "M CV"),
            (r"TRIPRST", self.clear),
            (r"LOCAL", lambda: None),
        ]


class MeterPanel(Instrument):
    """Multimeter: ranges, integration, offset, gain, noise, thermal EMF, overload."""

    role = "meter"
    gain: float = 1.00004
    offset_ohm: float = 0.0012
    noise_ohm: float = 0.0004
    drift_ohm_per_h: float = 0.0004
    overload: str = "+9.90000000E+37"

    def __init__(self, bench: Bench, seed: int) -> None:
        super().__init__(bench, seed)
        self.function = "FRES"
        self.range = {"FRES": 100.0, "RES": 100.0, "VOLT": 100.0}
        self.nplc = {"FRES": 10.0, "RES": 10.0, "VOLT": 10.0}
        self.compensated = False

    def table(self) -> list[tuple[str, Action]]:
        return [
            (r"FUNC ['\"](FRES|RES|VOLT)(?::DC)?['\"]", self.turn),
            (r"FUNC\?", lambda: '"VOLT:DC"' if self.function == "VOLT" else f'"{self.function}"'),
            (rf"(FRES|RES|VOLT)(?::DC)?:RANG {NUMBER}", self.set_range),
            (r"(FRES|RES|VOLT)(?::DC)?:RANG\?", lambda f: f"{self.range[f.upper()]:+.6E}"),
            (rf"(FRES|RES|VOLT)(?::DC)?:NPLC {NUMBER}", self.set_nplc),
            (r"(FRES|RES|VOLT)(?::DC)?:NPLC\?", lambda f: f"{self.nplc[f.upper()]:+.6E}"),
            (rf"FRES:OCOM {STATE}", lambda w: setattr(self, "compensated", is_on(w))),
            (r"FRES:OCOM\?", lambda: str(int(self.compensated))),
            (r"READ\?", self.read),
        ]

    def prepare(self, line: str) -> None:
        if line.upper() == "READ?":
            twice = 2.0 if self.compensated and self.function == "FRES" else 1.0
            self.bench.sleep(twice * self.nplc[self.function] / 50.0 + 0.01)

    def turn(self, name: str) -> None:
        """Choose the function."""
        self.function = name.upper()

    def set_range(self, name: str, text: str) -> None:
        """Choose the smallest range that holds a value."""
        steps = [0.1, 1.0, 10.0, 100.0, 1e3] if name.upper() == "VOLT" else [10.0**n for n in range(1, 10)]
        self.range[name.upper()] = next((s for s in steps if s >= float(text) * 0.999), steps[-1])

    def set_nplc(self, name: str, text: str) -> None:
        """Choose the integration time."""
        self.nplc[name.upper()] = float(text)

    def value(self) -> float:
        """Measure; infinite is overload."""
        quiet = float(self.rng.normal()) / max(self.nplc[self.function], 0.02) ** 0.5
        if self.function == "VOLT":
            volts = self.bench.meter_V() * 1.00003 + 2e-5 * quiet
            return volts if abs(volts) < 1.2 * self.range["VOLT"] else np.inf
        full = self.range[self.function]
        test_A = {1e1: 1e-2, 1e2: 1e-3, 1e3: 1e-3, 1e4: 1e-4, 1e5: 1e-5}.get(full, 1e-6)
        ohm, stray_V = self.bench.meter_ohm(4 if self.function == "FRES" else 2)
        if abs(stray_V) > 0.05:
            return np.inf
        if not (self.compensated and self.function == "FRES"):
            ohm += stray_V / test_A
        drift = self.drift_ohm_per_h * self.bench.now_s / 3600.0
        ohm = ohm * self.gain + (self.offset_ohm + drift + self.noise_ohm * 3.2 * quiet) * full / 100.0
        return ohm if ohm < 1.2 * full else np.inf

    def read(self) -> str:
        """Answer one reading."""
        value = self.value()
        return f"{value:+.8E}" if np.isfinite(value) else self.overload


class FieldMeterPanel(MeterPanel):
    """The same meter, whose readings come with unit, time and count."""

    dialect = "meter-fields"
    count: int = 0

    def read(self) -> str:
        value = self.value()
        self.count += 1
        unit = {"FRES": "OHM4", "RES": "OHM", "VOLT": "VDC"}[self.function]
        text, flag = (f"{value:+.6E}", "N") if np.isfinite(value) else ("+9.9E37", "O")
        return f"{text}{flag}{unit},{self.bench.now_s:+.2f}SECS,{self.count:+d}RDNG#,00EXTCHAN"


class SwitchPanel(Instrument):
    """Switch unit of single contacts. What it believes closed need not conduct."""

    role = "switch unit"
    move_s: float = 0.012

    def table(self) -> list[tuple[str, Action]]:
        return [
            (r"ROUT:CLOS \(@([\d, ]+)\)", lambda c: self.move(c, True)),
            (r"ROUT:OPEN \(@([\d, ]+)\)", lambda c: self.move(c, False)),
            (r"ROUT:OPEN:ALL", self.open_all),
            (r"ROUT:CLOS\? \(@(\d+)\)", lambda c: str(int(int(c) in self.bench.closed))),
            (
                r"ROUT:CLOS:STAT\?",
                lambda: "(@" + ",".join(str(c) for c in sorted(self.bench.closed)) + ")",
            ),
        ]

    def prepare(self, line: str) -> None:
        if "?" not in line:
            self.bench.sleep(self.move_s)

    def move(self, channels: str, close: bool) -> None:
        """Move contacts one after another."""
        for channel in channels.split(","):
            self.bench.switch(int(channel), close)

    def open_all(self) -> None:
        """Open every contact."""
        for channel in sorted(self.bench.closed):
            self.bench.switch(channel, False)


class ListSwitchPanel(SwitchPanel):
    """The same switch unit, answering with the list of all that are closed."""

    dialect = "switch-list"


class OvenPanel(Instrument):
    """Oven controller; may say 'off' and heat on, or show another temperature than its air's."""

    role = "oven"
    lies_off: bool = False
    shows_degC: float | None = None

    def table(self) -> list[tuple[str, Action]]:
        oven = self.bench.oven
        assert oven is not None
        return [
            (rf"SOUR:TEMP:SPO {NUMBER}", lambda v: setattr(oven, "setpoint_degC", float(v))),
            (r"SOUR:TEMP:SPO\?", lambda: f"{oven.setpoint_degC:+.2f}"),
            (r"MEAS:TEMP\?", self.shows),
            (rf"OUTP {STATE}", self.output),
            (r"OUTP\?", lambda: "0" if self.lies_off else str(int(oven.output))),
        ]

    def output(self, word: str) -> None:
        """Switch the heater."""
        assert self.bench.oven is not None
        self.bench.oven.output = is_on(word)

    def shows(self) -> str:
        """What the display shows as temperature."""
        assert self.bench.oven is not None
        if self.shows_degC is not None:
            return f"{self.shows_degC:+.2f}"
        return f"{self.bench.oven.sensor_degC + float(self.rng.normal(0, 0.03)):+.2f}"


class ThermometerPanel(Instrument):
    """Thermometer with a channel a coil: 301 is the sensor on the first."""

    role = "thermometer"
    noise_K: float = 0.04

    def table(self) -> list[tuple[str, Action]]:
        return [(r"MEAS:TEMP\? \(@(\d+)\)", self.read)]

    def read(self, channel: str) -> str:
        """Answer the temperature of one channel; a broken sensor is overload."""
        index = int(channel) % 100 - 1
        if not 0 <= index < len(self.bench.coils) or self.bench.coils[index].probe_dead:
            return "+9.90000000E+37"
        return f"{self.bench.probe_degC(index) + float(self.rng.normal(0, self.noise_K)):+.4f}"


class LabelThermometerPanel(ThermometerPanel):
    """The same thermometer, answering with a label and the unit."""

    dialect = "thermometer-label"
    reply_end = b"\r\n"

    def table(self) -> list[tuple[str, Action]]:
        return [(r"T(\d+)\?", self.label)]

    def label(self, channel: str) -> str:
        """Answer ``t: 55.69 C``, dashes for a broken sensor."""
        value = self.read(channel)
        return "t: ----" if "E" in value else f"t: {float(value):.2f} C"
