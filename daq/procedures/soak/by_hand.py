"""The soak by hand: the operator heats with whatever there is; the program watches and reads."""

from __future__ import annotations

from analysis.words import say
from daq.procedures.procedure import Progress, Stage
from daq.procedures.soak.forecast import Forecast
from daq.procedures.soak.oven import (
    BACK,
    COLD,
    COLD_K,
    REACHED_K,
    SETTLED_K,
    WINDOW_S,
    OvenApproach,
    cold_before,
    step_name,
)
from daq.procedures.soak.soak import Soak


def hand_stages(soak: Soak) -> list[Stage]:
    """Plan the soak; how long an operator takes is anybody's guess."""
    steps = [Stage(step_name(step), soak.plan.hold_s + 900.0) for step in soak.plan.steps_degC]
    stages = [Stage(COLD, 10.0 * len(soak.plan.coils)), *steps, Stage(BACK, 2400.0)]
    return [stage for stage in stages if not soak.finished(stage.name)]


def soak_by_hand(soak: Soak, progress: Progress) -> None:
    """Run the soak with prompts; with typed instruments each settled reading is asked for once."""
    procedure, plan = soak.procedure, soak.plan
    operator = procedure.bench.operator
    soak.by_hand = True
    coils = plan.labels()
    ambient_degC = cold_before(soak, progress)
    for step in plan.steps_degC:
        if soak.finished(step_name(step)):
            continue
        progress.enter(procedure.now())
        operator.confirm(
            f"Heat the coils to about {step:g} degC and keep them there (never leave them alone)"
        )
        _watch(soak, progress, step, "rise", step, REACHED_K)
        soak.hold(coils, step, heating=True)
        for coil in plan.coils:
            soak.drive(coil, step)
        soak.finish(step_name(step))
    if not soak.finished(BACK):
        progress.enter(procedure.now())
        operator.confirm("Stop heating and let the coils come back to room temperature")
        _watch(soak, progress, None, "cool", 20.0 if ambient_degC is None else ambient_degC, COLD_K)
        soak.cold(soak.left(coils), "return")
        soak.finish(BACK)
    procedure.bench.harness.release()


def _watch(
    soak: Soak, progress: Progress, step: float | None, phase: str, target_degC: float, reach_K: float
) -> None:
    """Watch the bodies settle where there is something to watch; typed readings come with the hold."""
    procedure = soak.procedure
    if procedure.bench.typed:
        return
    began_s = procedure.now()
    approaches = {coil: OvenApproach() for coil in soak.watched()}
    forecast = Forecast(window_s=WINDOW_S, tolerance_K=SETTLED_K)
    while procedure.now() - began_s < soak.plan.max_step_s:
        round_s = procedure.now()
        newest = {}
        for coil in soak.left(list(approaches)):
            newest[coil] = soak.look(coil, phase, step, heating=step is not None)
            approaches[coil].add(newest[coil])
            forecast.add(newest[coil])
        soak.see_company(newest)
        if step is not None:
            soak.see_unprobed(list(approaches), step)
        left = soak.left(list(newest))
        waiting = [coil for coil in left if not approaches[coil].there(target_degC, reach_K)]
        left_s = forecast.left_s(waiting, procedure.now(), target_degC, reach_K)
        progress.settling(procedure.now(), left_s, 0.0)
        if not waiting:
            return
        procedure.wait_until(round_s + soak.plan.scan_s)
    procedure.event("step", say("event.unsettled-taken", target=target_degC, limit=soak.plan.max_step_s))
