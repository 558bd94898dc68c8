"""The two files that a setup writes: a rig file and a coil-set file, with a word behind what stands there."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator, Sequence

import msgspec

from daq.config.coil_set import CLASS_DEGC
from daq.config.rig import Rig
from daq.config.toml import line_of
from daq.config.toml_lines import quote_key
from daq.instruments.dialects.load import SHIPPED
from daq.setup.plan import Plan, Wired

#: The bench's own limits stand so far above the set's.
_ABOVE_K = 5.0
#: Of the voltage the coils are made for; common practice, no source.
_TEST_SHARE = 0.7
_STEPS_DEGC = (50, 70, 90)


def rig_of(plan: Plan) -> Rig:
    """Return the rig that *plan* describes, as a run would read it."""
    return msgspec.convert(tomllib.loads(rig_text(plan)), Rig)


def rig_text(plan: Plan) -> str:
    """Return the rig file of *plan*."""
    return "\n".join(_rig_lines(plan)) + "\n"


def set_text(plan: Plan) -> str:
    """Return the coil-set file of *plan*."""
    return "\n".join(_set_lines(plan)) + "\n"


def without(dialect: str, role: str, ops: Sequence[str]) -> str:
    """Return the text of a shipped dialect with *ops* of *role* behind a '#', as an instrument lacks them."""
    path = SHIPPED / f"{dialect}.toml"
    text = path.read_text(encoding="utf-8")
    kept = tomllib.loads(text)
    lines = text.splitlines()
    begins = sorted(number for op in kept[role] if (number := line_of(text, f"{role}.{op}")))
    for op in ops:
        number = line_of(text, f"{role}.{op}")
        assert number is not None
        after = next((each for each in begins if each > number), number + 1)
        for at in range(number - 1, min(after - 1, len(lines))):
            if lines[at].startswith("["):
                break
            lines[at] = f"# not answered: {lines[at]}" if lines[at] else ""
    return "\n".join([f"# {dialect} without what the {role} of this bench did not answer.", *lines]) + "\n"


def _text(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _figure(value: float) -> str:
    return repr(float(f"{value:.6g}"))


def winding_degC(plan: Plan) -> float:
    """Return the most that the winding may reach."""
    if plan.winding_degC is not None:
        return plan.winding_degC
    return next(degC for name, degC in CLASS_DEGC.items() if name == plan.insulation)


def _rig_lines(plan: Plan) -> Iterator[str]:
    yield "# Written by `coilsoak setup`; `simulated.toml` explains every key. Names end with units."
    yield f"name = {_text(plan.name)}"
    yield ""
    yield "# What this bench may never exceed, whatever a coil set asks for."
    yield "[limits]"
    yield f"voltage_V = {_figure(plan.limit_V)}"
    yield f"current_A = {_figure(plan.limit_A)}"
    yield f"body_degC = {_figure(plan.body_degC + _ABOVE_K)}"
    yield f"winding_degC = {_figure(winding_degC(plan) + _ABOVE_K)}"
    if plan.supply is not None:
        yield ""
        yield "[supply]"
        yield from _instrument_lines(plan.supply)
        yield "# Its readback: +-(current_rel x reading + current_offset_A). Put in what its data sheet says."
        yield "# accuracy = { current_rel = 0.002, current_offset_A = 0.005 }"
    yield from _meter_lines(plan)
    yield from _probe_lines(plan)
    yield from _switch_lines(plan)
    if plan.oven is not None:
        yield ""
        yield "[oven]"
        yield from _instrument_lines(plan.oven)


def _instrument_lines(wired: Wired) -> Iterator[str]:
    yield f"resource = {_text(wired.address)}"
    yield f"dialect = {_text(wired.dialect)}"
    if wired.identity:
        yield f"identity = {_text(wired.identity)}  # another answer stops the start"
    if wired.baud is not None:
        yield f"baud = {wired.baud}"
    if wired.channel is not None:
        yield f"channel = {wired.channel}"
    yield "# calibrated = 2026-01-31"


def _meter_lines(plan: Plan) -> Iterator[str]:
    yield ""
    yield "[meter]"
    if plan.meter is None:
        yield 'resource = "typed"  # a hand meter: you type what it shows'
        yield "# calibrated = 2026-01-31"
    else:
        yield from _instrument_lines(plan.meter)
        yield f"mains_Hz = {plan.mains_Hz}"
        yield "range_V = 100.0"
    yield f"wires = {plan.wires}"
    yield f"range_ohm = {_figure(plan.range_ohm)}"
    assert plan.accuracy is not None
    yield ""
    yield f"# Limits of error, {plan.accuracy_source}:"
    yield "# +-(reading_rel x reading + range_rel x range_ohm + offset_ohm); noise_ohm is the scatter."
    yield "[meter.accuracy]"
    for key in ("reading_rel", "range_rel", "offset_ohm", "noise_ohm"):
        yield f"{key} = {_figure(getattr(plan.accuracy, key))}"


def _probe_lines(plan: Plan) -> Iterator[str]:
    yield ""
    yield "[probe]"
    yield f"kind = {_text(plan.probe_kind)}"
    if plan.probe is not None:
        yield from _instrument_lines(plan.probe)
    else:
        yield "# calibrated = 2026-01-31"
    if plan.probe_letter:
        yield f"channels = {_text(plan.probe_letter)}  # or a table with each coil's own"
    if plan.cold_junction_degC is not None:
        yield f"cold_junction_degC = {_figure(plan.cold_junction_degC)}"
    yield f"accuracy_K = {_figure(plan.probe_accuracy_K)}  # with its contact to the coil"
    yield f"noise_K = {0.5 if plan.probe_kind == 'typed' else 0.1}  # scatter of one reading"
    yield f"single = {'true' if plan.probe_single else 'false'}  # true: one sensor moves from coil to coil"


def _switch_lines(plan: Plan) -> Iterator[str]:
    if plan.switch is None:
        return
    yield ""
    yield "# The switch unit: for each coil the channel that leads to it."
    yield "[switch]"
    yield from _instrument_lines(plan.switch)
    if plan.short is not None:
        yield f"short = {plan.short}  # joins the meter's leads at their far end"
    for table, channels in plan.channels.items():
        yield ""
        yield f"[switch.{table}]"
        for label, channel in zip(plan.labels, channels, strict=True):
            yield f"{quote_key(label)} = {channel}"


def _set_lines(plan: Plan) -> Iterator[str]:
    yield "# Written by `coilsoak setup`. `snow_groomer.toml` explains every key."
    yield f"name = {_text(plan.set_name)}"
    yield f'heat = {_text(plan.heat)}  # "oven", "supply" or "hand"'
    yield f"system_V = {_figure(plan.system_V)}"
    yield ""
    yield "[test]"
    yield f"voltage_V = {_figure(_TEST_SHARE * plan.system_V)}  # while a coil is energised"
    steps = [step for step in _STEPS_DEGC if step <= min(plan.body_degC, winding_degC(plan))]
    yield f"steps_degC = {steps or [round(min(plan.body_degC, winding_degC(plan)))]}"
    yield ""
    yield "# Temperatures that no coil of the set may pass."
    yield "[limits]"
    yield f"body_degC = {_figure(plan.body_degC)}"
    if plan.winding_degC is not None:
        yield f"winding_degC = {_figure(plan.winding_degC)}"
    else:
        yield f"insulation_class = {_text(plan.insulation)}"
    for at, group in enumerate(plan.groups, start=1):
        yield ""
        yield f"[kinds.{_kind(at)}]"
        if group.r20_ohm is not None:
            yield f"r20_ohm = {_figure(group.r20_ohm)}  # at 20 degC"
            yield f"r20_tolerance_rel = {_figure(plan.tolerance_rel)}"
        yield f"max_current_A = {_figure(group.max_current_A)}"
        if plan.peer_max_ohm is not None:
            yield f"peer_max_ohm = {_figure(plan.peer_max_ohm)}  # away from like coils of the set"
        yield f"diode = {_text(plan.diode)}"
    for at, group in enumerate(plan.groups, start=1):
        for label in group.labels:
            yield ""
            yield "[[coils]]"
            yield f"label = {_text(label)}"
            yield f"kind = {_text(_kind(at))}"
            yield '# serial = ""'


def _kind(at: int) -> str:
    return f"kind{at}"
