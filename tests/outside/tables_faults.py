"""What can be wrong with a coil, its leads, its probe, the meter or whoever keeps the table.

Each fault is put on one coil of a sound set (or on all of it) in one of three places: on the winding's law, on
what the probe or the drive shows, or on the cells that the recorder writes. What a fault may not be called is
said beside it: a bad coil may never pass, a coil that is sound may never fail, whatever its record looks like.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from . import tables_physics as physics
from .tables_physics import Law, Log, Scene

Rng = np.random.Generator
OVEN = ("settled", "timed", "driven")
TIMED = ("timed", "driven")
OPEN = math.inf


# --- laws of a faulty winding -------------------------------------------------------------------------------


@dataclass
class Threshold(Law):
    """R is multiplied and added to above a temperature, until it is back below it by the hysteresis."""

    at_degC: float
    factor: float = 1.0
    add_ohm: float = 0.0
    hysteresis_K: float = 0.0
    on: bool = False

    def ohm(self, time_s: float, winding_degC: float, sound_ohm: float) -> float:
        self.on = winding_degC > self.at_degC - (self.hysteresis_K if self.on else 0.0)
        return sound_ohm * self.factor + self.add_ohm if self.on else sound_ohm


@dataclass
class ColdOpen(Law):
    """Open while cold: expansion closes the crack."""

    below_degC: float

    def ohm(self, time_s: float, winding_degC: float, sound_ohm: float) -> float:
        return OPEN if winding_degC < self.below_degC else sound_ohm


@dataclass
class Chance(Law):
    """Above a temperature a reading now and then finds something else: a dropout, a jump, a short."""

    rng: Rng
    above_degC: float
    share: float
    seen: Callable[[float, Rng], float]

    def ohm(self, time_s: float, winding_degC: float, sound_ohm: float) -> float:
        if winding_degC > self.above_degC and self.rng.random() < self.share:
            return self.seen(sound_ohm, self.rng)
        return sound_ohm


@dataclass
class Series(Law):
    """Something in series whose resistance goes with temperature."""

    of: Callable[[float], float]

    def ohm(self, time_s: float, winding_degC: float, sound_ohm: float) -> float:
        return sound_ohm + self.of(winding_degC)


@dataclass
class Parallel(Law):
    """Something across the winding whose resistance goes with temperature."""

    of: Callable[[float], float]

    def ohm(self, time_s: float, winding_degC: float, sound_ohm: float) -> float:
        return 1 / (1 / sound_ohm + 1 / self.of(winding_degC))


@dataclass
class Creep(Law):
    """Grows with the time spent hot, and stays."""

    per_hour: float
    above_degC: float
    most: float = 1.0
    grown: float = 0.0
    last_s: float = 0.0

    def ohm(self, time_s: float, winding_degC: float, sound_ohm: float) -> float:
        if winding_degC > self.above_degC:
            self.grown = min(self.grown + self.per_hour * max(time_s - self.last_s, 0) / 3600, self.most)
        self.last_s = time_s
        return sound_ohm * (1 + self.grown)


@dataclass
class Cycles(Law):
    """A joint that is worse by a fixed step after each time it was heated and cooled again."""

    step_ohm: float
    was_hot: bool = False
    times: int = 0

    def ohm(self, time_s: float, winding_degC: float, sound_ohm: float) -> float:
        if winding_degC > 60:
            self.was_hot = True
        elif self.was_hot and winding_degC < 45:
            self.was_hot, self.times = False, self.times + 1
        return sound_ohm + self.step_ohm * self.times


@dataclass
class AfterTime(Law):
    """Multiplied (or open) once it has been above a temperature for a while; well again when cold."""

    above_degC: float
    wait_s: float
    factor: float
    since_s: float | None = None

    def ohm(self, time_s: float, winding_degC: float, sound_ohm: float) -> float:
        if winding_degC < self.above_degC:
            self.since_s = None
            return sound_ohm
        if self.since_s is None:
            self.since_s = time_s
        return sound_ohm * self.factor if time_s - self.since_s > self.wait_s else sound_ohm


@dataclass
class Moist(Law):
    """Wet before the heat: a path across the winding that dries for good."""

    across_ohm: float
    dry: bool = False

    def ohm(self, time_s: float, winding_degC: float, sound_ohm: float) -> float:
        self.dry = self.dry or winding_degC > 60
        return sound_ohm if self.dry else 1 / (1 / sound_ohm + 1 / self.across_ohm)


# --- how a fault is put on a scene --------------------------------------------------------------------------

Before = Callable[[Scene, list[int], Rng], None]
After = Callable[[Scene, list[int], Rng], None]
Table = Callable[[Scene, list[int], list[dict[str, str]], Rng], list[dict[str, str]]]


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong.

    Attributes:
        name: what it is called in the count.
        bad: True if the coil is bad or nothing is known of it hot: 'pass' is wrong. False if the coil is
            sound and only its record is not: 'fail' is wrong.
        before: changes coils and instruments before the heat.
        logs: changes the logs as they are, before the recorder.
        cells: changes the recorder's cells.
        table: changes the rows as written.
        forms: the kinds of table in which it can be seen.
        coils: how many coils have it; 0 is all of the set.
        explained: a sound coil may pass, since nothing of the record is lost or wrong.
    """

    name: str
    bad: bool
    before: Before | None = None
    logs: After | None = None
    cells: After | None = None
    table: Table | None = None
    noise: Callable[[Log, np.ndarray], np.ndarray] | None = None
    forms: tuple[str, ...] = OVEN
    coils: int = 1
    explained: bool = False


