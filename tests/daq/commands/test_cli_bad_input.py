"""A bad day at the command line: one line that says what, where and what was expected, nothing energised."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from daq.instruments.drivers.supply import DialectSupply
from tests.daq.kits.cli import COIL_SET, RIG, Said, finish, line_of, say, spoiled, start

COMMANDS = ("check", "sweep", "soak")

REAL_RIG = """\
name = "real bench (invented)"
[limits]
voltage_V = 14.0
current_A = 5.0
body_degC = 110.0
winding_degC = 150.0
[supply]
resource = "TCPIP::127.0.0.1::{supply}::SOCKET"
timeout_s = 0.05
[meter]
resource = "TCPIP::127.0.0.1::{meter}::SOCKET"
[oven]
resource = "TCPIP::127.0.0.1::{oven}::SOCKET"
[probe]
kind = "typed"
"""


@pytest.fixture(autouse=True)
def never_energised(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Whatever a test of this file does, no supply is ever switched on."""
    switched: list[bool] = []
    switch = DialectSupply.switch_output

    def watch(self: DialectSupply, on: bool) -> None:
        switched.append(on)
        switch(self, on)

    monkeypatch.setattr(DialectSupply, "switch_output", watch)
    yield
    assert True not in switched


@pytest.fixture
def deaf() -> Iterator[dict[str, socket.socket]]:
    """Supply, meter and oven that take a connection and never say a word."""
    with ExitStack() as stack:
        servers = {
            role: stack.enter_context(socket.create_server(("127.0.0.1", 0)))
            for role in ("supply", "meter", "oven")
        }
        for server in servers.values():
            server.setblocking(False)
        yield servers


def real_rig(folder: Path, deaf: dict[str, socket.socket]) -> Path:
    """Write the file of a rig that is not simulated, with its instruments at *deaf*."""
    path = folder / "real.toml"
    ports = {role: server.getsockname()[1] for role, server in deaf.items()}
    path.write_text(REAL_RIG.format(**ports), encoding="utf-8")
    return path


def assert_untouched(deaf: dict[str, socket.socket]) -> None:
    """Nobody has so much as connected."""
    for server in deaf.values():
        with pytest.raises(BlockingIOError):
            server.accept()


def refused(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, command: str, *args: str | Path
) -> tuple[str, Said]:
    """Run *command* with bad input; return its one line, and all it said. No run folder may come of it."""
    out = [] if command in {"check", "judge"} else ["--out", tmp_path / "runs"]
    said = say(capsys, command, *args, *out)
    assert not (tmp_path / "runs").exists()
    assert "Traceback" not in said.out + said.err
    return said.complaint(), said


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize(
    ("old", "new", "at", "key", "expected"),
    [
        ("voltage_V = 14.0", "voltge_V = 14.0", "voltge_V", "limits.voltge_V", "did you mean 'voltage_V'"),
        ("winding_degC = 150.0\n", "", "[limits]", "limits.winding_degC", "is missing"),
        (
            'fault_script = "groomer_faults.toml"',
            'fault_script = "gone.toml"',
            "fault_script",
            "simulation.fault_script",
            "neither a file beside this one nor one of",
        ),
    ],
)
def test_a_wrong_rig_file_is_named_with_line_and_key(
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    command: str,
    old: str,
    new: str,
    at: str,
    key: str,
    expected: str,
) -> None:
    """Unknown key, missing limit, no such fault script: file, line, key, expectation."""
    rig = spoiled(tmp_path, RIG, old, new)
    line, _ = refused(capsys, tmp_path, command, "--rig", rig)
    assert line.startswith(f"{rig}:{line_of(rig, at)}: key '{key}': ")
    assert expected in line


