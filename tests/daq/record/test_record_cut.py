from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from daq.errors import ForeignFileError, RecordError
from daq.record.format import reading_line
from daq.record.reader import read_run
from tests.daq.kits.record import reading, start

ROOT = Path(__file__).resolve().parents[3]

# Says on its standard output how many rows it has been told are kept.
CHILD = """
import os, sys
from pathlib import Path
from tests.daq.kits.record import reading, start
writer = start(Path(sys.argv[1]))
for number in range(1_000_000):
    writer.row(reading(number))
    writer.event("count", str(number))
    os.write(1, b"%d\\n" % (number + 1))
"""


def closed(parent: Path, rows: int = 3) -> Path:
    """Return the folder of a complete record."""
    with start(parent) as writer:
        for number in range(rows):
            writer.row(reading(number))
        writer.close("complete", {"coils": []})
    return writer.folder


def flip(path: Path, at: int) -> None:
    """Flip one bit of the byte at *at*."""
    data = bytearray(path.read_bytes())
    data[at] ^= 0x04
    path.write_bytes(data)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_a_killed_run_reads_up_to_its_last_row(tmp_path: Path, seed: int) -> None:
    """After kill -9 at a random instant each acknowledged row is there, and the run says it was cut."""
    instants = random.Random(seed)
    with subprocess.Popen(
        [sys.executable, "-c", CHILD, str(tmp_path)], cwd=ROOT, stdout=subprocess.PIPE
    ) as child:
        assert child.stdout is not None
        child.stdout.readline()
        time.sleep(instants.uniform(0.0, 0.15))
        os.kill(child.pid, signal.SIGKILL)
        said = child.stdout.read().split(b"\n")
    acknowledged = int(said[-2]) if len(said) > 1 else 1
    (folder,) = tmp_path.iterdir()
    run = read_run(folder)
    assert acknowledged <= len(run.readings) <= acknowledged + 1
    assert acknowledged <= len(run.events) + 1
    assert run.readings.time_s.tolist() == [float(n) for n in range(len(run.readings))]
    assert run.state == "cut"
    assert "manifest.json is missing: the run was cut off before its end" in run.problems


def test_a_row_torn_at_any_byte_is_left_out_and_said(tmp_path: Path) -> None:
    """Cut anywhere inside the last row, the rows before it read and the torn one is named."""
    with start(tmp_path) as writer:
        for number in range(3):
            writer.row(reading(number))
    path = writer.folder / "readings.csv"
    whole = path.read_bytes()
    last = len(reading_line(reading(2)).encode())
    for cut in range(1, last + 1):
        path.write_bytes(whole[: len(whole) - cut])
        run = read_run(writer.folder)
        assert run.readings.time_s.tolist() == [0.0, 1.0]
        assert any("last row is torn" in p for p in run.problems) == (cut < last)
        assert run.state == "cut"


def test_a_record_cut_before_its_first_row_reads_empty(tmp_path: Path) -> None:
    """A run killed right after its start has a header, no rows and no traces."""
    with start(tmp_path) as writer:
        pass
    run = read_run(writer.folder)
    assert (len(run.readings), run.traces(), run.events, run.state) == (0, [], (), "cut")


