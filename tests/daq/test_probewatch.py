"""Probes watched during a run: what a fall is and what only looks like one."""

from __future__ import annotations

from daq.probewatch import Company, FallWatch


def seen(*rows: tuple[float, float, float | None]) -> list[bool]:
    """Return after which rows of time, probe and winding a probe is off."""
    watch = FallWatch()
    return [watch.see(*row) is not None for row in rows]


def test_a_probe_that_falls_while_its_winding_stays_is_off_at_the_second_look() -> None:
    """One reading may be wrong by a digit; two that agree are not."""
    assert seen((0, 60, 60), (15, 61, 61), (30, 29, 62), (45, 25, 63)) == [False, False, False, True]


def test_a_single_wrong_digit_is_no_fall() -> None:
    """The next reading is where the body is."""
    assert not any(seen((0, 60, 60), (15, 20, 61), (30, 62, 62), (45, 63, 63), (60, 23, 63), (75, 64, 64)))


def test_a_body_that_cools_with_its_winding_is_no_fall() -> None:
    """Put into water it loses thirty kelvin, and so does its winding."""
    assert not any(seen((0, 80, 80), (15, 60, 72), (30, 50, 58), (45, 45, 50)))


def test_a_winding_that_leads_its_body_under_power_is_no_fall() -> None:
    """Switched on and off it moves by thirty kelvin, the probe does not."""
    assert not any(seen((0, 50, 50), (5, 50.2, 75), (10, 50.6, 82), (20, 51, 60), (40, 51, 54)))


def test_without_a_second_thermometer_nothing_is_told() -> None:
    """An open winding tells no temperature."""
    assert not any(seen((0, 60, None), (15, 30, None), (30, 28, None)))


def test_a_probe_apart_from_three_others_is_told_after_three_rounds() -> None:
    """Its winding is as warm as theirs; a coil that is colder by both is not told, nor one by its winding."""
    company, even = Company(), {"Y1": 70.0, "Y2": 70.5, "Y3": 69.5, "Y4": 70.0}
    rounds = [company.apart(even | {"Y3": 50.0}, even) for _ in range(3)]
    assert [sorted(each) for each in rounds] == [[], [], ["Y3"]]
    colder = even | {"Y3": 50.0}
    assert not any(Company().apart(colder, colder) for _ in range(5))
    assert not any(Company().apart(even, colder) for _ in range(5))
