"""One run from files to verdicts: open the bench, do the procedure, keep the record, judge, report."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from rich.console import Console

from analysis.model import SetResult
from analysis.words import say
from daq import __version__
from daq.archive.judgement import judge_run, judgement_files
from daq.archive.verdict_table import PaperName
from daq.bench.assembly import Assembled, open_bench
from daq.bench.bench import Bench
from daq.bench.guard.vigil import Vigil
from daq.bench.operator import AbsentOperator
from daq.bench.tryout import require_ops
from daq.bench.watchdog.client import Companion, can_be_on, companion
from daq.bench.watchdog.heartbeat import BreathingRecord
from daq.clock import local_offset_min
from daq.config.coil_set import CoilSet, Heat
from daq.config.coil_set_rules import RIPPLE
from daq.config.load import fault_script, is_practice, load_inputs
from daq.config.rig import TYPED, Rig
from daq.config.toml import Loaded
from daq.errors import BenchError, CoilsoakError, InputError, OutputUnknownError, RecordError
from daq.instruments.roles import Protection
from daq.procedures.procedure import Procedure, Progress
from daq.procedures.soak.by_hand import hand_stages, soak_by_hand
from daq.procedures.soak.by_supply import soak_by_supply, supply_stages
from daq.procedures.soak.heat_limits import HeatCeilings
from daq.procedures.soak.oven import oven_stages, soak_in_oven
from daq.procedures.soak.soak import CoilPlan, Soak, SoakPlan
from daq.procedures.soak.stop_rules import Targets
from daq.record.format import COIL_SET, FAULT_SCRIPT, RIG, CloseState, Kind, RowSink, Stage
from daq.record.reader import read_run
from daq.record.writer import Carried, FileUsed, Header, InstrumentUsed, RunWriter
from daq.run.alarms import Alarms, Notices, make_sure
from daq.run.choose_sweep import do_sweep, is_handsfree, questions
from daq.run.coarse import too_coarse
from daq.run.resume import CutRun, open_cut_run, require_same_files
from daq.screen.cautions import confirm_cautions
from daq.screen.console import ConsoleOperator
from daq.screen.hands_free import HandScreen
from daq.screen.live import RunScreen
from daq.signals import shielded

#: On a bench in virtual time nobody can pull a plug: what did not come to rest within this does not.
VIRTUAL_PATIENCE_S = 1200.0
SOAKS = {
    "oven": (oven_stages, soak_in_oven),
    "supply": (supply_stages, soak_by_supply),
    "hand": (hand_stages, soak_by_hand),
}


@dataclass(frozen=True)
class RunRequest:
    """What was asked for on the command line."""

    kind: Kind
    command: str
    out: Path = Path("runs")
    rig: Path | None = None
    coil_set: Path | None = None
    seed: int | None = None
    heat: Heat | None = None
    stage: Stage = "as received"
    job: str = ""
    operator: str = ""
    paper: PaperName = "a4"
    yes: bool = False
    resume: Path | None = None
    ask: bool = False


@dataclass(frozen=True)
class Outcome:
    """How a run ended: its folder, its judgement, what broke it if anything did, and what stands unsafe."""

    folder: Path
    result: SetResult
    state: CloseState
    error: CoilsoakError | None = None
    alarm: str = ""


def execute(request: RunRequest, console: Console) -> Outcome:
    """Do the run that *request* asks for, showing it on *console*.

    Raises:
        InputError: A file is wrong or the bench is not what it says; nothing was energised.
        RecordError: The run folder cannot be made.
    """
    cut = None if request.resume is None else open_cut_run(request.resume)
    if cut is not None:
        request = _as_before(request, cut)
    # Whether the rig can heat as the set asks is no question of a sweep.
    heat = request.heat if request.kind == "soak" else "hand"
    rig, coil_set = load_inputs(request.rig, request.coil_set, heat)
    if cut is not None:
        require_same_files(cut, rig, coil_set)
    operator = ConsoleOperator(console) if console.is_terminal else AbsentOperator()
    labels = coil_set.value.labels()
    note = note_of(rig.value, request.kind)
    handsfree = request.kind == "sweep" and is_handsfree(rig.value, console, ask=request.ask)
    if request.kind == "sweep" and (needed := questions(rig.value, handsfree=handsfree)):
        operator.require(needed)
    if handsfree:
        screen: RunScreen = HandScreen(console, labels, note)
    else:
        screen = RunScreen(console, labels, note, asks=_asks(rig.value, coil_set.value))
    alarms, notices = Alarms(screen), Notices(screen)
    if request.kind == "soak":
        confirm_cautions(console, operator, practising=is_practice(rig), agreed=request.yes)
    with (
        alarms,
        companion() as beside,
        open_bench(
            rig,
            operator,
            alarms,
            clear=alarms.clear,
            tell=alarms.tell,
            seed=request.seed,
            companion=beside,
            notice=notices,
        ) as assembled,
    ):
        watch = how_watched(request, rig, coil_set.value, beside)
        protections = require_ops(rig, assembled) if _drives(request, rig.value, coil_set.value) else ()
        header = _header(request, rig, coil_set, assembled, cut)
        texts = {RIG: rig.text, COIL_SET: coil_set.text}
        if assembled.script_text is not None:
            texts[FAULT_SCRIPT] = assembled.script_text
        carried = Carried.nothing() if cut is None else cut.carried
        with RunWriter.create(request.out, header, texts, assembled.bench.clock, carried=carried) as record:
            breathing = BreathingRecord(record, beside)
            alarms.record = breathing
            notices.record_in(breathing)
            beside.record_in(record.folder)
            for kind, text, coil in _first_words(cut, watch, _doubts(rig.value, coil_set.value, protections)):
                record.event(kind, text, coil)
                screen.event(kind, text, coil)
            procedure = Procedure(assembled.bench, breathing, screen, elapsed_s=record.elapsed_s())
            soak = Soak(procedure, soak_plan(rig.value, coil_set.value), cut.finished if cut else None)
            vigil = _vigil(rig.value, assembled.bench, labels, alarms)
            state, error = _measure(request, coil_set.value, soak, breathing, screen, vigil)
            # Ctrl-C waits: a run that was measured is judged, reported and closed, and then ends.
            with shielded():
                judged = judge_run(read_run(record.folder), coil_set.value, state=state)
                judged = replace(judged, problems=())  # the one there is: no manifest yet
                screen.say("drawing the report")
                record.close(state, judgement_files(record.folder, judged, request.paper))
    standing = "; ".join(assembled.bench.guard.standing)
    return Outcome(record.folder, judged.result, state, error, standing)


def how_watched(request: RunRequest, rig: Loaded[Rig], coil_set: CoilSet, beside: Companion) -> str:
    """Start the companion process where something may be on; return what the record is to say of it."""
    roles = can_be_on(rig.value, coil_set) if request.kind == "soak" else ()
    if not roles:
        return ""
    if not rig.value.companion:
        return say("event.no-companion")
    return beside.start(rig, roles)


def _drives(request: RunRequest, rig: Rig, coil_set: CoilSet) -> bool:
    """Whether the run drives coils with the supply."""
    tests = coil_set.test.drive_s > 0 and not rig.meter_typed
    return request.kind == "soak" and (coil_set.heat == "supply" or tests)


def _first_words(cut: CutRun | None, watch: str, doubts: Sequence[str]) -> list[tuple[str, str, str]]:
    """Return what is said before anything is measured: kind, text and coil."""
    words = [("resume", note, coil) for coil, note in (() if cut is None else cut.notes)]
    words += [("watch", watch, "")] if watch else []
    return words + [("limits", text, "") for text in doubts]


def _doubts(rig: Rig, coil_set: CoilSet, protections: Sequence[Protection]) -> list[str]:
    """Say what the limits of bench and set leave open."""
    unseen = [f"supply: {each.told()}" for each in protections if each.doubtful]
    return unseen + [f"{kind}: {why}" for kind, why in too_coarse(rig, coil_set)]


def _vigil(rig: Rig, bench: Bench, labels: Sequence[str], alarms: Alarms) -> Vigil:
    """Return who stays when the run is over, until all is proved to be off and cool."""
    virtual = rig.simulation is not None and rig.simulation.pace is None
    return Vigil(
        bench.guard,
        bench.clock,
        alarms,
        bodies=lambda: bench.bodies_degC(labels),
        aloud=not virtual,
        patience_s=VIRTUAL_PATIENCE_S if virtual else None,
    )


def _measure(
    request: RunRequest, coil_set: CoilSet, soak: Soak, record: RowSink, screen: RunScreen, vigil: Vigil
) -> tuple[CloseState, CoilsoakError | None]:
    """Do the procedure; whatever ends it early is kept with the record and not raised."""
    guard = soak.procedure.bench.guard
    cause: CoilsoakError | None = None
    try:
        with screen:
            try:
                _do(request, coil_set, soak, screen)
            except RecordError:
                raise
            except CoilsoakError as exc:
                cause = exc
                record.event("fault", str(exc))
                if not guard.proved:  # whoever comes to see what the alarm is about
                    screen.event("fault", str(exc), "")
            finally:
                # Judging and drawing take their time: whatever may be left on or hot is seen to before.
                make_sure(guard, vigil)
    except KeyboardInterrupt:
        record.event("stopped", say("state.stopped"))
        return "stopped", None
    except RecordError:
        raise
    except CoilsoakError as exc:
        record.event("fault", str(exc))
        if cause is None or str(cause).startswith(str(exc)):
            return "fault", cause or exc
        return "fault", OutputUnknownError(f"{exc} ({cause})")
    if cause is None:
        return "complete", None
    if isinstance(cause, OutputUnknownError):
        cause = BenchError(
            "for a while it was not known whether all was off; now it is proved. See to what was wrong "
            f"({cause.__cause__ or cause}), then resume the run"
        )
    return "fault", cause if isinstance(cause, BenchError) else BenchError(str(cause))


def _do(request: RunRequest, coil_set: CoilSet, soak: Soak, screen: RunScreen) -> None:
    if request.kind == "sweep":
        do_sweep(soak.procedure, coil_set, screen, soak.plan.accuracy.noise_ohm)
        return
    stages, run = SOAKS[coil_set.heat]
    soak.procedure.null_leads()
    run(soak, Progress(screen, stages(soak)))


def _as_before(request: RunRequest, cut: CutRun) -> RunRequest:
    """Return *request* with what a cut run was made for and how: a resumed one is of the same kind."""
    before = cut.run.header
    if request.heat not in {None, cut.heat}:
        raise InputError(f"--heat {request.heat}: the soak to resume heats by {cut.heat}; leave --heat out")
    return replace(
        request,
        heat=cut.heat,
        stage=before.stage,
        job=before.job,
        operator=request.operator or before.operator,
        seed=before.seed if request.seed is None else request.seed,
    )


def soak_plan(rig: Rig, coil_set: CoilSet) -> SoakPlan:
    """Put the set's wishes under the lower of rig and set limits."""
    test = coil_set.test
    return SoakPlan(
        coils=tuple(CoilPlan(label, coil_set.kind_of(label).max_current_A) for label in coil_set.labels()),
        voltage_V=test.voltage_V,
        # Regulated anyway, so that it stays below where protection would trip on ripple.
        heat_voltage_V=min(coil_set.heat_voltage_V, rig.limits.voltage_V / RIPPLE),
        steps_degC=test.steps_degC,
        hold_s=test.hold_s,
        max_step_s=test.max_step_s,
        hold_readings=test.hold_readings,
        scan_s=test.scan_s,
        drive_s=test.drive_s,
        ceilings=HeatCeilings(
            body_degC=min(rig.limits.body_degC, coil_set.limits.body_degC),
            winding_degC=min(rig.limits.winding_degC, coil_set.limits.winding_ceiling_degC),
        ),
        max_run_s=test.max_run_s,
        cool_s=test.max_step_s if test.cool_s is None else test.cool_s,
        one_at_a_time=test.one_at_a_time,
        targets=Targets(test.joint_u_ohm, test.r20_u_rel, test.drift_u_rel),
        accuracy=rig.accuracy(),
    )