@pytest.mark.parametrize("command", [each for each in COMMANDS if each != "check"])
def test_another_instrument_is_named_with_line_and_key(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, command: str
) -> None:
    """Who is not who the rig file names starts no run; `check` lists it beside the others."""
    rig = spoiled(tmp_path, RIG, 'identity = "Simulated oven"', 'identity = "Another oven"')
    line, _ = refused(capsys, tmp_path, command, "--rig", rig)
    at = line_of(rig, 'identity = "Another')
    assert line.startswith(f"{rig}:{at}: key 'oven.identity': ")
    assert "expected 'Another oven'" in line


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize(
    ("old", "new", "at", "key", "expected"),
    [
        ('label = "Y2"', 'label = "Y1"', None, "coils[1].label", "each needs its own"),
        ("max_current_A = 3.5", "max_current_A = 9.5", "max_current_A = 9.5", "kinds.switching", "of 5 A"),
        ("body_degC = 100.0", "body_degC = 120.0", "body_degC", "limits.body_degC", "of 110 degC"),
        ("[50, 70, 90]", "[50, 70, 130]", "steps_degC", "test.steps_degC[2]", "of 100 degC"),
    ],
)
def test_a_wrong_coil_set_is_named_with_line_and_key(
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    command: str,
    old: str,
    new: str,
    at: str | None,
    key: str,
    expected: str,
) -> None:
    """Two coils of one label, a limit above the rig's, a step beyond a ceiling: file, line and key."""
    path = spoiled(tmp_path, COIL_SET, old, new)
    number = line_of(path, at) if at else line_of(path, 'label = "Y1"') + 5
    line, _ = refused(capsys, tmp_path, command, "--set", path)
    assert line.startswith(f"{path}:{number}: key '{key}")
    assert expected in line


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize("option", ["--rig", "--set"])
def test_what_is_no_toml_file_is_refused(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, command: str, option: str
) -> None:
    """A missing file, a folder, a binary and an empty file each draw one line with the path."""
    binary, empty = tmp_path / "binary.toml", tmp_path / "empty.toml"
    binary.write_bytes(bytes(range(256)))
    empty.write_bytes(b"")
    for path, expected in (
        (tmp_path / "gone" / "x.toml", "cannot be read"),
        (tmp_path, "cannot be read (is a folder)"),
        (binary, "not UTF-8"),
        (empty, "key 'name': is missing"),
    ):
        line, _ = refused(capsys, tmp_path, command, option, path)
        assert line.startswith(str(path))
        assert expected in line


