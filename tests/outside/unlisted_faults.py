"""Faults of coils, leads, probes, meters, recorders and supplies as a bench meets them, in invented tables.

Each fault takes a sound set (`unlisted_bench`) and a severity of 0, 1 or 2 and changes what is, what is shown
or what is written. They are common practice, no source; their sizes are invented. What no reading shows is
not here: a plunger that sticks, shorted turns fewer than parts scatter, copper-clad wire with copper's
coefficient, a fault between two rows or above the hottest one, a second like coil in parallel from first to
last where nobody says how many ohms are right. Run as a program it judges the tables and prints what was said
wrongly:

    python -m tests.outside.unlisted_faults --sets 3 [--only NAME] [--form FORM] [--keep FOLDER]
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import runpy
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from unittest import mock

import numpy as np

from tests.outside.unlisted_bench import (
    AFTER,
    AT_50,
    AT_70,
    AT_90,
    BEFORE,
    OPEN_OHM,
    Bench,
    Floats,
    Row,
    Track,
    as_csv,
    make,
    read,
    rows,
    set_file,
)

TRACEBACK = 1
Change = Callable[[Bench, int], "dict[str, Floats] | None"]
Show = Callable[[Bench, int], None]


@dataclass(frozen=True)
class Fault:
    """A fault, the tables it is tried in, and what must not be said of the coils it concerns."""

    name: str
    forms: tuple[str, ...]
    change: Change | None  # what the coil is; returns what it has under the drive, where that differs
    show: Show | None  # what is shown or written of it
    never: frozenset[str]  # verdicts wrong for the coils concerned
    careful_eye: str  # how a careful reader of the table sees it


FAULTS: list[Fault] = []
PASS = frozenset({"pass"})
FAIL = frozenset({"fail"})  # the coils are sound and the table does not say otherwise
EITHER = frozenset({"pass", "fail"})  # the coils may be sound, but not by this table


def is_so(*forms: str, eye: str, never: frozenset[str] = PASS) -> Callable[[Change], Change]:
    """Register a fault of what is: coil, joint, lead."""

    def keep(change: Change) -> Change:
        FAULTS.append(Fault(change.__name__, forms, change, None, never, eye))
        return change

    return keep


def shows_so(*forms: str, eye: str, never: frozenset[str] = PASS) -> Callable[[Show], Show]:
    """Register a fault of what is shown or written: probe, meter, recorder, person."""

    def keep(show: Show) -> Show:
        FAULTS.append(Fault(show.__name__, forms, None, show, never, eye))
        return show

    return keep


def _spell(bench: Bench, track: Track, phase: int, rows_: int) -> slice:
    """Return a stretch of some consecutive rows well inside a phase."""
    at = np.flatnonzero((track.phase == phase) & track.undriven)
    start = int(bench.rng.integers(len(at) // 3, max(len(at) // 3 + 1, len(at) - rows_ - 2)))
    return slice(int(at[start]), int(at[min(start + rows_, len(at) - 1)]))


# --- the winding ------------------------------------------------------------------------------------------


@is_so("timed", "hand", "driven", eye="resistance steps down as it heats and up again as it cools")
def enamel_shorts_hot(bench: Bench, s: int) -> None:
    """Some turns short above 75 degC, as cracked enamel closes, and part again below 60."""
    bad, share = bench.bad, (0.03, 0.05, 0.10)[s]
    closed = False
    for k, temp in enumerate(bad.winding_degC):
        closed = temp > (60 if closed else 75)
        bad.ohm[k] *= 1 - share * closed


@is_so("timed", eye="single readings some percent low, none of them in like coils")
def enamel_flickers_low(bench: Bench, s: int) -> None:
    """Turns short for single readings while hot: few, and low instead of high."""
    bad, share = bench.bad, (0.02, 0.04, 0.10)[s]
    hot = np.flatnonzero(bad.phase == AT_90)
    bad.ohm[bench.rng.choice(hot, size=max(3, len(hot) // 25), replace=False)] *= 1 - share


@is_so("timed", "driven", eye="single readings low before any heat")
def enamel_flickers_cold(bench: Bench, s: int) -> None:
    """Turns short for single readings while cold, when somebody knocks at the bench."""
    bad, share = bench.bad, (0.03, 0.06, 0.15)[s]
    cold = np.flatnonzero((bad.phase == BEFORE) & bad.undriven)
    bad.ohm[bench.rng.choice(cold, size=2, replace=False)] *= 1 - share


@is_so("timed", "hand", "driven", eye="too low cold, rises to the right value with the heat, stays there")
def moisture_dries_out(bench: Bench, s: int) -> None:
    """A wet winding bridges itself until it has been at 90 degC."""
    bad, path = bench.bad, bench.nominal_ohm / (0.015, 0.03, 0.08)[s]
    wet = np.interp(np.arange(len(bad.phase)), np.flatnonzero(bad.phase == AT_90)[[0, -1]], [1, 0])
    bad.ohm = 1 / (1 / bad.ohm + wet / path)


@is_so("timed", "hand", "driven", eye="bends up above 75 degC and comes back the same way")
def ptc_in_series(bench: Bench, s: int) -> None:
    """A self-resetting fuse in the plug rises steeply near its trip."""
    bad, most = bench.bad, (0.12, 0.3, 2.0)[s]
    bad.ohm = bad.ohm + most * np.exp((bad.winding_degC - 90) / 5)


@is_so("timed", "hand", "driven", eye="bends down above 70 degC and comes back the same way")
def leak_across_hot(bench: Bench, s: int) -> None:
    """Something across the winding conducts hot: a leaky suppressor, charred varnish."""
    bad, share = bench.bad, (0.025, 0.05, 0.15)[s]
    bad.ohm = 1 / (1 / bad.ohm + share / bench.nominal_ohm * np.exp((bad.winding_degC - 90) / 7))


@is_so("timed", "hand", eye="open at the top and ever after")
def thermal_fuse_blows(bench: Bench, s: int) -> None:
    """A thermal fuse in the winding opens for good at 84 to 89 degC."""
    bad = bench.bad
    gone = np.maximum.accumulate(bad.winding_degC) > (84, 87, 89)[s]
    bad.ohm = np.where(gone, OPEN_OHM, bad.ohm)


@is_so("timed", "hand", "driven", eye="slope against temperature is not copper's")
def wrong_wire(bench: Bench, s: int) -> None:
    """Rewound with wire that is no copper: a third, a half or nearly all of the rise is missing."""
    bad = bench.bad
    bad.alpha_per_K *= (0.8, 0.5, 0.05)[s]
    bad.ohm = bad.sound_ohm(bad.winding_degC)


@is_so("timed", "hand", eye="rises far more than copper does")
def iron_wire(bench: Bench, s: int) -> None:
    """Wire that rises by more than copper: nickel, iron."""
    bad = bench.bad
    bad.alpha_per_K *= (1.1, 1.25, 1.5)[s]
    bad.ohm = bad.sound_ohm(bad.winding_degC)


@is_so("timed", "hand", "driven", eye="away from its like by far more than they scatter")
def wrong_part(bench: Bench, s: int) -> None:
    """A coil for another voltage or of another maker stands among its like."""
    bad = bench.bad
    bad.r20_ohm *= (1.06, 1.15, 0.7)[s]
    bad.ohm = bad.sound_ohm(bad.winding_degC)


@is_so("timed", "hand", "driven", eye="half the value of its like, cold and hot")
def neighbour_in_parallel(bench: Bench, s: int) -> None:
    """The harness has a second coil of the same sort in parallel: at 70 degC, from then on, or always."""
    when = (AT_70, AT_70, BEFORE)[s]
    bench.with_set = bench.with_set or s == 2  # always half is another kind, where nobody says what is right
    bad = bench.bad
    there = bad.phase == when if s == 0 else bad.phase >= when
    bad.ohm = np.where(there, bad.ohm / 2, bad.ohm)


@is_so("timed", "driven", eye="higher on the way down than on the way up at the same temperature")
def joint_lets_go_late(bench: Bench, s: int) -> None:
    """A crimp gets worse above 85 degC and grips again below 40: cold before and after agree."""
    bad, extra, loose = bench.bad, (0.12, 0.25, 1.0)[s], False
    for k, temp in enumerate(bad.winding_degC):
        loose = temp > (40 if loose else 85)
        bad.ohm[k] += extra * loose


@is_so("timed", "driven", eye="open, or far too high, between two temperatures on the way down alone")
def opens_on_cooling(bench: Bench, s: int) -> None:
    """Contraction pulls a cracked wire apart at 75 to 60 degC on the way down."""
    bad = bench.bad
    cooling = (bad.phase == AFTER) & (bad.winding_degC < 75) & (bad.winding_degC > (70, 66, 55)[s])
    bad.ohm = np.where(cooling, OPEN_OHM, bad.ohm)


@is_so("timed", "driven", eye="too high for some minutes within one hold, right before and after")
def bad_for_a_while(bench: Bench, s: int) -> None:
    """A joint is worse for five minutes in the 70 degC hold and mends itself."""
    bad = bench.bad
    middle = float(np.median(bad.time_s[bad.phase == AT_70]))
    bad.ohm = np.where(np.abs(bad.time_s - middle - 300) < 150, bad.ohm + (0.05, 0.12, 0.5)[s], bad.ohm)


@is_so("timed", eye="too high for some minutes before any heat, or cold again")
def bad_for_a_while_cold(bench: Bench, s: int) -> None:
    """A contact is worse for two minutes while all is cold: before the heat, or long after it."""
    bad = bench.bad
    cold = (
        bad.time_s[bad.phase == BEFORE] if s < 2 else bad.time_s[bad.phase == AFTER][-len(bad.time_s) // 20 :]
    )
    there = np.abs(bad.time_s - float(np.median(cold))) < 60
    bad.ohm = np.where(there, bad.ohm + (0.2, 1.0, 1.0)[s], bad.ohm)


@is_so("timed", eye="off the curve of its like for some minutes while the heat rises")
def bad_on_the_move(bench: Bench, s: int) -> None:
    """A joint works loose while parts expand and seats again: four minutes on the way from 70 to 90 degC."""
    bad = bench.bad
    begin = float(bad.time_s[bad.phase == AT_90][0])
    there = (bad.time_s > begin + 60) & (bad.time_s < begin + 300)
    bad.ohm = np.where(there, bad.ohm + (0.1, 0.3, 1.0)[s], bad.ohm)


@is_so("timed", eye="below the curve of its like for some minutes while it cools")
def shorts_on_the_move(bench: Bench, s: int) -> None:
    """Turns short for four minutes while parts contract, from 75 degC down."""
    bad = bench.bad
    begin = float(bad.time_s[(bad.phase == AFTER) & (bad.winding_degC < 75)][0])
    there = (bad.time_s > begin) & (bad.time_s < begin + 240)
    bad.ohm = np.where(there, bad.ohm * (0.97, 0.9, 0.5)[s], bad.ohm)


@is_so("hand", eye="one of two readings at one temperature is far above its line")
def one_high_in_a_pair(bench: Bench, s: int) -> None:
    """A contact is bad in the second reading of a pair: cold before, at 50, or cold after."""
    bad = bench.bad
    bad.ohm[np.flatnonzero(bad.phase == (BEFORE, AT_50, AFTER)[s])[1]] *= 1.3


@is_so("timed", eye="creeps up during the top hold, back again when cold")
def creeps_hot_and_recovers(bench: Bench, s: int) -> None:
    """A press joint relaxes while hot and grips again as it cools."""
    bad, most = bench.bad, (0.08, 0.15, 0.5)[s]
    since = bad.time_s - bad.time_s[bad.phase == AT_90][0]
    creep = most * np.clip(since / 2400, 0, 1) * np.clip((bad.winding_degC - 30) / 60, 0, 1)
    bad.ohm = bad.ohm + creep


@is_so("timed", "hand", eye="reads the same whatever the probe says")
def left_out_of_the_oven(bench: Bench, s: int) -> None:
    """The coil hangs out of the oven, its probe does not."""
    bad = bench.bad
    share = (0.5, 0.2, 0.02)[s]
    bad.ohm = bad.sound_ohm(bench.room_degC + share * (bad.winding_degC - bench.room_degC))


# --- joints, leads, contacts ------------------------------------------------------------------------------


@is_so("driven", eye="ohms and V/I of the same coil at the same temperature differ")
def crimp_ohms_but_not_amps(bench: Bench, s: int) -> dict[str, Floats]:
    """A corroded crimp adds resistance at the meter's small current and none at the drive's."""
    bad, extra = bench.bad, (0.08, 0.2, 0.6)[s]
    under = bad.ohm.copy()
    bad.ohm = bad.ohm + extra
    return {bad.label: under}


@is_so("driven", eye="V/I is above ohms of the same coil at the same temperature")
def burnt_contact_under_load(bench: Bench, s: int) -> dict[str, Floats]:
    """A burnt contact spot carries the meter's current well and the drive's badly."""
    bad = bench.bad
    return {bad.label: bad.ohm + (0.08, 0.2, 1.0)[s]}


@is_so("driven", eye="V/I is below ohms of the same coil at the same temperature")
def breaks_down_under_volts(bench: Bench, s: int) -> dict[str, Floats]:
    """Cracked enamel arcs over under the drive's voltage and not under the meter's."""
    bad = bench.bad
    return {bad.label: bad.ohm * (0.98, 0.95, 0.8)[s]}


@is_so("driven", eye="V/I is a fraction of an ohm, the current at its limit")
def diode_the_wrong_way(bench: Bench, s: int) -> dict[str, Floats]:
    """The plug is on the wrong way round: the suppressor's diode carries the drive, in 1, 3 or all holds."""
    bad = bench.bad
    when = (bad.phase == AT_90, bad.phase >= AT_70, bad.phase >= BEFORE)[s]
    return {bad.label: np.where(when, 0.2, bad.ohm)}


