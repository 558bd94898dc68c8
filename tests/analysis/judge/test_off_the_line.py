"""Coils whose hot readings lie on no common line with their cold ones, in tables by formulas of their own."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest

from analysis.judge.set import judge_set
from analysis.model import Accuracy, CoilResult, Limits, MeterUse, SetResult, Subject
from tests.analysis.kits import table
from tests.analysis.kits.table import Logger, Part, compensated, drops

LIMITS = {"valve": Limits("valve", r20_ohm=3.3)}
MOVING = Logger(hold_s=0.0, steps_degC=(115.0,))


def judged(parts: Sequence[Part], logger: Logger, *, timed: bool = True, seed: int = 1) -> SetResult:
    """Judge what a logger wrote of coils of one kind."""
    make: Callable[..., list[table.Trace]] = table.timed if timed else table.settled
    traces = make(parts, logger, np.random.default_rng(seed))
    subjects = [Subject(part.label, "valve") for part in parts]
    return judge_set(traces, subjects, LIMITS, Accuracy(), meter=MeterUse(wires=4))


def with_peers(bad: Part) -> list[Part]:
    """Return *bad* beside three sound coils."""
    return [bad, *(Part(f"S{n}", copper_ohm=3.3 + 0.01 * n) for n in range(3))]


def told(coil: CoilResult) -> tuple[str, str]:
    """Return verdict and first reason."""
    return coil.verdict, coil.reasons[0].code


@pytest.mark.parametrize("share", [0.08, 0.03, 0.015])
@pytest.mark.parametrize("above_degC", [70.0, 85.0])
@pytest.mark.parametrize(("logger", "timed"), [(Logger(), True), (Logger(), False), (MOVING, True)])
def test_turns_that_short_hot_fail_with_their_bracket(
    share: float, above_degC: float, logger: Logger, timed: bool
) -> None:
    """Held, at rest or on the move it fails as what it is, and R20 is that of the cold readings."""
    bad = Part("A", fault=drops(share, above_degC))
    coil = judged(with_peers(bad), logger, timed=timed).coils[0]
    assert told(coil) == ("fail", "drops-hot")
    assert coil.r20_ohm == pytest.approx(3.31, abs=0.02)
    assert coil.joint_ohm is None


@pytest.mark.parametrize("logger", [Logger(), Logger(digit_ohm=0.01), Logger(gaps=0.3), MOVING])
def test_sound_neighbours_of_a_coil_off_its_line_pass(logger: Logger) -> None:
    """One coil off its line does not blur what is known of its like parts."""
    result = judged(with_peers(Part("A", fault=drops(0.03, 70.0))), logger)
    assert [coil.verdict for coil in result.coils[1:]] == ["pass"] * 3


def test_a_thermistor_is_not_called_shorted_turns() -> None:
    """Resistance that bends with temperature is no line, and no fault of the turns is made of it."""
    for timed in (True, False):
        coil = judged(with_peers(Part("A", fault=compensated(100.0))), Logger(), timed=timed).coils[0]
        assert coil.verdict == "retest"
        assert {reason.code for reason in coil.reasons} & {"not-straight", "slope-implausible"}


@pytest.mark.parametrize("alpha20_per_K", [0.00405, 0.00408])
def test_aluminium_is_not_passed(alpha20_per_K: float) -> None:
    """A joint below nothing asks for another look; copper at the end of its range does not."""
    coil = judged(with_peers(Part("A", alpha20_per_K=alpha20_per_K)), Logger()).coils[0]
    assert coil.verdict == "retest"
    sound = judged(with_peers(Part("A", alpha20_per_K=0.00396)), Logger()).coils[0]
    assert sound.verdict == "pass"


def test_a_scale_that_is_off_for_all_is_said_once() -> None:
    """Where all coils look like that, the notes say what it can be, once."""
    result = judged([Part(f"Y{n}", alpha20_per_K=0.00407) for n in range(4)], Logger(probe_gain_rel=0.0))
    assert {told(coil)[1] for coil in result.coils} == {"not-copper"}
    assert sum("rather the scale of the thermometer" in note for note in result.notes) == 1
