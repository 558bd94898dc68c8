"""The rig file: what stands on the bench, what it may be driven to, and how far it can be trusted."""

from __future__ import annotations

from datetime import date
from math import hypot, sqrt
from typing import Annotated, Literal

import msgspec

from analysis.model import Accuracy
from analysis.physics import thermometers

#: Bounds that no bench comes near: a figure beyond them is a slip, and would overflow somewhere.
Positive = Annotated[float, msgspec.Meta(ge=1e-9, le=1e9)]
NotNegative = Annotated[float, msgspec.Meta(ge=0, le=1e9)]
Share = Annotated[float, msgspec.Meta(ge=0, le=1)]
Kelvin = Annotated[float, msgspec.Meta(ge=-1000, le=1000)]
Text = Annotated[str, msgspec.Meta(min_length=1, max_length=200)]
Channel = Annotated[int, msgspec.Meta(ge=0)]
ProbeChannel = int | str

#: What is left of two-wire leads after they are nulled: contacts differ from coil to coil. Common
#: practice, no source; standard uncertainty.
TWO_WIRE_U_OHM = 0.015

#: An oven that obeys may overshoot by a few kelvin as it comes up or as its door closes; limiters of ovens
#: are set 5 to 10 K above the working temperature (common practice, no source). `over_K` in the rig file.
OVER_K = 10.0
#: By then an oven that is off has cooled by 5 K: 18 K above its room, one that loses a third of it in ten
#: minutes does. A better lagged one needs `cool_within_s` in the rig file.
COOL_WITHIN_S = 600.0

TYPED = "typed"
SIMULATED = "sim:"
#: How a rig file begins that `coilsoak practice` wrote; such a file it may replace.
PRACTICE_MARK = (
    "# Practice bench on this machine, all invented; written by `coilsoak practice`, good while that runs.\n"
)

ProbeKind = Literal[
    "instrument",
    "typed",
    "meter-pt100",
    "meter-ntc",
    "meter-thermocouple-K",
    "meter-thermocouple-J",
    "meter-thermocouple-T",
]


