"""Command dialects: how an instrument family spells what a role needs, read from a TOML file.

A dialect is shipped (named by its syntax) or a user's own file; no code knows any of them.
The tables are described in the README beside the shipped ones.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from daq.config.toml import load
from daq.errors import InputError
from daq.instruments.dialects.roles import ROLES
from daq.instruments.dialects.rules import check_errors, check_role
from daq.instruments.dialects.schema import DialectFile, ErrorsTable, Op, RoleTable, SpecialTable
from daq.instruments.dialects.template import SpecialValues, Spellings, spell_words
from daq.links.settings import LinkTable

__all__ = ["SHIPPED", "Dialect", "LinkTable", "Op", "RoleDialect", "load_dialect", "shipped"]

SHIPPED = Path(__file__).parent


@dataclass(frozen=True)
class RoleDialect:
    """All that a conversation in one role needs to know."""

    dialect: str
    role: str
    link: LinkTable
    words: Spellings
    special: SpecialValues
    errors: ErrorsTable | None
    params: Mapping[str, int | str]
    identity: Op | None
    start: tuple[str, ...]
    stop: tuple[str, ...]
    ops: Mapping[str, Op]


@dataclass(frozen=True)
class Dialect:
    """A checked dialect. *name* is how the rig file calls it."""

    name: str
    about: str
    roles: Mapping[str, RoleDialect]

    def role(self, role: str) -> RoleDialect:
        """Return the part for *role*; InputError names the roles there are."""
        if role not in self.roles:
            raise InputError(f"dialect '{self.name}' knows no {role}, expected {spell_words(self.roles)}")
        return self.roles[role]


def shipped() -> list[str]:
    """Return the names of the dialects that come with the program."""
    return sorted(path.stem for path in SHIPPED.glob("*.toml"))


def load_dialect(name: str, *, beside: Path | None = None) -> Dialect:
    """Load a shipped dialect by its name, or a file: *name* then ends in ``.toml``.

    A relative file is looked for in the folder *beside* (that of the rig file).

    Raises:
        InputError: one line with file, key and line.
    """
    if name.endswith(".toml"):
        path = (beside or Path()) / name
    elif name in shipped():
        path = SHIPPED / f"{name}.toml"
    else:
        raise InputError(
            f"dialect '{name}' is unknown, expected a file NAME.toml or {spell_words(shipped())}"
        )
    loaded = load(path, DialectFile)
    file = loaded.value
    words = Spellings(file.words.on, file.words.off)
    if clash := {*words.on} & {*words.off}:
        raise loaded.error("words.off", f"{min(clash)!r} stands for on as well, expected another word")
    special = _special(file.special)
    check_errors(loaded, words, special)
    roles = {}
    for role in ROLES:
        table: RoleTable | None = getattr(file, role)
        if table is None:
            continue
        ops = {op: each for op in ROLES[role] if (each := getattr(table, op)) is not None}
        part = RoleDialect(
            dialect=name,
            role=role,
            link=file.link,
            words=words,
            special=special,
            errors=file.errors,
            params=file.params,
            identity=table.identity,
            start=table.start,
            stop=table.stop,
            ops=ops,
        )
        check_role(loaded, role, table, words, special)
        roles[role] = part
    if not roles:
        raise loaded.error(
            "", f"has no role, expected a table such as [supply] or {spell_words(list(ROLES)[1:])}"
        )
    return Dialect(name, file.about, roles)


def _special(table: SpecialTable) -> SpecialValues:
    def split(values: tuple[float | str, ...]) -> tuple[tuple[float, ...], tuple[str, ...]]:
        numbers = tuple(each for each in values if not isinstance(each, str))
        return numbers, tuple(each for each in values if isinstance(each, str))

    not_a_number, not_a_number_words = split(table.not_a_number)
    over_range, over_range_words = split(table.over_range)
    return SpecialValues(not_a_number, over_range, not_a_number_words, over_range_words, table.no_reading)
