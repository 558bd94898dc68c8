"""Soaks under schedules of faults: whatever breaks, the coil ends de-energised or the alarm stands."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.daq.kits.fault_layer import BENCH, FOREVER_S, LYING, WIRE, Fault
from tests.daq.kits.fault_soak import USUAL, Ended, files, run_with, schedule

#: A sample of ``tests/benchmarks/fault_schedules.py``, which has run seeds 0 to 1,999.
SAMPLE = range(5000, 5014)
#: Seeds that once failed, and why.
ONCE_FAILED = {
    46: "after a repeated command a voltage was taken for a current, and 8.159 ohm recorded",
    180: "a supply that lies about its output, at zero volts",
}
#: The same, of those in which instruments lie.
LIES_ONCE_FAILED = {354: "an oven that reads back on was taken for off once it was cold"}


#: Number of an exchange in which the meter, in the oven, is asked for a reading.
READING = 635


def under(tmp_path: Path, heat: str, *faults: Fault, seed: int = 1) -> Ended:
    """Do a soak under *faults*."""
    return run_with(tmp_path / "runs", heat, faults, seed, files(tmp_path / "inputs"))


@pytest.mark.slow
@pytest.mark.parametrize("seed", [*SAMPLE, *ONCE_FAILED, *LIES_ONCE_FAILED])
def test_whatever_breaks_nothing_burns_and_nothing_is_lost(tmp_path: Path, seed: int) -> None:
    """De-energised or the alarm stands, no winding past its ceiling, no contact under current, a record."""
    heat, faults = schedule(seed, lies=seed not in ONCE_FAILED)
    assert run_with(tmp_path / "runs", heat, faults, seed, files(tmp_path / "inputs")).complaints == []


@pytest.mark.slow
@pytest.mark.parametrize("heat", ["oven", "supply"])
def test_without_faults_the_soak_goes_to_its_end(tmp_path: Path, heat: str) -> None:
    """The layer alone changes nothing: complete, and exchanges as many as schedules are drawn from."""
    ended = under(tmp_path, heat)
    assert (ended.status, ended.complaints, ended.layer.happened) == (0, [], [])
    assert ended.outcome == "soak went on to its end"
    assert all(ended.layer.exchanges[name] >= count for name, count in USUAL[heat].items())


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["late reply", "drop reply", "duplicate reply", "reorder", "cut", "delay"])
def test_one_fault_of_the_wire_in_passing_is_survived(tmp_path: Path, kind: str) -> None:
    """A reading late, lost, twice or out of order, and a connection lost for a second: the soak goes on."""
    ended = under(tmp_path, "oven", Fault(kind, "meter", READING, lasting_s=1.0))
    assert [fault.kind for fault in ended.layer.happened] == [kind]
    assert (ended.status, ended.complaints) == (0, []), ended.said


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fault", "outcome", "words"),
    [
        (Fault("hang", "supply", 400, lasting_s=FOREVER_S), "alarm stands", "no complete reply within 2 s"),
        (Fault("cut", "supply", 400, lasting_s=FOREVER_S), "alarm stands", "closed the connection"),
        (Fault("stuck output", "supply", 400), "alarm stands", "expected"),
        (Fault("lying output", "supply", 400), "alarm stands", "A still flow"),
        (Fault("overlong", "meter", 400, times=400), "made safe", "a reply of 70000 characters"),
        (Fault("echo", "meter", 400, times=1000), "made safe", "expected"),
        (Fault("wrong identity", "meter", 0), "refused at the start", "expected 'Simulated"),
    ],
)
def test_what_cannot_be_survived_ends_loudly(tmp_path: Path, fault: Fault, outcome: str, words: str) -> None:
    """Each ends as it should, and the one line says what was expected."""
    ended = under(tmp_path, "supply", fault)
    assert ended.complaints == []
    assert ended.outcome.startswith(outcome)
    assert words in ended.said


def test_the_schedules_draw_every_fault() -> None:
    """In two thousand seeds every kind of fault is drawn, in both ways of heating."""
    drawn = {
        (heat, fault.kind) for seed in range(2000) for heat, faults in [schedule(seed)] for fault in faults
    }
    assert {kind for _, kind in drawn} == {*WIRE, *BENCH, *LYING}
    assert {heat for heat, _ in drawn} == {"oven", "supply"}
