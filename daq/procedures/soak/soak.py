"""The heat soak: what all three ways of heating share."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median

from analysis.model import Accuracy
from analysis.words import say
from daq.bench.guard.drive import Drive
from daq.bench.guard.oven_guard import LOOK_S
from daq.config.coil_set import SCAN_S
from daq.errors import BenchError, CeilingError, LinkError, ProbeLostError, ReplyError, StaleError
from daq.instruments.number import Number
from daq.procedures.procedure import NOT_TAKEN, Procedure
from daq.procedures.soak.heat_limits import REFUTED_K, SLACK_K, HeatCeilings, HeatWatch
from daq.procedures.soak.powered_rows import SWITCH_ON_S, DrivenRows
from daq.procedures.soak.probe_watch import Company
from daq.procedures.soak.stop_rules import Targets
from daq.procedures.sweep.sweep import read_cold, warn_if_not_at_ambient
from daq.record.format import DONE
from daq.record.writer import Reading

#: Readings stop arriving: heating ends after this silence.
STALE_S = 60.0
#: Between two readings of V and I while a coil is driven.
DRIVE_PERIOD_S = 0.04
#: While a body is seen by no probe, the oven's air may be this far above the ceiling of the bodies in it.
AIR_PLAY_K = 3.0
#: Between two looks at a coil that has to cool down.
WAIT_PERIOD_S = 5.0


@dataclass(frozen=True)
class CoilPlan:
    """What one coil may see: the lower-level limits come from its kind."""

    label: str
    max_current_A: float


@dataclass(frozen=True)
class SoakPlan:
    """What the soak does, checked against rig and coil set before anything is energised."""

    coils: tuple[CoilPlan, ...]
    voltage_V: float
    heat_voltage_V: float
    steps_degC: tuple[float, ...]
    hold_s: float
    max_step_s: float
    hold_readings: int
    drive_s: float
    ceilings: HeatCeilings
    max_run_s: float
    #: From one round of readings to the next.
    scan_s: float = SCAN_S
    #: The longest cool-down of a coil that heated itself.
    cool_s: float = 3600.0
    #: Heat the next coil only when the one before has cooled: coils on one block warm each other.
    one_at_a_time: bool = False
    targets: Targets = field(default_factory=Targets)
    accuracy: Accuracy = field(default_factory=Accuracy)

    def labels(self) -> list[str]:
        """Return the coils' labels in order."""
        return [coil.label for coil in self.coils]


#: Pulses in succession that an instrument's failure ended at once, before the run is ended by it.
BLIND_PULSES = 3
#: So long an instrument that failed under power is waited for, and so long between two looks.
RECOVER_S, RECOVER_PAUSE_S = 30.0, 1.0
#: Trips of a coil that were found to be a wrong reading, before no more of them is believed.
REFUTED_TRIPS = 3
LOST = Number(None, "missing: the probe is lost")
#: Readings from which the winding's thermometer starts, at least.
REFERENCES = 3


@dataclass(frozen=True)
class Finished:
    """What of a soak is done already.

    *parts* are (coil or '', part). *cold* is each coil's last cold reading, (ohm, degC); *energy_J* what went
    into each. *begun_degC* are coils whose soak was cut in the middle, and how warm they were before it.
    """

    parts: frozenset[tuple[str, str]] = frozenset()
    cold: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    energy_J: Mapping[str, float] = field(default_factory=dict)
    begun_degC: Mapping[str, float] = field(default_factory=dict)


