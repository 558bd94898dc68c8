"""The command line on good days: what each command prints, where it goes, and on which terminal."""

from __future__ import annotations

import json
import os
import pty
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from daq import __version__
from daq.record.reader import read_run
from tests.daq.kits.cli import PATIENCE_S, Said, environment, finish, only_run, say, start

COILS = [f"Y{n}" for n in range(1, 9)]
#: Keys that programs of others read; null where not determined.
COIL_KEYS = {
    "coil",
    "verdict",
    "reasons",
    "r20_ohm",
    "r20_u_ohm",
    "alpha20_per_K",
    "alpha20_u_per_K",
    "joint_ohm",
    "joint_u_ohm",
}
#: What a terminal is told beside letters.
ESCAPES = re.compile(r"\x1b\[([0-9;?]*)([A-Za-z])")


@pytest.fixture(scope="module")
def swept(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Said]:
    """A recorded sweep of the simulated bench, and what the program said over it under --json."""
    out = tmp_path_factory.mktemp("swept") / "runs"
    said = finish(start("sweep", "--out", out, "--job", "J-7", "--stage", "after cleaning", "--json"))
    return only_run(out), said


def in_terminal(*args: str | Path, **env: str) -> str:
    """Run the program in a pseudo-terminal of 80 columns; return all that this terminal was sent."""
    watching, shown = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "daq", *map(str, args)],
        stdin=shown,
        stdout=shown,
        stderr=shown,
        env=environment(**env),
    )
    os.close(shown)
    seen = b""
    try:
        while piece := os.read(watching, 65536):
            seen += piece
    except OSError:
        pass  # the last program on this terminal has ended
    os.close(watching)
    assert process.wait(PATIENCE_S) == 0, seen
    return seen.decode("utf-8")


def test_help_loads_nothing_heavy() -> None:
    """--help lists the five commands without drawing, fitting or instrument libraries being imported."""
    code = (
        "import sys; sys.argv = ['coilsoak', '--help']\n"
        "from daq.cli import main\n"
        "try: main()\n"
        "finally: print([m for m in ('numpy', 'scipy', 'matplotlib', 'pyvisa', 'typst') if m in sys.modules])"
    )
    run = subprocess.run(
        [sys.executable, "-c", code], env=environment(), capture_output=True, text=True, check=True
    )
    *text, loaded = run.stdout.splitlines()
    assert loaded == "[]"
    for command in ("check", "judge", "practice", "soak", "sweep"):
        assert any(line.startswith(f"  {command} ") for line in text)


def test_the_version_is_the_programs(capsys: pytest.CaptureFixture[str]) -> None:
    """--version says name and version in one line and ends well."""
    assert say(capsys, "--version") == Said(0, f"coilsoak, version {__version__}\n", "")


@pytest.mark.slow
def test_sweep_prints_one_object_with_the_promised_keys(swept: tuple[Path, Said]) -> None:
    """Under --json standard output is one object; a sweep determines R20 and neither slope nor joint."""
    folder, said = swept
    assert said.status == 0
    assert said.out.count("\n") == 1
    result = said.json()
    assert result["run"] == str(folder)
    assert result["state"] == "complete"
    assert [coil["coil"] for coil in result["coils"]] == COILS
    for coil in result["coils"]:
        assert coil.keys() >= COIL_KEYS
        assert coil["verdict"] in {"pass", "fail", "retest"}
        assert all(reason["code"] and reason["text"] for reason in coil["reasons"])
        assert coil["r20_ohm"] > coil["r20_u_ohm"] > 0
        for undetermined in ("alpha20_per_K", "alpha20_u_per_K", "joint_ohm", "joint_u_ohm"):
            assert coil[undetermined] is None
    assert json.loads((folder / "result.json").read_bytes())["coils"] == result["coils"]


@pytest.mark.slow
def test_what_was_said_on_the_command_line_is_in_the_record(swept: tuple[Path, Said]) -> None:
    """Job, stage and the command itself stand in the header, job and stage in the folder's name."""
    folder, _ = swept
    header = read_run(folder).header
    assert header.job == "J-7"
    assert header.stage == "after cleaning"
    assert "sweep --out" in header.command
    assert folder.name.endswith("-J-7-sweep-after-cleaning")


