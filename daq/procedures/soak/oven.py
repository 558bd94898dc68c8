"""The soak in an oven or bath: all coils together, one setpoint after another, then cold again."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from analysis.statistics.settle import settled
from analysis.words import say
from daq.errors import BenchError
from daq.procedures.procedure import Progress, Stage
from daq.procedures.soak.forecast import Forecast
from daq.procedures.soak.soak import Soak
from daq.procedures.soak.stop_rules import Holding, Passing
from daq.record.writer import Reading

#: Settled: over this window the body moved by less than SETTLED_K, the winding by what copper makes of it.
WINDOW_S = 120.0
SETTLED_K = 0.15
SETTLED_REL = 0.0008
#: A drifting, wobbling or open winding never settles; its body does. Alone it has to be still for this long,
#: as one trend: noise of the probe must not decide, round after round, whether the time begins anew.
BODY_ALONE_S = 300.0
BODY_ALONE_K = SETTLED_K * BODY_ALONE_S / WINDOW_S
#: A body further from the setpoint than this has not been soaked at it.
REACHED_K = 5.0
#: On the move: as near the last step has the body to come. Faults wait for the last kelvins.
NEAR_K = 1.0
#: And as near to where it began on its way back, which tells lag and change: cold enough to be read.
RETURN_K = 4.0
#: Cold again: this near to where it began.
COLD_K = 1.5
#: Parts of the soak, as progress and record name them.
COLD, BACK = "cold before", "back to cold"


class OvenApproach:
    """One coil on its way to a steady temperature."""

    def __init__(self) -> None:
        self._rows: deque[Reading] = deque()

    def add(self, reading: Reading) -> None:
        """Take the newest reading and forget those older than the window."""
        self._rows.append(reading)
        while self._rows[0].time_s < reading.time_s - 1.5 * BODY_ALONE_S:
            self._rows.popleft()

    def there(self, target_degC: float, reach_K: float) -> bool:
        """Whether body and winding have settled within *reach_K* of *target_degC*."""
        last = self._rows[-1]
        if last.probe_degC is None or abs(last.probe_degC - target_degC) > reach_K:
            return False
        body = [(r.time_s, r.probe_degC) for r in self._rows if r.probe_degC is not None]
        if _still(body, BODY_ALONE_S, BODY_ALONE_K):
            return True
        ohms = [(r.time_s, r.resistance_ohm) for r in self._rows if r.resistance_ohm is not None]
        return (
            bool(ohms)
            and _still(body, WINDOW_S, SETTLED_K)
            and _still(ohms, WINDOW_S, SETTLED_REL * ohms[-1][1])
        )


def _still(points: Sequence[tuple[float, float]], window_s: float, tolerance: float) -> bool:
    times, values = zip(*points, strict=True) if points else ((), ())
    return settled(times, values, window_s=window_s, tolerance=tolerance)


def oven_stages(soak: Soak) -> list[Stage]:
    """Plan the soak: lengths seen on an oven of moving air with bodies of some 60 J/K."""
    step_s, back_s = (1500.0, 1200.0) if _on_the_move(soak) else (soak.plan.hold_s + 1200.0, 3000.0)
    cold = Stage(COLD, 5.0 * len(soak.plan.coils))
    steps = [Stage(step_name(step), step_s) for step in _steps(soak)]
    stages = [cold, *steps, Stage(BACK, back_s)]
    return [stage for stage in stages if not soak.finished(stage.name)]


def soak_in_oven(soak: Soak, progress: Progress) -> None:
    """Run the soak: from hold to hold; or on the move, where the set asks for certainty and not for holds.

    On the move the oven goes straight to the last step and back, and nothing is waited for but what is not
    known without rest.

    Raises:
        BenchError: A step was not reached in its time, a ceiling was passed, a probe is gone.
    """
    procedure, plan = soak.procedure, soak.plan
    passing = None
    if _on_the_move(soak):
        passing = Passing(plan.targets, plan.accuracy, procedure.kept, procedure.bench.fits)
    if passing is not None:
        for coil in plan.labels():
            procedure.keep(coil)
    ambient_degC = cold_before(soak, progress)
    if ambient_degC is None:
        raise BenchError("no probe gave a temperature cold: the soak was not started; look at the probes")
    soak.in_oven = True
    with procedure.bench.guard.heating(plan.ceilings.body_degC) as oven:
        for step in _steps(soak):
            soak.require_time()
            progress.enter(procedure.now())
            procedure.event("step", say("event.oven-to", step=step))
            oven.go_to(step)
            _step(soak, progress, step, passing)
    if not soak.finished(BACK):
        progress.enter(procedure.now())
        procedure.event("step", say("event.oven-off"))
        aim = _Aim(None, ambient_degC, COLD_K, heating=False)
        if passing is not None:
            aim = replace(aim, phase="ramp", enough_K=RETURN_K, enough=passing.cold)
        _approach(soak, progress, aim)
        soak.cold(soak.left(plan.labels()), "return")
        soak.finish(BACK)
    for coil in plan.labels():
        procedure.forget(coil)
    procedure.bench.harness.release()


def _on_the_move(soak: Soak) -> bool:
    """Whether certainty is asked for and no time at heat, and all coils are seen throughout."""
    plan, bench = soak.plan, soak.procedure.bench
    asked = plan.hold_s == 0.0 and plan.targets.asked
    return asked and bench.harness.switched and not bench.typed and not soak.resumed


def _steps(soak: Soak) -> list[float]:
    """Return the steps that are still to be done; the last stands for all before it."""
    steps = soak.plan.steps_degC
    if soak.finished(step_name(steps[-1])):
        return []
    return [
        step for step in (steps[-1:] if _on_the_move(soak) else steps) if not soak.finished(step_name(step))
    ]


def _step(soak: Soak, progress: Progress, step: float, passing: Passing | None) -> None:
    """Bring the coils to a step, and see them there: at rest, or as soon as they are known without."""
    procedure, coils = soak.procedure, soak.plan.labels()
    aim = _Aim(step, step, REACHED_K, heating=True)
    if passing is not None:
        aim = replace(aim, phase="ramp", enough_K=NEAR_K, enough=passing.hot)
    if _approach(soak, progress, aim):
        _linger(soak, step)
        soak.hold(coils, step, heating=True)
    else:
        procedure.event("known", say("event.known-moving", step=step))
        for coil in soak.left(coils):
            procedure.observe_insulation(coil, step)
    for driven in soak.plan.coils:
        soak.drive(driven, step)
    soak.finish(step_name(step))


def step_name(step_degC: float) -> str:
    """Return how progress and record name a step."""
    return f"step {step_degC:g} degC"


def cold_before(soak: Soak, progress: Progress) -> float | None:
    """Read all coils cold, unless that is done; return the mean of what the probes showed, or None."""
    if soak.finished(COLD):
        return soak.ambient_degC()
    progress.enter(soak.procedure.now())
    cold = [r.probe_degC for r in soak.cold(soak.plan.labels(), "ambient") if r.probe_degC is not None]
    if not cold:
        return None
    soak.finish(COLD)
    return sum(cold) / len(cold)


@dataclass(frozen=True)
class _Aim:
    """Where the coils are to go, and how near counts; *enough* says of one so near that it need not rest."""

    step_degC: float | None
    target_degC: float
    reach_K: float
    heating: bool
    phase: str = ""
    enough_K: float = 0.0
    enough: Callable[[str], bool] | None = None

    def reached(self, coil: str, reading: Reading) -> bool:
        """Whether *coil* need not be waited for, by its newest reading."""
        body_degC = reading.probe_degC
        if self.enough is None or body_degC is None or abs(body_degC - self.target_degC) > self.enough_K:
            return False
        return self.enough(coil)


def _approach(soak: Soak, progress: Progress, aim: _Aim) -> bool:
    """Read round after round until no coil is waited for; time over is a fault of the bench.

    Returns:
        Whether all have settled, and not only come near enough.
    """
    procedure = soak.procedure
    began_s = procedure.now()
    if procedure.bench.typed:
        procedure.bench.operator.confirm(f"Wait until the coils are steady at {aim.target_degC:.0f} degC")
        return True
    phase = aim.phase or ("rise" if aim.heating else "cool")
    approaches = {coil: OvenApproach() for coil in soak.watched()}
    forecast = Forecast(window_s=WINDOW_S, tolerance_K=SETTLED_K)
    while True:
        round_s = procedure.now()
        newest = {}
        for coil in soak.left(list(approaches)):
            newest[coil] = soak.look(coil, phase, aim.step_degC, heating=aim.heating)
            approaches[coil].add(newest[coil])
            forecast.add(newest[coil])
        soak.see_company(newest)
        left = soak.left(list(newest))
        moving = [coil for coil in left if not approaches[coil].there(aim.target_degC, aim.reach_K)]
        waiting = [coil for coil in moving if not aim.reached(coil, newest[coil])]
        if aim.enough is None:
            left_s = forecast.left_s(waiting, procedure.now(), aim.target_degC, aim.reach_K)
            progress.settling(procedure.now(), left_s, soak.plan.hold_s if aim.heating else 0.0)
        else:
            progress.at(procedure.now())
        if not waiting:
            return not moving
        if procedure.now() - began_s > soak.plan.max_step_s:
            if not aim.heating:
                procedure.event("step", say("event.coils-warm-taken", coils=", ".join(waiting)))
                return False
            if 2 * len(waiting) < len(left):  # the oven does what it should: these have another fault
                soak.leave_behind(waiting, aim.target_degC)
                return not set(moving) - set(waiting)
            raise BenchError(
                f"{', '.join(waiting)} not settled at {aim.target_degC:.0f} degC in "
                f"{soak.plan.max_step_s:g} s; heating told to stop. Does the oven reach it, are the probes "
                "on the bodies? Otherwise raise test.max_step_s"
            )
        soak.rest_until(round_s + soak.plan.scan_s)


def _linger(soak: Soak, step: float) -> None:
    """Stay for the hold time that the set asks for, reading on: some faults need time at heat."""
    procedure = soak.procedure
    if procedure.bench.typed:
        return
    began_s = procedure.now()
    until_s, holding = began_s + soak.plan.hold_s, Holding(soak.plan.targets, began_s)
    while procedure.now() < until_s:
        round_s, newest = procedure.now(), {}
        for coil in soak.watched():
            row = newest[coil] = soak.look(coil, "hold", step, heating=True)
            holding.add(coil, row.time_s, row.probe_degC, row.resistance_ohm)
        soak.see_company(newest)
        if holding.over(procedure.now()):
            held_s = procedure.now() - began_s
            procedure.event("known", say("event.at-rest", step=step, held=held_s))
            return
        soak.rest_until(min(round_s + soak.plan.scan_s, until_s))