@pytest.mark.parametrize("name", ["readings.csv", "rig.toml", "coil_set.toml", "events.csv", "result.json"])
def test_a_flipped_byte_is_found(tmp_path: Path, name: str) -> None:
    """A byte changed after the end is found by the manifest, and reading goes on."""
    folder = closed(tmp_path)
    size = (folder / name).stat().st_size
    for at in {0, size // 2, size - 1}:
        flip(folder / name, at)
        run = read_run(folder)
        assert any(p.startswith(f"{name}: was changed after the run closed") for p in run.problems)
        assert run.state == "complete"
        flip(folder / name, at)
    assert read_run(folder).problems == ()


@pytest.mark.slow
def test_any_single_flipped_bit_in_the_readings_never_stops_reading(tmp_path: Path) -> None:
    """Whatever bit flips in readings.csv, at most two rows are lost and the loss or the change is said."""
    folder = closed(tmp_path, rows=6)
    path = folder / "readings.csv"
    whole = path.read_bytes()
    for at in range(whole.index(b"\n") + 1, len(whole)):
        for bit in range(8):
            damaged = bytearray(whole)
            damaged[at] ^= 1 << bit
            path.write_bytes(damaged)
            run = read_run(folder)
            assert len(run.readings) >= 4
            assert run.problems


def test_a_stray_quote_harms_one_row_only(tmp_path: Path) -> None:
    """A quote where none was written does not swallow the rows after it."""
    folder = closed(tmp_path, rows=5)
    path = folder / "readings.csv"
    lines = path.read_text().splitlines(keepends=True)
    lines[2] = '"' + lines[2]
    path.write_text("".join(lines))
    run = read_run(folder)
    assert run.readings.time_s.tolist() == [0.0, 2.0, 3.0, 4.0]
    assert any(p.startswith("readings.csv:3:") for p in run.problems)


def test_many_damaged_rows_are_counted_not_listed(tmp_path: Path) -> None:
    """A hundred damaged rows give five lines and a count."""
    with start(tmp_path) as writer:
        for number in range(100):
            writer.row(reading(number))
    path = writer.folder / "readings.csv"
    path.write_text(path.read_text().replace(",3.2", ",3.x"))
    problems = [p for p in read_run(writer.folder).problems if p.startswith("readings.csv")]
    assert len(problems) == 6
    assert problems[0] == "readings.csv:2: a cell is not a number, row left out"
    assert problems[-1] == "readings.csv: 95 more rows left out for the like"


@pytest.mark.parametrize("name", ["readings.csv", "events.csv", "rig.toml", "result.json"])
def test_a_missing_file_is_said(tmp_path: Path, name: str) -> None:
    """A file that the manifest names and the folder lacks is a problem, not the end of reading."""
    folder = closed(tmp_path)
    (folder / name).unlink()
    assert any(p.startswith(f"{name}: cannot be read") for p in read_run(folder).problems)


def test_a_manifest_cannot_point_outside(tmp_path: Path) -> None:
    """A record whose manifest names a path elsewhere is refused, and the path is not read."""
    folder = closed(tmp_path)
    manifest = json.loads((folder / "manifest.json").read_text())
    manifest["files"]["../../secret"] = {"bytes": 1, "sha256": "0"}
    (folder / "manifest.json").write_text(json.dumps(manifest))
    with pytest.raises(ForeignFileError, match=r"names '../../secret', which is no file of this folder"):
        read_run(folder)


@pytest.mark.parametrize("damage", [b"", b"{", b"[]", b"\xff\x00", b'{"state": "fine"}', b"[" * 100_000])
def test_a_damaged_manifest_leaves_the_end_unknown(tmp_path: Path, damage: bytes) -> None:
    """A manifest that does not read is said, the run counts as cut, and rows still read."""
    folder = closed(tmp_path)
    (folder / "manifest.json").write_bytes(damage)
    run = read_run(folder)
    assert run.state == "cut"
    assert run.problems[0].startswith("manifest.json: damaged")
    assert len(run.readings) == 3


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b'{"schema": 3, "whatever": 1}', "written by a newer program (schema 3, this one reads up to 2)"),
        (b"", "damaged"),
        (b"[]", "damaged"),
        (b"\xff\xfe\x00", "damaged"),
        (b'{"schema": 1}', "damaged"),
        (b"[" * 100_000, "damaged"),
    ],
)
def test_a_header_that_cannot_be_used_is_one_line(tmp_path: Path, content: bytes, expected: str) -> None:
    """A newer or damaged header gives one line with the file and what it means."""
    folder = closed(tmp_path)
    (folder / "header.json").write_bytes(content)
    with pytest.raises(RecordError) as caught:
        read_run(folder)
    assert expected in str(caught.value)
    assert "header.json" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_folder_that_is_no_run_is_one_line(tmp_path: Path) -> None:
    """An empty folder, a missing one and a file are refused as no run folder."""
    (tmp_path / "file").write_text("x")
    for folder in (tmp_path, tmp_path / "none", tmp_path / "file", Path("a\0b")):
        with pytest.raises(RecordError, match="expected a run folder"):
            read_run(folder)


def test_unknown_keys_of_a_header_are_passed_over(tmp_path: Path) -> None:
    """A header of this schema with one key more still reads."""
    folder = closed(tmp_path)
    plain = json.loads((folder / "header.json").read_text())
    (folder / "header.json").write_text(json.dumps(plain | {"note": "by hand"}))
    assert read_run(folder).header.job == "J-1"


@pytest.mark.slow
def test_a_hundred_thousand_rows_are_all_read(tmp_path: Path) -> None:
    """A long record is read and divided by coil without losing a row; its speed is a benchmark's business."""
    with start(tmp_path) as writer:
        pass
    rows = (reading_line(reading(n, coil=f"Y{n % 8 + 1}")) for n in range(100_000))
    with (writer.folder / "readings.csv").open("a") as stream:
        stream.writelines(rows)
    traces = read_run(writer.folder).traces()
    assert [trace.time_s.size for trace in traces] == [12_500] * 8
