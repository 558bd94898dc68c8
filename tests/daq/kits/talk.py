"""A conversation with an instrument that answers from a table, in a shipped dialect or the test's own."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from daq.clock import VirtualClock
from daq.instruments.dialects.load import RoleDialect, load_dialect
from daq.instruments.talk.conversation import Conversation
from daq.links.inprocess import InProcessLink

IDENTITY = {"*IDN?": "Invented,Supply", "SYST:ERR?": '+0,"No error"'}


class Instrument:
    """Answers from a table, or from what *answer* makes of a command; notes all and when."""

    def __init__(self, answers: Mapping[str, str] | None = None) -> None:
        self.answers = {**IDENTITY, **(answers or {})}
        self.answer: Callable[[str], str | None] = self.answers.get
        self.heard: list[str] = []
        self.heard_s: list[float] = []
        self.clock = VirtualClock()
        #: Sent before the next answer: what came too late.
        self.late = b""

    def feed(self, data: bytes) -> bytes:
        """Take one command."""
        command = data.decode().rstrip("\r\n")
        self.heard.append(command)
        self.heard_s.append(self.clock.monotonic())
        reply = self.answer(command)
        late, self.late = self.late, b""
        return late + (b"" if reply is None else reply.encode() + b"\n")

    def link(self) -> InProcessLink:
        """Return a link to this instrument."""
        return InProcessLink(self, "in-process", "\n", "\n", timeout_s=5.0, clock=self.clock)

    def talk(self, role: str | RoleDialect = "supply") -> Conversation:
        """Start a conversation in SCPI-1999, or in *role* of another dialect, and forget its start."""
        dialect = load_dialect("scpi-1999").role(role) if isinstance(role, str) else role
        talk = Conversation(self.link(), dialect, name="supply", clock=self.clock)
        talk.start(None)
        self.heard.clear()
        return talk


def role_of(tmp_path: Path, text: str, role: str = "supply") -> RoleDialect:
    """Return a role of a dialect written for one test."""
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return load_dialect(str(path)).role(role)


SUPPLY = """about = "mine"
[supply]
voltage = { set = "V {value:.2f}", ask = "V?", reply = "{number}", verify = true, tolerance = 0.01 }
current_limit = { set = "I {value:.2f}", ask = "I?", reply = "{number}", verify = true, tolerance = 0.01 }
output = { set = "OUT {state}", ask = "OUT?", reply = "{state}", verify = true }
measured_voltage = { ask = "VO?", reply = "{number}" }
measured_current = { ask = "IO?", reply = "{number}", silent = true }
"""