def test_a_bare_name_that_is_nothing_lists_what_there_is(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """--set with a name that is neither a file nor built in says which are built in, in judge as in soak."""
    table = tmp_path / "points.csv"
    table.write_text("probe_degC,resistance_ohm\n20,3.3\n", encoding="utf-8")
    for command in (["soak"], ["judge", table]):
        line, _ = refused(capsys, tmp_path, str(command[0]), *command[1:], "--set", "nobodys")
        assert "'nobodys'" in line
        assert "snow_groomer" in line


@pytest.mark.slow
def test_an_instrument_that_does_not_answer_is_named_by_its_line(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, deaf: dict[str, socket.socket]
) -> None:
    """Nobody listening, and somebody who never says a word: a row each of what to look at, exit status 2."""
    rig = real_rig(tmp_path, deaf)
    for expected in ("no complete reply", "Connection refused"):
        said = say(capsys, "check", "--rig", rig)
        table = " ".join(said.out.split())
        assert (said.status, said.err) == (2, "")
        assert table.index("supply LOOK") < table.index(expected)
        assert expected in table
        deaf["supply"].close()


def test_a_real_rig_without_a_terminal_is_not_touched(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, deaf: dict[str, socket.socket]
) -> None:
    """A heated run with nobody at a terminal, or with --yes, ends before any instrument is reached."""
    rig = real_rig(tmp_path, deaf)
    line, said = refused(capsys, tmp_path, "soak", "--rig", rig)
    assert "needs an operator at a terminal" in line
    assert "Flammable" in said.out
    line, _ = refused(capsys, tmp_path, "soak", "--rig", rig, "--yes")
    assert "--yes is for the simulated bench" in line
    assert_untouched(deaf)


@pytest.mark.slow
def test_answers_out_of_a_pipe_are_no_operators(tmp_path: Path, deaf: dict[str, socket.socket]) -> None:
    """A terminal to show on is not enough: a stream of Enters on standard input agrees to nothing."""
    rig = real_rig(tmp_path, deaf)
    watching, shown = os.openpty()
    try:
        with (tmp_path / "yes").open("w+", encoding="utf-8") as answers:
            answers.write("\n" * 100)
            answers.seek(0)
            program = start(
                "soak", "--rig", rig, "--out", tmp_path / "runs", stdin=answers, stdout=shown, stderr=-1
            )
            said = finish(program)
    finally:
        os.close(shown)
        os.close(watching)
    assert "only an operator can answer" in said.complaint()
    assert not (tmp_path / "runs").exists()
    assert_untouched(deaf)


@pytest.mark.parametrize("command", ["sweep", "soak"])
def test_a_place_where_no_run_folder_can_be_is_refused_first(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, command: str
) -> None:
    """--out that is a file, lies under one, or is in a folder nobody can write is refused at the start."""
    taken = tmp_path / "taken"
    taken.write_text("", encoding="utf-8")
    for out in (taken, taken / "deeper", Path("/proc/coilsoak-runs")):
        line = say(capsys, command, "--out", out).complaint()
        assert line.startswith(f"--out {out}: no run folder can be made there (")
        assert "expected a writable folder" in line


@pytest.mark.parametrize(
    ("args", "expected"),
    [
        (["sweep", "--stage", "sometime"], "'sometime' is not one of 'as received', 'after cleaning'"),
        (["soak", "--heat", "fire"], "'fire' is not one of 'oven', 'supply', 'hand'"),
        (["check", "--seed", "-1"], "-1 is not in the range"),
        (["practice", "--scale", "0"], "0.0 is not in the range"),
        (["judge"], "Missing argument 'PATH'"),
        (["sweep", "more"], "unexpected extra argument (more)"),
        (["swep"], "No such command 'swep'"),
        (["--loud"], "No such option"),
        (["soak", "--paper", "papyrus"], "'papyrus' is not one of 'a4', 'letter'"),
    ],
)
def test_wrong_usage_is_one_line_that_points_to_help(
    capsys: pytest.CaptureFixture[str], args: list[str], expected: str
) -> None:
    """An unknown stage, command, option or argument is named in one line with where to look."""
    line = say(capsys, *args).complaint()
    assert expected in line
    assert "--help'" in line


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"", ": is empty, expected a table"),
        (bytes(range(256)), ": is not text"),
        (b"1,2,3\n4,5,6\n", ":1: no column probe_degC"),
        (b"probe_degC,resistance_ohm\n", ":1: no rows under the heading"),
        (b"probe_degC,resistance_ohm\n20,3.3\n30,seven\n", ":3: column resistance_ohm: 'seven' is not"),
        (b"probe_degC\n20\n", ":1: no column resistance_ohm"),
    ],
)
def test_a_table_that_is_none_is_refused_with_its_line(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, content: bytes, expected: str
) -> None:
    """Empty, binary, without columns, without rows, with words for numbers: path, line and column."""
    path = tmp_path / "table.csv"
    path.write_bytes(content)
    line, said = refused(capsys, tmp_path, "judge", path, "--json")
    assert line.startswith(f"{path}{expected}")
    assert not said.out


def test_judge_refuses_what_is_no_record(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """A path that is not there, a folder that is no run and one with a broken header: one line, status 2."""
    line, _ = refused(capsys, tmp_path, "judge", tmp_path / "gone")
    assert "no such file or folder, expected a run folder or a CSV file" in line
    line, _ = refused(capsys, tmp_path, "judge", tmp_path)
    assert line.startswith(f"{tmp_path / 'header.json'}: cannot be read")
    assert "expected a run folder" in line
    (tmp_path / "header.json").write_text('{"schema": 1', encoding="utf-8")
    line, _ = refused(capsys, tmp_path, "judge", tmp_path)
    assert "header.json: damaged" in line


def test_a_name_cannot_break_the_line_nor_command_the_terminal(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Line ends and escape codes in a file name come out as blanks, so that the complaint stays one line."""
    line, _ = refused(capsys, tmp_path, "judge", "two\nlines\x1b[31m.csv")
    assert line.startswith("two lines [31m.csv: no such file")


def test_practice_refuses_what_it_cannot_serve(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """A script that is not there, a file that is no script, and an --out that is a file are one line each."""
    assert "'gone'" in say(capsys, "practice", "--script", "gone").complaint()
    line = say(capsys, "practice", "--script", COIL_SET, "--out", tmp_path).complaint()
    assert line.startswith(str(COIL_SET))
    taken = tmp_path / "taken"
    taken.write_text("", encoding="utf-8")
    line = say(capsys, "practice", "--out", taken).complaint()
    assert "cannot be written" in line
    assert "--out" in line
