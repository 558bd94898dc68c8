"""The soak by the coils' own heat: simulated bench, virtual time, limits and verdicts against the truth."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from daq.config.builtin import builtin
from daq.record.reader import read_run
from tests.daq.kits.sim import SCRIPTS
from tests.daq.kits.soak import FAULTS, TICK_S, Ran, Row, number, rig_with, run

#: The set's own: at most the system's voltage, the kinds' current, and these temperatures.
HEAT_V, MOST_A = 12.0, {"switching": 3.5, "proportional": 2.2}
BODY_DEGC, WINDING_DEGC = 100.0, 140.0


@pytest.fixture(scope="module")
def soaked(tmp_path_factory: pytest.TempPathFactory) -> Ran:
    """The default set, heated by its own current, once."""
    return run(tmp_path_factory.mktemp("supply"), heat="supply")


def powered(rows: list[Row]) -> list[Row]:
    """Return the rows taken under current."""
    return [row for row in rows if row["source"] == "V/I"]


def opens_s(ran: Ran, label: str) -> list[tuple[float, float]]:
    """Return when a coil was open, in the run's seconds, by the simulation's own truth."""
    clock, start_utc = ran.truth.world.clock, read_run(ran.outcome.folder).header.start_utc
    start_s = clock.monotonic() - (clock.utc() - start_utc).total_seconds()
    return [(began_s - start_s, ended_s - start_s) for began_s, ended_s in ran.truth.opens_s(label)]


def pulses_s(rows: list[Row]) -> list[tuple[float, float]]:
    """Return when current was switched on and off, by the rows of a coil that heated itself."""
    edges = [number(row["time_s"]) for row in rows if row["source"] == "switching"]
    return list(zip(edges[::2], edges[1::2], strict=True))


@pytest.mark.slow
def test_no_dropout_under_power_is_missed_that_is_longer_than_what_the_record_says(soaked: Ran) -> None:
    """Between rows the current is looked at, and each time it is gone a row says so."""
    (trace,) = [each for each in read_run(soaked.outcome.folder).traces() if each.coil == "Y4"]
    looked_s, watch = trace.looked_s, soaked.coil("Y4").interruptions.watch
    assert looked_s is not None
    assert looked_s < 0.1  # rows are ten times as far apart
    assert watch is not None
    assert watch.powered_s == pytest.approx(looked_s)
    rows = soaked.rows("Y4")
    open_rows_s = [number(r["time_s"]) for r in rows if r["status"] == "open or over range"]
    watched = [
        (max(began_s, on_s + 0.3), min(ended_s, off_s - 0.1))
        for began_s, ended_s in opens_s(soaked, "Y4")
        for on_s, off_s in pulses_s(rows)
    ]
    long = [(begin_s, end_s) for begin_s, end_s in watched if end_s - begin_s > looked_s + 1e-3]
    assert len(long) > 100
    for begin_s, end_s in long:
        # A row is stamped in the middle of its readings, which follow the look.
        assert any(begin_s < at < end_s + 0.05 for at in open_rows_s)


@pytest.mark.slow
def test_every_coil_gets_its_verdict_for_its_reason(soaked: Ran) -> None:
    """Without an oven the same five faults are found and named, and three sound coils pass."""
    assert soaked.outcome.state == "complete"
    assert soaked.verdicts() == FAULTS


@pytest.mark.slow
def test_nothing_moved_under_current_and_all_is_off(soaked: Ran) -> None:
    """Some thousand switchings, and no contact moved with current on; all is off and open in the end."""
    soaked.assert_left_safe()


@pytest.mark.slow
@pytest.mark.parametrize("label", ["Y1", "Y3", "Y5", "Y6", "Y7"])
def test_joint_and_r20_lie_within_their_uncertainty(soaked: Ran, label: str) -> None:
    """Fitted to a trace in which the winding leads its body, both still hold the truth within U (k = 2)."""
    assert soaked.coil(label).method == "own heat"
    soaked.assert_figures_hold_truth(label)


@pytest.mark.slow
def test_no_limit_is_passed(soaked: Ran) -> None:
    """Voltage, current and both temperatures stay below the set's limits on every row."""
    for coil in soaked.outcome.result.coils:
        rows = soaked.rows(coil.coil)
        under_power = powered(rows)
        assert under_power
        # What the meter may read too much on its 100 V range.
        assert max(number(row["voltage_V"]) for row in under_power) < HEAT_V + 0.01
        assert max(number(row["current_A"]) for row in under_power) < MOST_A[coil.kind]
        bodies_degC = [number(row["probe_degC"]) for row in rows if row["probe_degC"]]
        assert max(bodies_degC) < 92.0 < BODY_DEGC  # the last step, and hardly more
        truth = soaked.truth.coils[coil.coil]
        hottest_ohm = max(number(row["resistance_ohm"]) for row in under_power if row["resistance_ohm"])
        if coil.coil != "Y4":  # a dropout inside a reading is no temperature
            assert hottest_ohm < truth.resistance_at(WINDING_DEGC)


