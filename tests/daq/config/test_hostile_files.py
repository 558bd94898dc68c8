"""Files of any content, given to the program as rig, set, script, record or table: one line and no harm."""

from __future__ import annotations

import csv
import json
import os
import re
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path

import pytest

from daq.config.builtin import builtin
from daq.config.load import fault_script, load_coil_set, load_rig
from daq.config.toml import MAX_BYTES
from daq.errors import ForeignFileError, InputError, RecordError
from daq.instruments.dialects.load import load_dialect
from daq.plain_file import read_plain
from daq.record import rows
from daq.record.foreign import traces
from daq.record.format import MAX_COILS, MAX_LABEL, MAX_STATUS, cell_text, text_cell
from daq.record.reader import read_run
from daq.run.practice import practice_bench
from daq.sim import faults
from tests.daq.kits.record import reading, start
from tests.daq.kits.table import read_csv

LOADERS: dict[str, Callable[[Path], object]] = {
    "rig": load_rig,
    "set": load_coil_set,
    "script": faults.load,
    "dialect": lambda path: load_dialect(path.name, beside=path.parent),
    "table": read_csv,
}
TOML = [name for name in LOADERS if name != "table"]
RIG = builtin("rigs", "simulated").read_text(encoding="utf-8")
COIL_SET = builtin("coil_sets", "snow_groomer").read_text(encoding="utf-8")
HEADING = "coil,probe_degC,resistance_ohm,status\n"


def refusal(loader: str, path: Path) -> str:
    """Load *path*, which must be refused; return the one line of bearable length that says why."""
    with pytest.raises((InputError, ForeignFileError)) as caught:
        LOADERS[loader](path)
    said = str(caught.value)
    assert said.startswith(str(path))
    assert "\n" not in said
    assert len(said) < len(str(path)) + 800
    return said


def written(folder: Path, content: str | bytes, name: str = "hostile.toml") -> Path:
    """Write *content* to a file and return its path."""
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


@pytest.mark.parametrize("loader", LOADERS)
def test_what_is_no_plain_file_is_not_opened(tmp_path: Path, loader: str) -> None:
    """A pipe that nobody writes to, a device without end and a folder are refused without waiting."""
    pipe = tmp_path / "pipe.toml"
    os.mkfifo(pipe)
    endless = tmp_path / "endless.toml"
    endless.symlink_to("/dev/zero")
    folder = tmp_path / "folder.toml"
    folder.mkdir()
    assert "not a plain file" in refusal(loader, pipe)
    # A table may be a stranger's, and no link is followed to it; the user's own files may be links.
    assert ("is a link" if loader == "table" else "not a plain file") in refusal(loader, endless)
    assert "is a folder" in refusal(loader, folder)


@pytest.mark.slow
@pytest.mark.parametrize("loader", LOADERS)
def test_a_giant_is_refused_by_its_size(tmp_path: Path, loader: str) -> None:
    """A file of two gigabytes (mostly hole) is refused after a bounded read."""
    path = tmp_path / "giant.toml"
    with path.open("wb") as stream:
        stream.truncate(2 << 30)
    assert "larger than" in refusal(loader, path)


@pytest.mark.parametrize("loader", TOML)
@pytest.mark.parametrize(
    ("content", "expected"),
    [
        ("a = " + "[" * 10_000, "nested too deeply"),
        ("a = " + "{a = " * 10_000, "nested too deeply"),
        ("a = " + "[" * 60 + "]" * 60, "nested too deeply"),
        (".".join("a" * 10_000) + " = 1", ":1: a key of more than 20 parts"),
        ("\n[" + ".".join("a" * 100_000) + "]", ":2: a key of more than 20 parts"),
        ("".join(f"k{n} = 1\n" for n in range(4_000)), ":1: key 'k0': unknown key"),
        ("a" * 200_000 + " = 1", "aaaa': unknown key"),
        ('"a\\nb\\u001b\\\\q" = 1', "unknown key"),
        ("a = 0x" + "f" * 20_000, "key 'a': is beyond 64 bits"),
        ("a = " + "9" * 20_000, "not valid TOML"),
        ("a = [1, [nan]]", "key 'a[1][0]': is nan, expected a finite number"),
        ("a = 1e400", "key 'a': is inf"),
        ('a = "\0"', ":1: not valid TOML: Illegal character"),
        (COIL_SET.encode("utf-16"), ":1: a byte is not UTF-8"),
        (b"a = 1\n# \xfc", ":2: a byte is not UTF-8"),
        ("a = 1\rb = 2", ":1: not valid TOML"),
        ("#" * (MAX_BYTES + 1), "larger than 256 kB"),
    ],
)
def test_hostile_toml_is_one_line(tmp_path: Path, loader: str, content: str | bytes, expected: str) -> None:
    """Depth, length, number of keys, numbers beyond bounds and other encodings are refused in one line."""
    assert expected in refusal(loader, written(tmp_path, content))


