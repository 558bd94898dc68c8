"""Runs, tables, claims and photos from strangers: whatever in them leads elsewhere is not followed."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from daq.durable_file import write_whole
from daq.errors import ForeignFileError
from daq.plain_file import read_inside
from daq.record.format import TRAVEL
from tests.daq.kits.cli import ROOT, say

(SAMPLE,) = (ROOT / "sample_runs" / "cleaning").glob("*-as-received")
SECRET = "the owner's secret, which nobody else may see"


@pytest.fixture
def secret(tmp_path: Path) -> Path:
    """A file of the user's own that must get into nothing."""
    path = tmp_path / "home" / "secret.toml"
    path.parent.mkdir()
    path.write_text(SECRET, encoding="utf-8")
    return path


@pytest.fixture
def run(tmp_path: Path) -> Path:
    """A run as a stranger may send it."""
    folder = tmp_path / "inbox" / "run"
    shutil.copytree(SAMPLE, folder)
    (folder / "observations.csv").unlink(missing_ok=True)
    return folder


def as_link(path: Path, target: Path) -> None:
    """Put a link in the place of a file."""
    path.unlink(missing_ok=True)
    path.symlink_to(target)


def as_pipe(path: Path, _target: Path) -> None:
    """Put a pipe, which nobody ever writes to, in the place of a file."""
    path.unlink(missing_ok=True)
    os.mkfifo(path)


def refusal(capsys: pytest.CaptureFixture[str], *args: str | Path) -> str:
    """Return the one line with which the program refuses; what was not to be seen is nowhere in it."""
    said = say(capsys, *args)
    assert SECRET not in said.out + said.err
    return said.complaint()


@pytest.mark.parametrize("name", sorted({*TRAVEL, "report.pdf"}))
@pytest.mark.parametrize("spoil", [as_link, as_pipe])
def test_whatever_file_of_a_run_is_a_link_or_pipe_the_run_is_refused(
    run: Path,
    secret: Path,
    capsys: pytest.CaptureFixture[str],
    name: str,
    spoil: Callable[[Path, Path], None],
) -> None:
    """Each file that a run can have, also such as this one has not, is looked at before it is opened."""
    spoil(run / name, secret)
    assert name in refusal(capsys, "judge", run)


@pytest.mark.parametrize("name", TRAVEL)
def test_a_claim_carries_nothing_that_a_link_leads_to(
    run: Path, secret: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    """With a link in the place of any file of its run no claim is written."""
    as_link(run / name, secret)
    out = run.parent / "claim.pdf"
    assert f"{name}: is a link" in refusal(capsys, "claim", run, "--out", out)
    assert not out.exists()


@pytest.mark.parametrize(
    "command",
    [
        ["judge", "{run}"],
        ["claim", "{run}", "--out", "{out}"],
        ["claim", "{sound}", "{run}", "--out", "{out}"],
        ["compare", "{sound}", "{run}"],
        ["curves", "{run}", "--out", "{out}"],
        ["observe", "{run}"],
        ["observe", "{run}", "--coil", "Y1", "--note", "x"],
        ["soak", "--resume", "{run}", "--out", "{out}"],
        ["log", "{inbox}"],
        ["log", "{inbox}", "--json"],
        ["log", "{inbox}", "--export", "{out}"],
    ],
    ids=" ".join,
)
def test_every_command_that_reads_runs_refuses_a_link(
    run: Path, secret: Path, capsys: pytest.CaptureFixture[str], command: list[str]
) -> None:
    """Whichever command it is: one line that names the file, and an exit status that is not 0."""
    as_link(run / "header.json", secret)
    places = {"run": run, "sound": SAMPLE, "out": run.parents[1] / "out.pdf", "inbox": run.parent}
    said = say(capsys, *(word.format(**places) for word in command))
    assert said.status == 2
    (line,) = said.err.splitlines()[-1:]
    assert f"{run / 'header.json'}: is a link" in line
    assert SECRET not in said.out + said.err


def test_the_log_shows_the_other_runs_and_names_what_it_left_out(
    run: Path, secret: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One folder with a link takes no other out of the log; it is named each time, not only when new."""
    shutil.copytree(SAMPLE, run.parent / "sound")
    as_link(run / "result.json", secret)
    for _ in range(2):
        said = say(capsys, "log", run.parent)
        assert said.status == 2
        assert str(run.parent / "sound") in said.out
        assert f"{run / 'result.json'}: is a link" in said.err


def test_a_run_folder_that_is_a_link_is_not_followed(run: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A link among what a stranger sent may lead to a run of the user's own."""
    link = run.parent / "latest"
    link.symlink_to(run, target_is_directory=True)
    for command in ("judge", "claim", "curves", "observe"):
        assert f"{link}: is a link" in refusal(capsys, command, link)


def test_a_table_a_claim_and_a_photo_that_are_links_are_not_followed(
    run: Path, secret: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nor is what stands in the place of a file that is named."""
    for name in ("table.csv", "claim.pdf", "photo.jpg"):
        (run.parent / name).symlink_to(secret)
    assert "is a link" in refusal(capsys, "judge", run.parent / "table.csv")
    assert "is a link" in refusal(capsys, "verify", run.parent / "claim.pdf")
    photo, out = run.parent / "photo.jpg", run.parent / "out.pdf"
    assert "is a link" in refusal(capsys, "claim", run, "--photo", photo, "--out", out)


def test_nothing_is_noted_through_a_link(run: Path, secret: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An observation is not written to where a link leads, not even to a file that is not there yet."""
    for target in (secret, secret.with_name("new")):
        as_link(run / "observations.csv", target)
        assert "is a link" in refusal(capsys, "observe", run, "--coil", "Y1", "--note", "x")
    assert secret.read_text(encoding="utf-8") == SECRET
    assert not secret.with_name("new").exists()


def test_a_folder_on_the_way_is_no_link_either(tmp_path: Path, secret: Path) -> None:
    """A file below a linked folder is outside."""
    (tmp_path / "inbox").mkdir()
    (tmp_path / "inbox" / "curves").symlink_to(secret.parent, target_is_directory=True)
    with pytest.raises(ForeignFileError, match="curves: is a link"):
        read_inside(tmp_path / "inbox", "curves/secret.toml", 1000)


def test_a_whole_file_is_not_written_through_a_link(tmp_path: Path, secret: Path) -> None:
    """A link with the name under which a file is first written is taken away, and its target stays."""
    (tmp_path / ".new.part").symlink_to(secret)
    write_whole(tmp_path / "new", b"what is new")
    assert secret.read_text(encoding="utf-8") == SECRET
    assert (tmp_path / "new").read_bytes() == b"what is new"
    assert not (tmp_path / "new").is_symlink()
