"""Is the bench what its rig file says? Identities, limits, leads, probes; nothing is energised."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from math import inf
from pathlib import Path

from rich.console import Console

from analysis.model import MOST_LEADS_OHM
from daq.bench.assembly import Assembled, open_bench
from daq.bench.bench import Bench
from daq.bench.operator import AbsentOperator
from daq.bench.watchdog.client import Companion, companion
from daq.config.load import load_inputs
from daq.config.rig import TYPED, Rig
from daq.config.toml import Loaded
from daq.errors import BenchError, StartError
from daq.instruments.haste import UNDER_CURRENT_S
from daq.procedures.sweep.sweep import WORKSHOP_DEGC
from daq.run.coarse import too_coarse
from daq.screen.console import ConsoleOperator
from daq.tables import Finding

#: Four-wire readings of joined leads are zero but for the meter's offset and contacts.
FOUR_WIRE_LEADS_OHM = 0.02
#: Probes of parts that lie side by side.
PROBE_SPREAD_K = 2.0


def check_bench(rig: Path | None, coil_set: Path | None, seed: int | None, console: Console) -> list[Finding]:
    """Look at every instrument and way of the bench.

    Raises:
        InputError: A file is wrong, or an instrument does not answer or is another; with file and line.
    """
    rig_file, set_file = load_inputs(rig, coil_set, heat="hand")
    operator = ConsoleOperator(console) if console.is_terminal else AbsentOperator()
    alarms: list[str] = []
    with companion() as beside, open_bench(rig_file, operator, alarms.append, seed=seed) as assembled:
        labels = set_file.value.labels()
        findings = [
            *_instruments(rig_file.value, assembled),
            *_bench(rig_file.value, assembled.bench, labels),
            *(
                Finding(f"limits of {kind}", False, why)
                for kind, why in too_coarse(rig_file.value, set_file.value)
            ),
        ]
        if assembled.bench.harness.switched or not assembled.bench.typed:
            findings += _probes(assembled.bench, labels if assembled.bench.harness.switched else labels[:1])
        findings += _slow(assembled.bench, labels[0])
        findings += _companion(rig_file, assembled.bench, beside)
        assembled.bench.harness.release()
    return [*findings, *(Finding("alarm", False, text) for text in alarms)]


def _instruments(rig: Rig, assembled: Assembled) -> Iterator[Finding]:
    for role, used in rig.instruments().items():
        identity = assembled.identities[role]
        if identity:
            unsure = "" if used.identity else "; the rig file expects no one in particular"
            yield Finding(role, True, identity + unsure)
        else:
            yield Finding(role, True, "answers, but this dialect cannot ask who it is")
    for role, kind in (("meter", rig.meter.resource), ("probe", rig.probe.kind)):
        if kind == TYPED:
            yield Finding(role, True, "read by the operator and typed in")


def _bench(rig: Rig, bench: Bench, labels: tuple[str, ...]) -> Iterator[Finding]:
    if bench.supply is not None:
        on = bench.supply.output_is_on()
        yield Finding("supply output", not on, "on" if on else "off, read back")
        yield _protection(rig, bench)
        yield _seen_off(bench)
    if bench.typed:
        return
    yield _leads(bench)
    if bench.harness.switched:
        open_ways = [label for label in labels if bench.resistance(label).value is None]
        found = (
            f"{', '.join(open_ways)} read open or over range" if open_ways else f"{len(labels)} coils read"
        )
        yield Finding("ways to the coils", not open_ways, found)


def _protection(rig: Rig, bench: Bench) -> Finding:
    """Set the rig's limits; what is said of them is what was read back."""
    assert bench.supply is not None
    limits = rig.limits
    try:
        protections = bench.supply.protect(limits.voltage_V, limits.current_A)
        bench.supply.set_current_limit(limits.current_A)
    except BenchError as exc:
        return Finding("supply limits", False, str(exc))
    found = f"{limits.voltage_V:g} V and {limits.current_A:g} A; {'; '.join(p.told() for p in protections)}"
    if all(each.state == "armed" for each in protections):
        return Finding("supply limits", True, found)
    if all(each.state == "missing" for each in protections):
        return Finding("supply limits", True, f"{found}: the current limit stands alone")
    return Finding("supply limits", None, found)