def _law(make: Callable[[Scene, int, Rng], Law]) -> Before:
    def put(the: Scene, which: list[int], rng: Rng) -> None:
        for i in which:
            the.coils[i].law = make(the, i, rng)

    return put


def _threshold(low: float, high: float, **kw: float) -> Before:
    return _law(lambda the, i, rng: Threshold(rng.uniform(low, high), **kw))


def _open(low: float, high: float) -> Before:
    return _law(
        lambda the, i, rng: Threshold(rng.uniform(low, high), factor=OPEN, hysteresis_K=rng.uniform(0, 8))
    )


def _chance(share: float, seen: Callable[[float, Rng], float], above: float = 60.0) -> Before:
    return _law(lambda the, i, rng: Chance(rng, above, share, seen))


def _blank_opens(word: str) -> After:
    """The recorder writes `word` where the coil is open; 'held' repeats the last good value."""

    def put(the: Scene, which: list[int], rng: Rng) -> None:
        for i in which:
            log = the.logs[i]
            cells = log.cells["resistance_ohm"]
            last = cells[0]
            for k in range(len(cells)):
                if log.driven[k]:
                    continue
                if log.ohm[k] > 120:
                    cells[k] = last if word == "held" else word
                else:
                    last = cells[k]

    return put


def _ntc(cold_ohm: float, beta_K: float) -> Callable[[float], float]:
    return lambda t: cold_ohm * math.exp(beta_K * (1 / (t + 273.15) - 1 / 293.15))


def _ptc(start_degC: float, per_K: float) -> Callable[[float], float]:
    return lambda t: 0.02 * math.exp(per_K * max(t - start_degC, 0.0))


def _alpha(low: float, high: float) -> Before:
    def put(the: Scene, which: list[int], rng: Rng) -> None:
        alpha = rng.uniform(low, high)
        for i in which:
            the.coils[i].alpha_per_K = alpha

    return put


def _set(**share: float) -> Before:
    """Change a coil: `r20` multiplies its copper, `joint` is added."""

    def put(the: Scene, which: list[int], rng: Rng) -> None:
        for i in which:
            the.coils[i].r20_ohm *= share.get("r20", 1.0)
            the.coils[i].joint_ohm += share.get("joint", 0.0)

    return put


# --- drives -------------------------------------------------------------------------------------------------


def _drive(shown: Callable[[Scene, Log, Rng], tuple[np.ndarray, np.ndarray]]) -> After:
    def put(the: Scene, which: list[int], rng: Rng) -> None:
        for i in which:
            log = the.logs[i]
            volt, amp = shown(the, log, rng)
            log.volt = np.where(log.driven, volt, log.volt)
            log.amp = np.where(log.driven, amp, log.amp)

    return put


def _diode(the: Scene, log: Log, rng: Rng) -> tuple[np.ndarray, np.ndarray]:
    amp = np.full(len(log.ohm), the.limit_A)
    return 0.72 - 0.002 * (log.winding_degC - 20) + 0.02 * amp, amp


