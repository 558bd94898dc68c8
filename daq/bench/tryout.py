"""Each op that a run will use, tried before anything is driven; what was not tried is said.

A command that an instrument does not know is found here, with the output off, and not seconds into a drive.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from daq.bench.assembly import Assembled
from daq.config.rig import Rig
from daq.config.toml import Loaded
from daq.errors import BenchError, StartError
from daq.instruments.roles import Protection
from daq.instruments.talk.conversation import Conversation

#: Ops that no trial can try without harm or cause, and why. None of them is first used under power.
NO_TRIAL: Mapping[str, Mapping[str, str]] = {
    "supply": {"clear_trip": "nothing has tripped"},
    "oven": {"output on": "it would heat"},
}


def used_ops(rig: Rig, role: str, talk: Conversation) -> list[str]:
    """Return what a run on this bench uses of an instrument, as :attr:`Conversation.tried` calls it."""
    ops = [op for op in talk.ops if role != "meter" or _meter_uses(rig, talk, op)]
    used = []
    for op in ops:
        if op == "output":
            used += ["output off", "output on"]
        elif op.endswith("_armed"):
            used.append(op if talk.only_asked(op) else f"{op} on")
        elif op == "offset_compensation":
            used.append("offset_compensation on")
        else:
            used.append(op)
    return used


def _meter_uses(rig: Rig, talk: Conversation, op: str) -> bool:
    """Whether readings on this bench use *op*: ohms by its wires, volts of a driven coil, insulation."""
    volts = rig.supply is not None or rig.probe.kind.startswith("meter-thermocouple")
    wires = {rig.meter.wires} | ({2} if rig.switch is not None and rig.switch.leak else set())
    settable = {count for count in wires if talk.has(f"function_ohms_{count}w")}
    if op.endswith("volts"):
        return volts and (op != "read_volts" or not talk.has("function_volts"))
    if op == "read_ohms":
        return wires != settable
    if op == "offset_compensation":
        return 4 in settable and rig.meter.offset_compensation
    if op == "read":
        return bool(settable) or (volts and talk.has("function_volts"))
    return any(op.endswith(f"ohms_{count}w") for count in settable)


def try_ops(assembled: Assembled, label: str) -> dict[str, list[str]]:
    """Ask whatever can be asked with nothing driven; return what failed, by role.

    Contacts and leads stay where they are; *label* is only said.
    """
    bench = assembled.bench
    trials: dict[str, list[Callable[[], object]]] = {}
    if bench.supply is not None:
        supply = bench.supply
        trials["supply"] = [supply.output_is_on, supply.voltage, supply.current, supply.mode, supply.tripped]
    if not bench.meter_typed:
        meter = bench.meter
        trials["meter"] = [lambda: meter.resistance(label), lambda: meter.resistance(label, quick=True)]
        if bench.supply is not None:
            trials["meter"].append(lambda: meter.voltage(label))
        if bench.probe_needs_meter:
            trials["meter"].append(meter.sensor_voltage if bench.probe_in_volts else meter.sensor_resistance)
    if bench.oven is not None:
        trials["oven"] = [bench.oven.temperature, lambda: _setpoint_again(assembled)]
    failed: dict[str, list[str]] = {}
    for role, each in trials.items():
        bench.guard.require_off("trying out an instrument")
        failed[role] = [told for trial in each if (told := _failure(trial))]
    return failed


def _setpoint_again(assembled: Assembled) -> None:
    """Write an oven's setpoint as it stands: nothing changes by it."""
    assert assembled.bench.oven is not None
    value = assembled.talks["oven"].ask_number("setpoint").value
    if value is not None:
        assembled.bench.oven.set_temperature(value)


def _failure(trial: Callable[[], object]) -> str:
    try:
        trial()
    except BenchError as exc:
        return str(exc)
    return ""


@dataclass(frozen=True)
class CommandsTried:
    """How many of the ops that a run uses were tried, and which were not: *known* by their reason."""

    count: int
    doubtful: tuple[str, ...]
    known: Mapping[str, str]

    def told(self) -> str:
        """Say it, for people."""
        left = [f"{op} (no way to try it without harm)" for op in self.doubtful]
        left += [f"{op} ({why})" for op, why in self.known.items()]
        told = f"{self.count} that a run uses were tried"
        return f"{told}; not tried: {', '.join(left)}" if left else told


def commands_tried(rig: Rig, assembled: Assembled, role: str) -> CommandsTried:
    """Return what has been tried of what a run uses of the instrument in *role*."""
    talk, reasons = assembled.talks[role], NO_TRIAL.get(role, {})
    used = used_ops(rig, role, talk)
    left = [op for op in used if op not in talk.tried]
    return CommandsTried(
        len(used) - len(left),
        tuple(op for op in left if op not in reasons),
        {op: reasons[op] for op in left if op in reasons},
    )


def require_ops(rig: Loaded[Rig], assembled: Assembled) -> tuple[Protection, ...]:
    """Try at the start of a soak what it will ask of the supply under power.

    Returns:
        What is known of each protection.

    Raises:
        StartError: The supply does not answer one of them as its dialect has it; nothing was driven.
    """
    bench = assembled.bench
    if bench.supply is None:
        return ()
    limits = rig.value.limits
    try:
        bench.guard.require_off("trying out the supply")
        protections = bench.supply.protect(limits.voltage_V, limits.current_A)
        bench.supply.set_current_limit(limits.current_A)
        bench.supply.mode()
        bench.supply.tripped()
    except BenchError as exc:
        told = f"{exc}; tried before anything was driven"
        raise StartError(str(rig.error("supply.dialect", told))) from exc
    return protections
