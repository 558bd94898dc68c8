"""Each dialect is known by questions alone; an instrument here is what its manual's conversation says."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from daq.clock import VirtualClock
from daq.instruments.dialects.load import Dialect, load_dialect, shipped
from daq.links.base import Link, Peer
from daq.links.inprocess import InProcessLink
from daq.links.settings import LinkTable
from daq.setup.files import without
from daq.setup.meet import wire
from daq.setup.meet.greet import Met, Opener, greet
from daq.setup.meet.trial import NEEDED, Fit, fitting, known_dialects, nameless
from daq.setup.meet.wire import harmless
from tests.daq.kits.replay import FOLDER, read

#: It configures and measures with one command, so no question that sets nothing tells it.
SILENT = "meter-one-shot"


class Manual:
    """Answers what a written conversation answers, and notes what it is sent."""

    def __init__(self, answers: Mapping[str, str], send_end: str) -> None:
        self.answers = answers
        self._send_end = send_end
        self.heard: list[str] = []

    def feed(self, data: bytes) -> bytes:
        """Return the last answer that the manual has for a question."""
        command = data.decode("latin-1")
        self.heard.append(command.strip(" \r\n"))
        if self._send_end and not command.endswith(self._send_end):
            return b""
        command = command.removesuffix(self._send_end)
        return self.answers.get(command.strip(), "").encode("latin-1")


def by_the_book(name: str, role: str) -> tuple[Manual, Dialect]:
    """Return an instrument that speaks dialect *name* as *role*, and that dialect on the manual's channel."""
    dialect = load_dialect(name)
    part = next(part for part in read(FOLDER / f"{name}.txt") if part.role == role)
    link = dialect.role(role).link
    answers: dict[str, str] = {}
    for step in part.steps:
        if step.error is None:
            for command, replies in step.wire:
                if ("?" in command or harmless(command)) and replies and "SYST:ERR" not in command:
                    answers[command] = "".join(f"{reply}{link.reply_end}" for reply in replies)
                    answers |= _asked_alone(command, answers[command])
                    if role == "probe":  # a thermometer's first channel, whichever the manual took
                        answers[re.sub(r"\d+", "1", command)] = answers[command]
    params = {**dialect.role(role).params, **part.params}
    roles = {each: replace(of, params=params if of.params else {}) for each, of in dialect.roles.items()}
    return Manual(answers, link.send_end), replace(dialect, roles=roles)


def _asked_alone(command: str, reply: str) -> dict[str, str]:
    """Return what a question behind a selection is answered on its own, and the channel selected."""
    selection, _, question = command.partition(";")
    return {question: reply, f"{selection.split()[0]}?": "1\n"} if question else {}


def opener_of(peer: Peer) -> Opener:
    """Return what opens a wire to *peer*."""

    def open_it(resource: str, table: LinkTable) -> Link:
        return InProcessLink(peer, resource, "", "", timeout_s=1.0, clock=VirtualClock())

    return open_it


@pytest.fixture(autouse=True)
def no_pause(monkeypatch: pytest.MonkeyPatch) -> None:
    """A peer in this process needs no rest between questions."""
    monkeypatch.setattr(wire, "PAUSE_S", 0.0)


def met_and_fits(name: str, role: str) -> tuple[Met | None, list[Fit], Manual]:
    """Greet an instrument by the book of *name*, and try all dialects on it."""
    peer, own = by_the_book(name, role)
    dialects = [own if each.name == name else each for each in known_dialects()]
    link = own.role(role).link
    address = "192.0.2.5:5025" if link.send_end == "\n" else "COM3"
    met = greet(address, nameless(dialects), opener=opener_of(peer))
    return met, [] if met is None else fitting(met, dialects, opener_of(peer)), peer


BOOKS = [(name, part.role) for name in shipped() for part in read(FOLDER / f"{name}.txt") if name != SILENT]


@pytest.mark.parametrize(("name", "role"), BOOKS)
def test_every_dialect_is_known_by_questions(name: str, role: str) -> None:
    """An instrument that answers as its manual says is found, in its role, and among the best that fit."""
    met, fits, peer = met_and_fits(name, role)
    assert met is not None
    best = [(fit.dialect, fit.role) for fit in fits if fit.whole == fits[0].whole]
    assert (name, role) in best, fits
    assert all(harmless(command) for command in peer.heard), "something was set"


def test_one_that_has_no_harmless_question_is_met_and_not_guessed() -> None:
    """A meter that is only ever configured and read at once is named, and no dialect is claimed for it."""
    met, fits, peer = met_and_fits(SILENT, "meter")
    assert met is not None
    assert "INVENTED" in met.identity
    assert fits == []
    assert all(harmless(command) for command in peer.heard)


@pytest.mark.parametrize(
    ("command", "asks"),
    [
        ("VOLT?", True),
        ("VOLT? MAX", True),
        (":VOLT?;:CURR?", True),
        ("\r\n", True),
        ("VOLT 5", False),
        ("INST:NSEL 2;:VOLT?", False),
        ("VOLT?;:OUTP ON", False),
        ("\x040011PV\x05", True),
        ("\x040011\x02SL80.0\x03#", False),
        ("\x040011\x02SL80.0\x03\x05", False),
    ],
)
def test_only_questions_are_harmless(command: str, asks: bool) -> None:
    """Each part of a line has to ask; nothing rides behind a question."""
    assert harmless(command) == asks


def test_an_instrument_that_knows_less_gets_a_dialect_of_its_own(tmp_path: Path) -> None:
    """What it did not answer stands behind a '#', the rest is as shipped, and then it fits whole."""
    peer, own = by_the_book("scpi-1999", "supply")
    missing = {"CURR:PROT?": "over_current", "STAT:OPER:COND?": "mode"}
    peer = Manual({ask: said for ask, said in peer.answers.items() if ask not in missing}, "\n")
    met = greet("192.0.2.5:5025", opener=opener_of(peer))
    assert met is not None
    (fit, *_) = [each for each in fitting(met, known_dialects(), opener_of(peer)) if each.dialect == own.name]
    assert set(fit.unanswered) >= set(missing.values())
    assert not fit.whole
    (tmp_path / "mine.toml").write_text(without("scpi-1999", "supply", fit.unanswered), encoding="utf-8")
    mine = load_dialect("mine.toml", beside=tmp_path)
    assert set(own.roles["supply"].ops) - set(mine.roles["supply"].ops) == set(fit.unanswered)
    assert mine.roles["meter"].ops == own.roles["meter"].ops
    (fit,) = fitting(met, [mine], opener_of(peer))
    assert fit.whole


@pytest.mark.parametrize("name", shipped())
def test_any_optional_op_can_be_left_out_of_a_shipped_dialect(tmp_path: Path, name: str) -> None:
    """Ops that go over several lines, and the last of a table, take nothing else with them."""
    dialect = load_dialect(name)
    for role, of in dialect.roles.items():
        for op in set(of.ops) - NEEDED[role] - {"read_ohms", "voltage", "close", "open", "open_all"}:
            if op.startswith("function_ohms"):
                continue
            (tmp_path / "mine.toml").write_text(without(name, role, [op]), encoding="utf-8")
            mine = load_dialect("mine.toml", beside=tmp_path)
            assert set(of.ops) - set(mine.roles[role].ops) == {op}
            assert {r: set(each.ops) for r, each in mine.roles.items() if r != role} == {
                r: set(each.ops) for r, each in dialect.roles.items() if r != role
            }