@is_so("driven", eye="the current of a drive falls away while the voltage stands")
def current_falls_in_the_drive(bench: Bench, s: int) -> dict[str, Floats]:
    """A joint heats up under current: each second of a drive costs some percent."""
    bad = bench.bad
    under, since = bad.ohm.copy(), 0.0
    for k in np.flatnonzero(bad.driven & (bad.phase >= AT_70)):
        since = since + 0.5 if bad.driven[k - 1] else 0.3
        under[k] += since * (0.05, 0.15, 0.5)[s]
    return {bad.label: under}


@is_so("driven", eye="no current in one row of a drive, with the voltage there")
def drive_drops_out(bench: Bench, s: int) -> dict[str, Floats]:
    """The coil loses contact in one row of the drives: cold, at 70 degC, or at 90."""
    bad = bench.bad
    under = bad.ohm.copy()
    rows_ = np.flatnonzero(bad.driven & (bad.phase == (BEFORE, AT_70, AT_90)[s]))
    under[bench.rng.choice(rows_)] = OPEN_OHM
    return {bad.label: under}


@is_so("driven", eye="ohms step down at the first drive and stay there")
def drive_cleans_the_contact(bench: Bench, s: int) -> None:
    """An oxide film adds to the ohms until the first drive breaks it."""
    bad = bench.bad
    first = bad.time_s[bad.driven][0]
    bad.ohm = np.where(bad.time_s < first, bad.ohm + (0.06, 0.15, 0.6)[s], bad.ohm)


