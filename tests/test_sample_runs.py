"""The sample runs are what the program makes today, and they are whole."""

from __future__ import annotations

import importlib.util
import json
import math
import os
import shlex
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path
from types import ModuleType

import pytest
from pypdf import PdfReader

from daq.record.reader import read_run
from daq.record.rows import MAX_LISTED

ROOT = Path(__file__).parents[1]
SAMPLES = ROOT / "sample_runs"
RUNS = {
    "healthy": dict.fromkeys(("Y1", "Y2", "Y3", "Y4", "Y5", "Y6", "Y7", "Y8"), "pass"),
    "faults": {"Y2": "fail", "Y4": "fail", "Y5": "fail", "Y7": "fail", "Y8": "fail"},
    "cleaning as received": {"Y5": "fail", "Y7": "fail"},
    "cleaning after cleaning": {"Y7": "fail"},
    "cleaning before refit": {"Y4": "fail", "Y7": "fail"},
}


def load_remake() -> ModuleType:
    """Load the script that makes the samples."""
    spec = importlib.util.spec_from_file_location("remake", SAMPLES / "remake.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


COMMANDS: list[list[str]] = load_remake().commands()
COMPARISONS: list[list[str]] = load_remake().comparisons()
CLAIMS: list[list[str]] = load_remake().claims()


def out_of(arguments: list[str]) -> Path:
    """Return the folder, below the top of the repository, that a command writes into."""
    return Path(arguments[arguments.index("--out") + 1])


def stage_of(arguments: list[str]) -> str:
    """Return the stage that a command is for."""
    return arguments[arguments.index("--stage") + 1] if "--stage" in arguments else "as received"


def sample_of(arguments: list[str]) -> Path:
    """Return the one committed run folder that a command made."""
    slug = stage_of(arguments).replace(" ", "-")
    (folder,) = (ROOT / out_of(arguments)).glob(f"*-{slug}")
    return folder


def assert_same(mine: object, theirs: object, where: str = "result") -> None:
    """Compare two JSON values; numbers may differ in their last digits from machine to machine."""
    if isinstance(mine, dict) and isinstance(theirs, dict):
        assert mine.keys() == theirs.keys(), where
        for key, value in mine.items():
            assert_same(value, theirs[key], f"{where}.{key}")
    elif isinstance(mine, list) and isinstance(theirs, list):
        assert len(mine) == len(theirs), where
        for index, (one, other) in enumerate(zip(mine, theirs, strict=True)):
            assert_same(one, other, f"{where}[{index}]")
    elif isinstance(mine, float) and isinstance(theirs, float):
        # Beside the largest figures of a result, below 1e-12 is rounding.
        assert math.isclose(mine, theirs, rel_tol=1e-9, abs_tol=1e-12), (where, mine, theirs)
    else:
        assert mine == theirs, where


def test_the_readme_names_three_samples_and_what_makes_them() -> None:
    """A healthy set, the default faults, and sweeps before and after cleaning and before refit."""
    assert [(arguments[0], out_of(arguments).as_posix(), stage_of(arguments)) for arguments in COMMANDS] == [
        ("soak", "sample_runs/healthy", "as received"),
        ("soak", "sample_runs/faults", "as received"),
        ("sweep", "sample_runs/cleaning", "as received"),
        ("sweep", "sample_runs/cleaning", "after cleaning"),
        ("sweep", "sample_runs/cleaning", "before refit"),
    ]


@pytest.mark.parametrize("arguments", COMMANDS, ids=list(RUNS))
def test_a_sample_is_whole(arguments: list[str]) -> None:
    """Complete by its manifest; nothing is amiss but figures that are not kept, and no path of a machine."""
    folder = sample_of(arguments)
    read = read_run(folder)
    assert read.state == "complete"
    named = json.loads((folder / "manifest.json").read_bytes())["files"]
    left_out = sorted(name for name in named if name.startswith("curves/") and not (folder / name).exists())
    named_so = [problem.split(":")[0] for problem in read.problems]
    if len(left_out) > MAX_LISTED:
        assert (
            read.problems[-1]
            == f"manifest.json: {len(left_out) - MAX_LISTED} more files are not as they were"
        )
        named_so.pop()
    assert named_so == left_out[:MAX_LISTED]
    assert {"header.json", "rig.toml", "coil_set.toml", "fault_script.toml", "readings.csv"} <= named.keys()
    assert {"events.csv", "result.json", "report.pdf"} <= named.keys()
    assert " ".join(shlex.split(read.header.command)) == " ".join(["coilsoak", *arguments])
    assert read.header.simulated
    for name in ("header.json", "result.json", "manifest.json", "rig.toml", "coil_set.toml"):
        text = (folder / name).read_text(encoding="utf-8")
        assert str(ROOT) not in text
        assert "/home/" not in text
        assert "/tmp/" not in text


@pytest.mark.parametrize(("arguments", "name"), list(zip(COMMANDS, RUNS, strict=True)), ids=list(RUNS))
def test_a_sample_shows_what_it_is_there_to_show(arguments: list[str], name: str) -> None:
    """The verdicts are those that the README tells of."""
    result = json.loads((sample_of(arguments) / "result.json").read_bytes())
    expected = dict.fromkeys(("Y1", "Y2", "Y3", "Y4", "Y5", "Y6", "Y7", "Y8"), "pass") | RUNS[name]
    assert {coil["coil"]: coil["verdict"] for coil in result["coils"]} == expected


@pytest.mark.slow
@pytest.mark.parametrize("arguments", COMMANDS, ids=list(RUNS))
def test_the_command_makes_the_same_record_again(tmp_path: Path, arguments: list[str]) -> None:
    """Readings and events byte for byte, the result number for number, whatever the machine."""
    shutil.copytree(SAMPLES / "rigs", tmp_path / "sample_runs" / "rigs")
    done = subprocess.run(
        [sys.executable, "-m", "daq", *arguments],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    (made,) = (tmp_path / out_of(arguments)).iterdir()
    sample = sample_of(arguments)
    assert made.name == sample.name
    for name in ("readings.csv", "events.csv"):
        assert (made / name).read_bytes() == (sample / name).read_bytes(), name
    for name in ("rig.toml", "coil_set.toml", "fault_script.toml"):  # but for words behind a '#'
        mine, theirs = (tomllib.loads((folder / name).read_text("utf-8")) for folder in (made, sample))
        assert mine == theirs, name
    assert_same(
        json.loads((made / "result.json").read_bytes()), json.loads((sample / "result.json").read_bytes())
    )
    mine, theirs = (json.loads((folder / "manifest.json").read_bytes()) for folder in (made, sample))
    assert (mine["state"], mine["closed_utc"]) == (theirs["state"], theirs["closed_utc"])
    assert mine["files"].keys() == theirs["files"].keys()


@pytest.mark.slow
def test_the_command_makes_the_same_comparison_again(tmp_path: Path) -> None:
    """What became of each coil is number for number as in the sample, beside a plot of it."""
    (arguments,) = COMPARISONS
    done = subprocess.run(
        [sys.executable, "-m", "daq", *arguments[:-1], str(tmp_path)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    sample = ROOT / arguments[-1]
    assert {path.name for path in tmp_path.iterdir()} == {path.name for path in sample.iterdir()}
    mine, theirs = (json.loads((folder / "comparison.json").read_bytes()) for folder in (tmp_path, sample))
    assert_same(mine, theirs)
    states = {coil["coil"]: coil["state"] for coil in theirs["coils"]}
    assert states == dict.fromkeys(("Y1", "Y2", "Y3", "Y6", "Y7", "Y8"), "temperature") | {
        "Y4": "open",
        "Y5": "changed",
    }


@pytest.mark.slow
@pytest.mark.parametrize("arguments", CLAIMS, ids=lambda arguments: Path(arguments[-1]).stem)
def test_the_command_makes_the_same_claim_again(tmp_path: Path, arguments: list[str]) -> None:
    """Every word and every attachment is as in the sample; only lines may be drawn otherwise."""
    made = tmp_path / "claim.pdf"
    done = subprocess.run(
        [sys.executable, "-m", "daq", *arguments[:-1], str(made)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    mine, theirs = PdfReader(made), PdfReader(ROOT / arguments[-1])
    words = [[page.extract_text() for page in pdf.pages] for pdf in (mine, theirs)]
    assert words[0] == words[1]
    assert dict(mine.attachments) == dict(theirs.attachments)


@pytest.mark.slow
def test_the_pictures_of_the_readme_are_of_the_run_that_is_here(tmp_path: Path) -> None:
    """What README shows is drawn from the faults' record: the terminal word for word, the page as a PNG."""
    load_remake().pictures(tmp_path)
    kept = SAMPLES / "pictures"
    assert (tmp_path / "terminal.svg").read_text("utf-8") == (kept / "terminal.svg").read_text("utf-8")
    assert {path.name for path in kept.iterdir()} == {"report.png", "terminal.svg"}
    assert (kept / "report.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    shown = (ROOT / "README.md").read_text("utf-8")
    assert all(f"(sample_runs/pictures/{path.name})" in shown for path in kept.iterdir())
