"""The command line: parse, call, print. Each command loads what it needs and no more."""

from __future__ import annotations

import shlex
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, TextIO, cast

import click

from daq import __version__
from daq.errors import CoilsoakError, InputError
from daq.terminal import Alarmed, Lasting, complain, let_go, one_line, prepare_streams, print_json

if TYPE_CHECKING:
    from rich.console import Console

    from daq.recordformat import Kind
    from daq.results import PaperName
    from daq.run import Outcome

STAGES = ("as received", "after cleaning", "after heat", "before refit")
#: As shells report a program ended by Ctrl-C.
INTERRUPTED = 130

Command = Callable[..., Any]


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="coilsoak")
def cli() -> None:
    """Find the coils that fail only when hot, and write down the evidence.

    Without a rig file every command works on the simulated bench and its invented coils.
    """


def _options(*options: Command) -> Callable[[Command], Command]:
    def add(command: Command) -> Command:
        for option in reversed(options):
            command = option(command)
        return command

    return add


_FILE = click.Path(path_type=Path)
_bench_options = _options(
    click.option("--rig", type=_FILE, help="Rig file: what is on the bench.  [default: simulated]"),
    click.option(
        "--set", "coil_set", type=_FILE, help="Coil-set file: what is under test.  [default: invented]"
    ),
    click.option("--seed", type=click.IntRange(0), help="Seed of the simulated bench."),
)
_run_options = _options(
    click.option(
        "--out", type=_FILE, default=Path("runs"), show_default=True, help="Folder for run folders."
    ),
    click.option(
        "--stage", type=click.Choice(STAGES), default=STAGES[0], show_default=True, help="State of the parts."
    ),
    click.option("--job", default="", help="Job number, for the record."),
    click.option("--operator", default="", help="Who runs it, for the record."),
    click.option(
        "--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Report paper."
    ),
    click.option("--json", "as_json", is_flag=True, help="Print the judgement as JSON on standard output."),
)


@cli.command()
@_bench_options
@click.option(
    "--heat", type=click.Choice(["oven", "supply", "hand"]), help="How to heat.  [default: the set's]"
)
@_run_options
@click.option(
    "--resume", type=_FILE, metavar="RUN", help="Go on with a cut soak, with the same rig and set files."
)
@click.option("--yes", is_flag=True, help="Skip the cautions' confirmation (simulated bench only).")
def soak(as_json: bool, **asked: Any) -> None:
    """Heat the set step by step, log every coil, judge each, write the report."""
    _run("soak", as_json, asked)


@cli.command()
@_bench_options
@_run_options
def sweep(as_json: bool, **asked: Any) -> None:
    """Read every coil at room temperature and judge it; nothing is energised."""
    _run("sweep", as_json, {"heat": None, "yes": False, **asked})


def _run(kind: Kind, as_json: bool, asked: dict[str, Any]) -> None:
    from daq.run import RunRequest, execute

    with _console(as_json) as console:
        _require_writable(asked["out"])
        outcome = execute(RunRequest(kind=kind, command=_command_line(), **asked), console)
        _show(console, outcome, as_json)
    if outcome.state == "stopped":
        sys.exit(INTERRUPTED)
    if outcome.error is not None:
        sys.exit(outcome.error.exit_status)


def _show(console: Console, outcome: Outcome, as_json: bool) -> None:
    from rich.console import Console

    from daq.results import as_object, as_table

    if outcome.alarm:
        console = Console(
            file=cast("IO[str]", Alarmed(cast("TextIO", console.file), outcome.alarm)), width=console.width
        )
    if as_json:
        alarm = (outcome.alarm,) if outcome.alarm else ()
        print_json(as_object(outcome.result, run=str(outcome.folder), state=outcome.state, problems=alarm))
    else:
        console.print(as_table(outcome.result))
        _print_notes(console, outcome.result.notes)
    if outcome.error is not None:
        said = str(outcome.error)
        complain(said if outcome.alarm in said else f"{outcome.alarm} {said}")
    elif outcome.state == "stopped":
        complain("stopped by the operator; what was measured is kept")
    console.print(
        f"run folder: {one_line(str(outcome.folder))}", highlight=False, markup=False, soft_wrap=True
    )


def _print_notes(console: Console, notes: Iterable[str]) -> None:
    for note in notes:
        console.print(f"note: {one_line(note)}", highlight=False, markup=False)