@is_so("timed", eye="a few readings high before any heat")
def vibration_cold(bench: Bench, s: int) -> None:
    """A lead half off its pin: three readings high while somebody works at the bench, all cold."""
    bad = bench.bad
    cold = np.flatnonzero(bad.phase == BEFORE)
    bad.ohm[bench.rng.choice(cold, size=3, replace=False)] += np.array([1, 0.6, 1.7]) * (0.05, 0.2, 3.0)[s]


@is_so("timed", eye="its readings scatter by far more than those of its like")
def contact_noise(bench: Bench, s: int) -> None:
    """A dirty contact scatters, cold as hot."""
    bad = bench.bad
    bad.ohm = bad.ohm + np.abs(bench.rng.normal(0, (0.01, 0.04, 0.15)[s], size=len(bad.ohm)))


@is_so("timed", eye="wanders by far more than its like do")
def contact_wanders(bench: Bench, s: int) -> None:
    """A fretted contact wanders over minutes and comes back to where it was."""
    bad = bench.bad
    walk = np.interp(bad.time_s, np.arange(0, 30000, 240), bench.rng.uniform(0, 1, size=125))
    bad.ohm = bad.ohm + walk * (0.04, 0.12, 0.4)[s]


@is_so("timed", "driven", eye="one single reading far off")
def one_reading_far_off(bench: Bench, s: int) -> None:
    """One single reading while hot is high by a little, by half or tenfold."""
    bad = bench.bad
    at = int(bench.rng.choice(np.flatnonzero((bad.phase >= AT_70) & (bad.phase <= AT_90) & bad.undriven)))
    bad.ohm[at] *= (1.03, 1.5, 10.0)[s]