def _breakdown(the: Scene, log: Log, rng: Rng) -> tuple[np.ndarray, np.ndarray]:
    ohm = log.ohm * rng.uniform(0.55, 0.85)
    amp = np.minimum(log.volt / ohm, the.limit_A)
    return amp * ohm, amp


def _limited(the: Scene, log: Log, rng: Rng) -> tuple[np.ndarray, np.ndarray]:
    amp = np.minimum(1.0, log.volt / log.ohm)
    return amp * log.ohm, amp


def _dead_drive(the: Scene, log: Log, rng: Rng) -> tuple[np.ndarray, np.ndarray]:
    return log.volt, np.zeros(len(log.ohm))


# --- probes -------------------------------------------------------------------------------------------------


def _from(log: Log, at_degC: float) -> np.ndarray:
    """Return which rows come after the body first passed a temperature."""
    above = np.flatnonzero(log.body_degC > at_degC)
    late = np.zeros(len(log.body_degC), dtype=bool)
    if len(above):
        late[above[0] :] = True
    return late


def _probe(change: Callable[[Scene, Log, Rng], np.ndarray]) -> After:
    def put(the: Scene, which: list[int], rng: Rng) -> None:
        for i in which:
            the.logs[i].probe_degC = change(the, the.logs[i], rng)

    return put


def _falls_out(the: Scene, log: Log, rng: Rng) -> np.ndarray:
    late, share = _from(log, 60), rng.uniform(0.0, 0.4)
    return np.where(late, log.room_degC + share * (log.air_degC - log.room_degC), log.probe_degC)


def _falls_in(the: Scene, log: Log, rng: Rng) -> np.ndarray:
    return np.where(_from(log, 60), log.air_degC, log.probe_degC)


def _half_off(the: Scene, log: Log, rng: Rng) -> np.ndarray:
    share = rng.uniform(0.8, 0.93)
    return np.where(_from(log, 60), log.room_degC + share * (log.probe_degC - log.room_degC), log.probe_degC)


def _slides(the: Scene, log: Log, rng: Rng) -> np.ndarray:
    lost = rng.uniform(0.05, 0.15) * log.time_s / log.time_s[-1]
    return log.probe_degC - lost * (log.probe_degC - log.room_degC)


def _frozen(the: Scene, log: Log, rng: Rng) -> np.ndarray:
    late = _from(log, 60)
    held = log.probe_degC[late][0] if late.any() else 60.0
    return np.where(late, held, log.probe_degC)


def _swap_probes(the: Scene, which: list[int], rng: Rng) -> None:
    a, b = (the.logs[i] for i in which)
    if len(a.time_s) == len(b.time_s):
        a.probe_degC, b.probe_degC = b.probe_degC, a.probe_degC


def _probe_cells(late_degC: float, word: str) -> After:
    def put(the: Scene, which: list[int], rng: Rng) -> None:
        for i in which:
            log = the.logs[i]
            for k in np.flatnonzero(_from(log, late_degC)):
                log.cells["probe_degC"][k] = word

    return put


# --- cells and tables ---------------------------------------------------------------------------------------


def _cells(change: Callable[[Log, int, str, Rng], str], column: str = "resistance_ohm") -> After:
    def put(the: Scene, which: list[int], rng: Rng) -> None:
        for i in which:
            log = the.logs[i]
            cells = log.cells[column]
            for k in range(len(cells)):
                if cells[k] and (column != "resistance_ohm" or not log.driven[k]):
                    cells[k] = change(log, k, cells[k], rng)

    return put


def _scaled(share: float, factor: float) -> Callable[[Log, int, str, Rng], str]:
    def change(log: Log, k: int, cell: str, rng: Rng) -> str:
        if rng.random() >= share or not cell[0].isdigit():
            return cell
        return f"{float(cell) * factor:.7g}"

    return change


def _lost_digit(log: Log, k: int, cell: str, rng: Rng) -> str:
    return cell.replace(".", "", 1) if rng.random() < 0.003 else cell


def _stuck(log: Log, k: int, cell: str, rng: Rng) -> str:
    late = np.flatnonzero(_from(log, 60))
    return log.cells["resistance_ohm"][int(late[0])] if len(late) and k >= late[0] else cell


