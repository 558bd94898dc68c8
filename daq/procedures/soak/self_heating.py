"""One coil heated by its own current: regulated up the steps by the supply, in pulses.

The winding leads its body by tens of kelvin while current flows, so these rows are a trace to
be fitted as a whole, never settled points.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from math import ceil, inf, sqrt
from statistics import median

from analysis.model import OVER_RANGE
from analysis.words import Message, say
from daq.errors import CeilingError, LinkError, ReplyError, StaleError
from daq.instruments.number import Number
from daq.procedures.procedure import Progress
from daq.procedures.soak.oven import COLD_K, REACHED_K
from daq.procedures.soak.powered_rows import SWITCH_ON_S, DrivenRows
from daq.procedures.soak.soak import BLIND_PULSES, CoilPlan, Soak
from daq.procedures.soak.stop_rules import Holding
from daq.record.format import WATCH
from daq.record.writer import Reading

#: Rows under power: one a second tells the thermal fit what the winding did.
ROW_S = 1.0
#: How long current flows between two looks at a probe that the meter has to leave the coil for.
PULSE_S = 10.0
#: A step counts as reached this close below it.
NEAR_K = 0.5
#: The winding is kept this far below its ceiling by lowering the power.
WINDING_MARGIN_K = 10.0
#: Regulation of the body, for coils of 40 to 200 J/K: watts a kelvin, watts a kelvin-second, and the loss to
#: the air from which the second begins (common practice, no source).
GAIN_W_PER_K = 4.0
RESET_W_PER_Ks = 0.02
LOSS_W_PER_K = 0.2
#: The winding's share of a coil's heat capacity: what its lead over the body will still add to the body.
WINDING_SHARE = 0.15
#: Share of the coil's greatest current that heating uses.
CURRENT_SHARE = 0.9
#: What a body heated by full power until it is there goes on to rise.
OVERSHOOT_K = 5.0
#: All the power that the limits allow, and the body no longer rises: less than this over so long under power.
PLATEAU_K, PLATEAU_S = 0.5, 300.0
#: Less than this is not worth switching on for.
LEAST_V = 0.5
#: So long without current is no dropout: the supply goes off, and is switched on again to see.
OPEN_S = 0.5
#: So long after the first row without current a coil that did not conduct again is given up: long enough to
#: be judged as an open that lasts.
GIVE_UP_S = 6.0
#: Rows in succession of which another thing than current is missing.
MISSING_ROWS = 6
#: Rows whose middle resistance regulates the power: a dropout inside a reading must not.
OHM_ROWS = 5


class SelfHeating:
    """One coil heated by its own current, regulated up the steps.

    *pause* is called between two pulses of current, with everything off: other coils may be read then.
    """

    def __init__(self, soak: Soak, coil: CoilPlan, progress: Progress, pause: Callable[[], None]) -> None:
        self._soak = soak
        self._procedure = soak.procedure
        self._bench = soak.procedure.bench
        self._coil = coil
        self._progress = progress
        self._pause = pause
        self._watch = soak.watches[coil.label]
        self._watch.heats_itself()
        #: What was saved against holds of full length, in seconds.
        self.saved_s = 0.0
        self._ohm: float | None = None
        self._body_degC: float | None = None
        self._recent_ohm: deque[float] = deque(maxlen=OHM_ROWS)
        self._holding: Holding | None = None
        #: Power of the last pulse, and the part of it that is to hold the step.
        self._last_W = self._reset_W = 0.0
        self._ambient_degC: float | None = None
        self._missing_rows = self._blind_pulses = 0
        #: How long the coil was heated so far, in seconds: under power, or held back by a ceiling. What time
        #: passes between pulses warms nothing.
        self._worked_s = 0.0
        #: Since when no row has shown current; None while it flows.
        self._open_s: float | None = None
        self._apart_s = 0.0
        #: Whether heating ended before its last step was done.
        self.given_up = False

    def run(self) -> tuple[float, float] | None:
        """Heat and hold; a coil that opens or does not get there ends its heating, not the soak.

        Returns:
            Body before heat and now in degC; None where its probe gave none.
        """
        label, procedure = self._coil.label, self._procedure
        self._progress.enter(procedure.now())
        self._soak.wait_for_cold(label, COLD_K)
        if self._soak.plan.targets.asked:
            procedure.keep(label)
        cold = self._soak.cold([label], "ambient")
        self._ohm = _middle([row.resistance_ohm for row in cold])
        self._body_degC = _middle([row.probe_degC for row in cold])
        if self._ohm is None or self._body_degC is None:
            self._give_up(say("event.not-heated", status=cold[-1].status))
        self._ambient_degC = self._body_degC
        for step in self._soak.plan.steps_degC:
            self._progress.enter(procedure.now())
            try:
                self._step(step)
            except (CeilingError, StaleError) as exc:
                self._give_up(say("event.heating-ended", why=str(exc)))
        if self._apart_s > 0.0:
            procedure.event(WATCH, say("event.watched", apart=ceil(1e3 * self._apart_s) / 1e3), label)
        if self._ambient_degC is None or self._body_degC is None:
            return None
        return self._ambient_degC, self._body_degC

    def _give_up(self, said: Message) -> None:
        self.given_up = True
        self._procedure.event("heat", said, self._coil.label)

    def _step(self, step: float) -> None:
        """Bring the body to *step* and keep it there for the hold time."""
        plan, now = self._soak.plan, self._procedure.now
        began_s, reached_s = now(), None
        if self._ambient_degC is not None:
            self._reset_W = max(self._reset_W, LOSS_W_PER_K * (step - self._ambient_degC))
        mark_s, mark_degC = self._worked_s, self._body_degC
        self._holding = None
        while not self.given_up and (reached_s is None or now() - reached_s < plan.hold_s):
            if now() - began_s > plan.max_step_s:
                self._give_up(say("event.not-reached", step=step, limit=plan.max_step_s))
                return
            self._soak.require_time()
            self._pause()
            self._pulse(step)
            self._read_body(step)
            self._progress.at(now())
            if self._holding is not None and self._holding.over(now()):
                self._end_early(step, now() - self._holding.began_s)
                return
            if reached_s is not None or self._body_degC is None or mark_degC is None:
                continue
            if self._body_degC >= step - NEAR_K:
                reached_s = now()
            elif self._body_degC > mark_degC + PLATEAU_K:
                mark_s, mark_degC = self._worked_s, self._body_degC
            elif self._worked_s - mark_s > PLATEAU_S:
                if self._body_degC < step - REACHED_K:
                    self._give_up(say("event.plateau", body=self._body_degC, step=step))
                    return
                reached_s = now()
            if reached_s is not None:
                self._holding = Holding(plan.targets, reached_s)

    def _end_early(self, step: float, held_s: float) -> None:
        """Say that a hold is over before its full time: nothing more will change that matters."""
        self.saved_s += self._soak.plan.hold_s - held_s
        self._procedure.event("known", say("event.at-rest", step=step, held=held_s), self._coil.label)

    def _pulse(self, step: float) -> None:
        """Let current flow for one control interval, at the voltage that the body needs."""
        voltage_V = self._wanted_V(step)
        if voltage_V < LEAST_V:
            self._recent_ohm.clear()
            self._procedure.clock.sleep(PULSE_S)
            self._worked_s += PULSE_S
            return
        self._bench.harness.to_driven_coil(self._coil.label)
        try:
            ended_by = self._conduct(voltage_V, step)
        except (LinkError, ReplyError) as exc:
            ended_by = exc  # it was not to be switched on; that it is off is proved, or another error says so
        self._ask_after(ended_by, step)

    def _conduct(self, voltage_V: float, step: float) -> Exception | None:
        """Let current flow for one control interval; return what ended it at once, None if nothing did.

        Raises:
            LinkError: The output was not to be switched on: an instrument did not answer.
            ReplyError: The same, and it answered nonsense.
        """
        label, procedure, plan = self._coil.label, self._procedure, self._soak.plan
        with self._bench.guard.energised(
            label,
            voltage_V=voltage_V,
            coil_voltage_V=plan.heat_voltage_V,
            coil_current_A=self._coil.max_current_A,
        ) as drive:
            rows = DrivenRows(procedure, self._watch, drive, label, "heat", step)
            on_s = rows.last_s
            procedure.row(self._edge(step, on_s))
            procedure.clock.sleep(SWITCH_ON_S)
            gone: Number | None = None
            ended_by: Exception | None = None
            try:
                while procedure.now() - on_s < PULSE_S:
                    self._driven_row(rows, gone)
                    if self.given_up or self._open_for(rows) >= OPEN_S:
                        break
                    gone = rows.watch_until(rows.last_s + ROW_S)
            except (LinkError, ReplyError, CeilingError) as exc:
                ended_by = exc  # off first; whether it was one wrong reply is asked after
        assert drive.ended_s is not None
        off_s = procedure.run_time(drive.ended_s)
        rows.end(off_s)
        self._worked_s += off_s - on_s
        self._apart_s = max(self._apart_s, rows.apart_s)
        procedure.row(self._edge(step, off_s))
        if self._holding is not None:
            self._holding.add(label, rows.last_s, None, self._ohm)
        return ended_by

    def _ask_after(self, ended_by: Exception | None, step: float) -> None:
        """With the output off, see whether what ended a pulse was an instrument's slip: then heating goes on.

        Raises:
            LinkError: Pulse after pulse was ended by it.
            ReplyError: The same.
            CeilingError: It is so, or was refuted too often to be believed.
        """
        if isinstance(ended_by, CeilingError):
            self._soak.require_refuted(ended_by, self._coil.label, "heat", step)
        elif ended_by is not None:
            self._blind_pulses += 1
            if self._blind_pulses >= BLIND_PULSES:
                raise ended_by
            self._soak.recover(self._coil.label, ended_by)
        else:
            self._blind_pulses = 0

    def _open_for(self, rows: DrivenRows) -> float:
        """Return how long no row of *rows* or of the pulses before has shown current."""
        return 0.0 if self._open_s is None else rows.last_s - self._open_s

    def _driven_row(self, rows: DrivenRows, gone: Number | None) -> None:
        """Take a row, of a current just seen *gone* or read anew; what is wrong may end the heating."""
        # Nobody is asked to read a thermometer while current flows.
        probe = not (self._bench.probe_needs_meter or self._bench.typed)
        reading, trouble = rows.take(probe=probe, amperes=gone)
        if trouble:
            self._give_up(say("event.heating-ended", why=trouble))
        elif reading.status == OVER_RANGE:
            self._open_s = reading.time_s if self._open_s is None else self._open_s
            if self._open_for(rows) >= GIVE_UP_S:
                self._give_up(say("event.no-current"))
        elif reading.resistance_ohm is None:
            self._missing_rows += 1
            if self._missing_rows >= MISSING_ROWS:
                self._give_up(say("event.heating-ended", why=reading.status))
        else:
            self._missing_rows, self._open_s = 0, None
            self._recent_ohm.append(reading.resistance_ohm)
            self._ohm = median(self._recent_ohm)

    def _edge(self, step: float, time_s: float) -> Reading:
        """Mark a switching instant: without it, energy between rows is anybody's guess."""
        label = self._coil.label
        return Reading(
            time_s=time_s,
            coil=label,
            phase="heat",
            step_degC=step,
            current_A=0.0,
            energy_J=self._procedure.energy_J(label),
            source="switching",
        )

    def _read_body(self, step: float) -> None:
        reading, probe = self._procedure.observe_both(self._coil.label, "heat", step, quick=True)
        self._soak.check(reading, probe)
        if reading.probe_degC is not None:
            self._body_degC = reading.probe_degC
        if reading.resistance_ohm is not None and not self._recent_ohm:
            self._ohm = reading.resistance_ohm  # no current flowed: this is how warm the winding is now
        if self._holding is not None:
            self._holding.add(reading.coil, reading.time_s, reading.probe_degC, None)

    def _wanted_V(self, step: float) -> float:
        """Return the voltage for the next interval: regulated by the body, held back by the winding."""
        assert self._body_degC is not None
        assert self._ohm is not None
        # Below the current limit, or the supply would limit current and be taken for shorted.
        most_V = min(self._soak.plan.heat_voltage_V, CURRENT_SHARE * self._coil.max_current_A * self._ohm)
        most_W = most_V**2 / self._ohm
        winding_degC = self._watch.winding_degC(self._ohm)
        coming_K = 0.0
        if winding_degC is not None:
            headroom_K = self._soak.plan.ceilings.winding_degC - WINDING_MARGIN_K - winding_degC
            most_W = min(most_W, max(most_W * headroom_K / WINDING_MARGIN_K, 0.0))
            if self._last_W > self._reset_W:
                # The lead beyond that of holding goes over to the body when the power is lowered.
                beyond = 1.0 - self._reset_W / self._last_W
                coming_K = WINDING_SHARE * beyond * max(winding_degC - self._body_degC, 0.0)
        error_K = step - self._body_degC
        if self._soak.plan.hold_s == 0.0 and step + OVERSHOOT_K <= self._soak.plan.ceilings.body_degC:
            # Nothing is held, and the fuller the power until it ends, the more the winding's fall tells.
            error_K = inf
        wanted_W = GAIN_W_PER_K * (error_K - coming_K) + self._reset_W
        if 0.0 < wanted_W < most_W:
            self._reset_W = max(self._reset_W + RESET_W_PER_Ks * error_K * PULSE_S, 0.0)
        self._last_W = max(min(wanted_W, most_W), 0.0)
        return min(sqrt(self._last_W * self._ohm), most_V)


def _middle(values: Sequence[float | None]) -> float | None:
    """Return the middle of the *values* that there are: one of them may be wrong by a digit."""
    there = [value for value in values if value is not None]
    return median(there) if there else None
