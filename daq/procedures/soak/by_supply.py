"""The soak by the coils' own heat: one supply heats one coil at a time, regulated, in pulses.

With a switch unit the others cool and are read meanwhile, in the pauses between two pulses. The meter never
leaves a coil under current, so every interlock of the guard holds as it does for a coil alone. Where leads
are moved by hand a coil is heated, cooled and read before the leads go to the next: one move a coil.
"""

from __future__ import annotations

from analysis.words import say
from daq.procedures.procedure import Progress, Stage
from daq.procedures.soak.cooling import SOAKED, Cooling
from daq.procedures.soak.schedule import heating_order
from daq.procedures.soak.self_heating import SelfHeating
from daq.procedures.soak.soak import CoilPlan, Soak

#: Lengths seen on bodies of some 150 J/K in still air, for the plan.
COLD_STAGE_S, STEP_STAGE_S, COOL_STAGE_S = 8.0, 200.0, 2000.0
WORTH_TELLING_S = 60.0


def supply_stages(soak: Soak) -> list[Stage]:
    """Plan the soak, coil by coil; heated one while the other cools, all cool-downs but the last are free."""
    plan = soak.plan
    cool = Stage("back to cold", min(COOL_STAGE_S, plan.cool_s))
    stages = []
    for coil in _in_order(soak):
        stages.append(Stage("cold before", COLD_STAGE_S, coil.label))
        held_s = STEP_STAGE_S + plan.hold_s
        stages += [Stage(f"step {step:g} degC", held_s, coil.label) for step in plan.steps_degC]
        if not soak.overlaps:
            stages.append(Stage(cool.name, cool.expected_s, coil.label))
    return [*stages, cool] if soak.overlaps else stages


def soak_by_supply(soak: Soak, progress: Progress) -> None:
    """Run the soak.

    Raises:
        BenchError: A ceiling was passed, the probe is gone or does not follow, the bench failed.
    """
    procedure = soak.procedure
    cooling = Cooling(soak, progress)
    began_s, heated_s, saved_s = procedure.now(), 0.0, 0.0
    for coil in _in_order(soak):
        heated, on_s = SelfHeating(soak, coil, progress, cooling.pause), procedure.now()
        bodies = heated.run()
        saved_s, heated_s = saved_s + heated.saved_s, heated_s + procedure.now() - on_s
        if bodies is None:  # no probe: neither heated nor worth waiting for
            soak.finish(SOAKED, coil.label)
            continue
        cooling.add(coil.label, *bodies, given_up=heated.given_up)
        if soak.overlaps:
            cooling.follow(coil.label)
        else:
            progress.enter(procedure.now())
            cooling.run_out()
    if soak.overlaps:
        progress.enter(procedure.now())
        cooling.run_out()
    cooling.give_up_rest()
    _tell_saved(soak, saved_s + cooling.saved_s, heated_s + cooling.cooled_s - (procedure.now() - began_s))
    procedure.bench.harness.release()


def _in_order(soak: Soak) -> list[CoilPlan]:
    """Return the coils still to be soaked: as in the set, or so that the last one need not cool for long."""
    coils = {coil.label: coil for coil in soak.plan.coils if not soak.finished(SOAKED, coil.label)}
    if not (soak.overlaps and soak.plan.targets.asked):
        return list(coils.values())
    order = heating_order({label: coil.max_current_A for label, coil in coils.items()})
    return [coils[label] for label in order]


def _tell_saved(soak: Soak, early_s: float, beside_s: float) -> None:
    """Say what was saved by ending *early_s* sooner and by doing *beside_s* at the same time."""
    early, beside = (each_s >= WORTH_TELLING_S for each_s in (early_s, beside_s))
    if early or beside:
        only = "event.saved-early" if early else "event.saved-beside"
        key = "event.saved-both" if early and beside else only
        soak.procedure.event("saved", say(key, early=early_s / 60.0, beside=beside_s / 60.0))
