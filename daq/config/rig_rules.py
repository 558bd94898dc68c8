"""What a rig file must satisfy beyond its keys and types."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

from daq.config.rig import Instrument, Rig, Thermistor
from daq.config.toml import Loaded
from daq.config.toml_lines import quote_key

#: What may stand as a resource beside ``sim:ROLE`` and ``typed``: a VISA address.
_VISA = re.compile(r"(TCPIP|ASRL|USB|GPIB|VXI|PXI|RSNRP|PRLGX)[^\s:]*(::[^\s]+)?", re.IGNORECASE)
_SERIAL = re.compile(r"ASRL(?P<port>.+?)(::INSTR)?", re.IGNORECASE)
_LOOPBACK = re.compile(r"TCPIP\d*::(127(\.\d{1,3}){3}|localhost|\[?::1\]?)::.+", re.IGNORECASE)
_PSEUDO_SERIAL = ("/dev/pts/", "/dev/ttys")
_SERIAL_KEYS = ("baud", "data_bits", "parity", "stop_bits", "flow_control")
_SIMULATED_RESOURCES = {
    "supply": "sim:supply",
    "meter": "sim:meter",
    "probe": "sim:thermometer",
    "switch": "sim:switch",
    "oven": "sim:oven",
}
_ADDRESSES = "'COM3', '/dev/ttyUSB0', '192.0.2.10', 'meter.local:5555' or 'USB0::...::INSTR'"

_THERMISTOR = (
    "{ A = .., B = .., C = .. }, { r25_ohm = .., beta_K = .. } or { points = [[degC, ohm], ..] } with three"
)

Trouble = tuple[str, str]


def check(rig: Loaded[Rig]) -> None:
    """Raise InputError with file, line and key for what cannot be first, and for all that is missing."""
    parts = (_resources, _time_scale, _meter, _probe, _switch, _oven)
    rig.require_none([trouble for part in parts for trouble in part(rig.value)])


def _present(rig: Rig) -> dict[str, Instrument]:
    roles = {
        "supply": rig.supply,
        "meter": rig.meter,
        "probe": rig.probe,
        "switch": rig.switch,
        "oven": rig.oven,
    }
    return {name: role for name, role in roles.items() if role is not None and role.resource}


def _resources(rig: Rig) -> Iterator[Trouble]:
    for name, role in _present(rig).items():
        key, resource = f"{name}.resource", role.resource
        if resource == "typed":
            if name != "meter":
                hint = "; write kind = 'typed' for a hand thermometer" if name == "probe" else ""
                yield key, f"is 'typed', which only a meter can be{hint}"
        elif resource.startswith("sim:"):
            if resource != _SIMULATED_RESOURCES[name]:
                yield key, f"is {resource!r}, expected {_SIMULATED_RESOURCES[name]!r}"
            if rig.simulation is None:
                yield key, f"is {resource!r}, but the file has no [simulation] with a fault_script"
        elif not _VISA.fullmatch(resource):
            yield key, f"is {resource!r}, expected an address like {_ADDRESSES}"
        elif rig.simulation is not None:
            expected = _SIMULATED_RESOURCES[name]
            yield key, f"is {resource!r}, but with [simulation] all is simulated: expected {expected!r}"
        if not _SERIAL.fullmatch(resource):
            for serial in _SERIAL_KEYS:
                if getattr(role, serial) is not None:
                    yield f"{name}.{serial}", f"is for serial lines, and {resource!r} is none"


def _time_scale(rig: Rig) -> Iterator[Trouble]:
    if rig.time_scale == 1 or rig.simulation is not None:
        return
    for name, role in _present(rig).items():
        if not _is_local(role.resource):
            message = (
                f"is {rig.time_scale:g}, but {name} at {role.resource!r} lives in real time; above 1 is for "
                "a practice bench on loopback and pseudo-serial ports"
            )
            yield "time_scale", message


def on_this_machine(rig: Rig) -> bool:
    """Whether programs of this machine may be all that is behind the rig file's addresses."""
    return all(_is_local(role.resource) for role in _present(rig).values())


def _is_local(resource: str) -> bool:
    """Whether only a program of this machine can be behind *resource*."""
    if _LOOPBACK.fullmatch(resource):
        return True
    serial = _SERIAL.fullmatch(resource)
    return serial is not None and str(Path(serial["port"]).resolve()).startswith(_PSEUDO_SERIAL)


def _meter(rig: Rig) -> Iterator[Trouble]:
    if rig.meter.resource == "typed" and rig.meter.accuracy is None:
        yield "meter.accuracy", "is missing: nobody but this file can say what a hand meter is good for"