@pytest.mark.slow
def test_coils_are_heated_one_after_another(soaked: Ran) -> None:
    """Each coil goes cold, hot and cold again, the next is heated meanwhile, and time only goes forward."""
    rows = soaked.rows()
    times_s = [number(row["time_s"]) for row in rows]
    assert all(after_s - before_s > -TICK_S for before_s, after_s in pairwise(times_s))
    heated = [row["coil"] for row in powered(rows)]
    assert [label for label, before in zip(heated, ["", *heated], strict=False) if label != before] == list(
        FAULTS
    )
    for label in FAULTS:
        phases = [row["phase"] for row in soaked.rows(label) if row["source"] in {"ohms", "V/I"}]
        changes = [phase for phase, before in zip(phases, ["", *phases], strict=False) if phase != before]
        assert changes == ["ambient", "heat", "cool", "return"]


@pytest.mark.slow
@pytest.mark.parametrize("label", ["Y1", "Y4", "Y6"])
def test_the_energy_counted_is_the_energy_that_went_in(soaked: Ran, label: str) -> None:
    """Counted from V and I of each second, dropouts and switching included, within 2 % of the truth."""
    energies_J = [number(row["energy_J"]) for row in soaked.rows(label) if row["energy_J"]]
    assert energies_J == sorted(energies_J)
    assert energies_J[-1] == pytest.approx(soaked.truth.energy_J(label), rel=0.02)


@pytest.mark.slow
def test_each_time_of_power_is_between_two_switching_rows(soaked: Ran) -> None:
    """Before the first row under power and after the last stands the instant of switching, at no current."""
    rows = [row for row in soaked.rows("Y1") if row["phase"] == "heat"]
    edges = [index for index, row in enumerate(rows) if row["source"] == "switching"]
    assert len(edges) > 100
    assert len(edges) % 2 == 0
    for on, off in zip(edges[::2], edges[1::2], strict=True):
        between = rows[on + 1 : off]
        assert between
        assert {row["source"] for row in between} == {"V/I"}
        assert number(rows[on]["current_A"]) == number(rows[off]["current_A"]) == 0.0
        assert 9.5 < number(rows[off]["time_s"]) - number(rows[on]["time_s"]) < 12.0


@pytest.mark.slow
def test_a_coil_that_opens_is_given_up_and_the_next_one_heated(soaked: Ran) -> None:
    """Y2 opens while its winding is hot: its heating ends with an event, it cools, and Y3 has its turn."""
    events = [row for row in soaked.events() if row["coil"] == "Y2" and row["kind"] != "done"]
    assert [(row["kind"], row["text"]) for row in events] == [
        ("heat", "heating ended: no current flows: open, or a lead is off"),
        ("watch", "its current was looked at every 0.092 s or sooner while it was driven"),
    ]
    (opened_s, _), *_ = opens_s(soaked, "Y2")
    assert 0.0 < number(events[0]["time_s"]) - opened_s < 10.0
    off_s = min(at for _, at in pulses_s(soaked.rows("Y2")) if at > opened_s)
    assert off_s - opened_s < 1.0  # the supply does not wait until the coil is given up
    assert "the winding was at 7" in soaked.coil("Y2").reasons[0].text  # it opens at 72 degC
    assert number(soaked.rows("Y3")[0]["time_s"]) > number(events[0]["time_s"])