@cli.command()
@click.argument("path", type=_FILE)
@click.option(
    "--set", "coil_set", type=_FILE, help="Coil-set file with kinds and limits.  [default: the record's own]"
)
@click.option(
    "--report", type=_FILE, metavar="FOLDER", help="Also write report.pdf, curves and result.json there."
)
@click.option(
    "--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Report paper."
)
@click.option("--budget", is_flag=True, help="Also print what makes R20 and joint uncertain (JSON has it).")
@click.option("--json", "as_json", is_flag=True, help="Print the judgement as JSON on standard output.")
def judge(
    path: Path, coil_set: Path | None, report: Path | None, paper: PaperName, budget: bool, as_json: bool
) -> None:
    """Judge a run folder again, or a CSV of temperature and resistance.

    Columns: coil, time_s, probe_degC, resistance_ohm, voltage_V, current_A. Order is free, cells may be
    empty, others are ignored; without time and power the rows are taken as settled points.
    """
    from daq.budgettable import budget_tables
    from daq.judging import judge_path, judged_object, write_judgement
    from daq.results import as_table

    with _console(as_json) as console:
        judged = judge_path(path, coil_set)
        if report is not None:
            write_judgement(report, judged, paper)
        if as_json:
            print_json(judged_object(judged))
        else:
            console.print(as_table(judged.result))
            _print_notes(console, (*judged.problems, *judged.result.notes))
            if budget:
                console.print(budget_tables(judged.result))


@cli.command()
@_bench_options
@click.option("--json", "as_json", is_flag=True, help="Print the findings as JSON on standard output.")
def check(rig: Path | None, coil_set: Path | None, seed: int | None, as_json: bool) -> None:
    """See whether the bench is what its rig file says; nothing is energised."""
    from daq.check import check_bench, findings_table

    with _console(as_json) as console:
        findings = check_bench(rig, coil_set, seed, console)
        if as_json:
            print_json({"findings": [finding.as_object() for finding in findings]})
        else:
            console.print(findings_table(findings))
    if not all(finding.good for finding in findings):
        sys.exit(2)


@cli.command()
@click.option(
    "--out", type=_FILE, default=Path("practice"), show_default=True, help="Folder for the rig file."
)
@click.option("--script", type=_FILE, help="Fault script.  [default: the invented set with five faults]")
@click.option("--seed", type=click.IntRange(0), help="Seed of the simulated bench.")
@click.option(
    "--scale",
    type=click.FloatRange(1.0, 3600),
    default=60.0,
    show_default=True,
    help="Time runs this much faster.",
)
def practice(out: Path, script: Path | None, seed: int | None, scale: float) -> None:
    """Serve the simulated bench on loopback TCP and pseudo-serial ports until Ctrl-C.

    Writes the rig file that reaches it: try commands, rigs and bad days on it, with nothing hot.
    """
    from daq.practice import serve_practice

    with _console(False) as console:
        serve_practice(out, script, seed, scale, console)


def _command_line() -> str:
    return shlex.join(["coilsoak", *sys.argv[1:]])


def _require_writable(out: Path) -> None:
    """Refuse a place for run folders before the bench is opened, not when the coils are hot.

    Raises:
        InputError: Nothing can be made there.
    """
    try:
        place = next(place for place in (out, *out.absolute().parents) if place.exists())
        # The only honest test: who may write where is not in the mode bits alone.
        tempfile.TemporaryDirectory(dir=place).cleanup()
    except OSError as exc:
        message = f"--out {out}: no run folder can be made there ({exc.strerror}), expected a writable folder"
        raise InputError(message) from exc


@contextmanager
def _console(as_json: bool) -> Iterator[Console]:
    """Give a console (standard error under --json), and turn errors into one line and an exit status."""
    from rich.console import Console

    from daq.signals import stoppable

    stream = Lasting(sys.stderr if as_json else sys.stdout)
    try:
        with stoppable():
            yield Console(file=cast("IO[str]", stream))
        if stream.lost:
            complain(f"what was to be shown is lost ({stream.lost}); nothing else is")
    except CoilsoakError as exc:
        complain(str(exc))
        sys.exit(exc.exit_status)
    except KeyboardInterrupt:
        complain("stopped")
        sys.exit(INTERRUPTED)


def main() -> None:
    """Run the command line."""
    prepare_streams()
    try:
        status = cli.main(prog_name="coilsoak", standalone_mode=False)
    except click.exceptions.NoArgsIsHelpError as exc:
        exc.show()
        status = exc.exit_code
    except click.UsageError as exc:
        where = exc.ctx.command_path if exc.ctx else "coilsoak"
        complain(f"{exc.format_message()} See '{where} --help'.")
        status = exc.exit_code
    except (click.Abort, KeyboardInterrupt):
        status = INTERRUPTED
    except BrokenPipeError:  # of --help or --version
        let_go(sys.stdout)
        status = 0
    except OSError as exc:
        let_go(sys.stdout)
        complain(f"the system refused: {exc}")
        status = InputError.exit_status
    sys.exit(status)