@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_a_file_of_another_editor_is_read(tmp_path: Path, mark: bytes) -> None:
    """A byte-order mark and line ends of another system make no difference."""
    path = written(tmp_path, mark + COIL_SET.replace("\n", "\r\n").encode())
    assert load_coil_set(path).value == load_coil_set(builtin("coil_sets", "snow_groomer")).value


def test_one_wrong_channel_among_thousands_is_found_by_its_line(tmp_path: Path) -> None:
    """Of 5,000 channels the one that is none is named, with its line."""
    before = RIG[: RIG.index("[switch]")]
    channels = "".join(f"k{n} = {n}\n" for n in range(5_000))
    path = written(
        tmp_path, f'{before}[switch]\nresource = "sim:switch"\n[switch.sense]\n{channels}bad = "x"\nk = 1\n'
    )
    line = before.count("\n") + 3 + 5_000 + 1
    assert refusal("rig", path).startswith(f"{path}:{line}: key 'switch.sense.bad': is a text in quotes")


@pytest.mark.parametrize("label", ["a\\\\q", 'a\\"b', "a\\nb", "a.b[0]", "\\u001b[31m", "\\\\"])
def test_a_label_of_any_letters_is_named_with_its_line(tmp_path: Path, label: str) -> None:
    """Quotes, backslashes, dots and codes in a channel's label do not confuse the message about it."""
    text = RIG[: RIG.index("[switch]")] + (
        f'[switch]\nresource = "sim:switch"\n[switch.sense]\nY1 = 1\n[switch.power]\n"{label}" = 2\n'
    )
    said = refusal("rig", written(tmp_path, text))
    assert f":{text.count(chr(10))}: key 'switch.power." in said
    assert "has no sense channel" in said


@pytest.mark.parametrize("name", ["x" * 200, "\u00e9" * 200, "a\0b"])
def test_a_fault_script_that_no_file_system_can_name_is_named_by_its_line(tmp_path: Path, name: str) -> None:
    """A name too long for a file, or with a NUL in it, is no built-in script either."""
    text = RIG.replace("groomer_faults.toml", name.replace("\0", "\\u0000"))
    rig = load_rig(written(tmp_path, text))
    with pytest.raises(InputError, match=r"hostile\.toml:\d+: key 'simulation\.fault_script': is .*neither"):
        fault_script(rig)


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (HEADING + "Y1,20,3.3\0,ok\n", "is not text"),
        (HEADING + "Y1,20,1e9999,ok\n", "'1e9999' is not a number"),
        (HEADING + "x" * (MAX_LABEL + 1) + ",20,3.3,ok\n", ":2: column coil: 'xxxx"),
        (HEADING + "Y1,20,3.3,ok\ny1,20,3.3,ok\n", ":3: column coil is 'y1', above it was 'Y1'"),
        (
            HEADING + "".join(f"L{n},20,3,ok\n" for n in range(MAX_COILS + 1)),
            f":{MAX_COILS + 2}: column coil: more than {MAX_COILS} coils",
        ),
        (HEADING.replace("\n", "\r") + "Y1,20,3.3,ok\r\nY1,30,x,ok\n", ":3: column resistance_ohm: 'x'"),
    ],
)
def test_hostile_tables_are_one_line(tmp_path: Path, content: str, expected: str) -> None:
    """Codes, overflow, labels that are too long, alike or too many, and mixed line ends: line and column."""
    assert expected in refusal("table", written(tmp_path, content, "hostile.csv"))


