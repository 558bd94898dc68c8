"""What every procedure does: read a coil, write the row, show it, and say how far along it is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from analysis.model import MOST_LEADS_OHM, OVER_RANGE
from analysis.words import say
from daq.bench.bench import CONDUCTS_A, Bench
from daq.bench.guard.drive import STATUS_OF
from daq.instruments.number import Number
from daq.record.format import ABOVE_RANGE, AGAIN, INSULATION, LEADS, RowSink
from daq.record.writer import Reading

#: Two readings of joined leads within this are the same: noise, and contact by hand.
LEADS_AGREE_OHM = 0.005
NOT_TAKEN = Number(None, "missing: not taken")


class Screen(Protocol):
    """Where the operator follows the run."""

    def row(self, reading: Reading) -> None:
        """Show the newest reading of a coil."""
        ...

    def event(self, kind: str, text: str, coil: str) -> None:
        """Show what happened."""
        ...

    def progress(
        self,
        stage: str,
        done: float,
        left_s: float | None,
        coil: str = "",
        coil_left_s: float | None = None,
    ) -> None:
        """Show the *stage*, the fraction *done* of the run and the time left for run and coil, if known."""
        ...


@dataclass
class Stage:
    """A part of the run and how long it is thought to take."""

    name: str
    expected_s: float
    coil: str = ""


class Progress:
    """Time left from the expected lengths of stages, corrected by how long they really take."""

    def __init__(self, screen: Screen, stages: Sequence[Stage]) -> None:
        self._screen = screen
        self._stages = list(stages)
        self._spent_s = 0.0
        self._index = -1
        self._began_s = 0.0
        self._done = 0.0

    def enter(self, now_s: float) -> None:
        """Go on to the next stage."""
        if self._index >= 0:
            self._spent_s += now_s - self._began_s
        self._index += 1
        self._began_s = now_s
        self.at(now_s)

    def settling(self, now_s: float, settles_in_s: float | None, then_s: float) -> None:
        """Show when the coils will have settled, where known; *then_s* is what follows in this stage."""
        if settles_in_s is None:
            self.at(now_s)
        else:
            about = f"settles in about {max(round(settles_in_s / 60.0), 1)} min" if settles_in_s > 0.0 else ""
            self.at(now_s, settles_in_s + then_s, about)

    def at(self, now_s: float, stage_left_s: float | None = None, note: str = "") -> None:
        """Show where the run stands; *stage_left_s* replaces the plan where it is known better."""
        stage = self._stages[self._index]
        elapsed_s = now_s - self._began_s
        left_s = max(stage.expected_s - elapsed_s, 0.0) if stage_left_s is None else stage_left_s
        later = self._stages[self._index + 1 :]
        run_left_s = left_s + sum(each.expected_s for each in later)
        coil_left_s = left_s + sum(each.expected_s for each in later if each.coil == stage.coil)
        spent_s = self._spent_s + elapsed_s
        # A better forecast may find more left than was planned; the share done stands still meanwhile.
        done = spent_s / (spent_s + run_left_s) if spent_s + run_left_s > 0 else 0.0
        self._done = max(self._done, done)
        if stage_left_s is None and elapsed_s >= stage.expected_s:  # the plan is at its end, the stage is not
            then_s = run_left_s if later else None
            self._screen.progress(f"{stage.name}, longer than planned", self._done, then_s, stage.coil)
            return
        name = f"{stage.name}, {note}" if note else stage.name
        self._screen.progress(name, self._done, run_left_s, stage.coil, coil_left_s)


class Procedure:
    """A bench, a record and a screen, with the readings that sweep and soak share.

    *elapsed_s* is the run's time already spent, of a run that goes on with another.
    """

    def __init__(self, bench: Bench, record: RowSink, screen: Screen, *, elapsed_s: float = 0.0) -> None:
        self.bench = bench
        self.clock = bench.clock
        self._record = record
        self._screen = screen
        self._start_s = self.clock.monotonic() - elapsed_s
        self._energy_J: dict[str, float] = {}
        self._leads_ohm = 0.0
        self._kept: dict[str, list[Reading]] = {}

    def now(self) -> float:
        """Return seconds since the run began."""
        return self.clock.monotonic() - self._start_s

    def run_time(self, clock_s: float) -> float:
        """Turn a reading of the clock into seconds since the run began."""
        return clock_s - self._start_s

    def event(self, kind: str, text: str, coil: str = "") -> None:
        """Keep and show an event."""
        self._record.event(kind, text, coil)
        self._screen.event(kind, text, coil)

    def row(self, reading: Reading) -> None:
        """Keep and show a reading."""
        self._record.row(reading)
        self._screen.row(reading)
        if reading.coil in self._kept:
            self._kept[reading.coil].append(reading)

    def keep(self, coil: str) -> None:
        """Keep the readings of *coil* from now on at hand, for whoever fits them during the run."""
        self._kept[coil] = []

    def kept(self, coil: str) -> Sequence[Reading]:
        """Return the readings of *coil* since :meth:`keep`."""
        return self._kept.get(coil, [])

    def forget(self, coil: str) -> None:
        """Let go of the readings of *coil*; the record has them."""
        self._kept.pop(coil, None)

    def energy_J(self, coil: str) -> float:
        """Return the energy put into *coil* since the run began, in joules."""
        return self._energy_J.get(coil, 0.0)

    def add_energy(self, coil: str, joules: float) -> None:
        """Count energy put into *coil*."""
        self._energy_J[coil] = self.energy_J(coil) + joules

    def null_leads(self) -> None:
        """Measure the leads of a two-wire meter, and take them off; nothing to do with four wires."""
        if self.bench.wires == 4:
            return
        leads = self._read_leads()
        if leads is not None and leads.status == OVER_RANGE and not self.bench.harness.switched:
            self.bench.operator.tell("the leads read open: hold their bare ends together, and try once more")
            leads = self.bench.lead_resistance(by_hand=True)
        self.take_leads(leads)

    def _read_leads(self) -> Number | None:
        """Read the joined leads twice, for they are in all readings; the middle of three if they differ.

        A display that a person reads is read once.
        """
        first = self.bench.lead_resistance(by_hand=True)
        if first is None or first.value is None or self.bench.meter_typed:
            return first
        second = self.bench.meter.resistance("leads held together")
        if second.value is None or abs(second.value - first.value) <= LEADS_AGREE_OHM:
            return first
        self.event("leads", say("event.leads-differ", first=first.value, second=second.value))
        third = self.bench.meter.resistance("leads held together")
        there = sorted((each for each in (first, second, third) if each.value is not None), key=_by_value)
        return there[len(there) // 2]

    def take_leads(self, leads: Number | None) -> None:
        """Take what joined *leads* read off each reading from now on; without it take nothing and say so."""
        if leads is None or leads.value is None:
            opened = leads is not None and leads.status == OVER_RANGE
            self.event("contact", say("event.leads-open" if opened else "event.leads-not-measured"))
            return
        self.bench.meter.null(leads.value)
        self._leads_ohm = leads.value
        self._record.row(
            Reading(time_s=self.now(), coil="", phase="", resistance_ohm=leads.value, source=LEADS)
        )
        if leads.value <= MOST_LEADS_OHM:
            self.event("leads", say("event.leads", ohm=leads.value))
        else:
            self.event("contact", say("event.leads-too-large", ohm=leads.value))

    def read_again(self, coil: str, phase: str, before: str) -> None:
        """Let what was read of *coil* so far, *before*, count no more; it stays in the record."""
        self._record.row(
            Reading(time_s=self.now(), coil=coil, phase=phase, source=AGAIN, status="missing: read again")
        )
        self.event(AGAIN, say("event.read-again", before=before), coil)

    def without_leads(self, ohm: Number) -> Number:
        """Take the leads off a reading that did not go through the meter's role: a typed line."""
        return ohm if ohm.value is None else Number(ohm.value - self._leads_ohm, ohm.status)

    def temperature(self, coil: str) -> Number:
        """Read the body temperature of *coil* in degC."""
        if not self.bench.probe_needs_meter:
            # A probe that travels with the leads must be there before it is read.
            self.bench.harness.to_coil(coil)
        return self.bench.temperature(coil)

    def observe(self, coil: str, phase: str, *, probe: Number | None = None) -> Reading:
        """Read a coil cold and, unless *probe* is given, its body's temperature; keep the row."""
        return self.observe_both(coil, phase, None, probe=probe)[0]

    def observe_both(
        self,
        coil: str,
        phase: str,
        step_degC: float | None,
        *,
        quick: bool = False,
        probe: Number | None = None,
    ) -> tuple[Reading, Number]:
        """Read an undriven coil and, unless *probe* is given, its body's temperature; keep the row.

        Returns:
            The row, and what the probe said: the row's status may be the coil's.
        """
        probe = probe or self.temperature(coil)
        self.bench.harness.to_coil(coil)  # so that the time of the row is that of the reading alone
        before_s = self.now()
        ohms = self.bench.resistance(coil, quick=quick)
        reading = self.reading(coil, phase, step_degC, (before_s + self.now()) / 2, probe=probe, ohms=ohms)
        self.row(reading)
        return reading, probe

    def observe_burst(self, coil: str, phase: str, count: int, until_s: float) -> list[Reading]:
        """Read an undriven coil up to *count* times in haste, or until *until_s*, its contacts moved once.

        Half as many readings of the probe as of the coil: a body moves slowly.
        """
        if not self.bench.probe_needs_meter:
            self.bench.harness.to_coil(coil)
        probes: list[Number] = []
        while not probes or (len(probes) < count // 2 and self.now() < until_s):
            probes.append(self.bench.temperature(coil))
        self.bench.harness.to_coil(coil)
        readings: list[Reading] = []
        while not readings or (len(readings) < count and self.now() < until_s):
            before_s = self.now()
            ohms = self.bench.resistance(coil, quick=True)
            probe = probes[len(readings)] if len(readings) < len(probes) else NOT_TAKEN
            time_s = (before_s + self.now()) / 2
            readings.append(self.reading(coil, phase, None, time_s, probe=probe, ohms=ohms))
            self.row(readings[-1])
        return readings

    def observe_insulation(self, coil: str, step_degC: float | None) -> None:
        """Read winding to body where there is a way to, and keep it in a row of its own."""
        ohms = self.bench.insulation(coil)
        if ohms is None:
            return
        status = ABOVE_RANGE if ohms.status == "open or over range" else ohms.status
        self.row(
            Reading(
                time_s=self.now(),
                coil=coil,
                phase="sweep" if step_degC is None else "hold",
                step_degC=step_degC,
                leakage_ohm=ohms.value,
                source=INSULATION,
                status=status,
            )
        )

    def reading(
        self,
        coil: str,
        phase: str,
        step_degC: float | None,
        time_s: float,
        *,
        probe: Number = NOT_TAKEN,
        ohms: Number = NOT_TAKEN,
        volts: Number = NOT_TAKEN,
        amperes: Number = NOT_TAKEN,
        trouble: str = "",
    ) -> Reading:
        """Make a row; under power the resistance is V/I and an interrupted current is an open.

        Only an ohms reading or a current that does not flow says open: a voltmeter or a probe over range
        says nothing of the coil. A supply at its limit or tripped is a status of its own, with V and I kept.
        """
        source = "typed" if self.bench.typed else "ohms"
        if volts is not NOT_TAKEN:
            source, ohms = "V/I", _ratio(volts, amperes, trouble)
        troubles = [] if ohms.value is not None or ohms is NOT_TAKEN else [ohms.status]
        troubles += [
            _missing(each, name)
            for each, name in ((probe, "probe"), (volts, "voltage"), (amperes, "current"))
            if each.value is None and each is not NOT_TAKEN
        ]
        return Reading(
            time_s=time_s,
            coil=coil,
            phase=phase,
            step_degC=step_degC,
            probe_degC=probe.value,
            resistance_ohm=ohms.value,
            voltage_V=volts.value,
            current_A=amperes.value,
            energy_J=self.energy_J(coil),
            source=source,
            status=troubles[0] if troubles else "ok",
        )

    def wait_until(self, time_s: float) -> None:
        """Sleep until *time_s* of the run."""
        self.clock.sleep(time_s - self.now())


def _by_value(number: Number) -> float:
    assert number.value is not None
    return number.value


def _ratio(volts: Number, amperes: Number, trouble: str) -> Number:
    """Return V/I, or why there is none."""
    if trouble:
        return Number(None, STATUS_OF.get(trouble, f"missing: {trouble}"))
    if volts.value is None or amperes.value is None:
        return Number(
            None, _missing(volts, "voltage") if volts.value is None else _missing(amperes, "current")
        )
    if amperes.value > CONDUCTS_A:
        return Number(volts.value / amperes.value, "ok")
    return Number(None, OVER_RANGE)


def _missing(number: Number, name: str) -> str:
    return f"missing: {name} over range" if number.status == OVER_RANGE else number.status