def _probe(rig: Rig) -> Iterator[Trouble]:
    probe = rig.probe
    if probe.kind == "instrument" and not probe.resource:
        yield "probe.resource", "is missing, expected the thermometer's address"
    if probe.kind != "instrument" and probe.resource:
        yield (
            "probe.resource",
            f"is {probe.resource!r}, but a probe of kind {probe.kind!r} has no address of its own",
        )
    if probe.channels is not None and probe.kind != "instrument":
        yield "probe.channels", f"are an instrument's, and a probe of kind {probe.kind!r} has none"
    if isinstance(probe.channels, dict) and rig.switch is not None:
        missing = [label for label in rig.switch.sense if label not in probe.channels]
        if missing:
            yield "probe.channels", f"has no channel for {', '.join(missing)}, expected one for each coil"
    if probe.kind.startswith("meter-") and rig.meter.resource == "typed":
        yield (
            "probe.kind",
            f"is {probe.kind!r}, but the meter is typed and can read no sensor; expected 'typed'",
        )
    if (probe.kind == "meter-ntc") != (probe.ntc is not None):
        problem = f"is missing, expected {_THERMISTOR}" if probe.ntc is None else "is for meter-ntc only"
        yield "probe.ntc", problem
    if probe.ntc is not None:
        yield from _thermistor(probe.ntc)
    needs_junction = probe.kind.startswith("meter-thermocouple-")
    if needs_junction != (probe.cold_junction_degC is not None):
        problem = "is missing, expected the temperature where the wires meet copper"
        yield (
            "probe.cold_junction_degC",
            problem if needs_junction else "is for meter-thermocouple kinds only",
        )


def _thermistor(ntc: Thermistor) -> Iterator[Trouble]:
    """A thermistor falls to a fraction as it warms; figures that say otherwise are mistyped."""
    try:
        law = ntc.law()
    except (ValueError, OverflowError) as exc:
        yield "probe.ntc.points", f"cannot be ({exc})"
        return
    if law is None:
        yield "probe.ntc", f"says too little or too much, expected {_THERMISTOR}"
        return
    try:
        cold_ohm, hot_ohm = law.resistance_ohm(0.0), law.resistance_ohm(100.0)
    except (ArithmeticError, ValueError):
        cold_ohm = hot_ohm = 0.0
    # From beta 700 K, below any that is sold (common practice, no source).
    if not 0.0 < 2.0 * hot_ohm < cold_ohm < 1e12:
        yield "probe.ntc", "is no thermistor: from 0 to 100 degC it must fall below half; see its sheet"


def _switch(rig: Rig) -> Iterator[Trouble]:
    switch = rig.switch
    if switch is None:
        return
    if not switch.sense:
        yield "switch.sense", "is empty, expected a channel a coil, such as Y1 = 201"
    shared = rig.probe.single and len(set(switch.probe.values())) == 1
    used: dict[int, str] = {}
    tables = {"sense": switch.sense, "power": switch.power, "probe": switch.probe, "leak": switch.leak}
    for table, channels in tables.items():
        for label, channel in channels.items():
            key = f"switch.{table}.{quote_key(label)}"
            if label not in switch.sense:
                yield key, f"has no sense channel: add {label} to [switch.sense]"
            if table == "probe" and shared and used.get(channel, "").startswith("probe."):
                continue
            if channel in used:
                yield key, f"is channel {channel}, which {used[channel]} has already"
            used[channel] = f"{table}.{label}"
    if switch.short is not None and switch.short in used:
        yield "switch.short", f"is channel {switch.short}, which {used[switch.short]} has already"
    for table, needed in (
        ("power", rig.supply is not None),
        ("probe", rig.probe.kind.startswith("meter-") and not rig.probe.single),
    ):
        missing = [label for label in switch.sense if needed and label not in tables[table]]
        if missing:
            yield (
                f"switch.{table}",
                f"has no channel for {', '.join(missing)}, expected one for each coil in sense",
            )


def _oven(rig: Rig) -> Iterator[Trouble]:
    """The contactor of the oven's mains is a channel of the switch unit that is used for nothing else."""
    channel = None if rig.oven is None else rig.oven.cut_off
    if channel is None:
        return
    switch = rig.switch
    if switch is None:
        yield "oven.cut_off", "is a channel of the switch unit, and the file has no [switch]"
        return
    tables = {"sense": switch.sense, "power": switch.power, "probe": switch.probe, "leak": switch.leak}
    used = {number: f"{name}.{label}" for name, table in tables.items() for label, number in table.items()}
    if switch.short is not None:
        used[switch.short] = "short"
    if channel in used:
        yield "oven.cut_off", f"is channel {channel}, which switch.{used[channel]} has already"