@is_so("timed", eye="all coils step up together and stay")
def leads_changed_midway(bench: Bench, s: int) -> None:
    """Somebody plugs in longer leads in the middle of the soak: all coils step up by as much."""
    for track in bench.all_hit():
        track.ohm = np.where(track.phase >= AT_70, track.ohm + (0.05, 0.15, 0.4)[s], track.ohm)


@is_so("timed", "hand", eye="all coils are too high at the top, by the same ohms")
def common_return_bad_hot(bench: Bench, s: int) -> None:
    """The crimp of the common return is bad above 75 degC: all coils of the set show it."""
    for track in bench.all_hit():
        track.ohm = track.ohm + (0.12, 0.3, 1.0)[s] * (track.winding_degC > 75)


@is_so("timed", eye="readings step down as the neighbour gets hot")
def crosstalk(bench: Bench, s: int) -> None:
    """A sneak path in the switch: coil 2 reads low by some percent whenever coil 3 is hot."""
    bad = bench.bad
    share = (0.02, 0.05, 0.2)[s]
    near = np.interp(bad.time_s, bench.tracks[2].time_s, bench.tracks[2].hot_frac)
    bad.ohm = np.where(near > 0.7, bad.ohm * (1 - share), bad.ohm)


# --- probes -----------------------------------------------------------------------------------------------


@shows_so("timed", "hand", eye="its temperature is another's while its ohms go on as before", never=EITHER)
def anothers_probe(bench: Bench, s: int) -> None:
    """For one hold the coil is written with the probe of a part that is elsewhere: 5, 15 or 40 K away."""
    bad = bench.bad
    bad.probe_degC = np.where(bad.phase == AT_70, bad.probe_degC - (5, 15, 40)[s], bad.probe_degC)


@shows_so("timed", "hand", eye="its temperature stands still while ohms and other probes move", never=EITHER)
def probe_freezes(bench: Bench, s: int) -> None:
    """The probe's channel shows its last value from 50, 70 or 90 degC on."""
    bad = bench.bad
    since = int(np.flatnonzero(bad.phase == (AT_90, AT_70, AT_50)[s])[0])
    bad.probe_degC[since:] = bad.probe_degC[max(since - 1, 0)]


@shows_so("timed", eye="its temperature falls to the room's within seconds, the ohms do not", never=EITHER)
def probe_falls_off(bench: Bench, s: int) -> None:
    """The probe comes off the body during the top hold and hangs in cooler air."""
    bad = bench.bad
    hot = np.flatnonzero(bad.phase == AT_90)
    part = hot[int(len(hot) * (0.8, 0.4, 0.1)[s]) :]
    bad.probe_degC[part] -= (6, 15, 50)[s]


@shows_so("timed", "hand", eye="falls as all others rise", never=EITHER)
def probe_reversed(bench: Bench, s: int) -> None:
    """A thermocouple is connected the wrong way round, on one coil, two, or all."""
    for track in bench.tracks[1 : (2, 3, 99)[s]]:
        bench.hit.append(track.label)
        track.probe_degC = 2 * bench.room_degC - track.probe_degC


@shows_so("timed", "hand", eye="all apparent slopes are as wrong as each other", never=EITHER)
def wrong_sensor_type(bench: Bench, s: int) -> None:
    """The thermometer is set to another sensor: all temperatures off by a gain."""
    for track in bench.all_hit():
        track.probe_degC = 20 + (track.probe_degC - 20) * (0.9, 0.78, 1.27)[s]


@shows_so("timed", "hand", eye="the room at 72 degC, the oven at 194", never=EITHER)
def fahrenheit(bench: Bench, s: int) -> None:
    """All temperatures, those of one hold, or those of one coil are in degrees Fahrenheit."""
    for track in bench.all_hit() if s < 2 else [bench.bad]:
        there = (track.phase >= BEFORE, track.phase == AT_70, track.phase >= BEFORE)[s]
        track.probe_degC = np.where(there, track.probe_degC * 1.8 + 32, track.probe_degC)


