"""What several commands share: options, the console, how things are shown."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, cast

import click

from daq.errors import INTERRUPTED, CoilsoakError, InputError
from daq.streams import Lasting, complain, one_line

if TYPE_CHECKING:
    from rich.console import Console

STAGES = ("as received", "after cleaning", "after heat", "before refit")

Command = Callable[..., Any]


def _options(*options: Command) -> Callable[[Command], Command]:
    def add(command: Command) -> Command:
        for option in reversed(options):
            command = option(command)
        return command

    return add


FILE = click.Path(path_type=Path)
bench_options = _options(
    click.option("--rig", type=FILE, help="Rig file: what is on the bench.  [default: simulated]"),
    click.option(
        "--set", "coil_set", type=FILE, help="Coil-set file: what is under test.  [default: invented]"
    ),
    click.option("--seed", type=click.IntRange(0), help="Seed of the simulated bench."),
)
paper_option = click.option(
    "--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Report paper."
)
language_option = click.option(
    "--language",
    default="en",
    show_default=True,
    metavar="CODE",
    help="Language of the pages, as en or de.",
)
passphrase_option = click.option(
    "--passphrase-file",
    type=FILE,
    metavar="FILE",
    help="Its first line is the key's passphrase.  [default: COILSOAK_PASSPHRASE, else asked]",
)
json_option = click.option(
    "--json", "as_json", is_flag=True, help="Print the judgement as JSON on standard output."
)
run_options = _options(
    click.option("--out", type=FILE, default=Path("runs"), show_default=True, help="Folder for run folders."),
    click.option(
        "--stage", type=click.Choice(STAGES), default=STAGES[0], show_default=True, help="State of the parts."
    ),
    click.option("--job", default="", help="Job number, for the record."),
    click.option("--operator", default="", help="Who runs it, for the record."),
    paper_option,
    json_option,
)


def print_notes(console: Console, notes: Iterable[str]) -> None:
    """Print each note on lines of its own."""
    for note in notes:
        console.print(f"note: {one_line(note)}", highlight=False, markup=False)


def command_line() -> str:
    """Return what was typed, for the record."""
    import shlex

    return shlex.join(["coilsoak", *sys.argv[1:]])


def require_writable(out: Path) -> None:
    """Refuse a place for run folders before the bench is opened, not when the coils are hot.

    Raises:
        InputError: Nothing can be made there.
    """
    import tempfile

    try:
        place = next(place for place in (out, *out.absolute().parents) if place.exists())
        # The only honest test: who may write where is not in the mode bits alone.
        tempfile.TemporaryDirectory(dir=place).cleanup()
    except OSError as exc:
        message = f"--out {out}: no run folder can be made there ({exc.strerror}), expected a writable folder"
        raise InputError(message) from exc


@contextmanager
def open_console(as_json: bool) -> Iterator[Console]:
    """Give a console (standard error under --json), and turn errors into one line and an exit status."""
    from rich.console import Console

    from daq.signals import stoppable

    stream = Lasting(sys.stderr if as_json else sys.stdout)
    try:
        with stoppable():
            yield Console(file=cast("IO[str]", stream), emoji=False)  # else ':CD:' becomes a picture
        if stream.lost:
            complain(f"what was to be shown is lost ({stream.lost}); nothing else is")
    except CoilsoakError as exc:
        complain(str(exc))
        sys.exit(exc.exit_status)
    except KeyboardInterrupt:
        complain("stopped")
        sys.exit(INTERRUPTED)
