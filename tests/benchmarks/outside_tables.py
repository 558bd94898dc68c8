"""Counts what `coilsoak judge` says of tables whose physics, faults and writing share nothing with it.

    python tests/benchmarks/outside_tables.py --sets 20              # each fault in each form of table
    python tests/benchmarks/outside_tables.py --sound 400            # sound sets alone, 400 of each form
    python tests/benchmarks/outside_tables.py --show drops-3-70 timed 7   # one table, what is said of it

Only the documented command is called, in this process for speed. PYTHONPATH chooses another checkout's program.
"""  # noqa: E501

from __future__ import annotations

import argparse
import contextlib
import io
import json
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

from scipy.stats import beta

ROOT = str(Path(__file__).resolve().parents[2])
sys.path.insert(0, ROOT)

from tests.outside import tables_faults as faults  # noqa: E402
from tests.outside import tables_physics as physics  # noqa: E402

sys.path.remove(ROOT)  # the program itself may be another checkout's

Task = tuple[str, str, int]


@dataclass
class Said:
    """What was said of one table: exit status, the line of an error, and verdict and reasons of each coil."""

    status: int
    error: str
    verdicts: dict[str, tuple[str, list[tuple[str, str]]]] = field(default_factory=dict)


def judge(the: physics.Scene, table: list[dict[str, str]], folder: Path) -> Said:
    """Write the table into `folder`, judge it by the command line, and read the answer."""
    from daq.cli import main

    path = folder / "table.csv"
    path.write_text(physics.as_csv(the, table), encoding="utf-8")
    arguments = ["coilsoak", "judge", str(path), "--json"]
    if the.with_set:
        (folder / "set.toml").write_text(physics.set_file(the), encoding="utf-8")
        arguments += ["--set", str(folder / "set.toml")]
    out, err, before = io.StringIO(), io.StringIO(), sys.argv
    sys.argv, status = arguments, 0
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            main()
    except SystemExit as end:
        status = int(end.code or 0)
    except Exception as error:  # noqa: BLE001 - a traceback is a finding, and the count goes on
        return Said(99, f"TRACEBACK {type(error).__name__}: {error} (seed {the.seed} {the.form})")
    finally:
        sys.argv = before
    if status:
        return Said(status, err.getvalue().strip())
    said = Said(0, "")
    for coil in json.loads(out.getvalue())["coils"]:
        reasons = [(reason["code"], reason["text"]) for reason in coil["reasons"]]
        said.verdicts[coil["coil"].strip()] = (coil["verdict"], reasons)
    return said


@dataclass
class Count:
    """Verdicts of the coils that have a fault and of those beside them, and the seeds of what went wrong."""

    tables: int = 0
    refused: Counter[str] = field(default_factory=Counter)
    faulty: Counter[str] = field(default_factory=Counter)
    sound: Counter[str] = field(default_factory=Counter)
    plain: Counter[str] = field(default_factory=Counter)
    codes: Counter[str] = field(default_factory=Counter)
    beside: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    wrong_beside: list[str] = field(default_factory=list)
    retested: list[str] = field(default_factory=list)
    seconds: float = 0.0

    def add(self, other: Count) -> None:
        """Add another count to this one."""
        self.tables += other.tables
        self.seconds += other.seconds
        for mine, theirs in (
            (self.refused, other.refused),
            (self.faulty, other.faulty),
            (self.sound, other.sound),
            (self.plain, other.plain),
            (self.codes, other.codes),
            (self.beside, other.beside),
        ):
            mine.update(theirs)
        self.wrong += other.wrong
        self.wrong_beside += other.wrong_beside
        self.retested += other.retested


def one(task: Task) -> tuple[Task, Count]:
    """Make, judge and count one table."""
    name, form, seed = task
    fault = faults.BY_NAME[name]
    the, table, which = faults.make(fault, form, seed)
    count = Count(tables=1)
    begin = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        said = judge(the, table, Path(folder))
    count.seconds = time.perf_counter() - begin
    if said.status:
        count.refused[said.error.splitlines()[-1][-160:] if said.error else "no word"] += 1
        return task, count
    for coil in the.coils:
        verdict, reasons = said.verdicts.get(coil.label, ("absent", []))
        codes = "+".join(sorted({code for code, _ in reasons}))
        text = f"seed {seed} {form} {coil.label} {verdict}: {'; '.join(t for _, t in reasons)}"
        if coil.label in which:
            count.faulty[verdict] += 1
            count.codes[f"{verdict}:{codes}"] += 1
            if (fault.bad and verdict in ("pass", "absent")) or (not fault.bad and verdict == "fail"):
                count.wrong.append(text)
            elif not fault.bad and verdict == "retest":
                count.retested.append(text)
        else:
            count.sound[verdict] += 1
            if verdict != "pass":
                count.beside[f"{verdict}:{codes}"] += 1
            if verdict == "fail":
                count.wrong_beside.append(text)
            elif verdict != "pass":
                count.retested.append(text)
        if the.plain and (coil.label not in which or name == "none"):
            count.plain[verdict] += 1
    return task, count


def interval(k: int, n: int) -> str:
    """Return the share and its 95 % interval (Clopper and Pearson) in per cent."""
    if not n:
        return "-"
    low = beta.ppf(0.025, k, n - k + 1) if k else 0.0
    high = beta.ppf(0.975, k + 1, n - k) if k < n else 1.0
    return f"{100 * k / n:.1f} % ({100 * low:.1f}-{100 * high:.1f})"


