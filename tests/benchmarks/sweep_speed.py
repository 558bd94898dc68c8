"""How long a switched sweep of eight coils takes beside the meter's own integration.

    python tests/benchmarks/sweep_speed.py

Once in virtual time, where the bench's clock counts integration, contacts and whatever the program waits
for; once over real wires (loopback TCP, and a pseudo-serial port for the meter) in real time, where the
program, its files and the wires count too. Goal: at most 3 s more than the meter integrates, second pass and
insulation included, the meter's own settling too.
"""

from __future__ import annotations

import csv
import io
import sys
import tempfile
from pathlib import Path

from rich.console import Console

from daq.config.load import load_inputs
from daq.run.execute import RunRequest, execute
from daq.run.practice import practice_bench

#: What the simulated meter waits before each integration.
METER_SETTLES_S = 0.012


def sweep(where: str, rig_file: Path | None, out: Path) -> None:
    """Sweep once by *rig_file*, None for the simulated bench, and print what took the time."""
    meter = load_inputs(rig_file, None, heat="hand")[0].value.meter
    cycle_s = 1.0 / meter.mains_Hz
    # With offset compensation each reading is integrated twice.
    ohms_s, quick_s = 2.0 * meter.nplc * cycle_s, meter.quick_nplc * cycle_s
    request = RunRequest(kind="sweep", command="coilsoak sweep", rig=rig_file, out=out, yes=True)
    outcome = execute(request, Console(file=io.StringIO()))
    coils = len(outcome.result.coils)
    with (outcome.folder / "readings.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    ohms = sum(row["source"] == "ohms" for row in rows)
    quick = sum(row["source"] == "insulation" for row in rows) + 2 * coils  # the sensor, once, compensated
    whole_s = float(rows[-1]["time_s"]) + ohms_s / 2.0
    integrated_s = ohms * ohms_s + quick * quick_s
    settled_s = (2 * ohms + quick) * METER_SETTLES_S
    sys.stdout.write(
        f"{where}: {coils} coils, {ohms} ohms readings: {whole_s:.2f} s, of which the meter integrates "
        f"{integrated_s:.2f} s; {whole_s - integrated_s:.2f} s beyond that ({settled_s:.2f} s while the "
        f"meter settles), {whole_s / integrated_s:.2f} times its integration\n"
    )


def main() -> None:
    """Sweep in virtual time and over real wires."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder)
        sweep("simulated bench, virtual time", None, out)
        with practice_bench(out, scale=1.0) as (_, rig_file):
            sweep("real wires, real time", rig_file, out)


if __name__ == "__main__":
    main()