def _seen_off(bench: Bench) -> Finding:
    """Say who besides the supply sees that a coil is off."""
    if bench.meter_typed:
        return Finding(
            "off, seen by", True, "the supply alone: no meter here sees a coil that it says is off"
        )
    return Finding(
        "off, seen by",
        None,
        "not tried here: after each drive supply and meter have to show that the coil has no voltage",
    )


def _slow(bench: Bench, label: str) -> Iterator[Finding]:
    """Say which instrument needs longer for an answer than anybody waits while current flows."""
    if bench.supply is None:
        return
    asked: dict[str, Callable[[], object]] = {"supply": bench.supply.current}
    if not bench.meter_typed:
        if bench.harness.switched:  # by hand nobody is asked to: without a coil it takes as long
            bench.harness.to_coil(label)
        asked["meter"] = lambda: bench.meter.voltage(label)
    if not (bench.probe_typed or bench.probe_needs_meter):
        asked["probe"] = lambda: bench.temperature(label)
    for role, ask in asked.items():
        took_s = inf
        for _ in range(2):  # one reply may be late for another reason
            began_s = bench.clock.monotonic()
            ask()
            took_s = min(took_s, bench.clock.monotonic() - began_s)
        if took_s > UNDER_CURRENT_S:
            yield Finding(
                f"pace of {role}",
                False,
                f"needs {took_s:.1f} s for an answer; while current flows nobody waits longer than "
                f"{UNDER_CURRENT_S:g} s, whatever timeout_s the rig file gives: set it faster",
            )


def _leads(bench: Bench) -> Finding:
    leads = bench.lead_resistance()
    if leads is None:
        return Finding("meter leads", True, "not measured: the rig file names no channel that joins them")
    if leads.value is None:
        return Finding("meter leads", False, f"joined leads read: {leads.status}")
    most_ohm = FOUR_WIRE_LEADS_OHM if bench.wires == 4 else MOST_LEADS_OHM
    found = f"{leads.value:.4f} ohm joined, {bench.wires}-wire"
    good = abs(leads.value) <= most_ohm
    return Finding(
        "meter leads", good, found if good else f"{found}; at most {most_ohm:g} ohm: look at contacts"
    )


def _probes(bench: Bench, labels: tuple[str, ...]) -> Iterator[Finding]:
    temperatures = {}
    for label in labels:
        reading = bench.temperature(label)
        if reading.value is None:
            yield Finding(f"probe {label}", False, reading.status)
        elif not WORKSHOP_DEGC[0] <= reading.value <= WORKSHOP_DEGC[1]:
            yield Finding(
                f"probe {label}", False, f"{reading.value:.1f} degC: hot, or not connected as the file says"
            )
        else:
            temperatures[label] = reading.value
    if temperatures:
        low, high = min(temperatures.values()), max(temperatures.values())
        found = f"{low:.1f} to {high:.1f} degC on {len(temperatures)} coils"
        yield Finding("probes", high - low <= PROBE_SPREAD_K, found)


def _companion(rig: Loaded[Rig], bench: Bench, beside: Companion) -> Iterator[Finding]:
    if rig.value.simulated or (bench.supply is None and bench.oven is None):
        return
    if not rig.value.companion:
        yield Finding(
            "companion", True, "none, as the rig file says: nothing switches off if a run is killed"
        )
        return
    try:
        yield Finding("companion", True, beside.start(rig, ("supply", "oven")))
    except StartError as exc:
        yield Finding("companion", False, str(exc))
