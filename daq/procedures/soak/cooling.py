"""Coils that heated themselves and were switched off: read until enough is known, or until cold again."""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan

from analysis.trace.known_so_far import Known, cools_in_s
from analysis.words import say
from daq.config.coil_set import LEAST_COOL_S
from daq.procedures.procedure import Progress
from daq.procedures.soak.oven import COLD_K
from daq.procedures.soak.schedule import share, worth_per_s
from daq.procedures.soak.soak import Soak
from daq.procedures.soak.stop_rules import CoolingFit
from daq.record.writer import Reading

#: A coil's part of the soak, as the record names it.
SOAKED = "soaked"
#: Readings between two pulses of another coil take no longer: that one cools meanwhile.
PAUSE_S = 1.5
#: So long the meter stays with a coil that was just switched off, before the next one is heated.
FIRST_S = 15.0
#: What is warmer than this above where it began is no cold reading after heat.
RETURN_K = 6.0


@dataclass
class _Coil:
    """One cooling coil; *known* once nobody waits for it, because its readings are enough or tell no more."""

    label: str
    off_s: float
    read_s: float
    ambient_degC: float
    fit: CoolingFit
    body_degC: float
    given_up: bool
    known: bool = False


class Cooling:
    """All coils that cool. The meter is theirs alone, or in the pauses of the one that is heated."""

    def __init__(self, soak: Soak, progress: Progress) -> None:
        self._soak = soak
        self._procedure = soak.procedure
        self._progress = progress
        self._coils: dict[str, _Coil] = {}
        #: What was saved against cooling until cold, and how long coils had to cool, in seconds.
        self.saved_s = self.cooled_s = 0.0

    def add(self, label: str, ambient_degC: float, body_degC: float, *, given_up: bool) -> None:
        """Take over a coil that was just switched off.

        Args:
            label: The coil.
            ambient_degC: Its body before heat.
            body_degC: Its body now.
            given_up: Whether its heating ended early, so that nothing more of it is waited for.
        """
        now_s, plan = self._procedure.now(), self._soak.plan
        fit = CoolingFit(plan.targets, plan.accuracy, self._procedure.bench.fits)
        self._coils[label] = _Coil(label, now_s, now_s, ambient_degC, fit, body_degC, given_up)

    def pause(self) -> None:
        """Read what is worth reading while another coil's current pauses; nothing is driven."""
        now_s = self._procedure.now()
        until_s = now_s + PAUSE_S
        for label, count in share(
            {label: (now_s - coil.off_s, now_s - coil.read_s) for label, coil in self._coils.items()}
        ):
            if self._procedure.now() >= until_s:
                return
            self._take(self._coils[label], self._procedure.observe_burst(label, "cool", count, until_s))

    def follow(self, label: str) -> None:
        """Stay with a coil that was just switched off, while its winding falls fastest."""
        while label in self._coils and self._procedure.now() < self._coils[label].off_s + FIRST_S:
            self._read(self._coils[label])

    def run_out(self) -> None:
        """Read until every coil is known or cold, or its time is over."""
        while any(not coil.known for coil in self._coils.values()):
            now_s = self._procedure.now()
            due_s = {
                label: coil.read_s + 1.0 / worth_per_s(now_s - coil.off_s)
                for label, coil in self._coils.items()
            }
            soonest = min(due_s, key=lambda label: due_s[label])
            self._procedure.wait_until(due_s[soonest])
            self._read(self._coils[soonest])
            self._progress.at(self._procedure.now())

    def give_up_rest(self) -> None:
        """Leave what is known but not cold: nobody waits for it, and that is said."""
        if self._coils:
            self._procedure.event("step", say("event.coils-warm-unchecked", coils=", ".join(self._coils)))
        for label in self._coils:
            self._procedure.forget(label)
        self._coils.clear()

    def _read(self, coil: _Coil) -> None:
        self._take(coil, [self._soak.look(coil.label, "cool", None, heating=False)])

    def _take(self, coil: _Coil, readings: list[Reading]) -> None:
        """Go by the newest readings: cold again, known, out of time, or none of these."""
        procedure, plan, now_s = self._procedure, self._soak.plan, self._procedure.now()
        coil.read_s = now_s
        bodies_degC = [r.probe_degC for r in readings if r.probe_degC is not None]
        coil.body_degC = bodies_degC[-1] if bodies_degC else coil.body_degC
        excess_K, cooled_s = coil.body_degC - coil.ambient_degC, now_s - coil.off_s
        if bodies_degC and excess_K <= COLD_K:
            self._leave(coil, cold=True)
            return
        if coil.given_up and not coil.known and plan.targets.asked and cooled_s >= LEAST_COOL_S:
            self._wait_no_more(coil, cooled_s)
            return
        if not coil.known and (plan.targets.drift_u_rel is None or excess_K <= RETURN_K):
            known = coil.fit.look(procedure.kept(coil.label), cooled_s)
            if known is not None:
                self._known(coil, known, excess_K, cooled_s)
                return
        if not coil.known and cooled_s > plan.cool_s:
            cool_enough = excess_K <= RETURN_K
            told = say("event.warm-taken" if cool_enough else "event.warm-unchecked")
            procedure.event("step", told, coil.label)
            self._leave(coil, cold=cool_enough)

    def _known(self, coil: _Coil, known: Known, excess_K: float, cooled_s: float) -> None:
        """Enough is known: say what, and what that saved."""
        left_s = cools_in_s(excess_K, COLD_K, known.slowest_s)
        left_s = 0.0 if isnan(left_s) else left_s
        self.saved_s += left_s
        told = say(
            "event.joint-known",
            joint=1e3 * known.joint_u_ohm,
            r20=100.0 * known.r20_u_rel,
            cooled=cooled_s,
            left=left_s / 60.0,
        )
        self._procedure.event("known", told, coil.label)
        if self._soak.plan.targets.drift_u_rel is not None:
            self._leave(coil, cold=True)
        else:
            self._wait_no_more(coil, cooled_s)

    def _wait_no_more(self, coil: _Coil, cooled_s: float) -> None:
        """What it shows until the others are done is welcome, but nobody waits for it."""
        coil.known = True
        self.cooled_s += cooled_s
        self._soak.finish(SOAKED, coil.label)

    def _leave(self, coil: _Coil, *, cold: bool) -> None:
        if not coil.known:
            self.cooled_s += self._procedure.now() - coil.off_s
        if cold:
            self._soak.cold([coil.label], "return")
        self._procedure.forget(coil.label)
        del self._coils[coil.label]
        self._soak.finish(SOAKED, coil.label)