@pytest.mark.slow
def test_soak_prints_one_object_under_json(tmp_path: Path) -> None:
    """The whole soak under --json: one object on standard output, progress on standard error."""
    said = finish(start("soak", "--out", tmp_path, "--json"))
    assert said.status == 0
    verdicts = {coil["coil"]: coil["verdict"] for coil in said.json()["coils"]}
    assert [label for label in COILS if verdicts[label] == "pass"] == ["Y1", "Y3", "Y6"]
    assert "left for the run" in said.err


@pytest.mark.slow
def test_check_prints_one_object_under_json(capsys: pytest.CaptureFixture[str]) -> None:
    """The findings under --json are one object; each says what, whether good, and what was found."""
    said = say(capsys, "check", "--json")
    assert said.status == 0
    assert not said.err
    findings = said.json()["findings"]
    assert {"what", "good", "found"} == set(findings[0])
    assert {"supply", "meter", "switch", "oven", "supply output", "probes"} <= {f["what"] for f in findings}


@pytest.mark.slow
def test_the_folder_is_the_last_line_and_whole(tmp_path: Path) -> None:
    """However long its path is, the run folder stands on one line, the last, to be copied from there."""
    out = tmp_path / ("a folder whose name is long " * 4).strip()
    said = finish(start("sweep", "--out", out))
    assert said.status == 0
    assert not said.err
    folder = only_run(out)
    assert said.out.splitlines()[-2] == f"run folder: {folder}"
    assert said.out.splitlines()[-1].startswith("open the report: ")
    assert said.out.splitlines()[-1].endswith(shlex.quote(str(folder / "report.pdf")))


@pytest.mark.slow
def test_a_reader_that_leaves_does_not_end_the_run(tmp_path: Path) -> None:
    """Behind a closed pipe the run goes on to its end, keeps its record and complains of nothing."""
    process = start("sweep", "--out", tmp_path)
    assert process.stdout is not None
    assert process.stdout.readline().startswith("simulated bench")
    process.stdout.close()
    assert process.stderr is not None
    assert process.stderr.read() == ""
    assert process.wait(PATIENCE_S) == 0
    process.stderr.close()
    assert read_run(only_run(tmp_path)).state == "complete"


@pytest.mark.slow
def test_a_full_disk_behind_standard_output_is_no_success(swept: tuple[Path, Said]) -> None:
    """Lost JSON is one line on standard error and exit status 2; a lost table is told."""
    with Path("/dev/full").open("w", encoding="utf-8") as full:
        said = finish(start("judge", swept[0], "--json", stdout=full))
        assert said.complaint().startswith("standard output: cannot be written (No space left")
        said = finish(start("judge", swept[0], stdout=full))
        assert said == Said(0, "", said.err)
        assert "is lost (No space left on device)" in said.err
        assert "No space left" in finish(start("--help", stdout=full)).complaint()


@pytest.mark.slow
@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp1252"])
def test_a_terminal_poor_in_letters_gets_what_it_can_show(swept: tuple[Path, Said], encoding: str) -> None:
    """Without box characters or a plus-minus sign the table is drawn in plain signs and still complete."""
    process = start("judge", swept[0], env={"LC_ALL": "C", "PYTHONIOENCODING": encoding}, encoding=encoding)
    said = finish(process)
    assert (said.status, said.err) == (0, "")
    assert ("+-" if encoding == "ascii" else "±") in said.out
    assert "+----" in said.out
    assert all(re.search(rf"^{label} ", said.out, re.MULTILINE) for label in COILS)


@pytest.mark.slow
def test_a_started_program_without_any_standard_stream_works(swept: tuple[Path, Said]) -> None:
    """With standard output and error closed from the start, as a scheduler may, a command still ends well."""
    command = f"exec {sys.executable} -m daq judge '{swept[0]}' >&- 2>&-"
    assert subprocess.run(["/bin/sh", "-c", command], env=environment(), check=False).returncode == 0


@pytest.mark.slow
def test_a_terminal_shows_no_colour_and_a_dumb_one_no_codes(tmp_path: Path) -> None:
    """Weight and words carry the meaning: no colour is ever set; a dumb terminal is sent plain lines only."""
    seen = in_terminal("sweep", "--out", tmp_path, TERM="xterm-256color", COLORTERM="truecolor")
    codes = ESCAPES.findall(seen)
    weights = {number for numbers, kind in codes if kind == "m" for number in numbers.split(";")}
    assert codes
    assert weights <= {"", "0", "1", "2", "3", "7"}
    plain = in_terminal("sweep", "--out", tmp_path, TERM="dumb", NO_COLOR="1")
    assert "\x1b" not in plain
    assert "left for the run" in plain
    assert f"run folder: {tmp_path}" in plain
