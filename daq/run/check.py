"""Is the bench what its rig file says? Who answers, limits, leads, probes, and every op that a run will use.

No coil is energised: where a switch unit keeps the supply off all of them, its output goes on at zero volts,
so that no command is met for the first time under power. 'ok' is said of what was tried.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from math import inf
from pathlib import Path

from rich.console import Console

from analysis.model import MOST_LEADS_OHM
from daq.bench.assembly import Assembled, open_bench
from daq.bench.bench import Bench
from daq.bench.operator import AbsentOperator
from daq.bench.tryout import commands_tried, try_ops
from daq.bench.watchdog.client import Companion, companion
from daq.config.coil_set import CoilSet
from daq.config.load import load_inputs
from daq.config.rig import TYPED, Rig
from daq.config.toml import Loaded
from daq.errors import BenchError, NotReadyError, OutputUnknownError, StartError
from daq.instruments.haste import UNDER_CURRENT_S
from daq.instruments.number import Number
from daq.procedures.soak.powered_rows import SWITCH_ON_S
from daq.procedures.sweep.sweep import WORKSHOP_DEGC
from daq.run.coarse import too_coarse
from daq.screen.console import ConsoleOperator
from daq.tables import CheckLine

#: Four-wire readings of joined leads are zero but for the meter's offset and contacts.
FOUR_WIRE_LEADS_OHM = 0.02
#: Probes of parts that lie side by side.
PROBE_SPREAD_K = 2.0
#: No coil reads less than this share of its nominal resistance, shorted turns or not, nor less than so many
#: ohms where the set gives none.
LEAST_SHARE, NOTHING_OHM = 0.1, 0.05
#: At zero volts into nothing no instrument shows more, in volts or amperes.
NOTHING = 0.1


def check_bench(
    rig: Path | None, coil_set: Path | None, seed: int | None, console: Console
) -> list[CheckLine]:
    """Look at every instrument and way of the bench, and try whatever a run will ask of them.

    Raises:
        InputError: A file is wrong, or an instrument does not speak its dialect; with file and line.
        OutputUnknownError: The supply could not be confirmed off.
    """
    rig_file, set_file = load_inputs(rig, coil_set, heat="hand")
    operator = ConsoleOperator(console) if console.is_terminal else AbsentOperator()
    alarms: list[str] = []
    try:
        with companion() as beside, open_bench(rig_file, operator, alarms.append, seed=seed) as assembled:
            findings = _look(rig_file, set_file, assembled, beside, attended=console.is_terminal)
        return [*findings, *(CheckLine("alarm", False, text) for text in alarms)]
    except NotReadyError as exc:
        return [*_not_ready(rig_file.value, exc)]


def _not_ready(rig: Rig, exc: NotReadyError) -> Iterator[CheckLine]:
    """Say of each instrument whether it answers; the bench behind them is not looked at before all do."""
    for role in rig.instruments():
        if role in exc.troubles:
            yield CheckLine(role, False, exc.troubles[role])
        else:
            yield CheckLine(role, True, exc.identities[role] or "opens; this dialect cannot ask who it is")
    yield CheckLine("the rest", None, "not looked at until each instrument answers")


def _look(
    rig_file: Loaded[Rig],
    set_file: Loaded[CoilSet],
    assembled: Assembled,
    beside: Companion,
    *,
    attended: bool,
) -> list[CheckLine]:
    """Look at a bench whose instruments all answer."""
    check = _Check(rig_file.value, set_file.value, assembled)
    check.look()
    bench, labels = assembled.bench, set_file.value.labels()
    findings = [*check.findings]
    findings += [
        CheckLine(f"limits of {kind}", False, why) for kind, why in too_coarse(rig_file.value, set_file.value)
    ]
    probed = labels if bench.harness.switched else labels[:1]
    findings += _kept("probes", lambda: _probes(bench, probed, attended=attended))
    findings += _kept("pace", lambda: _slow(bench, labels[0]))
    findings += _companion(rig_file, bench, beside)
    findings += _kept("zero volts", check.at_zero_volts)
    findings += _kept("contacts", lambda: _released(bench))
    instruments = [*check.instruments()]
    return [*instruments, *findings]


def _kept(what: str, part: Callable[[], Iterable[CheckLine]]) -> list[CheckLine]:
    """Return the findings of *part*; one that the bench ends is a finding too, and the others go on."""
    findings: list[CheckLine] = []
    try:
        findings.extend(part())
    except OutputUnknownError:
        raise
    except BenchError as exc:
        findings.append(CheckLine(what, False, str(exc)))
    return findings


class _Check:
    """One bench, what was found on it, and what failed by role."""

    def __init__(self, rig: Rig, coil_set: CoilSet, assembled: Assembled) -> None:
        self._rig = rig
        self._set = coil_set
        self._assembled = assembled
        self._bench = assembled.bench
        self._failed: dict[str, list[str]] = {}
        self._readable: str | None = None
        self.findings: list[CheckLine] = []

    def look(self) -> None:
        """Look at all that needs no voltage."""
        labels = self._set.labels()
        if self._bench.supply is not None:
            self.findings += _kept("supply output", lambda: [_output(self._bench)])
            self.findings += _kept("supply limits", lambda: [_protection(self._rig, self._bench)])
            self.findings.append(_seen_off(self._bench))
        self._failed = try_ops(self._assembled, labels[0])
        if self._bench.meter_typed:
            return
        self.findings += _kept("meter leads", lambda: [_leads(self._bench)])
        if self._bench.harness.switched:
            self.findings += _kept("ways to the coils", lambda: [self._ways(labels)])
            self.findings += _kept("ways to the bodies", lambda: self._insulation(labels))
            self.findings += _kept("ways to the supply", lambda: self._power(labels))

    def _ways(self, labels: tuple[str, ...]) -> CheckLine:
        """Read every coil cold: a way that reads open, or nothing at all, leads to no coil."""
        open_ways, shorted = [], []
        for label in labels:
            value = self._bench.resistance(label).value
            if value is None:
                open_ways.append(label)
            elif abs(value) < _least_ohm(self._set, label):
                shorted.append(f"{label} {value:.3f} ohm")
            elif self._readable is None:
                self._readable = label
        found = [f"{', '.join(open_ways)} read open or over range"] if open_ways else []
        if shorted:
            found.append(
                f"{', '.join(shorted)}: no coil reads that; does the channel close, is it the right one?"
            )
        return CheckLine("ways to the coils", not found, "; ".join(found) or f"{len(labels)} coils read")

    def _insulation(self, labels: tuple[str, ...]) -> Iterator[CheckLine]:
        ways = [label for label in labels if self._bench.insulation(label) is not None]
        if ways:
            yield CheckLine("ways to the bodies", True, f"{len(ways)} channels moved and read")

    def _power(self, labels: tuple[str, ...]) -> Iterator[CheckLine]:
        """Bring the supply, off, to every coil that it will drive."""
        ways = [label for label in labels if self._rig.switch and label in self._rig.switch.power]
        if self._bench.supply is None or not ways:
            return
        for label in ways:
            self._bench.harness.to_driven_coil(label)
        yield CheckLine("ways to the supply", True, f"{len(ways)} channels moved, with the output off")

    def at_zero_volts(self) -> Iterator[CheckLine]:
        """Switch the output on at zero volts, no contact of its own closed: a drive without current."""
        bench, label = self._bench, self._readable
        if bench.supply is None or bench.meter_typed or label is None or not bench.harness.switched:
            return
        bench.harness.to_coil(label)
        limits = self._rig.limits
        with bench.guard.energised(
            label, voltage_V=0.0, coil_voltage_V=limits.voltage_V, coil_current_A=limits.current_A
        ) as drive:
            bench.clock.sleep(SWITCH_ON_S)
            amperes, trouble = drive.current(), drive.trouble()
            supplied, seen = bench.supply.voltage(), bench.meter.voltage(label)
        told = trouble or f"{_shown(supplied, 'V')} and {_shown(amperes, 'A')} by the supply"
        good = not trouble and all(abs(each.value or 0.0) < NOTHING for each in (supplied, amperes, seen))
        yield CheckLine("output at zero volts", good, f"on and off again, no contact closed: {told}")

    def instruments(self) -> Iterator[CheckLine]:
        """Say who answers, how much of what a run uses was tried, and what failed."""
        for role, used in self._rig.instruments().items():
            identity = self._assembled.identities[role]
            if identity:
                unsure = "" if used.identity else "; the rig file expects no one in particular"
                yield CheckLine(role, True, identity + unsure)
            elif self._assembled.answered(role):
                yield CheckLine(role, True, "answers, but this dialect cannot ask who it is")
            else:
                yield CheckLine(role, False, "has answered nothing that its dialect understands")
            yield self._commands(role)
        for role, kind in (("meter", self._rig.meter.resource), ("probe", self._rig.probe.kind)):
            if kind == TYPED:
                yield CheckLine(role, True, "read by the operator and typed in")

    def _commands(self, role: str) -> CheckLine:
        what = f"{role} commands"
        if failed := self._failed.get(role):
            return CheckLine(what, False, "; ".join(failed))
        tried = commands_tried(self._rig, self._assembled, role)
        return CheckLine(what, None if tried.doubtful else True, tried.told())


def _least_ohm(coil_set: CoilSet, label: str) -> float:
    """Return what a coil reads at least, whatever is wrong with it: less is a way that leads to none."""
    nominal_ohm = coil_set.kind_of(label).r20_ohm
    return NOTHING_OHM if nominal_ohm is None else LEAST_SHARE * nominal_ohm


def _shown(reading: Number, unit: str) -> str:
    return reading.status if reading.value is None else f"{reading.value:.3f} {unit}"


def _released(bench: Bench) -> Iterator[CheckLine]:
    bench.harness.release()
    yield from ()


def _output(bench: Bench) -> CheckLine:
    assert bench.supply is not None
    on = bench.supply.output_is_on()
    return CheckLine("supply output", not on, "on" if on else "off, read back")


def _protection(rig: Rig, bench: Bench) -> CheckLine:
    """Set the rig's limits; what is said of them is what was read back."""
    assert bench.supply is not None
    limits = rig.limits
    protections = bench.supply.protect(limits.voltage_V, limits.current_A)
    bench.supply.set_current_limit(limits.current_A)
    found = f"{limits.voltage_V:g} V and {limits.current_A:g} A; {'; '.join(p.told() for p in protections)}"
    if all(each.state == "armed" for each in protections):
        return CheckLine("supply limits", True, found)
    if all(each.state == "missing" for each in protections):
        return CheckLine("supply limits", True, f"{found}: the current limit stands alone")
    return CheckLine("supply limits", None, found)


