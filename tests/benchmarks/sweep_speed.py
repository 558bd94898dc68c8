"""How long a switched sweep takes beside the meter's own time: virtual time of the simulated bench.

    python tests/benchmarks/sweep_speed.py

The bench's clock counts integration, contacts, probes and whatever the program waits for. Goal: eight coils
in at most 3 s more than the meter takes for itself, leads and insulation included.
"""

from __future__ import annotations

import csv
import io
import sys
import tempfile
from pathlib import Path

from rich.console import Console

from daq.inputs import load_inputs
from daq.run import RunRequest, execute
from daq.runfolder import read_run

#: What the simulated meter waits before each integration.
METER_SETTLES_S = 0.012


def main() -> None:
    """Sweep once, and print what took the time."""
    rig = load_inputs(None, None, heat="hand")[0].value
    cycle_s = 1.0 / rig.meter.mains_Hz
    # With offset compensation each reading is integrated twice.
    ohms_s, quick_s = 2.0 * rig.meter.nplc * cycle_s, rig.meter.quick_nplc * cycle_s
    with tempfile.TemporaryDirectory() as out:
        request = RunRequest(kind="sweep", command="coilsoak sweep", out=Path(out))
        folder = execute(request, Console(file=io.StringIO())).folder
        coils = len(read_run(folder).traces())
        with (folder / "readings.csv").open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
    ohms = sum(row["source"] == "ohms" for row in rows)
    quick = sum(row["source"] == "insulation" for row in rows) + 2 * coils  # the sensor, once, compensated
    whole_s = float(rows[-1]["time_s"]) + ohms_s / 2.0
    integrated_s = ohms * ohms_s + quick * quick_s
    settled_s = (2 * ohms + quick) * METER_SETTLES_S
    beside_s = whole_s - integrated_s - settled_s
    sys.stdout.write(
        f"{coils} coils, {ohms} ohms readings: {whole_s:.1f} s. The meter integrates {integrated_s:.1f} s, "
        f"settles {settled_s:.1f} s; {beside_s:.1f} s beside it, "
        f"{whole_s / integrated_s:.2f} times its integration\n"
    )


if __name__ == "__main__":
    main()
