"""The tables of a dialect file, as structs that refuse what they do not know."""

from __future__ import annotations

from typing import Annotated

import msgspec

from daq.links.settings import AckLine, LinkTable, Table

Positive = Annotated[float, msgspec.Meta(gt=0, le=1e9)]


class WordsTable(Table, frozen=True, kw_only=True):
    """Spellings of on and off."""

    on: Annotated[tuple[str, ...], msgspec.Meta(min_length=1)] = ("ON", "1")
    off: Annotated[tuple[str, ...], msgspec.Meta(min_length=1)] = ("OFF", "0")


class SpecialTable(Table, frozen=True, kw_only=True):
    """Numbers and words that mean 'no number'."""

    not_a_number: tuple[float | str, ...] = (9.91e37,)
    over_range: tuple[float | str, ...] = (9.9e37,)
    no_reading: tuple[str, ...] = ()


class ErrorsTable(Table, frozen=True, kw_only=True):
    """The error queue: how to ask, an entry's shape if none of the known ones, codes that say: empty."""

    ask: str
    reply: str | None = None
    none: Annotated[tuple[int, ...], msgspec.Meta(min_length=1)] = (0,)


class Op(Table, frozen=True, kw_only=True):
    """One thing a role does: a command, a question with its reply, or both."""

    set: str | None = None
    ask: str | None = None
    reply: str | tuple[str, ...] = ()
    #: Read back after setting; numbers may differ by *tolerance* in the op's unit.
    verify: bool = False
    tolerance: Positive | None = None
    #: An SI prefix may stand before the unit.
    scaled: bool = False
    #: The op's unit is the instrument's number times *scale*, plus *offset*; a setting goes the other way.
    scale: Annotated[float, msgspec.Meta(ge=-1e9, le=1e9)] = 1.0
    offset: Annotated[float, msgspec.Meta(ge=-1e9, le=1e9)] = 0.0
    #: Bits of a status word by number, or its words by name; and what it is when none of them is set.
    bits: dict[str, Annotated[int, msgspec.Meta(ge=0, le=31)] | str] = msgspec.field(default_factory=dict)
    otherwise: str = ""
    #: Replies to each word of a text answer.
    choices: dict[str, tuple[str, ...]] = msgspec.field(default_factory=dict)
    #: No reply at all means 'no reading'.
    silent: bool = False
    #: Exact length of a reply, where it is fixed: catches a lost digit.
    length: Annotated[int, msgspec.Meta(gt=0)] | None = None
    #: Least and greatest number this op can answer with.
    plausible: tuple[float, float] | None = None
    #: Lines of its reply, which are matched as one text with line feeds between.
    lines: Annotated[int, msgspec.Meta(ge=1, le=20)] = 1
    #: Lines that follow this setting; None: those of the link.
    ack: tuple[AckLine, ...] | None = None
    #: How long its reply is waited for, where that is not as long as for the others.
    timeout_s: Positive | None = None

    def to_instrument(self, value: float) -> float:
        """Return *value* in the op's unit as the instrument counts it."""
        return value if (self.scale, self.offset) == (1.0, 0.0) else (value - self.offset) / self.scale

    def from_instrument(self, number: float) -> float:
        """Return a *number* of the instrument's in the op's unit."""
        return number if (self.scale, self.offset) == (1.0, 0.0) else number * self.scale + self.offset

    @property
    def replies(self) -> tuple[str, ...]:
        """The accepted replies, one or several."""
        return (self.reply,) if isinstance(self.reply, str) else self.reply


class RoleTable(Table, frozen=True, kw_only=True):
    """What every role has: who it is, and what to send first and last."""

    identity: Op | None = None
    start: tuple[str, ...] = ()
    stop: tuple[str, ...] = ()


class SupplyTable(RoleTable, frozen=True, kw_only=True):
    """What a supply does; volts and amperes."""

    voltage: Op
    current_limit: Op
    output: Op
    measured_voltage: Op
    measured_current: Op
    over_voltage: Op | None = None
    over_current: Op | None = None
    over_voltage_armed: Op | None = None
    over_current_armed: Op | None = None
    mode: Op | None = None
    over_voltage_tripped: Op | None = None
    over_current_tripped: Op | None = None
    clear_trip: Op | None = None


class MeterTable(RoleTable, frozen=True, kw_only=True):
    """What a meter does; ohms, volts, power-line cycles."""

    read: Op | None = None
    read_ohms: Op | None = None
    read_volts: Op | None = None
    function_ohms_4w: Op | None = None
    function_ohms_2w: Op | None = None
    function_volts: Op | None = None
    range_ohms_4w: Op | None = None
    range_ohms_2w: Op | None = None
    range_volts: Op | None = None
    nplc_ohms_4w: Op | None = None
    nplc_ohms_2w: Op | None = None
    nplc_volts: Op | None = None
    offset_compensation: Op | None = None


class ProbeTable(RoleTable, frozen=True, kw_only=True):
    """What a thermometer does; degC."""

    read: Op


class SwitchTable(RoleTable, frozen=True, kw_only=True):
    """What a switch unit does."""

    close: Op
    open: Op
    open_all: Op
    is_closed: Op | None = None


class OvenTable(RoleTable, frozen=True, kw_only=True):
    """What an oven or bath controller does; degC."""

    setpoint: Op
    temperature: Op
    output: Op


class DialectFile(Table, frozen=True, kw_only=True):
    """A dialect as it stands in its file."""

    about: str
    #: Words that a rig file may set, such as the channel, with what they are otherwise.
    params: dict[str, int | str] = msgspec.field(default_factory=dict)
    link: LinkTable = LinkTable()
    words: WordsTable = WordsTable()
    special: SpecialTable = SpecialTable()
    errors: ErrorsTable | None = None
    supply: SupplyTable | None = None
    meter: MeterTable | None = None
    probe: ProbeTable | None = None
    switch: SwitchTable | None = None
    oven: OvenTable | None = None
