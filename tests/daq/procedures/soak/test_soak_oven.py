"""The whole soak in an oven: simulated bench, virtual time, every verdict against the truth."""

from __future__ import annotations

import json
import re
from itertools import pairwise
from pathlib import Path

import pytest

from daq.config.coil_set import SCAN_S
from daq.record.reader import read_run
from tests.daq.kits.soak import FAULTS, HEALTHY, TICK_S, Ran, number, rig_with, run, set_with, small_set

HOLD_S = 600.0
#: A look at the oven's air, which may come before a coil's reading or after it.
AIR_S = 0.02
STEPS = ["50.0", "70.0", "90.0"]


@pytest.fixture(scope="module")
def soaked(tmp_path_factory: pytest.TempPathFactory) -> Ran:
    """The default soak, once, drawn as a user gets it."""
    return run(tmp_path_factory.mktemp("oven"), drawn=True)


def clock_offset_s(ran: Ran) -> float:
    """Return what to add to time_s of a row to have the bench's clock."""
    start = read_run(ran.outcome.folder).header.start_utc
    bench_start = ran.truth.world.clock.utc().timestamp() - ran.truth.world.clock.monotonic()
    return start.timestamp() - bench_start


@pytest.mark.slow
def test_every_coil_gets_its_verdict_for_its_reason(soaked: Ran) -> None:
    """Five faults are found and named, three sound coils pass."""
    assert soaked.outcome.state == "complete"
    assert soaked.outcome.error is None
    assert soaked.verdicts() == FAULTS


@pytest.mark.slow
def test_nothing_moved_under_current_and_all_is_off(soaked: Ran) -> None:
    """The simulation saw no contact move under current; supply, oven and contacts end off and open."""
    soaked.assert_left_safe()


@pytest.mark.slow
def test_the_joint_is_inside_its_uncertainty(soaked: Ran) -> None:
    """Y5 has 0.35 ohm in its joint and 3.22 ohm of copper; both lie within U (k = 2) of what is reported."""
    coil = soaked.coil("Y5")
    assert coil.joint_ohm is not None
    assert coil.joint_u_ohm is not None
    assert abs(coil.joint_ohm - 0.35) < 2.0 * coil.joint_u_ohm
    assert coil.joint_u_ohm < 0.04  # or the limit of 0.1 ohm could not be told from 0.35
    truth = soaked.truth.coils["Y5"]
    assert coil.r20_ohm is not None
    assert coil.r20_u_ohm is not None
    assert abs(coil.r20_ohm - (truth.copper_at(20.0) + truth.joint_ohm)) < 2.0 * coil.r20_u_ohm


@pytest.mark.slow
@pytest.mark.parametrize("label", ["Y1", "Y3", "Y6"])
def test_the_figures_of_sound_coils_are_honest(soaked: Ran, label: str) -> None:
    """R20 and joint of a sound coil lie within U (k = 2) of the simulation's own."""
    soaked.assert_figures_hold_truth(label)


@pytest.mark.slow
def test_the_open_is_bracketed_by_rows_and_words(soaked: Ran) -> None:
    """The true instants when Y2 opened and closed lie between the rows and temperatures that are named."""
    (opened_s, closed_s), *more = soaked.truth.opens_s("Y2")
    assert more == []
    offset_s = clock_offset_s(soaked)
    rows = [row for row in soaked.rows("Y2") if row["source"] != "insulation"]
    is_open = [row["status"] == "open or over range" for row in rows]
    first = is_open.index(True)
    last = len(rows) - 1 - is_open[::-1].index(True)
    assert all(is_open[first : last + 1])
    for before, after, true_s in (
        (rows[first - 1], rows[first], opened_s),
        (rows[last], rows[last + 1], closed_s),
    ):
        assert number(before["time_s"]) + offset_s < true_s < number(after["time_s"]) + offset_s + 1.0
        apart_s = number(after["time_s"]) - number(before["time_s"])
        assert apart_s == pytest.approx(SCAN_S, abs=AIR_S + 1.5 * TICK_S)
    (reason,) = soaked.coil("Y2").reasons
    told = re.findall(r"between (\d+) and (\d+) degC", reason.text)
    rows_told = [
        sorted(round(number(row["probe_degC"])) for row in pair)
        for pair in ((rows[first - 1], rows[first]), (rows[last], rows[last + 1]))
    ]
    assert [[int(a), int(b)] for a, b in told] == rows_told


