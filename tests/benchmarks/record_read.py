"""How long a record takes to read, as a ratio to the csv module reading the same file in the same run."""

from __future__ import annotations

import csv
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
ROWS, ROUNDS = 100_000, 5


def seconds(action: Callable[[], object]) -> float:
    """Return the process time that *action* takes."""
    began_s = time.process_time()
    action()
    return time.process_time() - began_s


def main() -> None:
    """Print the median ratio over five rounds."""
    sys.path.insert(0, str(ROOT))
    from daq.recordformat import reading_line
    from daq.runfolder import read_run
    from tests.daq.recordkit import reading, start

    with tempfile.TemporaryDirectory() as parent:
        with start(Path(parent)) as writer:
            pass
        path = writer.folder / "readings.csv"
        with path.open("a", encoding="utf-8") as stream:
            stream.writelines(reading_line(reading(n, coil=f"Y{n % 8 + 1}")) for n in range(ROWS))

        def plain() -> int:
            with path.open(encoding="utf-8", newline="") as lines:
                return sum(1 for _ in csv.reader(lines))

        ratios = [seconds(lambda: read_run(writer.folder).traces()) / seconds(plain) for _ in range(ROUNDS)]
    print(f"{ROWS} rows: {statistics.median(ratios):.1f} times the csv module alone")  # noqa: T201 - a script


if __name__ == "__main__":
    main()