def _header(
    request: RunRequest,
    rig: Loaded[Rig],
    coil_set: Loaded[CoilSet],
    assembled: Assembled,
    cut: CutRun | None,
) -> Header:
    plan = soak_plan(rig.value, coil_set.value)
    script = fault_script(rig) if rig.value.simulated else None
    return Header(
        start_utc=assembled.bench.clock.utc(),
        utc_offset_min=local_offset_min(assembled.bench.clock),
        program=f"coilsoak {__version__}",
        command=request.command,
        kind=request.kind,
        simulated=is_practice(rig) or assembled.simulated,
        seed=assembled.seed,
        rig=FileUsed(name=rig.value.name, sha256=rig.sha256),
        coil_set=FileUsed(name=coil_set.value.name, sha256=coil_set.sha256),
        fault_script=None
        if script is None
        else FileUsed(name=script.name, sha256=_sha256(assembled.script_text or "")),
        instruments={
            role: InstrumentUsed(
                resource=used.resource,
                dialect=used.dialect,
                identity=assembled.identities.get(role, ""),
                calibrated=used.calibrated.isoformat() if used.calibrated else "",
            )
            for role, used in rig.value.instruments().items()
        },
        accuracy=rig.value.accuracy(),
        meter=replace(assembled.bench.meter.use(), wires=assembled.bench.wires),
        operator=request.operator,
        job=request.job or coil_set.value.job,
        stage=request.stage,
        limits={
            "voltage_V": plan.heat_voltage_V if coil_set.value.heat == "supply" else plan.voltage_V,
            "body_degC": plan.ceilings.body_degC,
            "winding_degC": plan.ceilings.winding_degC,
        },
        settings=_settings(request, plan, coil_set.value, rig.value),
        resumed=None if cut is None else cut.resumed,
    )