def _row(fault: faults.Fault, form: str, count: Count) -> str:
    judged = sum(count.faulty.values())
    wrong = len(count.wrong)
    beside = sum(count.sound.values())
    codes = ", ".join(f"{code} {n}" for code, n in count.codes.most_common(4))
    near = ", ".join(f"{code} {n}" for code, n in count.beside.most_common(3))
    refused = f" refused {sum(count.refused.values())}" if count.refused else ""
    return (
        f"| {fault.name} | {form} | {'bad' if fault.bad else 'sound'} | {count.faulty['pass']} / "
        f"{count.faulty['fail']} / {count.faulty['retest']} of {judged}{refused} | {interval(wrong, judged)} | "  # noqa: E501
        f"{codes} | {count.sound['pass']} / {count.sound['fail']} / {count.sound['retest']} of {beside} | {near} |"  # noqa: E501
    )


def run(tasks: list[Task], workers: int) -> dict[tuple[str, str], Count]:
    """Count all tasks, by fault and form."""
    counts: dict[tuple[str, str], Count] = {}
    with ProcessPoolExecutor(workers) as pool:
        for (name, form, seed), count in pool.map(one, tasks, chunksize=1):
            counts.setdefault((name, form), Count()).add(count)
            for text in count.wrong + count.wrong_beside + list(count.refused):
                print(f"{name} {form} {seed}: {text}", file=sys.stderr)  # noqa: T201
    return counts


def show(name: str, form: str, seed: int) -> None:
    """Print what is said of one table, and leave the table behind."""
    the, table, which = faults.make(faults.BY_NAME[name], form, seed)
    folder = Path(tempfile.mkdtemp(prefix="outside-table-"))
    said = judge(the, table, folder)
    print(f"{folder}/table.csv: {len(table)} rows, set file {the.with_set}, fault in {sorted(which)}")  # noqa: T201
    print(f"meter {the.meter}\nprobe of Y1 {the.probes[0]}\nscan {the.scan_s} s, gaps {the.gaps}")  # noqa: T201
    print(said.status, said.error)  # noqa: T201
    for coil in the.coils:
        verdict, reasons = said.verdicts.get(coil.label, ("absent", []))
        print(  # noqa: T201
            coil.label,
            f"{coil.r20_ohm:.3f} alpha {coil.alpha_per_K:.5f} joint {coil.joint_ohm:.3f}",
            verdict,
            "; ".join(f"[{code}] {text}" for code, text in reasons),
        )


def main() -> None:
    """Parse, count, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sets", type=int, default=0, help="tables of each fault and form")
    parser.add_argument("--sound", type=int, default=0, help="sound tables of each form")
    parser.add_argument("--seed", type=int, default=0, help="the first seed")
    parser.add_argument("--faults", default="", help="only faults whose name has this in it, split by commas")
    parser.add_argument("--forms", default="settled,timed,driven", help="which forms")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--worst", type=int, default=2, help="texts told of each wrong cell")
    parser.add_argument("--show", nargs=3, metavar=("FAULT", "FORM", "SEED"))
    chosen = parser.parse_args()
    if chosen.show:
        show(chosen.show[0], chosen.show[1], int(chosen.show[2]))
        return
    forms = chosen.forms.split(",")
    parts = chosen.faults.split(",")
    tasks = [
        (fault.name, form, chosen.seed + seed)
        for fault in faults.FAULTS
        for form in fault.forms
        if form in forms and fault.name != "none" and any(part in fault.name for part in parts)
        for seed in range(chosen.sets)
    ]
    tasks += [("none", form, chosen.seed + seed) for form in forms for seed in range(chosen.sound)]
    begin = time.perf_counter()
    counts = run(tasks, chosen.workers)
    _report(counts, chosen.worst, time.perf_counter() - begin)


def _report(counts: dict[tuple[str, str], Count], worst: int, seconds: float) -> None:
    print(  # noqa: T201
        "| fault | table | coil is | its pass / fail / retest | wrong, 95 % | reasons | beside it: pass / fail / "  # noqa: E501
        "retest | reasons beside |\n|---|---|---|---|---|---|---|---|"
    )
    for (name, form), count in counts.items():
        print(_row(faults.BY_NAME[name], form, count))  # noqa: T201
    all_counts = Count()
    for count in counts.values():
        all_counts.add(count)
    sound = all_counts.sound + Counter(
        {verdict: n for (name, _), c in counts.items() if name == "none" for verdict, n in c.faulty.items()}
    )
    for title, these in (("sound coils", sound), ("of these with plain instruments", all_counts.plain)):
        n = sum(these.values())
        print(  # noqa: T201
            f"\n{title}: {n}, failed {these['fail']} = {interval(these['fail'], n)}, to another test "
            f"{these['retest']} = {interval(these['retest'], n)}"
        )
    print(f"\n{all_counts.tables} tables in {seconds:.0f} s ({all_counts.seconds:.0f} s of judging)")  # noqa: T201
    for title, pick in (
        ("wrong", "wrong"),
        ("sound coils beside failed", "wrong_beside"),
        ("sound coils sent to another test", "retested"),
    ):
        print(f"\n## {title}\n")  # noqa: T201
        for (name, _), count in counts.items():
            for text in getattr(count, pick)[:worst]:
                print(f"- {name}: {text}")  # noqa: T201
    print("\n## refused\n")  # noqa: T201
    for (name, form), count in counts.items():
        for text, n in count.refused.most_common(worst):
            print(f"- {name} {form} x{n}: {text}")  # noqa: T201


if __name__ == "__main__":
    main()
