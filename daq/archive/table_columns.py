"""Somebody else's table: what its columns are is proposed, shown, asked for once, and remembered."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import msgspec
from rich.console import Console
from rich.text import Text

from analysis.model import Trace
from analysis.words import Message, say, say_count
from daq.config.toml import load
from daq.config.toml_lines import quote_key
from daq.durable_file import write_whole
from daq.errors import InputError
from daq.record.foreign.columns import UNUSED, Columns, Meaning, meaning
from daq.record.foreign.opening import open_sheets
from daq.record.foreign.propose import Doubt, Proposal, find_headings, propose
from daq.record.foreign.sheets import Sheet
from daq.record.foreign.traces import has_our_headings, read_as, read_ours
from daq.streams import one_line
from daq.tables import open_table, shown

#: Behind the name of the table.
REMEMBERED = ".columns.toml"
_AT, _SHEET = "at_degC", "sheet"


class ColumnsFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The file that keeps what a table's columns are: phrases by headings; those not named are not used."""

    columns: dict[str, str]
    at_degC: float | None = None
    sheet: str = ""


@dataclass(frozen=True)
class Table:
    """A table as read, and what has to be said of it."""

    traces: tuple[Trace, ...]
    notes: tuple[Message, ...] = ()


def read_table(
    path: Path, given: Sequence[str] = (), labels: frozenset[str] = frozenset(), asker: Console | None = None
) -> Table:
    """Read the table at *path*, by our own headings or by what its headings are taken for.

    Args:
        path: A CSV or xlsx file.
        given: A file that says what the columns are, or single ``HEADING=PHRASE``; see the guide in README.
        labels: Of the coils that are known to be under test.
        asker: Where somebody is asked; None where nobody can be: then what is in doubt is refused.

    Raises:
        InputError: One line with what is wrong, or with what to give.
    """
    sheets = open_sheets(path)
    if not given:
        ours = [sheet for sheet in sheets if has_our_headings(sheet)]
        if len(ours) == 1:
            return Table(tuple(read_ours(ours[0])), _of_sheet(ours[0]))
    beside = path.with_name(path.name + REMEMBERED)
    if not given and beside.exists():
        return _by_file(sheets, beside)
    if len(given) == 1 and "=" not in given[0]:
        return _by_file(sheets, Path(given[0]))
    wanted = _pairs(given)
    proposal = _proposed(sheets, wanted, labels, asker)
    if asker is not None and not given:
        _show(proposal, asker)
        if _ask(asker, "take them so? [Y/n]: ").casefold() not in {"", "y", "yes"}:
            raise InputError(
                f"{path}: not read; say what its columns are with --columns 'HEADING=probe_degC'"
            )
    traces = read_as(proposal.sheet, proposal.line, proposal.below, proposal.names, proposal.columns)
    if asker is not None or given:
        _remember(beside, proposal.columns, asker)
    return Table(tuple(traces), _notes(proposal))


def _by_file(sheets: Sequence[Sheet], file: Path) -> Table:
    """Read a table as a file says; it names all columns that are to be used."""
    loaded = load(file, ColumnsFile)
    columns = Columns(at_degC=loaded.value.at_degC, sheet=loaded.value.sheet)
    for heading, phrase in loaded.value.columns.items():
        try:
            columns = _with(columns, heading, phrase)
        except InputError as exc:
            raise loaded.error(f"columns.{quote_key(heading)}", str(exc)) from exc
    (sheet, *others) = _named(sheets, columns)
    if others:
        known = ", ".join(repr(each.name) for each in (sheet, *others))
        raise InputError(f"{file}: does not say which sheet, expected sheet = one of {known}")
    line, below, names = find_headings(sheet, columns.by_heading)
    if lacking := columns.lacking():
        raise InputError(f"{file}: names {lacking}")
    try:
        traces = read_as(sheet, line, below, names, columns)
    except InputError as exc:
        raise InputError(f"{exc} (columns as in {file.name})") from exc
    unused = tuple(name for name in names if name and name not in columns.by_heading)
    taken, *others_told = _notes(Proposal(sheet, line, below, names, columns, unused=unused))
    return Table(tuple(traces), (taken, say("table.remembered", file=one_line(file.name)), *others_told))


