from __future__ import annotations

import re
from itertools import pairwise

import pytest

from daq.errors import InputError
from daq.instruments.dialects.load import load_dialect, shipped
from tests.daq.kits.replay import FOLDER, Part, read, replay

DIALECTS = shipped()


def parts(name: str) -> list[Part]:
    """Return the written conversations of a dialect."""
    return read(FOLDER / f"{name}.txt")


@pytest.mark.parametrize("name", DIALECTS)
def test_a_written_conversation_is_held_word_for_word(name: str) -> None:
    """Every shipped dialect says on the wire exactly what is written, and nothing is left over."""
    dialect = load_dialect(name)
    for part in parts(name):
        peer = replay(part, dialect)
        gap_s = dialect.role(part.role).link.gap_s
        assert all(later - sooner >= gap_s - 1e-9 for sooner, later in pairwise(peer.sent_s))


@pytest.mark.parametrize("name", DIALECTS)
def test_every_op_of_a_dialect_is_spoken(name: str) -> None:
    """Each role of a dialect has a conversation; each op is told and asked in it, and a bad reply refused."""
    dialect = load_dialect(name)
    by_role = {part.role: part for part in parts(name)}
    assert set(by_role) == set(dialect.roles)
    for role, part in by_role.items():
        calls = {tuple(step.call[:2]) for step in part.steps}
        wire = {sent for step in part.steps for sent, _ in step.wire}
        for op, entry in dialect.role(role).ops.items():
            if entry.set is not None:
                assert ("tell", op) in calls, f"{role} {op}"
            if entry.ask is not None:
                pattern = re.sub(r"\\\{.*?\\\}", ".*", re.escape(entry.ask))
                assert any(re.fullmatch(pattern, sent) for sent in wire), f"{role} {op}"
        assert any((step.error or "").startswith("ReplyError") for step in part.steps), role
        assert part.steps[0].call[0] == "start"
        if dialect.role(role).stop:
            assert part.steps[-1].call == ["finish"]


def test_there_is_no_conversation_without_a_dialect() -> None:
    """The folder holds a conversation for each shipped dialect, and for nothing else."""
    assert sorted(path.stem for path in FOLDER.glob("*.txt")) == DIALECTS


def test_a_changed_word_is_noticed() -> None:
    """The replay fails on another word, on a missing exchange, and on a line that is left over."""
    dialect = load_dialect("thermometer-label")
    for spoil in ("another", "more", "less"):
        part = parts("thermometer-label")[0]
        step = part.steps[1]
        if spoil == "another":
            step.wire[0] = ("T3?", step.wire[0][1])
        elif spoil == "more":
            step.wire.append(("T2?", []))
        else:
            step.wire.clear()
        with pytest.raises(AssertionError):
            replay(part, dialect)


def test_a_role_that_a_dialect_lacks_is_named() -> None:
    """Asking a supply's dialect for its meter names what it has."""
    with pytest.raises(InputError, match="dialect 'word-number' knows no meter, expected 'supply'"):
        load_dialect("word-number").role("meter")
