"""What can be wrong with a coil, its leads, its probe, the meter or whoever keeps the table.

Each fault is put on one coil of a sound set (or on all of it) in one of three places: the law of the winding,
what the probe or the drive shows, or the cells of the recorder. What a fault may not be called stands
beside it: a bad coil may never pass, a sound coil may never fail, whatever its record looks like.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from . import tables_laws as laws
from . import tables_physics as physics
from . import tables_records as records
from .tables_laws import Before
from .tables_physics import Log, Scene
from .tables_records import After, Table

OVEN = ("settled", "timed", "driven")
TIMED = ("timed", "driven")


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


FAULTS: list[Fault] = [
    *(
        Fault(
            f"drops-{share:g}-{at}{'-hyst' if hyst else ''}",
            bad=True,
            forms=(*OVEN, "selfheated"),
            before=laws.threshold(at - 1, at + 1, factor=1 - share / 100, hysteresis_K=8.0 * hyst),
        )
        for share in (1.5, 3, 8)
        for at in (70, 85)
        for hyst in (False, True)
    ),
    *(
        Fault(
            f"rises-{share:g}-{at}", bad=True, before=laws.threshold(at - 1, at + 1, factor=1 + share / 100)
        )
        for share in (2, 6)
        for at in (70, 85)
    ),
    *(
        Fault(f"open-hot-{name}", bad=True, before=laws.opens(52, 86), cells=records.blank_opens(word))
        for name, word in (
            ("OL", "OL"),
            ("empty", ""),
            ("held", "held"),
            ("zero", "0.0000"),
            ("huge", "9.9E37"),
            ("1e9", "1000000000"),
        )
    ),
    Fault("open-top-only", bad=True, logs=records.dropped_late),
    Fault("open-top-only-empty", bad=True, logs=records.dropped_late, cells=records.blank_opens("")),
    Fault("open-cold", bad=True, before=laws.put_law(lambda the, i, rng: laws.ColdOpen(rng.uniform(35, 48)))),
    Fault(
        "open-cold-empty",
        bad=True,
        cells=records.blank_opens(""),
        before=laws.put_law(lambda the, i, rng: laws.ColdOpen(rng.uniform(35, 48))),
    ),
    Fault("dropouts-hot", bad=True, forms=TIMED, before=laws.chance(0.04, records.hiccup)),
    Fault(
        "dropouts-hot-empty",
        bad=True,
        forms=TIMED,
        before=laws.chance(0.06, lambda s, r: laws.OPEN),
        cells=records.blank_opens(""),
    ),
    Fault(
        "fretting-hot", bad=True, forms=TIMED, before=laws.chance(0.1, lambda s, r: s + r.exponential(0.6))
    ),
    Fault(
        "shorts-hot", bad=True, forms=TIMED, before=laws.chance(0.05, lambda s, r: s * r.uniform(0.3, 0.85))
    ),
    Fault(
        "noisy-contact-hot",
        bad=True,
        forms=TIMED,
        before=laws.chance(1.0, lambda s, r: s + r.normal(0, 0.05)),
    ),
    Fault(
        "opens-after-time",
        bad=True,
        forms=TIMED,
        before=laws.put_law(lambda the, i, rng: laws.AfterTime(80, rng.uniform(600, 1500), laws.OPEN)),
    ),
    Fault(
        "drops-5-after-time",
        bad=True,
        forms=TIMED,
        before=laws.put_law(lambda the, i, rng: laws.AfterTime(80, rng.uniform(600, 1500), 0.95)),
    ),
    Fault(
        "drops-3-mid-hold-all-hot",
        bad=True,
        forms=OVEN,
        before=laws.put_law(lambda the, i, rng: laws.AfterTime(40, rng.uniform(300, 1200), 0.97)),
    ),
    Fault("diode-across", bad=True, forms=("driven",), logs=records.drive(records.diode)),
    Fault("breakdown-driven", bad=True, forms=("driven",), logs=records.drive(records.breakdown)),
    Fault("open-driven-only", bad=True, forms=("driven",), logs=records.drive(records.dead_drive)),
    Fault(
        "current-limit-sound",
        bad=False,
        forms=("driven",),
        logs=records.drive(records.limited),
        explained=True,
    ),
    Fault("aluminium-set", bad=True, before=laws.alpha(0.00403, 0.00408), coils=0),
    Fault("aluminium-one", bad=True, before=laws.alpha(0.00405, 0.00412)),
    Fault(
        "brass-12",
        bad=True,
        before=laws.put_law(lambda the, i, rng: laws.Series(lambda t: 0.12 * the.coils[i].r20_ohm)),
    ),
    Fault("constantan-joint-0.25", bad=True, before=laws.parts(joint=0.25)),
    Fault("joint-0.4", bad=True, before=laws.parts(joint=0.4)),
    Fault("turns-8-short", bad=True, before=laws.parts(r20=0.92)),
    Fault(
        "turns-hidden-by-joint",
        bad=True,
        before=lambda the, which, rng: (
            [laws.parts(r20=0.93, joint=0.07 * the.coils[i].r20_ohm)(the, [i], rng) for i in which] and None
        ),
    ),
    Fault(
        "ntc-in-connector",
        bad=True,
        before=laws.put_law(
            lambda the, i, rng: laws.Series(laws.ntc(rng.uniform(0.5, 1.2), rng.uniform(2500, 3900)))
        ),
    ),
    Fault(
        "ntc-compensates",
        bad=True,
        before=laws.put_law(lambda the, i, rng: laws.Series(laws.ntc(0.3 * the.coils[i].r20_ohm, 1500))),
    ),
    Fault(
        "ptc-in-connector",
        bad=True,
        before=laws.put_law(
            lambda the, i, rng: laws.Series(laws.ptc(rng.uniform(60, 75), rng.uniform(0.13, 0.25)))
        ),
    ),
    Fault(
        "joint-melts-together",
        bad=True,
        before=laws.put_law(lambda the, i, rng: laws.Series(lambda t: max(0.0, 0.5 * (60 - t) / 40))),
    ),
    Fault(
        "joint-expands",
        bad=True,
        before=laws.put_law(lambda the, i, rng: laws.Series(lambda t: 0.3 * max(0.0, (t - 60) / 30))),
    ),
    Fault(
        "leaks-hot",
        bad=True,
        before=laws.put_law(
            lambda the, i, rng: laws.Parallel(
                lambda t: 12 * the.coils[i].r20_ohm * math.exp(-0.06 * (t - 90))
            )
        ),
    ),
    Fault(
        "moist-cold",
        bad=True,
        before=laws.put_law(lambda the, i, rng: laws.Moist(rng.uniform(8, 20) * the.coils[i].r20_ohm)),
    ),
    Fault(
        "creeps-hot",
        bad=True,
        before=laws.put_law(lambda the, i, rng: laws.Creep(rng.uniform(0.03, 0.06), 65)),
    ),
    Fault(
        "joint-grows-a-cycle",
        bad=True,
        before=laws.put_law(lambda the, i, rng: laws.Cycles(0.04 * the.coils[i].r20_ohm)),
    ),
    Fault("two-coils-together", bad=True, logs=records.shorted_together, coils=2),
    Fault("never-read-hot", bad=True, table=records.rows_where(lambda log, k: log.winding_degC[k] < 66)),
    Fault(
        "rows-end-on-the-way-up",
        bad=True,
        forms=TIMED,
        table=records.rows_where(lambda log, k: not records.since(log, 62)[k]),
    ),
    Fault("cells-blank-hot", bad=True, cells=records.cells(records.blank_hot(66))),
    Fault("cells-blank-from-60", bad=True, cells=records.cells(records.blank_late)),
    Fault("resistance-stuck-from-60", bad=True, cells=records.cells(records.stuck)),
    Fault("table-cut-on-the-way-up", bad=True, table=records.cut, coils=0),
    # sound coils whose record is wrong
    Fault("probe-falls-out", bad=False, forms=OVEN, logs=records.probe(records.falls_out)),
    Fault("probe-falls-in-oven", bad=False, forms=OVEN, logs=records.probe(records.falls_in), explained=True),
    Fault("probe-half-off", bad=False, forms=(*OVEN, "selfheated"), logs=records.probe(records.half_off)),
    Fault("probe-slides", bad=False, forms=(*OVEN, "selfheated"), logs=records.probe(records.slides)),
    Fault("probe-frozen", bad=False, forms=(*OVEN, "selfheated"), logs=records.probe(records.frozen)),
    Fault("probe-in-F", bad=False, logs=records.probe(lambda the, log, rng: 1.8 * log.probe_degC + 32)),
    Fault(
        "probe-in-F-set",
        bad=False,
        logs=records.probe(lambda the, log, rng: 1.8 * log.probe_degC + 32),
        coils=0,
    ),
    Fault(
        "probe-6K-off",
        bad=False,
        logs=records.probe(lambda the, log, rng: log.probe_degC + rng.choice([-6, 6])),
    ),
    Fault(
        "probe-gain-5",
        bad=False,
        logs=records.probe(
            lambda the, log, rng: 20 + (log.probe_degC - 20) * (1 + rng.choice([-0.05, 0.05]))
        ),
    ),
    Fault(
        "probe-gain-5-set",
        bad=False,
        coils=0,
        logs=records.probe(lambda the, log, rng: 20 + (log.probe_degC - 20) * 1.05),
    ),
    Fault("probes-swapped", bad=False, logs=records.swap_probes, coils=2, explained=True),
    Fault("probe-open-empty", bad=False, cells=records.probe_cells(60, "")),
    Fault("probe-open-850", bad=False, cells=records.probe_cells(60, "850.0")),
    Fault("probe-short-minus200", bad=False, cells=records.probe_cells(60, "-200.0")),
    Fault("probe-dead-from-start", bad=False, cells=records.probe_cells(-300, "")),
    Fault("leads-swapped-midway", bad=False, logs=records.swap_labels, coils=2, explained=True),
    Fault("kohm-all", bad=False, cells=records.cells(records.scaled(1.0, 1e-3))),
    Fault("kohm-some", bad=False, cells=records.cells(records.scaled(0.03, 1e-3)), forms=TIMED),
    Fault("mohm-set", bad=False, cells=records.cells(records.scaled(1.0, 1e3)), coils=0),
    Fault("mV", bad=False, forms=("driven",), cells=records.cells(records.scaled(1.0, 1e3), "voltage_V")),
    Fault("mA", bad=False, forms=("driven",), cells=records.cells(records.scaled(1.0, 1e3), "current_A")),
    Fault(
        "current-negative",
        bad=False,
        forms=("driven",),
        cells=records.cells(records.scaled(1.0, -1.0), "current_A"),
        explained=True,
    ),
    Fault("lost-point", bad=False, forms=TIMED, cells=records.cells(records.lost_digit)),
    Fault("range-changes", bad=False, logs=records.range_change, coils=0, explained=True),
    Fault("meter-drifts", bad=False, logs=records.meter_drift, coils=0, explained=True),
    Fault("two-wire", bad=False, logs=records.two_wire, coils=0),
    Fault("clock-jumps", bad=False, forms=TIMED, cells=records.clock_jump, coils=0, explained=True),
    Fault("blocks-twice", bad=False, table=records.double_blocks, coils=0, explained=True),
    Fault("label-with-blank", bad=False, table=records.spaces, coils=0, explained=True),
    Fault("hot-noise-x5", bad=False, forms=TIMED, noise=records.hot_noise(5, 2), coils=0, explained=True),
    Fault("hot-noise-x12", bad=False, forms=TIMED, noise=records.hot_noise(12, 2), coils=0, explained=True),
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