def test_a_table_of_too_many_rows_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One row more than the limit is refused, the limit itself is read."""
    monkeypatch.setattr(traces, "MAX_ROWS", 100)
    (trace,) = read_csv(written(tmp_path, HEADING + "Y1,20,3.3,ok\n" * 100, "hostile.csv"))
    assert trace.time_s.size == 100
    path = written(tmp_path, HEADING + "Y1,20,3.3,ok\n" * 101, "hostile.csv")
    assert ":102: more than 100 rows" in refusal("table", path)


def test_a_table_of_many_columns_is_read(tmp_path: Path) -> None:
    """A hundred thousand columns that nobody knows are passed over."""
    more = ",x" * 100_000
    path = written(tmp_path, HEADING[:-1] + more + "\nY1,20,3.3,ok" + more + "\n", "wide.csv")
    (trace,) = read_csv(path)
    assert trace.resistance_ohm.tolist() == [3.3]


def test_one_long_status_does_not_widen_all_rows(tmp_path: Path) -> None:
    """A status is cut to a bounded length: an array of texts is as wide as its longest."""
    path = written(tmp_path, HEADING + "Y1,20,3.3,missing: " + "x" * 100_000 + "\nY1,20,3.3,ok\n", "s.csv")
    (trace,) = read_csv(path)
    assert trace.status.itemsize <= 4 * MAX_STATUS


@pytest.mark.parametrize(
    "text", ["=1+1", "+x", "-x", "@x", "  =x", "\uff1dx", "'x", "a;=x", "a; @x", "a;'x", ";;-x", "x'y"]
)
@pytest.mark.parametrize("separator", [",", ";"])
def test_no_part_of_a_cell_runs_whatever_the_separator(text: str, separator: str) -> None:
    """No cell starts like a formula where commas part cells, nor where semicolons do, and nothing is lost."""
    line = f"1,{text_cell(text)},2"
    for cell in next(csv.reader([line], delimiter=separator)):
        assert not cell.lstrip().startswith(("=", "+", "-", "@", "\uff1d"))
    assert cell_text(next(csv.reader([line]))[1]) == text


def test_our_own_mark_is_taken_off_a_label(tmp_path: Path) -> None:
    """A label that was marked against spreadsheets comes back as it was."""
    path = written(tmp_path, HEADING + "'=Y1,20,3.3,ok\n", "marked.csv")
    assert [trace.coil for trace in read_csv(path)] == ["=Y1"]


@pytest.fixture
def run(tmp_path: Path) -> Path:
    """A complete record of three rows."""
    with start(tmp_path / "runs") as writer:
        for number in range(3):
            writer.row(reading(number))
        writer.close("complete", {"coils": []})
    return writer.folder


def header_with(run: Path, **changes: object) -> None:
    """Write *changes* into the header of *run*."""
    path = run / "header.json"
    path.write_text(json.dumps(json.loads(path.read_bytes()) | changes), encoding="utf-8")


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"start_utc": "0001-01-01T00:00:00Z"}, "start_utc is 0001"),
        ({"start_utc": "2026-01-05T08:00:00"}, "start_utc is 2026"),
        ({"accuracy": {"gain_rel": 1e308}}, "accuracy.gain_rel is 1e+308"),
        ({"accuracy": {"probe_K": -1.0}}, "accuracy.probe_K is -1.0"),
        ({"accuracy": {"noise_ohm": float("nan")}}, "accuracy.noise_ohm is nan"),
        ({"limits": {"voltage_V": float("inf")}}, "limits.voltage_V is inf"),
        ({"limits": {f"k{n}": 1.0 for n in range(2000)}}, "more than 1000 entries"),
        ({"settings": {"a": json.loads("[" * 500 + "]" * 500)}}, "nested too deeply"),
        ({"operator": "x" * 1_000_000}, "larger than 1 MB"),
        ({"seed": 10**400}, None),
    ],
)
def test_a_header_that_nobody_wrote_is_refused(
    run: Path, changes: dict[str, object], expected: str | None
) -> None:
    """Times, uncertainties and limits that cannot be, and a header without end, are damage in one line."""
    header_with(run, **changes)
    if expected is None:
        assert read_run(run).header.seed == changes["seed"]
        return
    with pytest.raises(RecordError) as caught:
        read_run(run)
    assert expected in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("name", ["readings.csv", "events.csv", "result.json", "manifest.json", "rig.toml"])
def test_a_pipe_or_device_in_a_record_is_refused(run: Path, name: str) -> None:
    """A record in which a file is a pipe, or a link to what has no end, is not read at all."""
    (run / name).unlink()
    os.mkfifo(run / name)
    with pytest.raises(ForeignFileError, match=f"{name}: not a plain file"):
        read_run(run)
    (run / name).unlink()
    (run / name).symlink_to("/dev/zero")
    with pytest.raises(ForeignFileError, match=f"{name}: is a link"):
        read_run(run)


def test_a_record_that_is_too_large_is_read_as_far_as_it_may_be(
    run: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Too many rows, too many coils and too long words are left out or cut, and each is said."""
    monkeypatch.setattr(rows, "MAX_ROWS", 5)
    monkeypatch.setattr(rows, "MAX_COILS", 3)
    with (run / "readings.csv").open("a", encoding="utf-8") as stream:
        stream.write("9,L1,,,,,,,,,ohms," + "x" * 500 + "\n9,L2,,,,,,,,,ohms,ok\n9,L3,,,,,,,,,ohms,ok\n")
    read = read_run(run)
    assert len(read.readings) == 5
    assert any("more than 5 rows" in each for each in read.problems)
    assert any(f"a cell of more than {MAX_STATUS} characters, cut" in each for each in read.problems)
    assert read.readings.status.itemsize <= 4 * MAX_STATUS
    monkeypatch.setattr(rows, "MAX_ROWS", 100)
    monkeypatch.setattr(rows, "MAX_COILS", 2)
    monkeypatch.setattr(rows, "BLOCK", 2)
    with (run / "readings.csv").open("a", encoding="utf-8") as stream:
        stream.write("9,L4,,,,,,,,,ohms,ok\n")
    read = read_run(run)
    assert len(read.traces()) == 2
    assert any("coils, expected at most 2" in each for each in read.problems)


