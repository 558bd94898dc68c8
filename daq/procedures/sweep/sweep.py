"""The room-temperature sweep: every coil of the set, quickly, nothing energised."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median

from analysis.words import say
from daq.instruments.number import Number
from daq.procedures.procedure import Procedure, Progress, Stage
from daq.record.writer import Reading

#: Successive readings of one coil, and how well two must agree before contact counts as made.
READINGS, SECOND_READINGS = 3, 2
AGREE_REL = 1e-3
AGREE_OHM = 0.003
#: So many without a resistance, and the coil is open.
OPEN_READINGS = 5
#: Readings waited for agreement before the contact is called unsteady.
PATIENCE = 20
#: A probe on a part at rest shows something a workshop can have.
WORKSHOP_DEGC = (-10.0, 45.0)
#: Parts further apart than this were not at ambient: just washed, just heated, or in the sun.
AMBIENT_SPREAD_K = 2.0


def sweep(procedure: Procedure, coils: Sequence[str], progress: Progress) -> None:
    """Read every coil at room temperature, and once more in a second pass: a part that moves is not at rest.

    Args:
        procedure: Bench, record and screen.
        coils: Labels in the order of the set.
        progress: One stage a coil and one for the second pass.
    """
    probes: dict[str, Number] = {}
    sound = []
    ambient = ambient_of(procedure)
    procedure.null_leads()
    for coil in coils:
        progress.enter(procedure.now())
        probes[coil] = ambient or procedure.temperature(coil)
        readings = read_cold(procedure, coil, "sweep", READINGS, probes[coil])
        if readings[-1].resistance_ohm is not None:
            sound.append(coil)
        procedure.observe_insulation(coil, None)
    progress.enter(procedure.now())
    for coil in sound:
        for _ in range(SECOND_READINGS):
            procedure.observe(coil, "sweep", probe=probes[coil])
    known = [probe.value for probe in probes.values() if probe.value is not None]
    warn_if_not_at_ambient(procedure, known)
    procedure.bench.harness.release()


def ambient_of(procedure: Procedure) -> Number | None:
    """Ask once for the temperature of the parts where a person reads it; None where an instrument does.

    A figure that no workshop has is asked for again; without one R20 is not known, and that is said.
    """
    bench = procedure.bench
    if not bench.probe_typed:
        return None
    doubted: float | None = None
    while True:
        given = bench.operator.ask_number("temperature of the parts, after an hour beside each other", "degC")
        if given.value is None:
            procedure.event("ambient", say("event.no-temperature"))
            return Number(None, given.status)
        if WORKSHOP_DEGC[0] <= given.value <= WORKSHOP_DEGC[1] or given.value == doubted:
            return given
        doubted = given.value
        bench.operator.tell(f"{given.value:.1f} degC is no workshop's: sure? Type it or the right one.")


def sweep_stages(coils: Sequence[str], reading_s: float) -> list[Stage]:
    """Plan a sweep: *reading_s* is what one reading takes."""
    stages = [Stage("sweep", READINGS * reading_s, coil) for coil in coils]
    return [*stages, Stage("second pass", SECOND_READINGS * reading_s * len(coils))]


def read_cold(
    procedure: Procedure, coil: str, phase: str, count: int, probe: Number | None = None
) -> list[Reading]:
    """Take *count* readings of *coil* once its contact is steady, and keep every one.

    Each row has a temperature of its own unless *probe* is given.

    A typed reading is taken once: a person has already waited for the display to settle.
    """
    if procedure.bench.meter_typed:
        return [procedure.observe(coil, phase, probe=probe)]
    readings: list[Reading] = []
    for _ in range(PATIENCE + count):
        readings.append(procedure.observe(coil, phase, probe=probe))
        if len(readings) >= count and _steady(readings[-count:]):
            return readings
        if len(readings) >= OPEN_READINGS and all(r.resistance_ohm is None for r in readings):
            return readings  # an open coil does not become steadier by waiting
    procedure.event("contact", say("event.unsettled", count=len(readings)), coil)
    return readings


def _steady(readings: Sequence[Reading]) -> bool:
    values = [r.resistance_ohm for r in readings if r.resistance_ohm is not None]
    if len(values) < len(readings):
        return False
    return max(values) - min(values) <= AGREE_OHM + AGREE_REL * median(values)


def warn_if_not_at_ambient(procedure: Procedure, temperatures_degC: Sequence[float]) -> None:
    """Say so when the parts are not all at one temperature."""
    if temperatures_degC and max(temperatures_degC) - min(temperatures_degC) > AMBIENT_SPREAD_K:
        said = say("event.parts-apart", low=min(temperatures_degC), high=max(temperatures_degC))
        procedure.event("ambient", said)
