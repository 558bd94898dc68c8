"""The fault script: a TOML file that says what the simulated bench is and what is wrong with it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Literal

import msgspec

from daq.config import toml
from daq.config.toml_lines import quote_key

#: Wide enough for any bench, narrow enough that a simulation of it neither overflows nor stands still.
Positive = Annotated[float, msgspec.Meta(ge=1e-6, le=1e12)]
NotNegative = Annotated[float, msgspec.Meta(ge=0, le=1e6)]
DegC = Annotated[float, msgspec.Meta(ge=-273.15, le=1e4)]
Share = Annotated[float, msgspec.Meta(ge=0, lt=1)]
Channel = Annotated[int, msgspec.Meta(ge=1, le=9999)]
Label = Annotated[str, msgspec.Meta(min_length=1, max_length=40)]


class Thermal(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Heat capacities and conductances of one kind of coil."""

    winding_J_per_K: Positive = 18.0
    body_J_per_K: Positive = 90.0
    core_J_per_K: Positive = 44.0
    probe_J_per_K: Positive = 0.8
    shell_to_shell_W_per_K: Positive = 0.85
    winding_to_body_W_per_K: Positive = 1.05
    body_to_core_W_per_K: Positive = 1.6
    body_to_probe_W_per_K: Positive = 0.1
    still_air_W_per_K: Positive = 0.26
    moving_air_W_per_K: Positive = 0.66


