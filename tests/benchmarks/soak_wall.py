"""How does the computing of a soak in virtual time grow, with coils and with length?

``python tests/benchmarks/soak_wall.py`` soaks invented sets of 2 to 32 coils, and eight coils two and four
times as long, in an oven and by their own heat, and prints seconds of wall and processor and what a doubling
costs. Twice the rows may take twice the time. What judging the record takes of it is told beside.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from daq.archive.judgement import judge_run  # noqa: E402
from daq.record.reader import read_run  # noqa: E402
from tests.benchmarks.detection_sets import toml_value  # noqa: E402
from tests.benchmarks.soak_time import draw, rig_for, set_for  # noqa: E402
from tests.daq.kits.soak import run  # noqa: E402

#: Of a soak of single length: three steps in an oven, one by own heat.
OVEN = {"steps_degC": "[50, 70, 90]"}
OWN_HEAT = {"heat": '"supply"', "steps_degC": "[50]", "cool_s": 900}
HOLD_S = {"oven": 900.0, "supply": 600.0}


@dataclass(frozen=True)
class Took:
    """What one soak took: virtual hours, rows, seconds of wall and processor, those of judging alone."""

    hours: float
    rows: int
    wall_s: float
    cpu_s: float
    judge_s: float


def soak(heat: str, coils: int, times: int) -> Took:
    """Soak a set, its holds *times* as long as usual."""
    script, named = draw(coils, 0, 1)
    if heat == "oven":
        script["oven"] = {}
    with tempfile.TemporaryDirectory() as where:
        folder = Path(where)
        path = folder / "script.toml"
        path.write_text("\n".join(f"{key} = {toml_value(value)}" for key, value in script.items()) + "\n")
        rig = rig_for(
            folder, path, [label for label, _, _ in named], without=() if heat == "oven" else ("oven",)
        )
        limits = {"max_step_s": 36000, "max_run_s": 864000, "hold_s": HOLD_S[heat] * times}
        asked = set_for(folder, named, (OVEN if heat == "oven" else OWN_HEAT) | limits)
        wall_s, cpu_s = time.perf_counter(), time.process_time()
        ran = run(folder / "runs", rig=rig, coil_set=asked)
        wall_s, cpu_s = time.perf_counter() - wall_s, time.process_time() - cpu_s
        assert ran.outcome.state == "complete", ran.screen
        record = read_run(ran.outcome.folder)
        judge_s = time.process_time()
        judge_run(record, None)
        judge_s = time.process_time() - judge_s
        time_s = record.readings.time_s
    return Took(float(time_s[-1]) / 3600.0, int(time_s.size), wall_s, cpu_s, judge_s)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--coils", type=int, nargs="+", default=[2, 4, 8, 16, 32])
    parser.add_argument("--times", type=int, nargs="+", default=[1, 2, 4])
    parser.add_argument("--heat", nargs="+", default=["oven", "supply"])
    asked = parser.parse_args()
    soak("oven", 2, 1)  # what is loaded once
    print("heat    coils  length  hours     rows  wall s   cpu s  judging s   doubling: rows    cpu")  # noqa: T201
    for heat in asked.heat:
        for plan in ([(coils, 1) for coils in asked.coils], [(8, times) for times in asked.times]):
            before: Took | None = None
            for coils, times in plan:
                took = soak(heat, coils, times)
                grown = ""
                if before is not None:
                    grown = f"{took.rows / before.rows:9.2f}  {took.cpu_s / before.cpu_s:5.2f}"
                print(  # noqa: T201
                    f"{heat:6s}  {coils:5d}  {times:5d}x  {took.hours:5.1f}  {took.rows:7d}"
                    f"  {took.wall_s:6.1f}  {took.cpu_s:6.1f}  {took.judge_s:9.2f}           {grown}",
                    flush=True,
                )
                before = took


if __name__ == "__main__":
    main()