def one_coil(folder: Path, fault: str = "", **changed: str) -> dict[str, Path]:
    """Write rig, script and set of the first coil alone, with a fault; return them as a request has them."""
    script = (SCRIPTS / "groomer_healthy.toml").read_text(encoding="utf-8")
    head, first, *_ = script.split("[[coils]]\n")
    lone = folder / "lone.toml"
    for name in ("power", "sense", "probe", "leak"):
        start = head.index(f"{name} = [")
        stop = head.index("]", start)
        head = f"{head[:start]}{name} = [{head[start:stop].split('[')[1].split(',')[0]}{head[stop:]}"
    lone.write_text(f"{head}[[coils]]\n{first}{fault}\n", encoding="utf-8")
    text = builtin("coil_sets", "snow_groomer").read_text(encoding="utf-8")
    head, first, *_ = text.split("[[coils]]\n")
    for old, new in {"steps_degC = [50, 70, 90]": "steps_degC = [50]", **changed}.items():
        assert head.count(old) == 1
        head = head.replace(old, new)
    path = folder / "set.toml"
    path.write_text(f"{head}[[coils]]\n{first}", encoding="utf-8")
    return {"rig": rig_with(folder, lone), "coil_set": path}


@pytest.mark.slow
def test_the_same_seed_is_the_same_run(tmp_path: Path) -> None:
    """Two runs of one coil write the same bytes; another seed writes others, and none fails the coil."""
    files = one_coil(tmp_path)
    first, again, other = (run(tmp_path / str(seed), heat="supply", seed=seed, **files) for seed in (5, 5, 6))
    assert first.bytes_of("readings.csv") == again.bytes_of("readings.csv")
    assert first.bytes_of("readings.csv") != other.bytes_of("readings.csv")
    # Heated to 50 degC only, its joint may be too uncertain to pass.
    assert first.verdicts()["Y1"] == again.verdicts()["Y1"]
    assert {ran.verdicts()["Y1"][0] for ran in (first, other)} <= {"pass", "retest"}


@pytest.mark.slow
def test_a_probe_that_hangs_in_the_air_ends_the_heating(tmp_path: Path) -> None:
    """The winding takes energy and the probe does not follow: heating ends early, and nothing passes."""
    files = one_coil(tmp_path, 'probe = "loose"')
    ran = run(tmp_path, heat="supply", **files)
    (event,) = ran.events()[:1]
    assert event["kind"] == "heat"
    assert "Is the probe on this coil's body?" in event["text"]
    assert number(event["time_s"]) < 300.0
    assert ran.truth.body_degC("Y1") < 50.0
    assert ran.verdicts()["Y1"][0] != "pass"
    ran.assert_left_safe()


@pytest.mark.slow
def test_a_broken_probe_is_not_heated_by(tmp_path: Path) -> None:
    """Without a temperature there is no heating at all: not one joule goes in."""
    files = one_coil(tmp_path, 'probe = "open"')
    ran = run(tmp_path, heat="supply", **files)
    assert [row["kind"] for row in ran.events()] == ["heat", "done"]
    assert ran.truth.energy_J("Y1") == 0.0
    assert ran.verdicts()["Y1"][0] == "retest"
    ran.assert_left_safe()


@pytest.mark.slow
def test_a_step_out_of_reach_is_said_and_never_passed(tmp_path: Path) -> None:
    """With little voltage the body stays far below the step: said with temperatures, judged as not tested."""
    files = one_coil(tmp_path, **{"# heat_voltage_V = 12.0 ": "heat_voltage_V = 4.0 "})
    ran = run(tmp_path, heat="supply", **files)
    event, watched, _done = ran.events()
    assert (event["kind"], watched["kind"]) == ("heat", "watch")
    assert "with all the power its limits allow, so 50 degC is not reached" in event["text"]
    assert ran.verdicts()["Y1"][0] == "retest"
    assert max(number(row["voltage_V"]) for row in powered(ran.rows())) < 4.05
    ran.assert_left_safe()