def _blank_hot(above: float) -> Callable[[Log, int, str, Rng], str]:
    return lambda log, k, cell, rng: "" if log.winding_degC[k] > above else cell


def _blank_late(log: Log, k: int, cell: str, rng: Rng) -> str:
    return "" if _from(log, 60)[k] else cell


def _rows_where(keep: Callable[[Log, int], bool]) -> Table:
    """Drop rows of the faulty coils."""

    def change(the: Scene, which: list[int], table: list[dict[str, str]], rng: Rng) -> list[dict[str, str]]:
        drop = set()
        for i in which:
            log = the.logs[i]
            label = log.coil.label
            gone = {k for k in range(len(log.time_s)) if not keep(log, k)}
            seen = 0
            for n, row in enumerate(table):
                if row["coil"] == label:
                    if seen in gone:
                        drop.add(n)
                    seen += 1
        return [row for n, row in enumerate(table) if n not in drop]

    return change


def _swap_labels(the: Scene, which: list[int], rng: Rng) -> None:
    """From half-way on the two coils' resistances are in each other's rows."""
    a, b = (the.logs[i] for i in which)
    n = min(len(a.ohm), len(b.ohm))
    start = int(n * rng.uniform(0.3, 0.6))
    a.ohm[start:n], b.ohm[start:n] = b.ohm[start:n].copy(), a.ohm[start:n].copy()


def _shorted_together(the: Scene, which: list[int], rng: Rng) -> None:
    a, b = (the.logs[i] for i in which)
    n = min(len(a.ohm), len(b.ohm))
    # without a nominal value two halves from the start are another kind
    start = 0 if the.with_set and rng.random() < 0.4 else int(n * rng.uniform(0.2, 0.6))
    both = 1 / (1 / a.ohm[start:n] + 1 / b.ohm[start:n])
    a.ohm[start:n] = both
    b.ohm[start:n] = both


def _range_change(the: Scene, which: list[int], rng: Rng) -> None:
    at, step = rng.uniform(40, 80), rng.choice([-1, 1]) * rng.uniform(0.01, 0.03)
    for i in which:
        log = the.logs[i]
        log.ohm = log.ohm + np.where(log.winding_degC > at, step, 0.0)


def _meter_drift(the: Scene, which: list[int], rng: Rng) -> None:
    share = rng.choice([-1, 1]) * rng.uniform(0.002, 0.006)
    for i in which:
        log = the.logs[i]
        log.ohm = log.ohm * (1 + share * log.time_s / max(the.logs[j].time_s[-1] for j in which))


def _two_wire(the: Scene, which: list[int], rng: Rng) -> None:
    lead = rng.uniform(0.2, 0.4)
    for i in which:
        the.logs[i].ohm = the.logs[i].ohm + lead


def _clock_jump(the: Scene, which: list[int], rng: Rng) -> None:
    at = rng.uniform(0.3, 0.7) * max(log.time_s[-1] for log in the.logs)
    jump = float(rng.choice([3600.0, -3600.0, -at]))
    for log in the.logs:
        log.cells["time_s"] = [f"{t + (jump if t > at else 0.0):.2f}" for t in log.time_s]


