"""Replays a written conversation: the other end of the wire, and the calls that ought to cause it."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from daq.clock import VirtualClock
from daq.errors import CoilsoakError
from daq.instruments.dialects.load import Dialect
from daq.instruments.number import Number
from daq.instruments.talk.conversation import Conversation
from daq.links.inprocess import InProcessLink
from daq.links.settings import LinkTable

FOLDER = Path(__file__).parents[3] / "fixtures" / "conversations"


@dataclass
class Step:
    """One call, the wire it causes (sent text, replies to it), and what comes out."""

    line: int
    call: list[str]
    wire: list[tuple[str, list[str]]] = field(default_factory=list)
    result: str | None = None
    error: str | None = None


@dataclass
class Part:
    """The conversation in one role."""

    role: str
    params: dict[str, object]
    steps: list[Step] = field(default_factory=list)


class ReplayPeer:
    """Answers as written; anything sent that is not the next line fails at once.

    In a step that ends in an error a damaged reply is asked for again: then what was answered once is
    answered so again, the question of who it is included.
    """

    def __init__(self, table: LinkTable) -> None:
        self._send_end = table.send_end
        self._reply_end = table.reply_end
        self.script: list[tuple[str, list[str]]] = []
        self.sent_s: list[float] = []
        self.clock = VirtualClock()
        self.asks_again = False
        self._given: dict[str, list[str]] = {}

    def feed(self, data: bytes) -> bytes:
        """Take one command, and return the replies that stand below it."""
        text = data.decode("ascii")
        command = text.removesuffix(self._send_end)
        if not self.script and self.asks_again and command in self._given:
            replies = self._given[command]
        else:
            assert self.script, f"nothing more was expected, got {text!r}"
            expected, replies = self.script.pop(0)
            assert text == expected + self._send_end
            self._given[command] = replies
        self.sent_s.append(self.clock.monotonic())
        return "".join(reply + self._reply_end for reply in replies).encode("latin-1")


def read(path: Path) -> list[Part]:
    """Read the parts of a conversation file."""
    parts: list[Part] = []
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
        if not line or line.startswith("#"):
            continue
        kind, _, rest = line.partition(" ")
        text = rest.encode("latin-1").decode("unicode_escape")
        if kind == "==":
            role, *params = rest.split()
            parts.append(Part(role, dict(_param(each) for each in params)))
        elif kind == "do":
            parts[-1].steps.append(Step(number, rest.split()))
        elif kind == ">":
            parts[-1].steps[-1].wire.append((text, []))
        elif kind == "<":
            parts[-1].steps[-1].wire[-1][1].append(text)
        elif kind == "=":
            parts[-1].steps[-1].result = text
        elif kind == "!":
            parts[-1].steps[-1].error = text
        else:
            raise AssertionError(f"{path.name}:{number}: {kind!r} is unknown")
    return parts


def replay(part: Part, dialect: Dialect) -> ReplayPeer:
    """Hold the conversation of *part*; every deviation and every line left over fails."""
    role = dialect.role(part.role)
    peer = ReplayPeer(role.link)
    table = role.link
    link = InProcessLink(
        peer, "replay", table.send_end, table.reply_end, timeout_s=table.timeout_s, clock=peer.clock
    )
    talk = Conversation(link, role, name=part.role, clock=peer.clock, params=part.params)
    for step in part.steps:
        peer.script, peer.asks_again = list(step.wire), step.error is not None
        try:
            shown, error = _shown(_call(talk, step.call)), None
        except CoilsoakError as exc:
            shown, error = None, f"{type(exc).__name__}: {exc}"
        where = f"line {step.line}: {' '.join(step.call)}"
        if step.error is None:
            assert (error, shown) == (None, step.result), where
        else:
            kind, _, words = step.error.partition(": ")
            assert error is not None, f"{where}: {step.error!r} did not come"
            assert error.startswith(f"{kind}: {part.role}: "), where
            assert words in error, where
        assert peer.script == [], f"{where}: left over"
    assert link.drain() == 0, "replies left over"
    return peer


def _call(talk: Conversation, words: list[str]) -> object:
    method, *rest = words
    if method == "start":
        return talk.start(None if rest == ["None"] else " ".join(rest))
    if method == "finish":
        return talk.finish()
    op, *params = rest
    result: object = getattr(talk, method)(op, **dict(_param(each) for each in params))
    return result


def _param(text: str) -> tuple[str, object]:
    name, _, value = text.partition("=")
    if value in {"True", "False"}:
        return name, value == "True"
    if name == "channels":
        return name, value
    if name == "channel" and not value.isdecimal():
        return name, value
    return name, int(value) if value.isdecimal() else float(value)


def _shown(result: object) -> str | None:
    if isinstance(result, Number):
        return result.status if result.value is None else str(result.value)
    return None if result is None else str(result)