def _seen_off(bench: Bench) -> CheckLine:
    """Say who besides the supply sees that a coil is off."""
    if bench.meter_typed:
        return CheckLine(
            "off, seen by", True, "the supply alone: no meter here sees a coil that it says is off"
        )
    return CheckLine(
        "off, seen by",
        None,
        "not tried here: after each drive supply and meter have to show that the coil has no voltage",
    )


def _slow(bench: Bench, label: str) -> Iterator[CheckLine]:
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
            yield CheckLine(
                f"pace of {role}",
                False,
                f"needs {took_s:.1f} s for an answer; while current flows nobody waits longer than "
                f"{UNDER_CURRENT_S:g} s, whatever timeout_s the rig file gives: set it faster",
            )


def _leads(bench: Bench) -> CheckLine:
    leads = bench.lead_resistance()
    if leads is None:
        return CheckLine("meter leads", True, "not measured: the rig file names no channel that joins them")
    if leads.value is None:
        return CheckLine("meter leads", False, f"joined leads read: {leads.status}")
    most_ohm = FOUR_WIRE_LEADS_OHM if bench.wires == 4 else MOST_LEADS_OHM
    found = f"{leads.value:.4f} ohm joined, {bench.wires}-wire"
    good = abs(leads.value) <= most_ohm
    return CheckLine(
        "meter leads", good, found if good else f"{found}; at most {most_ohm:g} ohm: look at contacts"
    )


