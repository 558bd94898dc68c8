"""Which sweep a bench can do: typed figures, leads in a hand that are followed, or coil by coil in turn."""

from __future__ import annotations

from rich.console import Console

from daq.config.coil_set import CoilSet
from daq.config.rig import TWO_WIRE_U_OHM, TYPED, Rig
from daq.instruments.number import Number
from daq.procedures.procedure import Procedure, Progress, Screen
from daq.procedures.sweep.contact import Agreement
from daq.procedures.sweep.expected_value import Plausible
from daq.procedures.sweep.hands_free import sweep_handsfree
from daq.procedures.sweep.sweep import AGREE_OHM, AGREE_REL, ambient_of, sweep, sweep_stages
from daq.procedures.sweep.typed import sweep_typed
from daq.screen.hands_free import HandScreen
from daq.screen.keyboard import has_keyboard

#: Seconds that one settled reading of a coil takes, for the plan.
READING_S = 1.0
#: So many standard deviations of noise lie between readings that agree (common practice, no source).
_NOISE = 4.0


def is_handsfree(rig: Rig, console: Console, *, ask: bool) -> bool:
    """Whether a sweep of this bench follows the leads instead of asking for each coil.

    For that it takes a meter by wire, no switch unit, and single keys, or the hand of a simulated bench.
    """
    steered = rig.simulated or (console.is_terminal and has_keyboard())
    return rig.switch is None and not rig.meter_typed and steered and not ask


def questions(rig: Rig, *, handsfree: bool) -> str:
    """Say what a sweep of this bench needs an operator at a terminal for, '' for nothing."""
    asked = ["type what the meter shows"] if rig.meter_typed else []
    if rig.switch is None and not rig.meter_typed and not handsfree:
        asked.append("move the leads")
    if rig.probe.kind == TYPED:
        asked.append("type the temperature of the parts, without which no coil is judged")
    return " and ".join(asked)


def do_sweep(procedure: Procedure, coil_set: CoilSet, screen: Screen, noise_ohm: float) -> None:
    """Sweep the coils of *coil_set*.

    Args:
        procedure: Bench, record and screen.
        coil_set: What is under test.
        screen: A :class:`HandScreen` for a sweep that follows the leads.
        noise_ohm: Scatter of one reading (standard deviation).
    """
    labels, plausible = coil_set.labels(), Plausible(coil_set)
    if procedure.bench.meter_typed:
        sweep_typed(procedure, labels, plausible)
    elif isinstance(screen, HandScreen):
        ambient = _ambient_before(procedure, labels[0])
        with screen.attended():
            agree = _agreement(procedure.bench.wires, noise_ohm)
            sweep_handsfree(procedure, labels, plausible, agree, ambient, screen)
    else:
        sweep(procedure, labels, Progress(screen, sweep_stages(labels, READING_S)))


def _ambient_before(procedure: Procedure, coil: str) -> Number | None:
    """Ask what needs a typed answer or the meter's leads elsewhere, before the hands are only followed.

    Returns:
        The temperature of all parts, or None where a thermometer is read at each coil.
    """
    bench = procedure.bench
    ambient = ambient_of(procedure)
    if bench.probe_needs_meter:
        procedure.null_leads()
        ambient = bench.temperature(coil)
    bench.harness.follow_hands()
    return ambient


def _agreement(wires: int, noise_ohm: float) -> Agreement:
    """Return how near readings of one contact are that agree; two wires feel the pressure of a hand."""
    return Agreement(AGREE_OHM + _NOISE * noise_ohm + (TWO_WIRE_U_OHM if wires == 2 else 0.0), AGREE_REL)