class Soak:
    """A procedure with a plan, and a watch on every coil; *finished* is what a cut run has done of it."""

    def __init__(self, procedure: Procedure, plan: SoakPlan, finished: Finished | None = None) -> None:
        self.procedure = procedure
        self.plan = plan
        # Figures that a person types come when they come, and their rates tell nothing.
        falls = not procedure.bench.typed
        self.watches = {
            coil: HeatWatch(coil, plan.ceilings, stale_s=STALE_S, falls=falls) for coil in plan.labels()
        }
        #: Whether one oven heats all coils, so that others tell what a lost probe no longer does.
        self.in_oven = False
        #: Whether a person heats all of them together.
        self.by_hand = False
        #: Coils whose probe was lost in heat that they share: no longer read, but by hand for their winding.
        self.lost: set[str] = set()
        #: Those of them that a person says are off the heat.
        self._off_heat: set[str] = set()
        self._company = Company()
        #: Coils whose drive went wrong, or whose winding is no thermometer: no longer driven.
        self.undriven: set[str] = set()
        self._refuted: Counter[str] = Counter()
        self._blind_drives = 0
        self._before = finished or Finished()
        for coil, (ohm, degC) in self._before.cold.items():
            if coil in self.watches:
                self.watches[coil].cold(ohm, degC)
        for coil, joules in self._before.energy_J.items():
            procedure.add_energy(coil, joules)

    def finished(self, part: str, coil: str = "") -> bool:
        """Whether the run that this one goes on with has done *part* already."""
        return (coil, part) in self._before.parts

    def finish(self, part: str, coil: str = "") -> None:
        """Say in the record that *part* is done: after a crash it is not done again."""
        self.procedure.event(DONE, part, coil)

    @property
    def resumed(self) -> bool:
        """Whether a run that was cut has done a part of it."""
        return bool(self._before.parts)

    @property
    def overlaps(self) -> bool:
        """Whether one coil is heated while others cool: a switch unit has to bring the meter to and fro."""
        return self.procedure.bench.harness.switched and not self.plan.one_at_a_time

    def ambient_degC(self) -> float | None:
        """Return what the probes showed cold in the run that this one goes on with."""
        cold = [degC for _, degC in self._before.cold.values()]
        return sum(cold) / len(cold) if cold else None

    def wait_for_cold(self, coil: str, reach_K: float) -> None:
        """Let a coil cool whose soak was cut in the middle: its cold reading is taken anew."""
        begun_degC = self._before.begun_degC.get(coil)
        if begun_degC is None:
            return
        bench, began_s = self.procedure.bench, self.procedure.now()
        self.procedure.event("resume", say("event.waits", degC=begun_degC), coil)
        if bench.typed:
            bench.operator.confirm(f"Wait until coil {coil} is cold")
            return
        while self.procedure.now() - began_s < self.plan.max_step_s:
            bench.harness.to_coil(coil)
            body = bench.temperature(coil)
            if body.value is not None and body.value <= begun_degC + reach_K:
                return
            self.procedure.clock.sleep(WAIT_PERIOD_S)
        self.procedure.event("step", say("event.warm-taken"), coil)

    def rest_until(self, time_s: float) -> None:
        """Wait until *time_s* of the run; an oven's air is looked at meanwhile.

        Raises:
            OvenError: The oven does not obey.
        """
        procedure = self.procedure
        while self.in_oven and time_s - procedure.now() > LOOK_S:
            procedure.clock.sleep(LOOK_S)
            procedure.bench.guard.see_oven()
        procedure.wait_until(time_s)

    def watched(self) -> list[str]:
        """Return the coils to read while temperatures move.

        Without a switch unit one coil stands for all: nobody moves leads every few seconds.
        """
        labels = self.plan.labels()
        watched = labels if self.procedure.bench.harness.switched else labels[:1]
        return self.left(watched)

    def left(self, coils: Sequence[str]) -> list[str]:
        """Return those of *coils* that are still read."""
        return [coil for coil in coils if coil not in self.lost]

    def require_time(self) -> None:
        """Heat no further once the time of the whole run is used up.

        Raises:
            BenchError: It is.
        """
        if self.procedure.now() > self.plan.max_run_s:
            raise BenchError(
                f"the run has lasted its {self.plan.max_run_s:g} s; heating told to stop. If it needs "
                "longer, raise test.max_run_s; else see what holds it up"
            )

    def cold(self, coils: Sequence[str], phase: str) -> list[Reading]:
        """Take the isothermal readings before heat or after it; those before serve the winding's watch."""
        taken: list[Reading] = []
        for coil in coils:
            readings = read_cold(self.procedure, coil, phase, self.plan.hold_readings)
            taken += readings
            self.procedure.observe_insulation(coil, None)
            good = [r for r in readings if r.resistance_ohm is not None and r.probe_degC is not None]
            if phase == "ambient" and good:
                self.watches[coil].cold(*self._reference(coil, good))
        warn_if_not_at_ambient(self.procedure, [r.probe_degC for r in taken if r.probe_degC is not None])
        return taken

    def _reference(self, coil: str, good: list[Reading]) -> tuple[float, float]:
        """Return what the winding's thermometer starts from, in ohms and degC: the middle of three at least.

        Of one reading, or two that differ, nobody can tell which is wrong by a digit; of three one can.
        """
        while len(good) < REFERENCES and not self.procedure.bench.typed:
            again = self.procedure.observe(coil, "ambient")
            if again.resistance_ohm is None or again.probe_degC is None:
                break
            good = [*good, again]
        return (
            median(r.resistance_ohm for r in good if r.resistance_ohm is not None),
            median(r.probe_degC for r in good if r.probe_degC is not None),
        )

    def look(self, coil: str, phase: str, step_degC: float | None, *, heating: bool) -> Reading:
        """Read one undriven coil; while *heating*, check it against the ceilings.

        In an oven its body and the oven's air are held to what the oven was told, heating or not.

        In heat that all share a coil whose probe is lost is dropped, as long as another probe follows; in an
        oven its own thermometer bounds what the unseen body can reach. See :attr:`lost`.
        """
        reading, probe = self.procedure.observe_both(coil, phase, step_degC)
        try:
            self._see(reading, probe, heating=heating)
        except CeilingError as exc:
            if not heating:
                raise
            with self.procedure.bench.guard.heat_paused():
                again, body = self.require_refuted(exc, coil, phase, step_degC, before=probe)
                self._see(again, body, heating=True)
        return reading

    def _see(self, reading: Reading, probe: Number, *, heating: bool) -> None:
        """Hold what was read of an undriven coil to what the oven was told, and to the ceilings."""
        if self.in_oven:
            winding_degC = self.watches[reading.coil].winding_degC(reading.resistance_ohm)
            if winding_degC is not None and winding_degC <= (probe.value or 0.0) - SLACK_K:
                body = NOT_TAKEN  # a probe far above its own winding tells of its contact, not of the oven
            else:
                body = probe
            self.procedure.bench.guard.see_oven(reading.coil, body)
        if heating:
            try:
                self.check(reading, probe)
            except ProbeLostError as exc:
                self._drop(reading.coil, exc)
            if self.lost and self.in_oven:
                self._see_air()

    def recover(self, coil: str, blind: Exception) -> None:
        """Wait, with the output off, until all answer again after *blind* ended a drive of *coil* at once.

        Raises:
            LinkError: An instrument does not come back.
            ReplyError: It babbles on.
        """
        bench, until_s = self.procedure.bench, self.procedure.now() + RECOVER_S
        self.procedure.event("heat", say("event.blind", why=str(blind)), coil)
        while True:
            try:
                bench.guard.confirm_off("going on")
                if not (bench.probe_needs_meter or bench.typed):
                    bench.temperature(coil)
            except (LinkError, ReplyError):
                if self.procedure.now() > until_s:
                    raise
                self.procedure.clock.sleep(RECOVER_PAUSE_S)
            else:
                return

    def require_refuted(
        self,
        trip: CeilingError,
        coil: str,
        phase: str,
        step_degC: float | None,
        *,
        before: Number = NOT_TAKEN,
    ) -> tuple[Reading, Number]:
        """Read a coil again whose heat *trip* has stopped; go on only if that was a reply wrong by a digit.

        Args:
            trip: What stopped the heat.
            coil: The coil.
            phase: Of the row.
            step_degC: Of the row.
            before: What the probe of an undriven coil said when it tripped.

        Returns:
            The new reading and what the probe said.

        Raises:
            CeilingError: *trip*, since it is so, or was refuted too often to be believed.
        """
        driven = before is NOT_TAKEN
        reading, probe = self.procedure.observe_both(coil, phase, step_degC, quick=driven)
        wrong = self.watches[coil].refutes(reading.time_s, reading.resistance_ohm, probe, driven=driven)
        if before.value is not None and probe.value is not None:
            wrong = wrong or probe.value < before.value - REFUTED_K[False]
        self._refuted[coil] += 1
        if not wrong or self._refuted[coil] > REFUTED_TRIPS:
            raise trip
        self.procedure.event("heat", say("event.trip-refuted", why=str(trip)), coil)
        return reading, probe

    def check(self, reading: Reading, probe: Number) -> None:
        """Check a reading of an undriven coil, and what the probe said, against the ceilings of its coil."""
        self.require_time()
        watch = self.watches[reading.coil]
        try:
            watch.see_winding(reading.time_s, reading.resistance_ohm, driven=False)
        except CeilingError as exc:
            self._require_contact_fault(reading, probe, exc)
        watch.see_probe(reading.time_s, probe, reading.energy_J)

    def _require_contact_fault(self, reading: Reading, probe: Number, hot: CeilingError) -> None:
        """Go on only if no heat of the oven's can be behind a winding *hot* beyond its ceiling.

        Its air and its body, by a thermometer each, must be far below what the resistance says and below
        the ceiling of the bodies. Then a contact is loose; a coil that was just driven only cools. In
        either case its winding is no thermometer now, and it is driven no more.
        """
        oven = self.procedure.bench.oven if self.in_oven else None
        winding_degC = self.watches[reading.coil].winding_degC(reading.resistance_ohm)
        if oven is None or winding_degC is None or probe.value is None:
            raise hot
        air = oven.temperature()
        if air.value is None:
            raise hot
        around_degC = max(air.value, probe.value)
        if around_degC > min(self.plan.ceilings.body_degC + AIR_PLAY_K, winding_degC - SLACK_K):
            raise hot
        if reading.coil not in self.undriven:
            self.undriven.add(reading.coil)
            said = say("event.loose-contact", winding=winding_degC, around=around_degC)
            self.procedure.event("contact", said, reading.coil)

    def _drop(self, coil: str, lost: ProbeLostError) -> None:
        self.lost.add(coil)
        shared = self.in_oven or self.by_hand
        if not shared or not any(self.watches[other].alive for other in self.watched()):
            raise lost
        why = str(lost).removeprefix(f"coil {coil}: ").partition("; heating")[0]
        self.procedure.event("heat", say("event.probe-lost", why=why), coil)
        if self.by_hand:
            self.procedure.bench.operator.tell(say("event.take-heat-off", coil=coil))

    def see_unprobed(self, coils: Sequence[str], step_degC: float | None) -> None:
        """Hold *coils* that a person heats and whose probe is lost to their ceilings, by their winding.

        Where that tells nothing either, the person has to say that the coil is off the heat.

        Raises:
            CeilingError: One is too hot.
        """
        if not self.by_hand:
            return
        for coil in coils:
            if coil not in self.lost - self._off_heat:
                continue
            watch = self.watches[coil]
            reading, _ = self.procedure.observe_both(coil, "rise", step_degC, quick=True, probe=LOST)
            try:
                seen = watch.see_alone(reading.time_s, reading.resistance_ohm)
            except CeilingError as exc:
                again, _ = self.require_refuted(exc, coil, "rise", step_degC, before=LOST)
                seen = watch.see_alone(again.time_s, again.resistance_ohm)
            if not seen:
                self.procedure.bench.operator.confirm(say("event.unseen-heat", coil=coil))
                self._off_heat.add(coil)
                self.procedure.event("heat", say("event.off-heat"), coil)

    def leave_behind(self, coils: Sequence[str], target_degC: float) -> None:
        """Drop *coils* that did not settle at *target_degC* in the time that most of them needed.

        Raises:
            ProbeLostError: No probe is left that would tell of the heat.
        """
        for coil in coils:
            why = say("event.left-behind", target=target_degC, limit=self.plan.max_step_s)
            self._drop(coil, ProbeLostError(f"coil {coil}: {why}"))

    def see_company(self, newest: Mapping[str, Reading]) -> None:
        """Drop the coils whose probes parted from those of the others, by the *newest* reading of each.

        Raises:
            ProbeLostError: No other probe is left that would tell of the heat.
        """
        probes, windings = {}, {}
        for coil, reading in newest.items():
            winding = self.watches[coil].winding_degC(reading.resistance_ohm)
            if reading.probe_degC is not None and winding is not None and coil not in self.lost:
                probes[coil], windings[coil] = reading.probe_degC, winding
        for coil, why in self._company.apart(probes, windings).items():
            self._drop(coil, ProbeLostError(f"coil {coil}: {why}"))

    def _see_air(self) -> None:
        """Hold the oven's own thermometer to the ceiling of the bodies: no body gets hotter than its air."""
        oven = self.procedure.bench.oven
        assert oven is not None
        air, lost = oven.temperature(), ", ".join(sorted(self.lost))
        if air.value is None:
            raise StaleError(
                f"the probe of {lost} is lost and the oven's own thermometer gives none ({air.status}); "
                "heating told to stop"
            )
        if air.value > self.plan.ceilings.body_degC + AIR_PLAY_K:
            raise CeilingError(
                f"the oven is at {air.value:.1f} degC, above the ceiling of {self.plan.ceilings.body_degC:g} "
                f"degC of the bodies, and the probe of {lost} is lost; heating told to stop"
            )

    def hold(self, coils: Sequence[str], step_degC: float, *, heating: bool) -> None:
        """Take the settled readings of a step, round after round so that slow changes show.

        Where a person moves the leads, coil after coil.
        """
        rounds = range(1 if self.procedure.bench.typed else self.plan.hold_readings)
        if self.procedure.bench.harness.switched:
            order = [coil for _ in rounds for coil in coils]
        else:
            order = [coil for coil in coils for _ in rounds]
        for coil in order:
            if coil not in self.lost:
                self.look(coil, "hold", step_degC, heating=heating)
            elif heating:
                self.see_unprobed([coil], step_degC)
        for coil in self.left(coils):
            self.procedure.observe_insulation(coil, step_degC)

    def drive(self, coil: CoilPlan, step_degC: float) -> None:
        """Energise one coil at the test voltage for a moment, if there is a supply: its hot current."""
        bench, procedure = self.procedure.bench, self.procedure
        if bench.supply is None or self.plan.drive_s == 0 or bench.meter_typed:
            return  # nobody is asked to read a meter while current flows
        if coil.label in self.lost | self.undriven:
            return
        self.require_time()
        bench.harness.to_driven_coil(coil.label)
        trouble = ""
        tripped: CeilingError | None = None
        try:
            with bench.guard.energised(
                coil.label,
                voltage_V=self.plan.voltage_V,
                coil_voltage_V=self.plan.voltage_V,
                coil_current_A=coil.max_current_A,
            ) as drive:
                trouble, tripped = self._driven(coil.label, step_degC, drive)
        except (LinkError, ReplyError) as exc:
            # It is off, or another error says so; whoever reads next gets in step with nothing under power.
            self._blind_drives += 1
            if self._blind_drives >= BLIND_PULSES:
                raise
            with bench.guard.heat_paused():
                self.recover(coil.label, exc)
        else:
            self._blind_drives = 0
        if tripped is not None:
            try:
                self.require_refuted(tripped, coil.label, "hold", step_degC)
            except CeilingError as exc:
                trouble = str(exc)
                self.undriven.add(coil.label)
        bench.guard.forgive(coil.label)
        if trouble:
            procedure.event("drive", trouble, coil.label)

    def _driven(self, label: str, step_degC: float, drive: Drive) -> tuple[str, CeilingError | None]:
        """Take rows of a coil under power for the time of a test; return what is wrong, and what tripped."""
        procedure, trouble = self.procedure, ""
        rows = DrivenRows(procedure, self.watches[label], drive, label, "drive", step_degC)
        start_s = rows.last_s
        procedure.clock.sleep(SWITCH_ON_S)
        try:
            while not trouble and procedure.now() - start_s < self.plan.drive_s:
                _, trouble = rows.take()
                procedure.bench.guard.see_oven()
                procedure.wait_until(rows.last_s + DRIVE_PERIOD_S)
        except CeilingError as exc:
            return trouble, exc
        except StaleError as exc:
            self.undriven.add(label)
            return str(exc), None
        return trouble, None