def _double_blocks(
    the: Scene, which: list[int], table: list[dict[str, str]], rng: Rng
) -> list[dict[str, str]]:
    start = int(rng.integers(0, max(len(table) // 2, 1)))
    end = start + len(table) // 5 + 1
    return table[:end] + table[start:end] + table[end:]


def _cut(the: Scene, which: list[int], table: list[dict[str, str]], rng: Rng) -> list[dict[str, str]]:
    """The table ends on the way up."""
    limit = rng.uniform(45, 66)
    late = [log.time_s[np.flatnonzero(_from(log, limit))[0]] for log in the.logs if _from(log, limit).any()]
    end = min(late)
    keep = {log.coil.label: int(np.sum(log.time_s < end)) for log in the.logs}
    out = []
    for row in table:
        if keep[row["coil"]] > 0:
            keep[row["coil"]] -= 1
            out.append(row)
    return out


def _spaces(the: Scene, which: list[int], table: list[dict[str, str]], rng: Rng) -> list[dict[str, str]]:
    return [{**row, "coil": row["coil"] + (" " if rng.random() < 0.3 else "")} for row in table]


def _hot_noise(factor: float, outliers: int) -> Callable[[Log, np.ndarray], np.ndarray]:
    """Scatter of meter and leads that grows with the oven's fan, on a sound coil."""

    def change(log: Log, scatter: np.ndarray) -> np.ndarray:
        rng = np.random.default_rng(len(scatter))
        wide = np.where(log.winding_degC > 45, factor, 1.0)
        out = scatter * wide
        hot = np.flatnonzero(log.hot(60) & ~log.driven)
        for k in rng.permutation(hot)[:outliers]:
            out[k] *= 2.2
        return out

    return change


def _dropped_late(the: Scene, which: list[int], rng: Rng) -> None:
    """Open in the last one to three readings of the hottest hold, and never elsewhere."""
    for i in which:
        log = the.logs[i]
        top = np.flatnonzero((log.body_degC > np.max(log.body_degC) - 1) & ~log.driven)
        log.ohm[top[-int(rng.integers(1, 4)) :]] = OPEN


def _hiccup(sound: float, rng: Rng) -> float:
    return OPEN if rng.random() < 0.5 else sound + rng.uniform(20, 110)


FAULTS: list[Fault] = [
    *(
        Fault(
            f"drops-{share:g}-{at}{'-hyst' if hyst else ''}",
            bad=True,
            forms=(*OVEN, "selfheated"),
            before=_threshold(at - 1, at + 1, factor=1 - share / 100, hysteresis_K=8.0 * hyst),
        )
        for share in (1.5, 3, 8)
        for at in (70, 85)
        for hyst in (False, True)
    ),
    *(
        Fault(f"rises-{share:g}-{at}", bad=True, before=_threshold(at - 1, at + 1, factor=1 + share / 100))
        for share in (2, 6)
        for at in (70, 85)
    ),
    *(
        Fault(f"open-hot-{name}", bad=True, before=_open(52, 86), cells=_blank_opens(word))
        for name, word in (
            ("OL", "OL"),
            ("empty", ""),
            ("held", "held"),
            ("zero", "0.0000"),
            ("huge", "9.9E37"),
            ("1e9", "1000000000"),
        )
    ),
    Fault("open-top-only", bad=True, logs=_dropped_late),
    Fault("open-top-only-empty", bad=True, logs=_dropped_late, cells=_blank_opens("")),
    Fault("open-cold", bad=True, before=_law(lambda the, i, rng: ColdOpen(rng.uniform(35, 48)))),
    Fault(
        "open-cold-empty",
        bad=True,
        cells=_blank_opens(""),
        before=_law(lambda the, i, rng: ColdOpen(rng.uniform(35, 48))),
    ),
    Fault("dropouts-hot", bad=True, forms=TIMED, before=_chance(0.04, _hiccup)),
    Fault(
        "dropouts-hot-empty",
        bad=True,
        forms=TIMED,
        before=_chance(0.06, lambda s, r: OPEN),
        cells=_blank_opens(""),
    ),
    Fault("fretting-hot", bad=True, forms=TIMED, before=_chance(0.1, lambda s, r: s + r.exponential(0.6))),
    Fault("shorts-hot", bad=True, forms=TIMED, before=_chance(0.05, lambda s, r: s * r.uniform(0.3, 0.85))),
    Fault(
        "noisy-contact-hot", bad=True, forms=TIMED, before=_chance(1.0, lambda s, r: s + r.normal(0, 0.05))
    ),
    Fault(
        "opens-after-time",
        bad=True,
        forms=TIMED,
        before=_law(lambda the, i, rng: AfterTime(80, rng.uniform(600, 1500), OPEN)),
    ),
    Fault(
        "drops-5-after-time",
        bad=True,
        forms=TIMED,
        before=_law(lambda the, i, rng: AfterTime(80, rng.uniform(600, 1500), 0.95)),
    ),
    Fault(
        "drops-3-mid-hold-all-hot",
        bad=True,
        forms=OVEN,
        before=_law(lambda the, i, rng: AfterTime(40, rng.uniform(300, 1200), 0.97)),
    ),
    Fault("diode-across", bad=True, forms=("driven",), logs=_drive(_diode)),
    Fault("breakdown-driven", bad=True, forms=("driven",), logs=_drive(_breakdown)),
    Fault("open-driven-only", bad=True, forms=("driven",), logs=_drive(_dead_drive)),
    Fault("current-limit-sound", bad=False, forms=("driven",), logs=_drive(_limited), explained=True),
    Fault("aluminium-set", bad=True, before=_alpha(0.00403, 0.00408), coils=0),
    Fault("aluminium-one", bad=True, before=_alpha(0.00405, 0.00412)),
    Fault(
        "brass-12",
        bad=True,
        before=_law(lambda the, i, rng: Series(lambda t: 0.12 * the.coils[i].r20_ohm)),
    ),
    Fault("constantan-joint-0.25", bad=True, before=_set(joint=0.25)),
    Fault("joint-0.4", bad=True, before=_set(joint=0.4)),
    Fault("turns-8-short", bad=True, before=_set(r20=0.92)),
    Fault(
        "turns-hidden-by-joint",
        bad=True,
        before=lambda the, which, rng: (
            [_set(r20=0.93, joint=0.07 * the.coils[i].r20_ohm)(the, [i], rng) for i in which] and None
        ),
    ),
    Fault(
        "ntc-in-connector",
        bad=True,
        before=_law(lambda the, i, rng: Series(_ntc(rng.uniform(0.5, 1.2), rng.uniform(2500, 3900)))),
    ),
    Fault(
        "ntc-compensates",
        bad=True,
        before=_law(lambda the, i, rng: Series(_ntc(0.3 * the.coils[i].r20_ohm, 1500))),
    ),
    Fault(
        "ptc-in-connector",
        bad=True,
        before=_law(lambda the, i, rng: Series(_ptc(rng.uniform(60, 75), rng.uniform(0.13, 0.25)))),
    ),
    Fault(
        "joint-melts-together",
        bad=True,
        before=_law(lambda the, i, rng: Series(lambda t: max(0.0, 0.5 * (60 - t) / 40))),
    ),
    Fault(
        "joint-expands",
        bad=True,
        before=_law(lambda the, i, rng: Series(lambda t: 0.3 * max(0.0, (t - 60) / 30))),
    ),
    Fault(
        "leaks-hot",
        bad=True,
        before=_law(
            lambda the, i, rng: Parallel(lambda t: 12 * the.coils[i].r20_ohm * math.exp(-0.06 * (t - 90)))
        ),
    ),
    Fault(
        "moist-cold",
        bad=True,
        before=_law(lambda the, i, rng: Moist(rng.uniform(8, 20) * the.coils[i].r20_ohm)),
    ),
    Fault("creeps-hot", bad=True, before=_law(lambda the, i, rng: Creep(rng.uniform(0.03, 0.06), 65))),
    Fault(
        "joint-grows-a-cycle", bad=True, before=_law(lambda the, i, rng: Cycles(0.04 * the.coils[i].r20_ohm))
    ),
    Fault("two-coils-together", bad=True, logs=_shorted_together, coils=2),
    Fault("never-read-hot", bad=True, table=_rows_where(lambda log, k: log.winding_degC[k] < 66)),
    Fault(
        "rows-end-on-the-way-up",
        bad=True,
        forms=TIMED,
        table=_rows_where(lambda log, k: not _from(log, 62)[k]),
    ),
    Fault("cells-blank-hot", bad=True, cells=_cells(_blank_hot(66))),
    Fault("cells-blank-from-60", bad=True, cells=_cells(_blank_late)),
    Fault("resistance-stuck-from-60", bad=True, cells=_cells(_stuck)),
    Fault("table-cut-on-the-way-up", bad=True, table=_cut, coils=0),
    # sound coils whose record is wrong
    Fault("probe-falls-out", bad=False, forms=OVEN, logs=_probe(_falls_out)),
    Fault("probe-falls-in-oven", bad=False, forms=OVEN, logs=_probe(_falls_in), explained=True),
    Fault("probe-half-off", bad=False, forms=(*OVEN, "selfheated"), logs=_probe(_half_off)),
    Fault("probe-slides", bad=False, forms=(*OVEN, "selfheated"), logs=_probe(_slides)),
    Fault("probe-frozen", bad=False, forms=(*OVEN, "selfheated"), logs=_probe(_frozen)),
    Fault("probe-in-F", bad=False, logs=_probe(lambda the, log, rng: 1.8 * log.probe_degC + 32)),
    Fault("probe-in-F-set", bad=False, logs=_probe(lambda the, log, rng: 1.8 * log.probe_degC + 32), coils=0),
    Fault("probe-6K-off", bad=False, logs=_probe(lambda the, log, rng: log.probe_degC + rng.choice([-6, 6]))),
    Fault(
        "probe-gain-5",
        bad=False,
        logs=_probe(lambda the, log, rng: 20 + (log.probe_degC - 20) * (1 + rng.choice([-0.05, 0.05]))),
    ),
    Fault(
        "probe-gain-5-set",
        bad=False,
        coils=0,
        logs=_probe(lambda the, log, rng: 20 + (log.probe_degC - 20) * 1.05),
    ),
    Fault("probes-swapped", bad=False, logs=_swap_probes, coils=2, explained=True),
    Fault("probe-open-empty", bad=False, cells=_probe_cells(60, "")),
    Fault("probe-open-850", bad=False, cells=_probe_cells(60, "850.0")),
    Fault("probe-short-minus200", bad=False, cells=_probe_cells(60, "-200.0")),
    Fault("probe-dead-from-start", bad=False, cells=_probe_cells(-300, "")),
    Fault("leads-swapped-midway", bad=False, logs=_swap_labels, coils=2, explained=True),
    Fault("kohm-all", bad=False, cells=_cells(_scaled(1.0, 1e-3))),
    Fault("kohm-some", bad=False, cells=_cells(_scaled(0.03, 1e-3)), forms=TIMED),
    Fault("mohm-set", bad=False, cells=_cells(_scaled(1.0, 1e3)), coils=0),
    Fault("mV", bad=False, forms=("driven",), cells=_cells(_scaled(1.0, 1e3), "voltage_V")),
    Fault("mA", bad=False, forms=("driven",), cells=_cells(_scaled(1.0, 1e3), "current_A")),
    Fault(
        "current-negative",
        bad=False,
        forms=("driven",),
        cells=_cells(_scaled(1.0, -1.0), "current_A"),
        explained=True,
    ),
    Fault("lost-point", bad=False, forms=TIMED, cells=_cells(_lost_digit)),
    Fault("range-changes", bad=False, logs=_range_change, coils=0, explained=True),
    Fault("meter-drifts", bad=False, logs=_meter_drift, coils=0, explained=True),
    Fault("two-wire", bad=False, logs=_two_wire, coils=0),
    Fault("clock-jumps", bad=False, forms=TIMED, cells=_clock_jump, coils=0, explained=True),
    Fault("blocks-twice", bad=False, table=_double_blocks, coils=0, explained=True),
    Fault("label-with-blank", bad=False, table=_spaces, coils=0, explained=True),
    Fault("hot-noise-x5", bad=False, forms=TIMED, noise=_hot_noise(5, 2), coils=0, explained=True),
    Fault("hot-noise-x12", bad=False, forms=TIMED, noise=_hot_noise(12, 2), coils=0, explained=True),
    Fault("none", bad=False, forms=physics.FORMS, coils=0, explained=True),
]

BY_NAME = {fault.name: fault for fault in FAULTS}


def make(fault: Fault, form: str, seed: int) -> tuple[Scene, list[dict[str, str]], set[str]]:
    """Return a scene with the fault in it, its table, and the labels of the coils that have it."""
    the = physics.scene(seed, form)
    rng = np.random.default_rng([seed, 79])
    first = [i for i, coil in enumerate(the.coils) if coil.kind == "first"]
    count = fault.coils or len(the.coils)
    which = sorted(rng.permutation(first)[:count].tolist()) if fault.coils else list(range(len(the.coils)))
    if fault.before:
        fault.before(the, which, rng)
    physics.run(the)
    if fault.logs:
        fault.logs(the, which, rng)
    physics.measure(the, fault.noise)
    if fault.cells:
        fault.cells(the, which, rng)
    table = physics.rows(the)
    if fault.table:
        table = fault.table(the, which, table, rng)
    return the, table, {the.coils[i].label for i in which}