def _probes(bench: Bench, labels: tuple[str, ...], *, attended: bool) -> Iterator[CheckLine]:
    if bench.probe_typed:
        return
    if bench.probe_needs_meter and not bench.harness.switched and not attended:
        yield CheckLine("probes", None, "not read: nobody is here to put the leads on a sensor")
        return
    temperatures = {}
    for label in labels:
        reading = bench.temperature(label)
        if reading.value is None:
            yield CheckLine(f"probe {label}", False, reading.status)
        elif not WORKSHOP_DEGC[0] <= reading.value <= WORKSHOP_DEGC[1]:
            yield CheckLine(
                f"probe {label}", False, f"{reading.value:.1f} degC: hot, or not connected as the file says"
            )
        else:
            temperatures[label] = reading.value
    if temperatures:
        low, high = min(temperatures.values()), max(temperatures.values())
        found = f"{low:.1f} to {high:.1f} degC on {len(temperatures)} coils"
        yield CheckLine("probes", high - low <= PROBE_SPREAD_K, found)


def _companion(rig: Loaded[Rig], bench: Bench, beside: Companion) -> Iterator[CheckLine]:
    if rig.value.simulated or (bench.supply is None and bench.oven is None):
        return
    if not rig.value.companion:
        yield CheckLine(
            "companion", True, "none, as the rig file says: nothing switches off if a run is killed"
        )
        return
    try:
        yield CheckLine("companion", True, beside.start(rig, ("supply", "oven")))
    except StartError as exc:
        yield CheckLine("companion", False, str(exc))
