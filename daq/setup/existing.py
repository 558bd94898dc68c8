"""Answers out of files that are there already, so that a bench is changed and not told anew."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby

from daq.config.address import plainly
from daq.config.coil_set import CoilSet
from daq.config.rig import Instrument, Rig
from daq.setup.meters import MANUAL
from daq.setup.parse import HAND, NONE

_PROBES = {"typed": HAND, "meter-pt100": "pt100", "meter-thermocouple-K": "K"}


def answers_of(rig: Rig, coil_set: CoilSet) -> dict[str, str]:
    """Return what somebody would answer to get these files; what setup does not ask about is not in it."""
    return dict([*_of_rig(rig, coil_set.labels()), *_of_set(coil_set)])


def _of_rig(rig: Rig, labels: Sequence[str]) -> Iterator[tuple[str, str]]:
    for role in ("supply", "switch", "oven"):
        instrument: Instrument | None = getattr(rig, role)
        yield role, NONE if instrument is None else plainly(instrument.resource)
    yield "meter", HAND if rig.meter_typed else plainly(rig.meter.resource)
    yield "probe", _PROBES.get(rig.probe.kind) or plainly(rig.probe.resource)
    for role, instrument in rig.instruments().items():
        yield f"{role}_dialect", instrument.dialect
    if rig.supply is not None and rig.supply.channel is not None:
        yield "supply_channel", str(rig.supply.channel)
    yield "wires", str(rig.meter.wires)
    yield "mains_Hz", str(rig.meter.mains_Hz)
    if (accuracy := rig.meter.accuracy) is not None:
        yield "meter_class", MANUAL
        yield "meter_percent", f"{100.0 * accuracy.reading_rel:.6g}"
        yield "meter_offset_ohm", f"{accuracy.offset_ohm + accuracy.range_rel * rig.meter.range_ohm:.6g}"
    if rig.probe.cold_junction_degC is not None:
        yield "cold_junction_degC", f"{rig.probe.cold_junction_degC:g}"
    yield "probe_accuracy_K", f"{rig.probe.accuracy_K:g}"
    if rig.switch is not None:
        for table in ("sense", "power", "probe", "leak"):
            channels = getattr(rig.switch, table)
            if all(label in channels for label in labels):
                yield f"channel_{table}", ", ".join(str(channels[label]) for label in labels)
        if rig.switch.short is not None:
            yield "channel_short", str(rig.switch.short)
    yield "limit_V", f"{rig.limits.voltage_V:g}"
    yield "limit_A", f"{rig.limits.current_A:g}"


def _of_set(coil_set: CoilSet) -> Iterator[tuple[str, str]]:
    runs = groupby(coil_set.coils, lambda coil: coil.kind)
    groups = [(kind, [coil.label for coil in coils]) for kind, coils in runs]
    kinds = [coil_set.kinds[kind] for kind, _ in groups]
    named = [
        f"{' '.join(labels)} {'?' if kind.r20_ohm is None else f'{kind.r20_ohm:g}'}"
        for kind, (_, labels) in zip(kinds, groups, strict=True)
    ]
    yield "set_name", coil_set.name
    yield "coils", ", ".join(named)
    yield "max_current_A", ", ".join(f"{kind.max_current_A:g}" for kind in kinds)
    yield "system_V", f"{coil_set.system_V:g}"
    yield "diode", kinds[0].diode
    yield "body_degC", f"{coil_set.limits.body_degC:g}"
    winding_degC = coil_set.limits.winding_degC
    insulation = coil_set.limits.insulation_class or ""
    yield "insulation", insulation if winding_degC is None else f"{winding_degC:g}"
    yield "heat", coil_set.heat
    if tolerances := [kind.r20_tolerance_rel for kind in kinds if kind.r20_tolerance_rel is not None]:
        yield "tolerance_percent", f"{100.0 * max(tolerances):g}"
    if alike := [kind.peer_max_ohm for kind in kinds if kind.peer_max_ohm is not None]:
        yield "peer_max_ohm", f"{max(alike):g}"
