"""The soak in an oven or bath: all coils together, one setpoint after another, then cold again."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

from analysis.settle import settled
from daq.enough import Holding
from daq.errors import BenchError
from daq.forecast import Forecast
from daq.procedure import Progress, Stage
from daq.record import Reading
from daq.soak import Soak

#: One round of all coils at least this often while temperatures move.
SCAN_S = 15.0
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
#: Cold again: this near to where it began.
COLD_K = 1.5
#: Parts of the soak, as progress and record name them.
COLD, BACK = "cold before", "back to cold"


class Approach:
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
    cold = Stage(COLD, 5.0 * len(soak.plan.coils))
    steps = [Stage(step_name(step), soak.plan.hold_s + 1200.0) for step in soak.plan.steps_degC]
    stages = [cold, *steps, Stage(BACK, 3000.0)]
    return [stage for stage in stages if not soak.finished(stage.name)]


def soak_in_oven(soak: Soak, progress: Progress) -> None:
    """Run the soak.

    Raises:
        BenchError: A step was not reached in its time, a ceiling was passed, a probe is gone.
    """
    procedure, plan = soak.procedure, soak.plan
    coils = plan.labels()
    ambient_degC = cold_before(soak, progress)
    if ambient_degC is None:
        raise BenchError("no probe gave a temperature cold: the soak was not started; look at the probes")
    steps = [step for step in plan.steps_degC if not soak.finished(step_name(step))]
    soak.in_oven = True
    with procedure.bench.guard.heating(plan.ceilings.body_degC) as oven:
        for step in steps:
            soak.require_time()
            progress.enter(procedure.now())
            procedure.event("step", f"oven to {step:g} degC")
            oven.go_to(step)
            _approach(soak, progress, step, "rise", step, REACHED_K, heating=True)
            _linger(soak, step)
            soak.hold(coils, step, heating=True)
            for coil in plan.coils:
                soak.drive(coil, step)
            soak.finish(step_name(step))
    if not soak.finished(BACK):
        progress.enter(procedure.now())
        procedure.event("step", "oven off, back to cold")
        _approach(soak, progress, None, "cool", ambient_degC, COLD_K, heating=False)
        soak.cold(soak.left(coils), "return")
        soak.finish(BACK)
    procedure.bench.harness.release()


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


def _approach(
    soak: Soak,
    progress: Progress,
    step: float | None,
    phase: str,
    target_degC: float,
    reach_K: float,
    *,
    heating: bool,
) -> None:
    """Read round after round until every coil has settled; time over is a fault of the bench."""
    procedure = soak.procedure
    began_s = procedure.now()
    if procedure.bench.typed:
        procedure.bench.operator.confirm(f"Wait until the coils are steady at {target_degC:.0f} degC")
        return
    approaches = {coil: Approach() for coil in soak.watched()}
    forecast = Forecast(window_s=WINDOW_S, tolerance_K=SETTLED_K)
    while True:
        round_s = procedure.now()
        for coil in soak.left(list(approaches)):
            reading, approach = soak.look(coil, phase, step, heating=heating), approaches[coil]
            approach.add(reading)
            forecast.add(reading)
        waiting = [
            coil for coil in soak.left(list(approaches)) if not approaches[coil].there(target_degC, reach_K)
        ]
        left_s = forecast.left_s(waiting, procedure.now(), target_degC, reach_K)
        progress.settling(procedure.now(), left_s, soak.plan.hold_s if heating else 0.0)
        if not waiting:
            return
        if procedure.now() - began_s > soak.plan.max_step_s:
            if not heating:
                procedure.event(
                    "step", f"{', '.join(waiting)} not back to cold yet; readings taken as they are"
                )
                return
            raise BenchError(
                f"{', '.join(waiting)} not settled at {target_degC:.0f} degC in {soak.plan.max_step_s:g} s; "
                "heating stopped. Does the oven reach it, are the probes on the bodies? Otherwise raise "
                "test.max_step_s"
            )
        procedure.wait_until(round_s + SCAN_S)


def _linger(soak: Soak, step: float) -> None:
    """Stay for the hold time that the set asks for, reading on: some faults need time at heat."""
    procedure = soak.procedure
    if procedure.bench.typed:
        return
    began_s = procedure.now()
    until_s, holding = began_s + soak.plan.hold_s, Holding(soak.plan.targets, began_s)
    while procedure.now() < until_s:
        round_s = procedure.now()
        for coil in soak.watched():
            row = soak.look(coil, "hold", step, heating=True)
            holding.add(coil, row.time_s, row.probe_degC, row.resistance_ohm)
        if holding.over(procedure.now()):
            held_s = procedure.now() - began_s
            procedure.event("known", f"at rest at {step:g} degC after {held_s:.0f} s; not held any longer")
            return
        procedure.wait_until(min(round_s + SCAN_S, until_s))