def _pairs(given: Sequence[str]) -> Columns:
    """Return what single ``HEADING=PHRASE`` say.

    Raises:
        InputError: One of them is none.
    """
    columns = Columns()
    for each in given:
        heading, equals, phrase = each.rpartition("=")
        if not equals or not heading.strip():
            raise InputError(
                f"--columns {each[:60]!r}: expected HEADING=MEANING, as 'Temp=probe_degF', or one file"
            )
        try:
            if each.startswith(f"{_SHEET}="):
                columns = replace(columns, sheet=each.partition("=")[2])
            elif heading == _AT:
                columns = replace(columns, at_degC=_degrees(phrase))
            else:
                columns = _with(columns, " ".join(heading.split()), phrase)
        except InputError as exc:
            raise InputError(f"--columns {each[:60]!r}: {exc}") from exc
    return columns


def _degrees(text: str) -> float:
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = float("nan")
    if not -100.0 <= value <= 300.0:
        raise InputError(f"{text[:40]!r} is no temperature in degC, expected such as 22.5")
    return value


def _with(columns: Columns, heading: str, phrase: str) -> Columns:
    what = meaning(phrase)
    if what is None:
        return replace(columns, unused=columns.unused | {heading})
    return columns.with_heading(heading, what)


def _named(sheets: Sequence[Sheet], columns: Columns) -> list[Sheet]:
    """Return the sheets that may be meant."""
    if not columns.sheet:
        return list(sheets)
    found = [sheet for sheet in sheets if sheet.name == columns.sheet]
    if not found:
        names = ", ".join(repr(sheet.name[:40]) for sheet in sheets[:12] if sheet.name) or "no sheets"
        raise InputError(f"{sheets[0].path}: has no sheet {columns.sheet[:40]!r}; there are {names}")
    return found


def _proposed(
    sheets: Sequence[Sheet], wanted: Columns, labels: frozenset[str], asker: Console | None
) -> Proposal:
    """Return a proposal without doubts; each doubt is asked, or refused where nobody can be asked."""
    while True:
        proposals = [propose(sheet, wanted, labels) for sheet in _named(sheets, wanted)]
        known = [each for each in proposals if each.columns.words() - wanted.words()] or proposals[:1]
        proposal = known[0]
        if len(known) > 1:
            choices = tuple(((_SHEET, each.sheet.name),) for each in known)
            names = ", ".join(repr(each.sheet.name[:40]) for each in known[:6])
            doubts: tuple[Doubt, ...] = (Doubt(f"which sheet is meant: {names}?", choices),)
        else:
            doubts = proposal.doubts
        if not doubts:
            if not proposal.columns.by_heading:
                read_ours(proposal.sheet)  # which says what headings were expected
            return proposal
        if len(known) == 1 and asker is None and not wanted.by_heading:
            _refuse_strange(proposal)
        if asker is None:
            more = f" ({len(doubts) - 1} more to tell)" if len(doubts) > 1 else ""
            where = proposal.sheet.at(proposal.line) if len(known) == 1 else str(proposal.sheet.path)
            raise InputError(f"{where}: {doubts[0].question} Say it with {doubts[0].hint()}{more}")
        wanted = _answered(wanted, doubts[0], asker)


def _refuse_strange(proposal: Proposal) -> None:
    """Refuse a table of which no heading means anything, or which has some of ours but not all needed.

    Raises:
        InputError: Unless its columns of figures may be coils: then that is asked.
    """
    ours = any(name.casefold() == "probe_degc" for name in proposal.names)
    strange = not proposal.columns.words() and not any(
        "of a coil" in each.question for each in proposal.doubts
    )
    if strange or (ours and proposal.columns.lacking()):
        read_ours(proposal.sheet)