@shows_so("timed", eye="temperatures jump up and down by tens of kelvin", never=EITHER)
def probe_picks_up(bench: Bench, s: int) -> None:
    """The oven's heater is heard by the probe of one coil: bursts of kelvins."""
    bad = bench.bad
    burst = bench.rng.random(len(bad.time_s)) < 0.3
    bad.probe_degC = bad.probe_degC + burst * bench.rng.normal(0, (3, 10, 40)[s], size=len(bad.time_s))


@shows_so("timed", "hand", eye="the probe says the same for all and never moves", never=EITHER)
def no_probe_moved(bench: Bench, s: int) -> None:
    """Room temperature, 85 or 20.0 stands in all rows of the table, while the ohms rise and fall."""
    for track in bench.all_hit():
        track.probe_degC = np.full(len(track.time_s), (bench.room_degC, 85.0, 20.0)[s])


# --- meters -----------------------------------------------------------------------------------------------


@shows_so("timed", "hand", eye="a thousandth, or a thousandfold", never=EITHER)
def autorange_unit(bench: Bench, s: int) -> None:
    """The meter ranges to kilohm (or milliohm) for one hold, and the recorder drops the unit: one coil."""
    bad = bench.bad
    there = bad.phase == (BEFORE, AT_70, AT_90)[s]
    bad.shown_ohm = np.where(there, bad.shown_ohm / 1000, bad.shown_ohm)
    wrong = [bool(t) for t in there]

    def unit(table: list[Row]) -> list[Row]:
        mine = iter(wrong)
        for row in table:
            if row["coil"] == bad.label and next(mine):
                row["resistance_ohm"] = f"{float(row['resistance_ohm']):.6f}"
        return table

    bench.clerk.append(unit)


@shows_so("timed", "hand", eye="one reading is ten, five times or a tenth of its neighbours", never=EITHER)
def lost_decimal_point(bench: Bench, s: int) -> None:
    """The point is lost or slipped in one reading."""
    bad = bench.bad
    at = int(bench.rng.choice(np.flatnonzero(bad.phase >= AT_50)))
    bad.shown_ohm[at] *= (10, 0.1, 5)[s]


@shows_so("hand", eye="two digits stand the other way round", never=EITHER)
def swapped_digits(bench: Bench, s: int) -> None:
    """A slip of the pen: 5.16 for 5.61, in one reading of a pair; the other one is right."""
    bad = bench.bad
    at = int(np.flatnonzero(bad.phase == (BEFORE, AT_70, AT_90)[s])[0])
    bad.shown_ohm[at] += -0.45


@shows_so("timed", "hand", eye="all coils creep up by as many percent, cold as well", never=EITHER)
def battery_runs_down(bench: Bench, s: int) -> None:
    """The meter's battery runs down: all readings creep up by as many percent, and stay so."""
    last = max(float(track.time_s[-1]) for track in bench.tracks)
    for track in bench.all_hit():
        track.shown_ohm = track.shown_ohm * (1 + (0.015, 0.03, 0.08)[s] * track.time_s / last)


@shows_so("timed", "hand", eye="the same figure at 70 and at 90 degC", never=PASS)
def clipped_range(bench: Bench, s: int) -> None:
    """The range ends within the coil's: it shows its last value for more, open included."""
    bad = bench.bad
    top = float(bad.sound_ohm(np.array([(80.0, 60.0, 40.0)[s]]))[0])
    bad.shown_ohm = np.minimum(bad.shown_ohm, top)


@shows_so("timed", eye="exactly the same digits for minutes while its temperature moves", never=EITHER)
def reading_held(bench: Bench, s: int) -> None:
    """HOLD was pressed: the meter repeats its last value as the oven goes from 50 to 70 degC, and on."""
    bad = bench.bad
    since = int(np.flatnonzero(bad.phase == AT_70)[0])
    length = int((300, 900, 6000)[s] / bench.scan_s)
    bad.shown_ohm[since : since + length] = bad.shown_ohm[since]


@shows_so("timed", eye="rows alternate between two values", never=EITHER)
def thermal_emf(bench: Bench, s: int) -> None:
    """A damp joint of two metals adds microvolts; the meter turns its current round at every reading."""
    bad = bench.bad
    sign = np.where(np.arange(len(bad.shown_ohm)) % 2, 1.0, -1.0)
    bad.shown_ohm = bad.shown_ohm + sign * (0.02, 0.08, 0.3)[s]


@shows_so("timed", "hand", eye="negative or zero resistance", never=PASS)
def zero_or_less(bench: Bench, s: int) -> None:
    """Leads touch (0.01), the coil is shorted hot, or the meter shows less than nothing."""
    bad = bench.bad
    bad.shown_ohm = np.where(bad.phase == AT_90, (0.02, 0.0, -0.3)[s], bad.shown_ohm)


# --- recorders and people ---------------------------------------------------------------------------------


