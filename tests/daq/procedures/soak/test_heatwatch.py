"""When heating must stop."""

from __future__ import annotations

import pytest

from daq.errors import CeilingError, ProbeLostError, StaleError
from daq.instruments.number import Number
from daq.procedures.soak.heat_limits import HeatCeilings, HeatWatch


def make_watch() -> HeatWatch:
    """Return a watch on Y1: body to 110 degC, winding to 130 degC, 60 s of silence."""
    return HeatWatch("Y1", HeatCeilings(body_degC=110.0, winding_degC=130.0), stale_s=60.0)


def ok(value: float) -> Number:
    """Return a good probe reading."""
    return Number(value, "ok")


GONE = Number(None, "missing: probe open")


def test_the_winding_is_its_own_thermometer() -> None:
    """3.2 ohm at 13 degC is 4.196 ohm at 90 degC (NBS Handbook 100, alpha20 0.00393; computed)."""
    watch = make_watch()
    watch.cold(3.2, 13.0)
    assert watch.winding_degC(4.196) == pytest.approx(90.0, abs=0.05)


def test_a_winding_above_its_ceiling_stops_the_heat() -> None:
    """Told from its own resistance against the cold reading."""
    watch = make_watch()
    watch.cold(3.3, 20.0)
    watch.see_winding(0.0, 3.3 * (1 + 0.00393 * 109.0), driven=True)
    with pytest.raises(CeilingError, match=r"winding at 131\.\d degC passes its ceiling of 130 degC"):
        watch.see_winding(1.0, 3.3 * (1 + 0.00393 * 111.0), driven=True)


def test_an_open_winding_or_one_without_a_cold_reading_is_not_a_ceiling() -> None:
    """No number, no temperature; the body's own ceiling still holds."""
    watch = make_watch()
    watch.see_winding(0.0, None, driven=True)
    watch.see_winding(1.0, 99.0, driven=True)


def test_a_dropout_inside_a_reading_is_not_heat() -> None:
    """A reading that no heat explains is passed over, and a true one after it still counts."""
    watch = make_watch()
    watch.cold(3.3, 20.0)
    watch.see_winding(0.0, 4.2, driven=False)
    watch.see_winding(15.0, 33.0, driven=False)
    watch.see_winding(30.0, 4.21, driven=False)


def test_a_driven_winding_that_is_no_thermometer_any_more_stops_the_heat() -> None:
    """Passing over has an end: a resistance that stays where no heat takes it leaves the winding unknown."""
    watch = make_watch()
    watch.cold(3.3, 20.0)
    watch.see_winding(0.0, 3.5, driven=True)
    with pytest.raises(StaleError, match="no heat explains"):
        for second in range(1, 10):
            watch.see_winding(float(second), 9.9, driven=True)


def test_a_body_above_its_ceiling_stops_the_heat() -> None:
    """The body's ceiling holds whatever the winding says."""
    with pytest.raises(CeilingError, match=r"body at 110\.5 degC passes its ceiling of 110 degC"):
        make_watch().see_probe(0.0, ok(110.5))


def test_a_probe_that_reads_open_stops_the_heat() -> None:
    """A single miss is borne, four in a row are not."""
    watch = make_watch()
    watch.see_probe(0.0, ok(50.0))
    for time_s in (1.0, 2.0, 3.0):
        watch.see_probe(time_s, GONE)
    with pytest.raises(StaleError, match="probe open"):
        watch.see_probe(4.0, GONE)


def test_misses_between_good_readings_do_not_add_up() -> None:
    """A good reading starts the count anew."""
    watch = make_watch()
    for time_s in range(0, 40, 2):
        watch.see_probe(time_s, GONE)
        watch.see_probe(time_s + 1, ok(50.0))


def test_silence_stops_the_heat_before_the_count_does() -> None:
    """One miss a minute after the last temperature is too late already."""
    watch = make_watch()
    watch.see_probe(0.0, ok(50.0))
    with pytest.raises(StaleError):
        watch.see_probe(61.0, GONE)


def test_a_probe_that_does_not_follow_the_power_stops_the_heat() -> None:
    """800 J went in and the probe stayed cold: it is not on this coil's body."""
    watch = make_watch()
    watch.see_probe(0.0, ok(22.0), energy_J=0.0)
    watch.see_probe(30.0, ok(22.3), energy_J=500.0)
    with pytest.raises(StaleError, match=r"800 J went in and the probe rose by 0\.4 K"):
        watch.see_probe(50.0, ok(22.4), energy_J=800.0)


def test_a_body_held_steady_later_is_no_reason_to_stop() -> None:
    """Once the probe has followed, holding a step puts in energy without a rise."""
    watch = make_watch()
    watch.see_probe(0.0, ok(22.0), energy_J=0.0)
    watch.see_probe(40.0, ok(30.0), energy_J=700.0)
    for step in range(100):
        watch.see_probe(50.0 + step, ok(50.0), energy_J=1000.0 + 100.0 * step)


def test_more_current_than_the_winding_takes_is_stopped_at_the_second_reading() -> None:
    """V/I far below the cold resistance is no heat: shorted turns or leads; one slip is borne."""
    watch = make_watch()
    watch.cold(3.3, 22.0)
    watch.see_winding(0.0, 3.3, driven=True)
    watch.see_winding(1.0, 1.0, driven=True)
    watch.see_winding(2.0, 3.3, driven=True)
    watch.see_winding(3.0, 1.0, driven=True)
    with pytest.raises(StaleError, match=r"V/I is 1 ohm and the cold winding had 3\.3 ohm: more current"):
        watch.see_winding(4.0, 1.0, driven=True)


def test_a_lost_probe_is_an_error_of_its_own() -> None:
    """Whoever has other probes may go on without this one."""
    watch = make_watch()
    assert not watch.alive
    watch.see_probe(0.0, Number(22.0, "ok"))
    assert watch.alive
    with pytest.raises(ProbeLostError, match="missing: probe open"):
        for second in range(1, 9):
            watch.see_probe(float(second), Number(None, "missing: probe open"))
    assert not watch.alive
