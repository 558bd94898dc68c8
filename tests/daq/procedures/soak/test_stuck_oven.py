"""An oven that does not obey, under a soak in virtual time: told to stop, cut off, watched, never left."""

from __future__ import annotations

from pathlib import Path

import pytest

from daq.bench.guard.oven_guard import OVEN_HOT, OVEN_ON
from daq.record.reader import read_run
from tests.daq.kits.fault_layer import FOREVER_S, Fault
from tests.daq.kits.fault_soak import SCRIPT, SET, Ended, Inputs, run_with
from tests.daq.kits.soak import rig_with

#: The oven of the script comes up by 12 K a minute: so it is at its setpoint of 60 degC, and holds it.
HOLDING_S = 400.0
RISING_S = 120.0


def soak(
    tmp_path: Path, fault: str, at_s: float, *more: Fault, cut_off: bool = False, oven: str = ""
) -> Ended:
    """Soak two coils at 60 degC, far below their ceilings, in an oven with *fault* from *at_s* on."""
    folder = tmp_path / "inputs"
    folder.mkdir()
    if fault:
        oven = f'fault = "{fault}"\nfault_at_s = {at_s}'
    script = SCRIPT.replace("[oven]\n", f"[oven]\n{oven}\n")
    mains = "cut_off = 501\n" if cut_off else ""
    if cut_off:
        script = script.replace("short = 209\n", "short = 209\noven = 501\n")
    (folder / "script.toml").write_text(script, encoding="utf-8")
    text = SET.format(body=105, winding=120).replace("steps_degC = [40]", "steps_degC = [60]")
    (folder / "set.toml").write_text(text, encoding="utf-8")
    table = f'[oven]\nresource = "sim:oven"\n{mains}'
    inputs = Inputs(rig_with(folder, "script.toml", oven=table), folder / "set.toml")
    return run_with(tmp_path / "runs", "oven", more, 1, inputs)


def left(ended: Ended) -> list[str]:
    """Return the complaints but those about ceilings and values of another set."""
    return [text for text in ended.complaints if not text.startswith(("winding", "row"))]


def told(ended: Ended, kind: str) -> list[str]:
    """Return the texts of a kind of event."""
    assert ended.folder is not None
    return [event.text for event in read_run(ended.folder).events if event.kind == kind]


@pytest.mark.slow
@pytest.mark.parametrize("at_s", [RISING_S, HOLDING_S])
def test_a_welded_oven_is_found_by_its_own_air_and_the_alarm_stays(tmp_path: Path, at_s: float) -> None:
    """Told to stop 10 K above its setpoint, far below the ceiling; pull the plug, on every further line."""
    ended = soak(tmp_path, "welded", at_s)
    assert ended.status == 3
    assert OVEN_HOT in ended.said
    tripped, left = told(ended, "fault")
    assert "the oven's air" in tripped
    assert "setpoint" in tripped
    assert left == OVEN_HOT
    assert told(ended, "alarm")[0] == OVEN_HOT
    assert told(ended, "alarm")[-1].startswith("given up after 1200 s; not proved to be safe")
    lines = ended.screen.splitlines()
    first = next(number for number, line in enumerate(lines) if OVEN_HOT in line)
    assert all(line.startswith(OVEN_HOT) for line in lines[first:] if line.strip())
    assert len(lines[first:]) > 500
    assert not any("heating stopped" in text for text in (*lines, ended.said))


@pytest.mark.slow
def test_what_cuts_the_ovens_mains_is_used_and_the_end_is_seen(tmp_path: Path) -> None:
    """With a contactor behind the switch unit a welded oven is cold in the end, and no alarm is left."""
    ended = soak(tmp_path, "welded", HOLDING_S, cut_off=True)
    assert (ended.status, left(ended)) == (3, [])
    assert "the oven's air" in ended.said
    assert "60 degC" in ended.said
    oven = told(ended, "oven")
    assert "the oven's mains were cut off: channel 501 of the switch unit is open" in oven
    assert oven[-1].startswith("heating stopped: off, read back, and it cools")
    assert ended.bench.closed_channels() == frozenset()
    assert not ended.bench.oven_left_on()
    assert 10.0 < ended.over_setpoint_K < 13.0


