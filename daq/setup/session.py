"""One setup from the first question to two files that are read back: asked, shown, changed, written."""

from __future__ import annotations

import sys
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from rich.console import Console

from daq.config.load import load_coil_set, load_rig
from daq.config.toml import MAX_BYTES
from daq.errors import InputError
from daq.instruments.dialects.load import load_dialect
from daq.plain_file import read_plain
from daq.run.check import check_bench
from daq.screen.console import ConsoleOperator
from daq.setup.desk import BackError, Desk
from daq.setup.existing import answers_of
from daq.setup.files import rig_text, set_text, without
from daq.setup.interview import QUESTIONS, Looker, interview
from daq.setup.meet.find import Found
from daq.setup.meet.listing import found_table
from daq.setup.meet.trial import known_dialects
from daq.setup.plan import Plan, Wired
from daq.tables import CheckLine, open_table, shown

WELCOME = "Enter takes what stands in [brackets]; b goes back; ? explains. Nothing is switched on."


def read_answers(path: Path) -> dict[str, str]:
    """Return the answers in the file at *path*.

    Raises:
        InputError: It cannot be read, or is no list of `key = "answer"`.
    """
    try:
        document = tomllib.loads(read_plain(path, MAX_BYTES).decode("utf-8"))
    except (OSError, ValueError) as exc:
        raise InputError(
            f'{path}: no answers ({" ".join(str(exc).split())}), expected lines key = "answer"'
        ) from exc
    for key, value in document.items():
        if not isinstance(value, str | int | float) or isinstance(value, bool):
            raise InputError(f"{path}: answer '{key}' is {value!r}, expected a text or a number")
    return {key: str(value) for key, value in document.items()}


def answers_beside(rig: Path) -> Path:
    """Return where the answers that led to *rig* are kept, to be given again."""
    return rig.with_name(f"{rig.stem}-answers.toml")


def ask_all(desk: Desk, looker: Looker) -> Plan:
    """Hold the interview to its end, going back as often as somebody likes.

    Raises:
        InputError: Nobody can be asked, and an answer is missing or wrong; or a given one is of no question.
    """
    if unknown := sorted(set(desk.given) - set(QUESTIONS)):
        raise InputError(f"answer '{unknown[0]}' is to no question, expected one of {', '.join(QUESTIONS)}")
    while True:
        try:
            return interview(desk, looker)
        except BackError:
            desk.back()


def set_up(
    rig: Path,
    coil_set: Path,
    given: Mapping[str, str],
    found: Sequence[Found],
    console: Console,
) -> list[CheckLine]:
    """Ask whoever sits at the terminal, write both files, read them back, and check the bench.

    Args:
        rig: Where the rig file goes.
        coil_set: Where the coil-set file goes.
        given: Answers that need not be asked for.
        found: What was found before the first question.
        console: Where things are shown.

    Returns:
        What came of the check.

    Raises:
        InputError: An answer is missing or wrong, or a file cannot be written.
    """
    looker = Looker(known_dialects(rig.parent), list(found))
    person = ConsoleOperator(console) if sys.stdin is not None and sys.stdin.isatty() else None
    before = answers_beside(rig)
    usual = {} if person is None else _usual(rig, coil_set)
    desk = Desk(person, given, usual)
    if person is not None:
        person.tell(WELCOME)
        if looker.found:
            console.print(found_table(looker.found, numbered=True))
    while True:
        plan = ask_all(desk, looker)
        if person is None or not _changed(desk, rig, coil_set, console):
            break
    _write_dialects(rig, plan)
    _write(rig, rig_text(plan))
    _write(coil_set, set_text(plan))
    _write(before, "# Answers of `coilsoak setup`, to be given again: --answers FILE\n" + desk.text())
    console.print(f"written: {rig}, {coil_set}, {before}", highlight=False, markup=False, soft_wrap=True)
    return check_bench(rig, coil_set, None, console)


def _usual(rig: Path, coil_set: Path) -> dict[str, str]:
    """Return the answers of last time; where none were kept, what the files that are there already say.

    Raises:
        InputError: A file is there and cannot be read: it is not replaced unread.
    """
    if (kept := answers_beside(rig)).is_file():
        return read_answers(kept)
    if rig.is_file() and coil_set.is_file():
        return answers_of(load_rig(rig).value, load_coil_set(coil_set).value)
    return {}


def _changed(desk: Desk, rig: Path, coil_set: Path, console: Console) -> bool:
    """Show all answers; return whether one of them is to be asked again."""
    keys = [key for key in dict.fromkeys(desk.used) if key in desk.answers]
    table = open_table()
    for heading in ("", "answer", ""):
        table.add_column(heading, overflow="fold")
    for number, key in enumerate(keys, start=1):
        table.add_row(shown(str(number)), shown(key), shown(desk.answers[key]))
    console.print(table)
    replaced = [str(path) for path in (rig, coil_set) if path.exists()]
    what = f"replace {' and '.join(replaced)} (kept as .bak)" if replaced else f"write {rig} and {coil_set}"
    assert desk.person is not None
    while True:
        typed = desk.person.ask(f"Enter to {what}, or the number of an answer to change: ").strip()
        if not typed:
            return False
        if typed.isdecimal() and 1 <= int(typed) <= len(keys):
            desk.forget(keys[int(typed) - 1])
            return True
        desk.tell(f"{typed!r}: expected Enter or a number from 1 to {len(keys)}")


def _write_dialects(rig: Path, plan: Plan) -> None:
    """Write a dialect file beside *rig* for each instrument that does not know all of a shipped one."""
    for role, ops in plan.left_out.items():
        wired: Wired = getattr(plan, role)
        path = rig.with_name(f"{rig.stem}-{role}.toml")
        _write(path, without(wired.dialect, role, ops))
        load_dialect(path.name, beside=path.parent)
        setattr(plan, role, replace(wired, dialect=path.name))


def _write(path: Path, text: str) -> None:
    """Write *text*; what stood there before is kept beside it."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists() and path.suffix == ".toml" and not path.stem.endswith("-answers"):
            path.replace(path.with_name(f"{path.name}.bak"))
        path.write_text(text, encoding="utf-8")
    except OSError as exc:
        raise InputError(f"{path}: cannot be written ({exc.strerror}); choose another place") from exc