def _settings(request: RunRequest, plan: SoakPlan, coil_set: CoilSet, rig: Rig) -> dict[str, object]:
    probe: dict[str, object] = {
        "probe": rig.probe.kind,
        "meter_wires": rig.meter.wires,
        "meter_range_ohm": rig.meter.range_ohm,
    }
    if request.kind == "sweep":
        return probe
    return {
        "heat": coil_set.heat,
        "test_voltage_V": plan.voltage_V,
        "steps_degC": list(plan.steps_degC),
        "hold_s": plan.hold_s,
        "drive_s": plan.drive_s,
        **probe,
    }


def _sha256(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def _asks(rig: Rig, coil_set: CoilSet) -> bool:
    """Whether the run puts questions to the operator."""
    by_hand = rig.meter_typed or rig.probe.kind == TYPED or rig.switch is None
    return by_hand or (coil_set.heat == "hand")


def note_of(rig: Rig, kind: Kind) -> str:
    """Say what bench this is: simulated, practice, or one that gets hot."""
    if rig.simulation is not None:
        pace = rig.simulation.pace
        time = "virtual time" if pace is None else f"{pace:g} times as fast as life"
        return f"simulated bench, invented coils, {time}"
    if rig.time_scale != 1.0:
        return f"practice bench on this machine, invented coils, time {rig.time_scale:g} times as fast"
    return f"{rig.name}: a heated run, never leave it alone" if kind == "soak" else rig.name