@shows_so("timed", eye="single readings high by what part of the row the coil was open")
def averaged_over_a_dropout(bench: Bench, s: int) -> None:
    """The recorder averages each row; the meter clipped at 50 ohm for 0.1, 0.5 or 3 s of it, three times."""
    bad = bench.bad
    share = (0.1, 0.5, 3.0)[s] / bench.scan_s
    rows_ = bench.rng.choice(np.flatnonzero(bad.phase == AT_90), size=3, replace=False)
    bad.shown_ohm[rows_] = bad.shown_ohm[rows_] * (1 - share) + 50 * share


def _word(bench: Bench, word: str, phase: int, count: int) -> None:
    """Write a word instead of some readings of the bad coil."""
    bad = bench.bad
    span = _spell(bench, bad, phase, count)
    chosen = set(range(span.start, span.stop)) or {span.start}

    def write(table: list[Row]) -> list[Row]:
        k = -1
        for row in table:
            if row["coil"] == bad.label:
                k += 1
                if k in chosen:
                    row["resistance_ohm"] = word
        return table

    bench.clerk.append(write)


@shows_so("timed", "hand", eye="a word where a reading should be, while like coils read on")
def words_for_open(bench: Bench, s: int) -> None:
    """An open is written as the recorder likes: dashes, 'inf', a display's 'O.L'."""
    _word(bench, ("----", "inf", "O.L")[s], AT_90, 5 if bench.form == "timed" else 1)


@shows_so("timed", "hand", eye="zeros where a reading should be, while like coils read on")
def zero_for_open(bench: Bench, s: int) -> None:
    """A recorder writes 0 or -1 or its own largest number for an open."""
    _word(bench, ("0", "-1", "99999")[s], AT_90, 4 if bench.form == "timed" else 1)


@shows_so("timed", "hand", eye="like coils have readings there, this one has none")
def nothing_at_the_top(bench: Bench, s: int) -> None:
    """Whoever wrote it down left out what did not read: at 90 degC, from 70 on, or after the heat."""
    bad = bench.bad
    gone = ((AT_90,), (AT_70, AT_90), (AT_90, AFTER))[s]

    def leave_out(table: list[Row]) -> list[Row]:
        phases, kept = iter(bad.phase), []
        for row in table:
            if row["coil"] == bad.label and next(phases) in gone:
                if s:
                    continue
                row["resistance_ohm"] = ""
            kept.append(row)
        return kept

    bench.clerk.append(leave_out)


@shows_so("timed", eye="gaps of minutes in its rows, of no other coil")
def rows_missing_when_bad(bench: Bench, s: int) -> None:
    """The recorder skips what it cannot read: in a stretch of the top hold the coil has no rows."""
    bad = bench.bad
    length = max(2, int((120, 400, 1200)[s] / bench.scan_s))
    span = _spell(bench, bad, AT_90, length)

    def skip(table: list[Row]) -> list[Row]:
        k, kept = -1, []
        for row in table:
            if row["coil"] == bad.label:
                k += 1
                if span.start <= k < span.stop:
                    continue
            kept.append(row)
        return kept

    bench.clerk.append(skip)


@shows_so("timed", "driven", eye="a soak of four seconds, or of forty days", never=FAIL)
def clock_in_other_units(bench: Bench, s: int) -> None:
    """The clock is in hours, minutes or milliseconds; the coils are sound."""
    for track in bench.all_hit():
        track.time_s = track.time_s * (1 / 3600, 1 / 60, 1000)[s]
    bench.clerk.append(lambda table: table)


@is_so("timed", eye="as it stands: higher on the way down; the clock hides it from rules that count seconds")
def late_joint_clock_in_hours(bench: Bench, s: int) -> None:
    """A joint lets go hot and grips cold, and the clock is in minutes."""
    joint_lets_go_late(bench, s)
    for track in bench.tracks:
        track.time_s = track.time_s / 60


@shows_so("timed", eye="time goes back by an hour", never=FAIL)
def clock_set_back(bench: Bench, s: int) -> None:
    """The recorder's clock is set back by an hour, to nought, or by a minute; the coils are sound."""
    half = 5000.0

    def back(table: list[Row]) -> list[Row]:
        for row in table:
            t = float(row["time_s"])
            if t > half:
                row["time_s"] = f"{t - (3600, half, 60)[s]:.1f}"
        return table

    bench.all_hit()
    bench.clerk.append(back)


@shows_so("timed", "hand", eye="two coils change places and back", never=PASS)
def labels_swapped_for_a_hold(bench: Bench, s: int) -> None:
    """Two coils that differ by 3, 5 or 8 % are taken for each other during one hold."""
    one, two = bench.tracks[1], bench.tracks[2]
    bench.hit = [one.label, two.label]
    factor = (1.03, 1.05, 1.08)[s]
    there = one.phase == AT_70
    a, b = one.shown_ohm.copy(), two.shown_ohm * factor
    one.shown_ohm = np.where(there[: len(a)], np.interp(one.time_s, two.time_s, b), a)
    there = two.phase == AT_70
    two.shown_ohm = np.where(there, np.interp(two.time_s, one.time_s, a), b)


@shows_so("timed", eye="a block of rows repeats another, digit for digit")
def block_pasted_twice(bench: Bench, s: int) -> None:
    """Ohms of the coil's 70 degC hold stand again in a third, most or all of its 90 degC hold."""
    bad = bench.bad
    top, from_ = np.flatnonzero(bad.phase == AT_90), np.flatnonzero(bad.phase == AT_70)
    n = min(len(top), len(from_))
    n = int(n * (0.3, 0.6, 1.0)[s])
    bad.shown_ohm[top[-n:]] = bad.shown_ohm[from_[-n:]]