@pytest.mark.slow
def test_with_a_contactor_and_an_oven_that_obeys_nothing_is_different(tmp_path: Path) -> None:
    """The contactor lets it heat, no reading minds it, and it is open in the end."""
    ended = soak(tmp_path, "", 0.0, cut_off=True)
    assert (ended.status, left(ended)) == (0, []), ended.said
    assert told(ended, "alarm") == []
    assert told(ended, "oven")[0].startswith("heating stopped: off, read back, and it cools")
    assert ended.bench.closed_channels() == frozenset()


@pytest.mark.slow
def test_a_deaf_oven_that_answers_as_told_is_not_believed(tmp_path: Path) -> None:
    """It reads back off and holds its setpoint: it has to cool, and does not."""
    ended = soak(tmp_path, "deaf", HOLDING_S)
    assert ended.status == 3
    assert OVEN_HOT in ended.said
    assert left(ended) == []
    assert told(ended, "alarm")[0] == OVEN_HOT


@pytest.mark.slow
@pytest.mark.parametrize(
    "more", [(), (Fault("probe open", "meter", 300),)], ids=["all probes", "one probe lost"]
)
def test_a_sensor_that_is_stuck_is_found_by_the_bodies(tmp_path: Path, more: tuple[Fault, ...]) -> None:
    """The controller heats for ever towards a setpoint that its sensor never shows: a body says so."""
    ended = soak(tmp_path, "sensor stuck", RISING_S, *more)
    assert (ended.status, left(ended)) == (3, [])
    assert "the body of coil" in ended.said
    assert "more than 15 K above it" in ended.said
    assert told(ended, "oven")[-1].startswith("heating stopped: off, read back, and it cools")
    assert not ended.bench.oven_left_on()
    assert ended.peak_degC < 60.0 + 15.0 + 8.0


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["cut", "hang"])
def test_an_oven_that_is_no_longer_to_be_had_is_tried_on_and_the_alarm_stays(
    tmp_path: Path, kind: str
) -> None:
    """Its link is gone for good while it holds its setpoint: not known off, said each second, status 3."""
    ended = soak(tmp_path, "", 0.0, Fault(kind, "oven", 40, lasting_s=FOREVER_S))
    assert (ended.status, left(ended)) == (3, [])
    assert OVEN_ON in ended.said
    assert ended.screen.count(OVEN_ON) > 50


@pytest.mark.slow
def test_an_oven_that_comes_back_ends_its_alarm_by_proof(tmp_path: Path) -> None:
    """Its link is gone for two minutes: the alarm stands until it is off, read back, and seen to cool."""
    ended = soak(tmp_path, "", 0.0, Fault("cut", "oven", 40, lasting_s=120.0))
    assert (ended.status, left(ended)) == (3, [])
    assert told(ended, "alarm") == [OVEN_ON, f"proved to be over: {OVEN_ON}"]
    assert "now it is proved" in ended.said
    assert not any(line.startswith(OVEN_ON) for line in ended.screen.splitlines()[-1:])


@pytest.mark.slow
@pytest.mark.parametrize("heater_lag_s", [18.0, 55.0])
def test_an_oven_that_only_overshoots_is_left_alone(tmp_path: Path, heater_lag_s: float) -> None:
    """A heavy heater and a controller tuned for a light one: kelvins too much on the way up, no trip."""
    ended = soak(tmp_path, "", 0.0, oven=f"heater_lag_s = {heater_lag_s}")
    assert (ended.status, left(ended)) == (0, []), ended.said
    # The simulated oven opens its vent 3 K above the setpoint.
    assert ended.over_setpoint_K > (0.5 if heater_lag_s < 20 else 3.0)