def _answered(wanted: Columns, doubt: Doubt, asker: Console) -> Columns:
    """Ask about *doubt* until it is answered."""
    _say(asker, doubt.question)
    for number, choice in enumerate(doubt.choices, 1):
        pairs = ", ".join(f"{heading} = {phrase}" for heading, phrase in choice if phrase != UNUSED)
        _say(asker, f"  {number}  {pairs or 'no'}")
    while True:
        typed = _ask(asker, "degC: " if not doubt.choices else f"1 to {len(doubt.choices)}: ")
        if not doubt.choices:
            try:
                return replace(wanted, at_degC=_degrees(typed))
            except InputError as exc:
                _say(asker, str(exc))
        elif typed.isdecimal() and 0 < int(typed) <= len(doubt.choices):
            for heading, phrase in doubt.choices[int(typed) - 1]:
                if heading == _SHEET and phrase != UNUSED:
                    wanted = replace(wanted, sheet=phrase)
                else:
                    wanted = _with(wanted, heading, phrase)
            return wanted


def _show(proposal: Proposal, asker: Console) -> None:
    table = open_table()
    table.add_column("column", overflow="fold")
    table.add_column("is taken for", overflow="fold")
    for heading, what in proposal.columns.by_heading.items():
        assumed = "  (no unit written; its figures fit)" if heading in proposal.assumed else ""
        table.add_row(shown(heading), shown(str(_what(what)) + assumed))
    for heading in proposal.unused:
        table.add_row(shown(heading), shown("not used"))
    asker.print(table)


def _ask(asker: Console, prompt: str) -> str:
    try:
        return asker.input(Text(prompt)).strip()
    except (EOFError, OSError):
        raise InputError("the terminal was closed while a question was open") from None


def _say(asker: Console, text: str) -> None:
    asker.print(one_line(text), highlight=False, markup=False)


def _remember(path: Path, columns: Columns, asker: Console | None) -> None:
    """Keep the answer beside the table; where nothing can be written it is asked for again."""
    lines = ["# What the columns of the table beside this file are. Delete it to be asked again."]
    if columns.at_degC is not None:
        lines.append(f"{_AT} = {columns.at_degC!r}")
    if columns.sheet:
        lines.append(f"{_SHEET} = {json.dumps(columns.sheet, ensure_ascii=False)}")
    lines += ["", "[columns]"]
    lines += [
        f"{json.dumps(heading, ensure_ascii=False)} = {json.dumps(str(what), ensure_ascii=False)}"
        for heading, what in columns.by_heading.items()
    ]
    try:
        write_whole(path, ("\n".join(lines) + "\n").encode())
    except OSError as exc:
        if asker is not None:
            _say(asker, f"not remembered: {path} cannot be written ({exc.strerror or exc})")
        return
    if asker is not None:
        _say(asker, f"remembered in {path}")


def _what(what: Meaning) -> Message:
    said = say(f"column.{what.word}")
    if what.coil:
        said = say("column.of", what=said, coil=what.coil)
    return said if what.at_degC is None else say("column.at", what=said, degC=what.at_degC)


def _of_sheet(sheet: Sheet) -> tuple[Message, ...]:
    notes = [say("table.ours", sheet=sheet.name)] if sheet.name else []
    return (*notes, *([say_count("table.unfilled", sheet.unfilled)] if sheet.unfilled else []))


def _notes(proposal: Proposal) -> tuple[Message, ...]:
    columns = proposal.columns
    taken = tuple(
        say("column.is", heading=heading, what=_what(what)) for heading, what in columns.by_heading.items()
    )
    notes = [say("table.taken", columns=taken), *_of_sheet(proposal.sheet)]
    for heading, (low, high) in proposal.assumed.items():
        what = _what(columns.by_heading[heading])
        notes.append(say("table.assumed", heading=heading, what=what, low=low, high=high))
    if columns.at_degC is not None:
        notes.append(say("table.one-temperature", degC=columns.at_degC))
    if proposal.unused:
        notes.append(say("table.unused", headings=proposal.unused))
    return tuple(notes)