@shows_so("driven", eye="V/I is off the ohms by as much in all coils, the voltage round", never=EITHER)
def set_voltage_written(bench: Bench, s: int) -> None:
    """The supply sagged to its limit, and what was set is written instead of what was there."""
    for track in bench.all_hit():
        track.volt = np.where(track.driven, 8.4, track.volt)
        track.amp = track.amp * (0.93, 0.8, 0.5)[s]


@shows_so("driven", eye="amperes a thousand times too great", never=EITHER)
def milliamperes(bench: Bench, s: int) -> None:
    """Currents are written in milliampere: of all drives, of one coil, or of one hold."""
    for track in bench.all_hit() if s == 0 else [bench.bad]:
        there = track.phase == AT_70 if s == 2 else track.phase >= BEFORE
        track.amp = np.where(there, track.amp * 1000, track.amp)


@is_so("hand", eye="far too high at one temperature between cold and hot, right at all others")
def bad_lukewarm(bench: Bench, s: int) -> None:
    """A contact is bad in both readings of a pair taken at 30 degC, between those at 50 and 90."""
    bad = bench.bad
    for track in bench.tracks:
        there = track.phase == AT_70
        track.probe_degC = np.where(there, track.probe_degC - 40, track.probe_degC)
        track.ohm = np.where(there, track.sound_ohm(track.winding_degC - 40), track.ohm)
    bad.ohm = bad.ohm + (0.2, 0.6, 3.0)[s] * (bad.phase == AT_70)