@pytest.mark.slow
def test_dropouts_are_counted_warm_and_not_cold(soaked: Ran) -> None:
    """Y4 loses contact only once warm, and the reason says so."""
    assert soaked.truth.opens_s("Y4")
    assert "0.0 % of the cold ones" in soaked.coil("Y4").reasons[0].text
    cold = [row for row in soaked.rows("Y4") if row["phase"] in {"ambient", "return"}]
    assert {row["status"] for row in cold} == {"ok"}


@pytest.mark.slow
def test_drift_is_what_the_copper_did(soaked: Ran) -> None:
    """The change reported for Y8 is the change of its copper in the simulation, within U."""
    criterion = next(c for c in soaked.coil("Y8").criteria if c.code == "drift")
    truth = soaked.truth.coils["Y8"]
    change_rel = truth.drift_rel
    assert criterion.value is not None
    assert criterion.expanded_u is not None
    assert change_rel > 0.02
    assert abs(criterion.value - change_rel) < criterion.expanded_u


@pytest.mark.slow
def test_rounds_follow_each_other_on_the_clock(soaked: Ran) -> None:
    """While temperatures move, each coil is read every 15 s, give or take a look at the oven's air."""
    for label in FAULTS:
        for phase, step in [*(("rise", step) for step in STEPS), ("cool", "")]:
            times_s = [
                number(row["time_s"])
                for row in soaked.rows(label)
                if row["phase"] == phase and row["step_degC"] == step
            ]
            assert len(times_s) > 10
            for before_s, after_s in pairwise(times_s):
                assert after_s - before_s == pytest.approx(SCAN_S, abs=AIR_S + 1.5 * TICK_S)


@pytest.mark.slow
def test_holds_last_as_long_as_the_set_asks_and_end_with_settled_readings(soaked: Ran) -> None:
    """Each hold goes on for the hold time, then five rounds of readings come before the drive."""
    for step in STEPS:
        holds = [row for row in soaked.rows("Y1") if row["phase"] == "hold" and row["step_degC"] == step]
        readings = [row for row in holds if row["source"] == "ohms"]
        assert [row["source"] for row in holds[-6:]] == ["ohms"] * 5 + ["insulation"]
        assert len(readings) == HOLD_S / SCAN_S + 5
        lingered_s = number(readings[-5]["time_s"]) - number(readings[0]["time_s"])
        assert lingered_s == pytest.approx(HOLD_S, abs=1.5 * TICK_S)
        assert number(readings[-1]["probe_degC"]) == pytest.approx(float(step), abs=0.6)


@pytest.mark.slow
def test_each_coil_is_driven_briefly_at_each_step(soaked: Ran) -> None:
    """Two seconds of power: at most the test voltage, resistance V/I, energy counted as it was."""
    for label in ("Y1", "Y5", "Y7"):
        for step in STEPS:
            driven = [
                row for row in soaked.rows(label) if row["phase"] == "drive" and row["step_degC"] == step
            ]
            times_s = [number(row["time_s"]) for row in driven]
            assert 1.6 < times_s[-1] - times_s[0] < 2.0
            for row in driven:
                assert row["source"] == "V/I"
                assert 7.9 < number(row["voltage_V"]) < 8.42
                ohm = number(row["voltage_V"]) / number(row["current_A"])
                assert number(row["resistance_ohm"]) == pytest.approx(ohm, rel=1e-4)
            energies_J = [number(row["energy_J"]) for row in driven]
            assert energies_J == sorted(energies_J)
        total_J = number(soaked.rows(label)[-2]["energy_J"])
        assert total_J == pytest.approx(soaked.truth.energy_J(label), rel=0.02)


@pytest.mark.slow
def test_the_screen_tells_progress_and_where_the_record_is(soaked: Ran) -> None:
    """Plain output names the stages, the share done and the time left, and says that all is simulated."""
    assert "simulated bench, invented coils, virtual time" in soaked.screen
    for text in (
        "cold before",
        "oven to 50 degC",
        "step 70 degC",
        "oven to 90 degC",
        "oven off, back to cold",
    ):
        assert text in soaked.screen
    shares = [int(share) for share in re.findall(r"\b(\d+) %.* left for the run", soaked.screen)]
    assert shares[0] == 0
    assert shares == sorted(shares)
    assert shares[-1] >= 80
    assert re.search(r"(step \d+ degC|back to cold), settles in about \d+ min", soaked.screen)