class Kind(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What coils of one kind have in common."""

    copper_ohm: Positive
    spread_rel: Share = 0.005
    joint_ohm: NotNegative = 0.01
    #: Of this batch of wire; annealed copper of 100 % IACS (NBS Handbook 100, 1966; IEC 60028).
    alpha20_per_K: Annotated[float, msgspec.Meta(ge=0.0035, le=0.0043)] = 0.00393
    leakage_ohm: Positive = 5e9
    leakage_halving_K: Positive = 10.0
    thermal: Thermal = Thermal()


class HeatOpen(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The winding opens above one temperature and closes again below a lower one."""

    opens_above_degC: DegC
    closes_below_degC: DegC


class HotShort(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A share of the turns shorts above one temperature and parts again below a lower one."""

    share: Annotated[float, msgspec.Meta(gt=0, lt=1)]
    shorts_above_degC: DegC
    parts_below_degC: DegC


class Dropouts(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Short opens; their rate grows linearly from the onset to *open_share* of the time at the reference."""

    onset_degC: DegC
    reference_degC: DegC = 90.0
    open_share: Annotated[float, msgspec.Meta(ge=0, le=0.5)]
    mean_open_s: Annotated[float, msgspec.Meta(ge=0.005, le=60)] = 0.2


class Drift(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The copper resistance creeps up for good while the winding is above a temperature."""

    above_degC: DegC
    rate_rel_per_h: NotNegative


class Diode(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A diode across the coil: it blocks, or with the leads swapped it takes the supply's current."""

    leads_swapped: bool = False
    #: Where it begins to conduct, and what it has beyond that.
    forward_V: Positive = 0.7
    series_ohm: Positive = 0.02


class ProbeFault(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What becomes of a coil's probe once its body passes *at_degC*, on its way up or down."""

    at_degC: DegC
    becomes: Literal["off", "sliding", "frozen", "open"]
    on_the_way_down: bool = False
    #: Time constant of a probe that is off; how long one slides.
    within_s: Positive = 15.0
    #: What it then hangs in: the room, or the air around the coils.
    hangs_in: Literal["room", "oven"] = "room"


class CoilPart(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One coil and its faults; what is not given is as its kind says."""

    label: Label
    kind: Label
    copper_ohm: Positive | None = None
    joint_ohm: NotNegative | None = None
    leakage_ohm: Positive | None = None
    shorted_share: Share = 0.0
    heat_open: HeatOpen | None = None
    hot_short: HotShort | None = None
    dropouts: Dropouts | None = None
    drift: Drift | None = None
    diode: Diode | None = None
    #: Where it starts: just washed, or out of an oven; None: at ambient.
    start_degC: DegC | None = None
    probe: Literal["good", "loose", "open", "shorted"] = "good"
    probe_fault: ProbeFault | None = None
    probe_offset_K: Annotated[float, msgspec.Meta(ge=-100, le=100)] = 0.0
    #: On the body of which coil its probe sits, if not on its own.
    probe_on: Label | None = None


class Oven(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The oven: full-power heating rate, time constants of its losses, its sensor."""

    heating_K_per_min: Positive = 7.0
    heater_lag_s: Positive = 18.0
    closed_loss_s: Positive = 1500.0
    vented_loss_s: Positive = 60.0
    proportional_per_K: Positive = 0.35
    integral_per_K_s: NotNegative = 0.003
    max_setpoint_degC: Positive = 150.0
    sensor_noise_K: NotNegative = 0.02
    #: What goes wrong with it *fault_at_s* after the start: its contactor welds, and it heats at full power;
    #: it is deaf, answers as it is told and goes on as before; its sensor stays at what it last showed.
    fault: Literal["welded", "deaf", "sensor stuck"] | None = None
    fault_at_s: NotNegative = 0.0


class Supply(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The DC supply: range, speed, how well it sets and how well it reads."""

    max_V: Positive = 32.0
    max_A: Positive = 6.0
    slew_V_per_s: Positive = 150.0
    setting_error_rel: Share = 3e-4
    readback_error_rel: Share = 5e-4
    readback_noise_V: NotNegative = 1e-4
    readback_noise_A: NotNegative = 1e-4
    #: At this switching-off the output stage fails closed, and the supply says that all is off.
    lies_at_off: Annotated[int, msgspec.Meta(ge=1)] | None = None


class Meter(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The meter's specification: limits the errors are drawn from, relative and per range."""

    gain_error_rel: Share = 1e-4
    offset_error_of_range: Share = 4e-5
    noise_of_range: Share = 3e-6
    mains_Hz: Positive = 50.0
    #: On average one reading in so many is no number, and one is wrong by a digit.
    garbage_once_in: Annotated[int, msgspec.Meta(ge=1)] | None = None
    wrong_digit_once_in: Annotated[int, msgspec.Meta(ge=1)] | None = None
    #: The reading of a coil under current, counted from 1, at which the meter falls silent, and for how long.
    hangs_at_driven: Annotated[int, msgspec.Meta(ge=1)] | None = None
    hang_s: Positive = 1e9

    @property
    def unreliable(self) -> bool:
        """Whether it babbles or hangs."""
        faults = (self.garbage_once_in, self.wrong_digit_once_in, self.hangs_at_driven)
        return any(each is not None for each in faults)


class Thermometer(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The bench thermometer: one channel a coil, each with an offset and a gain error within these limits."""

    offset_limit_K: NotNegative = 0.2
    #: Of the distance from 20 degC.
    gain_limit_rel: Share = 0.0
    noise_K: NotNegative = 0.02


class Wiring(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How instruments reach the coils: channel lists in the order of the coils, or leads moved by hand."""

    switch: bool = True
    direct: Label | None = None
    power: tuple[Channel, ...] = ()
    sense: tuple[Channel, ...] = ()
    probe: tuple[Channel, ...] = ()
    leak: tuple[Channel, ...] = ()
    short: Channel | None = None
    #: Has to be closed for the oven to have its mains.
    oven: Channel | None = None
    power_lead_ohm: NotNegative = 0.06
    meter_lead_ohm: NotNegative = 0.12
    contact_ohm: NotNegative = 0.05
    contact_spread_ohm: NotNegative = 0.01
    contact_emf_V: NotNegative = 2e-6


class Hand(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A hand that moves the meter's leads: how long it takes, and how firmly it holds them."""

    #: From being told to a move.
    reaction_s: NotNegative = 0.4
    #: From one coil to the next, the leads in the air.
    reach_s: NotNegative = 1.2
    #: From the first touch until the contact is firm; *wobbles_s* for single coils, by label.
    wobble_s: NotNegative = 0.3
    wobbles_s: dict[Label, NotNegative] = {}
    #: Coils it takes another one for, once each.
    mistakes: dict[Label, Label] = {}
    #: What a firm contact adds at most.
    firm_ohm: NotNegative = 0.01


class FaultScript(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A whole simulated bench."""

    about: str
    seed: Annotated[int, msgspec.Meta(ge=0)]
    ambient_degC: Annotated[float, msgspec.Meta(gt=-40, lt=60)] = 22.0
    oven: Oven | None = None
    supply: Supply = Supply()
    meter: Meter = Meter()
    thermometer: Thermometer = Thermometer()
    wiring: Wiring
    #: Only without a switch unit.
    hand: Hand | None = None
    kinds: dict[Label, Kind]
    coils: Annotated[tuple[CoilPart, ...], msgspec.Meta(min_length=1, max_length=64)]


def load(path: Path) -> FaultScript:
    """Read and check the fault script at *path*.

    Raises:
        InputError: no such file, not TOML, an unknown key, a value out of bounds, or tables that
            contradict each other; one line with file, line and key.
    """
    loaded = toml.load(path, FaultScript)
    for key, complaint in _contradictions(loaded.value):
        raise loaded.error(key, complaint)
    return loaded.value


def _contradictions(script: FaultScript) -> Iterator[tuple[str, str]]:
    labels = [part.label for part in script.coils]
    for index, part in enumerate(script.coils):
        at = f"coils[{index}]"
        if part.label in labels[:index]:
            yield f"{at}.label", f"is {part.label!r}, which is there twice; labels must differ"
        if part.kind not in script.kinds:
            yield f"{at}.kind", f"is {part.kind!r}, none of the kinds {', '.join(sorted(script.kinds))}"
        if part.probe_on is not None and part.probe_on not in labels:
            yield f"{at}.probe_on", f"is {part.probe_on!r}, none of the coils {', '.join(labels)}"
        hot = part.heat_open
        if hot is not None and not hot.closes_below_degC < hot.opens_above_degC:
            yield f"{at}.heat_open.closes_below_degC", "must be below opens_above_degC"
        short = part.hot_short
        if short is not None and not short.parts_below_degC < short.shorts_above_degC:
            yield f"{at}.hot_short.parts_below_degC", "must be below shorts_above_degC"
        drops = part.dropouts
        if drops is not None and not drops.onset_degC < drops.reference_degC:
            yield f"{at}.dropouts.onset_degC", "must be below reference_degC"
    oven = script.oven
    if oven is not None and not oven.heater_lag_s < min(oven.vented_loss_s, oven.closed_loss_s):
        yield (
            "oven.heater_lag_s",
            "must be below vented_loss_s and closed_loss_s: a heater is faster than its oven",
        )
    if script.hand is not None and script.wiring.switch:
        yield "hand", "has no leads to move: they are wired to the switch (switch = false has loose ones)"
    if script.hand is not None:
        yield from _hand_contradictions(script.hand, labels)
    yield from _wiring_contradictions(script.wiring, labels, loose=script.hand is not None)


def _hand_contradictions(hand: Hand, labels: list[str]) -> Iterator[tuple[str, str]]:
    for label in hand.wobbles_s:
        if label not in labels:
            yield f"hand.wobbles_s.{quote_key(label)}", f"is none of the coils {', '.join(labels)}"
    for label, other in hand.mistakes.items():
        if not {label, other} <= {*labels}:
            yield f"hand.mistakes.{quote_key(label)}", f"is between two of the coils {', '.join(labels)}"


def _wiring_contradictions(wiring: Wiring, labels: list[str], *, loose: bool) -> Iterator[tuple[str, str]]:
    lists = {"power": wiring.power, "sense": wiring.sense, "probe": wiring.probe, "leak": wiring.leak}
    if not wiring.switch:
        if wiring.direct not in labels and not (loose and wiring.direct is None):
            yield (
                "wiring.direct",
                f"without a switch it names the coil the leads are on, one of {', '.join(labels)}",
            )
        for name, channels in lists.items():
            if channels:
                yield f"wiring.{name}", "there are no channels without a switch; remove it"
        return
    if wiring.direct is not None:
        yield "wiring.direct", "only without a switch (switch = false); remove it"
    for name, channels in lists.items():
        if name in {"power", "sense"} and not channels:
            yield f"wiring.{name}", "is missing; give one channel for each coil"
        if channels and len(channels) != len(labels):
            yield (
                f"wiring.{name}",
                f"has {len(channels)} channels for {len(labels)} coils; give one for each coil",
            )
    used = [*wiring.power, *wiring.sense, *wiring.probe, *wiring.leak]
    used += [channel for channel in (wiring.short, wiring.oven) if channel is not None]
    for channel in used:
        if used.count(channel) > 1:
            yield "wiring", f"channel {channel} is used twice; a channel has one contact"