@is_so("timed", eye="one reading two hundred times its noise too high, at rest")
def one_reading_off_at_rest(bench: Bench, s: int) -> None:
    """One single reading in the last third of the top hold is high by 1, 3 or 20 %."""
    bad = bench.bad
    at = np.flatnonzero(bad.phase == AT_90)
    bad.ohm[bench.rng.choice(at[-len(at) // 3 :])] *= (1.01, 1.03, 1.2)[s]


def _one_row(bad: Track, where: int) -> int:
    """Return a row: cold before, as the heat begins, cooling at 80 degC, or cold after."""
    if where < 2:
        return int(np.flatnonzero(bad.phase == (BEFORE, AT_50)[where])[4])
    cooling = np.flatnonzero(bad.phase == AFTER)
    return int(cooling[-6] if where == 3 else cooling[bad.winding_degC[cooling] < 80][0])


@is_so("timed", eye="one reading is ten times what is right")
def one_gap_cold(bench: Bench, s: int) -> None:
    """The contact is lost in one reading: cold before, as the heat begins, or cold after."""
    bad = bench.bad
    bad.ohm[_one_row(bad, (0, 1, 3)[s])] *= 10


@is_so("timed", eye="one reading is a tenth of what is right")
def one_short_in_passing(bench: Bench, s: int) -> None:
    """The coil is nearly shorted in one reading: as the heat begins, cooling at 80 degC, or cold after."""
    bad = bench.bad
    bad.ohm[_one_row(bad, (1, 2, 3)[s])] *= 0.1


@is_so("hand", eye="one of a pair is open")
def one_of_a_pair_open(bench: Bench, s: int) -> None:
    """The first reading of a pair is open, the second right: cold, at 70 or at 90 degC."""
    bad = bench.bad
    bad.ohm[np.flatnonzero(bad.phase == (BEFORE, AT_70, AT_90)[s])[0]] = OPEN_OHM


@is_so("driven", eye="V and I both low, V/I right: the coil is sound", never=FAIL)
def supply_in_its_limit(bench: Bench, s: int) -> None:
    """The supply is in its limit in some drives and shows honestly what is there."""
    bad = bench.bad
    bad.supply_V = np.where(bad.phase >= AT_70, bad.supply_V * (0.9, 0.5, 0.1)[s], bad.supply_V)


@shows_so("timed", "hand", eye="fewer digits above 5 ohm or so: the coils are sound", never=FAIL)
def coarse_range_hot(bench: Bench, s: int) -> None:
    """The meter goes to a coarser range as the coils get hot."""
    for track in bench.all_hit():
        coarse = np.round(track.shown_ohm, (2, 2, 1)[s])
        track.shown_ohm = np.where(track.phase >= (AT_90, AT_50, AT_70)[s], coarse, track.shown_ohm)


@shows_so("timed", eye="the probe of one coil trails the others: the coil is sound", never=FAIL)
def probe_badly_seated(bench: Bench, s: int) -> None:
    """A probe without paste lags by 30, 120 or 300 s and loses 0.5, 1 or 3 % of the rise above the room."""
    bad = bench.bad
    room, now = bench.room_degC, float(bad.probe_degC[0])
    keep = float(np.exp(-bench.scan_s / (30, 120, 300)[s]))
    for k, there in enumerate(bad.probe_degC):
        now = there + (now - there) * keep
        bad.probe_degC[k] = room + (now - room) * (0.995, 0.99, 0.97)[s]


@shows_so("timed", eye="time is missing here and there: the coils are sound", never=FAIL)
def times_left_out(bench: Bench, s: int) -> None:
    """Cells of the clock are empty, one, some, or in a third of all rows."""
    bench.all_hit()
    share = (0.001, 0.02, 0.33)[s]

    def empty(table: list[Row]) -> list[Row]:
        for row in table:
            if bench.rng.random() < share:
                row["time_s"] = ""
        return table

    bench.clerk.append(empty)


@shows_so("timed", "hand", "driven", eye="nothing: the set is sound", never=FAIL)
def sound(bench: Bench, s: int) -> None:
    """Nothing is wrong: a sound coil is not to be blamed."""
    bench.all_hit()


# --- trying them ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Outcome:
    """What was said of one table."""

    status: int
    message: str
    verdicts: dict[str, str]
    reasons: dict[str, str]
    hit: tuple[str, ...]
    wrong: tuple[str, ...]  # coils of which was said what must not be


def table_of(fault: Fault, form: str, severity: int, seed: int) -> tuple[Bench, str]:
    """Return a set with the fault in it, and its table."""
    bench = make(form, seed)
    under = fault.change(bench, severity) if fault.change else None
    read(bench, under)
    if fault.show:
        fault.show(bench, severity)
    return bench, as_csv(rows(bench))


def judge(bench: Bench, table: str, folder: Path) -> tuple[int, str, list[dict]]:
    """Return exit status, message and coils of `judge --json`, run in this process as `python -m daq` is."""
    path, coil_set = folder / "table.csv", folder / "set.toml"
    path.write_text(table, encoding="utf-8")
    coil_set.write_text(set_file(bench), encoding="utf-8")
    arguments = ["coilsoak", "judge", str(path), "--json"]
    arguments += ["--set", str(coil_set)] if bench.with_set else []
    out, err, status = io.StringIO(), io.StringIO(), 0
    streams = contextlib.redirect_stdout(out), contextlib.redirect_stderr(err)
    with mock.patch.object(sys, "argv", arguments), streams[0], streams[1]:
        try:
            runpy.run_module("daq", run_name="__main__")
        except SystemExit as end:
            status = int(end.code or 0)
        except Exception as error:  # noqa: BLE001 - whatever a user would see as a traceback is a find
            status = TRACEBACK
            print(f"traceback: {error!r}", file=err)
    coils = json.loads(out.getvalue())["coils"] if status == 0 else []
    return status, err.getvalue().strip(), coils


def attempt(fault: Fault, form: str, severity: int, seed: int, folder: Path) -> Outcome:
    """Judge one table and hold it against what must not be said; a refused table blames and passes nobody."""
    bench, table = table_of(fault, form, severity, seed)
    status, message, coils = judge(bench, table, folder)
    verdicts = {coil["coil"]: coil["verdict"] for coil in coils}
    reasons = {coil["coil"]: "; ".join(reason["text"] for reason in coil["reasons"]) for coil in coils}
    wrong = [
        label
        for label, verdict in verdicts.items()
        if verdict in (fault.never if label in bench.hit else FAIL)
    ]
    if status not in {0, 2}:
        wrong = ["status"]
    return Outcome(status, message, verdicts, reasons, tuple(bench.hit), tuple(wrong))


def main() -> None:
    """Try all faults and print what was said wrongly."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--sets", type=int, default=3)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--only", default="")
    parser.add_argument("--form", default="")
    parser.add_argument("--after", default="", help="begin behind the fault of this name")
    parser.add_argument("--all", action="store_true", help="print each table's verdicts, not only wrong ones")
    parser.add_argument("--keep", type=Path, help="write each wrongly judged table there")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        begin = [fault.name for fault in FAULTS].index(options.after) + 1 if options.after else 0
        for fault in FAULTS[begin:]:
            if options.only and options.only not in fault.name:
                continue
            for form in fault.forms:
                if options.form and options.form != form:
                    continue
                for severity in range(3):
                    for seed in range(options.seed, options.seed + options.sets):
                        _print(fault, form, severity, seed, Path(name), options)


def _print(
    fault: Fault, form: str, severity: int, seed: int, folder: Path, options: argparse.Namespace
) -> None:
    begin = time.perf_counter()
    out = attempt(fault, form, severity, seed, folder)
    if not (options.all or out.wrong):
        return
    said = " ".join(f"{label}{'*' if label in out.hit else ''}={v}" for label, v in out.verdicts.items())
    mark = "WRONG" if out.wrong else "ok"
    head = f"{mark} {fault.name} {form} severity={severity} seed={seed} ({time.perf_counter() - begin:.1f} s)"
    print(f"{head}: {said or f'status {out.status}: {out.message[:300]}'}", flush=True)  # noqa: T201
    for label in [label for label in out.wrong if label in out.verdicts][:2]:
        print(f"    {label} {out.verdicts[label]}: {out.reasons[label][:260]}", flush=True)  # noqa: T201
    if options.keep and out.wrong:
        options.keep.mkdir(parents=True, exist_ok=True)
        bench, table = table_of(fault, form, severity, seed)
        stem = f"{fault.name}-{form}-{severity}-{seed}"
        (options.keep / f"{stem}.csv").write_text(table, encoding="utf-8")
        if bench.with_set:
            (options.keep / f"{stem}.toml").write_text(set_file(bench), encoding="utf-8")


if __name__ == "__main__":
    main()