@pytest.mark.slow
def test_the_record_is_whole(soaked: Ran) -> None:
    """The folder reads back complete with result, report, and a PNG and an SVG a coil."""
    read = read_run(soaked.outcome.folder)
    assert read.state == "complete"
    assert read.problems == ()
    names = {path.relative_to(read.folder).as_posix() for path in read.folder.rglob("*") if path.is_file()}
    curves = {f"curves/curve_{label}.{kind}" for label in FAULTS for kind in ("png", "svg")}
    assert names == curves | {
        "header.json",
        "rig.toml",
        "coil_set.toml",
        "fault_script.toml",
        "readings.csv",
        "events.csv",
        "result.json",
        "report.pdf",
        "manifest.json",
    }
    told = json.loads(soaked.bytes_of("result.json"))
    assert {coil["coil"]: coil["verdict"] for coil in told["coils"]} == {
        label: verdict for label, (verdict, _) in FAULTS.items()
    }


@pytest.mark.slow
def test_the_same_seed_is_the_same_run(soaked: Ran, tmp_path: Path) -> None:
    """Readings and events of a second run are the first's byte for byte."""
    again = run(tmp_path)
    for name in ("readings.csv", "events.csv", "header.json"):
        assert again.bytes_of(name) == soaked.bytes_of(name), name


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 7, 20_000])
def test_other_seeds_get_the_same_verdicts(soaked: Ran, tmp_path: Path, seed: int) -> None:
    """Other noise, other parts of the same kinds, other dropouts: the same verdicts for the same reasons."""
    other = run(tmp_path, seed=seed)
    assert other.verdicts() == FAULTS
    assert other.bytes_of("readings.csv") != soaked.bytes_of("readings.csv")
    other.assert_left_safe()


@pytest.mark.slow
@pytest.mark.parametrize("seed", [2, 11, 12_345])
def test_a_healthy_set_passes(tmp_path: Path, seed: int) -> None:
    """No sound coil is failed or asked for again."""
    healthy = run(tmp_path, rig=rig_with(tmp_path, "groomer_healthy.toml"), seed=seed)
    assert healthy.verdicts() == HEALTHY
    healthy.assert_left_safe()


@pytest.mark.slow
def test_a_step_that_is_not_reached_ends_the_heating(tmp_path: Path) -> None:
    """With too little time for the first step the run ends as a fault: safe, recorded, exit status 3."""
    ran = run(tmp_path, coil_set=set_with(tmp_path, max_step_s=300))
    assert ran.outcome.state == "fault"
    assert ran.outcome.error is not None
    assert ran.outcome.error.exit_status == 3
    assert "not settled at 50 degC in 300 s; heating told to stop" in str(ran.outcome.error)
    kinds = [event["kind"] for event in ran.events()]
    assert "fault" in kinds
    assert set(kinds[kinds.index("fault") + 1 :]) <= {"oven"}  # what is said when it was seen to cool
    assert read_run(ran.outcome.folder).state == "fault"
    assert "pass" not in {verdict for verdict, _ in ran.verdicts().values()}
    ran.assert_left_safe()


@pytest.mark.slow
def test_a_hold_ends_when_what_will_still_change_is_small(tmp_path: Path) -> None:
    """Asked for a thousandth, a sound coil is held for some minutes instead of ten, and that is said."""
    ran = run(tmp_path, coil_set=small_set(tmp_path, "Y1", steps_degC="[90]", r20_u_rel=0.001))
    assert ran.verdicts()["Y1"] == FAULTS["Y1"]
    times_s = [number(row["time_s"]) for row in ran.rows() if row["phase"] == "hold"]
    assert 60.0 < times_s[-1] - times_s[0] < 0.5 * HOLD_S
    (said,) = [row["text"] for row in ran.events() if row["kind"] == "known"]
    assert said.startswith("at rest at 90 degC after ")


@pytest.mark.slow
def test_rounds_without_rest_see_shorter_interruptions(tmp_path: Path) -> None:
    """Asked to read on, the program looks at a coil as often as reading takes, and says what that shows."""
    coil_set = small_set(tmp_path, "Y1", "Y3", steps_degC="[50]", hold_s=60, scan_s=1)
    ran = run(tmp_path, coil_set=coil_set)
    watch = ran.coil("Y1").interruptions.watch
    assert watch is not None
    assert watch.spacing_s < 2.0
    share = {each.length_s: each.share for each in watch.missed}
    assert share[1.0] < 0.05  # of rounds 15 s apart it is nine tenths
