"""Does a soak of a day grow? Resident memory and open files over 24 hours of virtual time.

``python tests/benchmarks/long_soak.py`` soaks in a process of its own, which reads its own
``/proc`` as it goes. After the first two hours memory may grow by less than five parts in a hundred,
open files not at all; both are ratios within the one run.
"""

from __future__ import annotations

import argparse
import json
import re
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
MOST_GROWTH = 0.05
#: Hours of virtual time: before the first everything is loaded, in between memory is read once in a while.
WARM_H, EACH_H = 2.0, 1.0


def main() -> None:
    """Soak by oven and by supply, print a line for each, and fail where one grew or did not end complete."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--hours", type=float, default=24.0)
    options.add_argument("--child", choices=["oven", "supply"], help=argparse.SUPPRESS)
    asked = options.parse_args()
    if asked.child:
        _soak(asked.child, asked.hours)
        return
    grown = False
    for heat in ("oven", "supply"):
        command = [sys.executable, __file__, "--child", heat, "--hours", str(asked.hours)]
        done = subprocess.run(command, cwd=ROOT, stdout=subprocess.PIPE, text=True, check=True)
        seen = json.loads(done.stdout.splitlines()[-1])
        first, last = seen["readings"][0], seen["readings"][-1]
        growth = max(each["rss_MB"] for each in seen["readings"]) / first["rss_MB"] - 1
        grown |= growth >= MOST_GROWTH or last["files"] > first["files"] or seen["state"] != "complete"
        start = f"{first['rss_MB']:.1f} MB after {first['h']:.1f} h"
        end = f"{last['rss_MB']:.1f} MB after {last['h']:.1f} h and {last['rows']} rows"
        files = f"open files {first['files']} to {last['files']}"
        print(  # noqa: T201 - a script
            f"{heat}: {start}, {end} ({growth:+.1%} at most), {files}; "
            f"judged and reported in {seen['after_MB']:.0f} MB, state {seen['state']}"
        )
    sys.exit(1 if grown else 0)


def _soak(heat: str, hours: float) -> None:
    """Soak the invented set for *hours* and print what memory and files were like as one JSON line."""
    sys.path.insert(0, str(ROOT))
    from rich.console import Console

    from daq.procedures.procedure import Procedure
    from daq.record.writer import Reading
    from daq.run.execute import RunRequest, execute

    readings: list[dict[str, float]] = []
    rows = 0
    keep = Procedure.row

    def row(self: Procedure, reading: Reading) -> None:
        nonlocal rows
        keep(self, reading)
        rows += 1
        hour = reading.time_s / 3600
        if hour >= (readings[-1]["h"] + EACH_H if readings else WARM_H):
            readings.append({"h": hour, "rows": rows, "rss_MB": _resident_MB(), "files": _open_files()})

    Procedure.row = row  # type: ignore[method-assign]
    with tempfile.TemporaryDirectory() as folder:
        rig, coil_set = _files(Path(folder), hours / (24 if heat == "supply" else 3))
        with (Path(folder) / "shown").open("w", encoding="utf-8") as shown:
            request = RunRequest(
                kind="soak",
                command="long_soak",
                out=Path(folder),
                rig=rig,
                coil_set=coil_set,
                heat="supply" if heat == "supply" else "oven",
                yes=True,
            )
            outcome = execute(request, Console(file=shown))
    said = {"readings": readings, "after_MB": _resident_MB(), "state": outcome.state}
    print(json.dumps(said))  # noqa: T201 - a script


def _files(folder: Path, hold_h: float) -> tuple[Path, Path]:
    """Write a rig without drift (in a day it would pass a ceiling) and a set that holds long."""
    from daq.config.builtin import builtin

    texts = {
        "script.toml": builtin("fault_scripts", "groomer_faults").read_text(encoding="utf-8"),
        "rig.toml": builtin("rigs", "simulated").read_text(encoding="utf-8"),
        "set.toml": builtin("coil_sets", "snow_groomer").read_text(encoding="utf-8"),
    }
    for name, old, new in (
        ("script.toml", r"^drift = .*$", ""),
        ("rig.toml", "groomer_faults.toml", "script.toml"),
        ("set.toml", r"^hold_s = .*$", f"hold_s = {3600 * hold_h:.0f}"),
        ("set.toml", r"^max_step_s = .*$", f"max_step_s = {3600 * hold_h + 7200:.0f}"),
        ("set.toml", r"^# max_run_s = .*$", "max_run_s = 200000"),
    ):
        text, count = re.subn(old, new, texts[name], flags=re.MULTILINE)
        assert count, f"{old} does not stand in {name}"
        texts[name] = text
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder / "rig.toml", folder / "set.toml"


def _resident_MB() -> float:
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return int(status.partition("VmRSS:")[2].split()[0]) / 1024


def _open_files() -> int:
    return sum(1 for _ in Path("/proc/self/fd").iterdir())


if __name__ == "__main__":
    main()