class _Table(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A table of the rig file; an unknown key is refused."""


class RigLimits(_Table, frozen=True, kw_only=True):
    """What this bench may never exceed, whatever a coil set asks for."""

    voltage_V: Positive
    current_A: Positive
    body_degC: Positive
    winding_degC: Positive


class Instrument(_Table, frozen=True, kw_only=True):
    """Where an instrument is, how it speaks, and who it must be."""

    resource: Text
    dialect: Text = "scpi-1999"
    #: Text that the instrument's identity must contain, capitals or not.
    identity: Text | None = None
    #: None: what the dialect says.
    timeout_s: Annotated[float, msgspec.Meta(ge=1e-3, le=3600)] | None = None
    calibrated: date | None = None
    #: Serial lines only; None: the usual 9600 baud, 8 data bits, no parity, 1 stop bit, no flow control.
    baud: Annotated[int, msgspec.Meta(gt=0, le=10_000_000)] | None = None
    data_bits: Literal[7, 8] | None = None
    parity: Literal["none", "odd", "even"] | None = None
    stop_bits: Literal[1, 2] | None = None
    flow_control: Literal["none", "rts/cts", "xon/xoff"] | None = None


class SupplyAccuracy(_Table, frozen=True, kw_only=True):
    """Limits of error of the current readback: plus or minus (rel x reading + offset)."""

    current_rel: Share
    current_offset_A: NotNegative = 0.0


class Supply(Instrument, frozen=True, kw_only=True):
    """The bench supply that drives a coil."""

    channel: int | str | None = None
    accuracy: SupplyAccuracy | None = None


class MeterAccuracy(_Table, frozen=True, kw_only=True):
    """Limits of error: plus or minus (reading_rel x reading + range_rel x range + offset_ohm)."""

    reading_rel: Share
    range_rel: Share = 0.0
    offset_ohm: NotNegative = 0.0
    #: Scatter of one reading, standard deviation.
    noise_ohm: NotNegative = Accuracy().noise_ohm
    #: Of DC volts, for V/I while a coil is driven.
    volts_rel: Share = 1e-3


class Meter(Instrument, frozen=True, kw_only=True):
    """The multimeter; *resource* ``typed`` is a hand meter whose readings the operator types in."""

    wires: Literal[2, 4] = 4
    nplc: Positive = 10.0
    quick_nplc: Positive = 1.0
    range_ohm: Positive = 100.0
    range_V: Positive = 10.0
    mains_Hz: Literal[50, 60] = 50
    #: False for a meter that refuses it: what joints of two metals make then stays in each reading.
    offset_compensation: bool = True
    accuracy: MeterAccuracy | None = None


class Thermistor(_Table, frozen=True, kw_only=True):
    """A thermistor, told in one of three ways.

    By 1/T = A + B ln R + C (ln R)^3 with T in kelvin and R in ohm (Steinhart and Hart, 1968), by R at 25 degC
    and one constant beta, or by three points that it goes through.
    """

    A: float | None = None
    B: float | None = None
    C: float | None = None
    r25_ohm: Positive | None = None
    beta_K: Annotated[float, msgspec.Meta(ge=100, le=100_000)] | None = None
    #: Three pairs: temperature in degC, resistance in ohm.
    points: tuple[tuple[Kelvin, Positive], ...] = ()

    def law(self) -> thermometers.Thermistor | None:
        """Return what it is by, or None where that is not told in exactly one way.

        Raises:
            ValueError: Three points that no thermistor goes through.
        """
        if not self.points and self.r25_ohm is None and self.beta_K is None:
            if self.A is not None and self.B is not None and self.C is not None:
                return thermometers.Thermistor(self.A, self.B, self.C)
        elif self.A is None and self.B is None and self.C is None:
            if self.points and self.r25_ohm is None and self.beta_K is None:
                return thermometers.Thermistor.through(self.points)
            if self.r25_ohm is not None and self.beta_K is not None and not self.points:
                return thermometers.Thermistor.from_beta(self.r25_ohm, self.beta_K)
        return None


class Probe(Instrument, frozen=True, kw_only=True):
    """The temperature sensor on the coil's body; *resource* only for a kind ``instrument``."""

    resource: Text = ""
    kind: ProbeKind
    #: What the sensor shows too much; taken off each reading.
    offset_K: Kelvin = 0.0
    #: Limits of error, plus or minus, with the contact to the body.
    accuracy_K: Positive = 1.0
    #: Scatter of one reading, standard deviation.
    noise_K: NotNegative = Accuracy().probe_noise_K
    ntc: Thermistor | None = None
    cold_junction_degC: Kelvin | None = None
    #: One sensor is moved from coil to coil.
    single: bool = False
    #: Of an instrument: the number or letter of each coil's channel, or the one of them all; else those of
    #: [switch.probe], or 1.
    channels: dict[str, ProbeChannel] | ProbeChannel | None = None


class Switch(Instrument, frozen=True, kw_only=True):
    """The switch unit: for each coil label, the channel that leads to it."""

    sense: dict[str, Channel]
    power: dict[str, Channel] = {}
    probe: dict[str, Channel] = {}
    leak: dict[str, Channel] = {}
    #: Joins the meter's leads at their far end.
    short: Channel | None = None
    #: As the last resort against a supply that does not go off its contacts are opened under current.
    break_under_current: bool = False


class Oven(Instrument, frozen=True, kw_only=True):
    """The oven or bath controller; *channel* is its number on a line that several share."""

    channel: int | str | None = None
    #: A channel of the switch unit that has to be closed for the oven to have its mains: opened where the
    #: oven does not obey.
    cut_off: Channel | None = None
    #: An oven that was told to stop has to be seen to cool, by 5 K, within this.
    cool_within_s: Annotated[float, msgspec.Meta(ge=60, le=7200)] = COOL_WITHIN_S
    #: How far its air may come above its setpoint before it counts as disobedient.
    over_K: Annotated[float, msgspec.Meta(ge=5, le=25)] = OVER_K


class Simulation(_Table, frozen=True, kw_only=True):
    """The simulated bench: its fault script, and a seed that takes the place of the script's own."""

    fault_script: Text
    seed: Annotated[int, msgspec.Meta(ge=0)] | None = None
    #: How many times as fast as life; None: in virtual time, as fast as this machine can.
    pace: Annotated[float, msgspec.Meta(ge=0.1, le=3600)] | None = None


class Rig(_Table, frozen=True, kw_only=True):
    """A checked rig file. A role that is None is not on this bench."""

    name: Text
    limits: RigLimits
    meter: Meter
    probe: Probe
    supply: Supply | None = None
    switch: Switch | None = None
    oven: Oven | None = None
    simulation: Simulation | None = None
    #: How much faster than the wall clock the bench lives: above 1 for a practice bench only.
    time_scale: Annotated[float, msgspec.Meta(ge=1, le=3600)] = 1.0
    #: A second process switches the supply off if this program is killed or hangs.
    companion: bool = True

    @property
    def simulated(self) -> bool:
        """Whether this is the simulated bench inside the program, in virtual time."""
        return self.simulation is not None

    @property
    def meter_typed(self) -> bool:
        """Whether the operator types the meter's readings."""
        return self.meter.resource == TYPED

    @property
    def probe_on_meter(self) -> bool:
        """Whether the meter reads the temperature sensor too."""
        return self.probe.kind.startswith("meter-")

    def instruments(self) -> dict[str, Instrument]:
        """Return what answers at an address, by role; typed readings and sensors on the meter do not."""
        roles = {
            "supply": self.supply,
            "meter": self.meter,
            "probe": self.probe,
            "switch": self.switch,
            "oven": self.oven,
        }
        return {name: role for name, role in roles.items() if role and role.resource not in {"", TYPED}}

    def accuracy(self, current_A: float = 1.0) -> Accuracy:
        """Return standard uncertainties (k = 1) for judging; *current_A* is a typical current for V/I.

        Stated limits of error are taken as rectangular and divided by the square root of 3
        (JCGM 100:2008, 4.3.7). Where the file states none, careful defaults stand.
        """
        usual = Accuracy()
        meter, supply = self.meter.accuracy, self.supply.accuracy if self.supply else None
        volts_rel = meter.volts_rel / sqrt(3) if meter else usual.vi_gain_rel / sqrt(2)
        amperes_rel = usual.vi_gain_rel / sqrt(2)
        if supply:
            amperes_rel = (supply.current_rel + supply.current_offset_A / current_A) / sqrt(3)
        return Accuracy(
            gain_rel=meter.reading_rel / sqrt(3) if meter else usual.gain_rel,
            offset_ohm=(meter.range_rel * self.meter.range_ohm + meter.offset_ohm) / sqrt(3)
            if meter
            else usual.offset_ohm,
            contact_ohm=TWO_WIRE_U_OHM if self.meter.wires == 2 else 0.0,
            noise_ohm=meter.noise_ohm if meter else usual.noise_ohm,
            probe_K=self.probe.accuracy_K / sqrt(3),
            probe_noise_K=self.probe.noise_K,
            vi_gain_rel=hypot(volts_rel, amperes_rel),
        )