@pytest.mark.parametrize("name", ["../x", "/etc/passwd", "./readings.csv", "a//b", "..", "", "a\\b", "x\0"])
def test_a_manifest_leads_nowhere_else(run: Path, name: str) -> None:
    """A record whose manifest names what is no plain path within the folder is refused."""
    manifest = json.loads((run / "manifest.json").read_bytes())
    manifest["files"] = {name: {"bytes": 0, "sha256": ""}}
    (run / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    with pytest.raises(ForeignFileError, match="which is no file of this folder"):
        read_run(run)


def test_a_plain_file_of_the_limit_is_read(tmp_path: Path) -> None:
    """The limit itself is allowed, one byte more is not."""
    path = written(tmp_path, b"x" * 2000)
    assert len(read_plain(path, 2000)) == 2000
    with pytest.raises(OSError, match="larger than 1 kB"):
        read_plain(path, 1999)


def test_codes_in_a_label_become_blanks(tmp_path: Path) -> None:
    """Terminal codes, line ends and marks that turn text around do not come out of a table or record."""
    label = "a\x9b31m\u202eb\nc"
    (trace,) = read_csv(written(tmp_path, f'{HEADING}"{label}",20,3.3,ok\n', "codes.csv"))
    assert trace.coil == "a 31m b c"
    assert cell_text("x\x1b[2Jy") == "x [2Jy"


def test_a_pipe_where_the_practice_rig_goes_is_refused(tmp_path: Path) -> None:
    """The practice bench does not wait for a pipe that has the name of its rig file."""
    os.mkfifo(tmp_path / "practice-rig.toml")
    with pytest.raises(InputError, match="not a plain file"), practice_bench(tmp_path):
        raise AssertionError


def test_the_worst_instruments_make_a_readable_header(run: Path, tmp_path: Path) -> None:
    """Uncertainties at the bounds of the rig file are none that the reader of the record takes for damage."""
    worst = RIG
    for key in ("reading_rel", "range_rel", "volts_rel", "current_rel"):
        worst = re.sub(rf"(?m)^{key} = \S+", f"{key} = 1.0", worst)
    for key in ("offset_ohm", "noise_ohm", "current_offset_A", "range_ohm", "accuracy_K", "noise_K"):
        worst, found = re.subn(rf"(?m)^{key} = \S+", f"{key} = 1e9", worst)
        assert found, key
    accuracy = load_rig(written(tmp_path, worst)).value.accuracy()
    header_with(run, accuracy=asdict(accuracy))
    assert read_run(run).header.accuracy == accuracy
