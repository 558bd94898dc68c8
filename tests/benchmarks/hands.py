"""How many coils a sweep that follows the leads reads rightly from random hands, and how long it takes.

    python -m tests.benchmarks.hands --hands 300

Each hand is drawn anew: how fast it reacts and moves, how long a contact wobbles on each coil (one in ten far
longer), how well it holds. Nobody presses a key. A reading is right if it is the coil's within what two leads
in a hand leave; one that is not may be told by two rings instead of one. In virtual time.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.stats import beta

from daq.procedures.sweep.hands_free import LAST_WORD_S
from daq.record.reader import read_run
from tests.daq.kits.hand import Person, hand_rig, sweep_by_hand
from tests.daq.kits.soak import HEALTHY

#: A firm contact adds up to twice this; the null takes off as much of it.
FIRM_OHM = 0.01
SCRIPT_HAND = "wobbles_s = { Y5 = 7.0 }"
LABELS = tuple(HEALTHY)


@dataclass(frozen=True)
class Swept:
    """What came of one set: errors in ohms, what was told good, seconds a coil and beside the hand's."""

    errors_ohm: list[float]
    good: list[bool]
    coil_s: float
    beside_s: float


def one_hand(folder: Path, seed: int) -> Swept:
    """Sweep with the hand of *seed*."""
    rng = np.random.default_rng(seed)
    wobbles_s = {label: wobble_s(rng) for label in LABELS}
    reaction_s, reach_s = rng.uniform(0.2, 1.0), rng.uniform(0.6, 2.5)
    hand = [
        f"reaction_s = {reaction_s:.3f}",
        f"reach_s = {reach_s:.3f}",
        f"firm_ohm = {FIRM_OHM}",
        "wobbles_s = { " + ", ".join(f"{label} = {time_s:.2f}" for label, time_s in wobbles_s.items()) + " }",
    ]
    person = Person()
    ran = sweep_by_hand(folder, hand_rig(folder, (SCRIPT_HAND, "\n".join(hand))), person, seed=seed)
    traces = {trace.coil: trace for trace in read_run(ran.outcome.folder).traces()}
    errors = [
        float(traces[label].resistance_ohm.mean() - ran.truth.resistance_ohm(label))
        if label in traces
        else np.inf
        for label in LABELS
    ]
    whole_s = ran.truth.world.clock.monotonic() - LAST_WORD_S
    own_s = sum(wobbles_s.values()) + 9 * (2 * reaction_s + reach_s)
    good = [label in person.results and person.results[label].good for label in LABELS]
    return Swept(errors, good, whole_s / len(LABELS), (whole_s - own_s) / len(LABELS))


def wobble_s(rng: np.random.Generator) -> float:
    """Draw how long a contact wobbles: up to two seconds, once in ten up to twelve."""
    return float(rng.uniform(2.0, 12.0) if rng.random() < 0.1 else rng.uniform(0.0, 2.0))


def main() -> None:
    """Sweep with as many hands as asked for and print what came of it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hands", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    sets = []
    for seed in range(asked.seed, asked.seed + asked.hands):
        with tempfile.TemporaryDirectory() as folder:
            sets.append(one_hand(Path(folder), seed))
    off_ohm = np.abs([error for each in sets for error in each.errors_ohm])
    good = np.array([good for each in sets for good in each.good])
    wrong = off_ohm > 2 * FIRM_OHM
    unseen = int((wrong & good).sum())
    most = float(beta.ppf(0.975, unseen + 1, good.sum() - unseen))
    coil_s, beside_s = ([getattr(each, name) for each in sets] for name in ("coil_s", "beside_s"))
    right, off = wrong.size - wrong.sum(), np.median(off_ohm)
    middle, most_s, beside = np.median(coil_s), np.quantile(coil_s, 0.9), np.median(beside_s)
    sys.stdout.write(
        f"{wrong.size} coils: {right} read rightly, off by {off:.4f} ohm in the middle; "
        f"{wrong.sum()} wrongly, of which {unseen} told good (at most {100 * most:.2g} % of those)\n"
        f"a coil takes {middle:.1f} s, in nine sets of ten at most {most_s:.1f} s; "
        f"{beside:.1f} s beside the hand's own reaction, reach and wobble\n"
    )


if __name__ == "__main__":
    main()
