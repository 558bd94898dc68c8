"""One function for each parser of foreign text: any bytes in, and nothing but a refusal in one line out.

Used by the quick tests and by ``tests/benchmarks/fuzz.py``, which runs them for long.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from functools import cache
from itertools import islice
from pathlib import Path

from analysis.judge.set import judge_set
from analysis.model import Accuracy, Trace
from daq.archive.claim.verify import verify_pack
from daq.archive.table_columns import read_table
from daq.clock import VirtualClock
from daq.config.builtin import builtin
from daq.config.coil_set_rules import check_against
from daq.config.load import fault_script, load_coil_set, load_rig
from daq.errors import CoilsoakError
from daq.instruments.dialects.load import RoleDialect, load_dialect, shipped
from daq.instruments.dialects.roles import ROLES
from daq.instruments.talk.conversation import Conversation
from daq.links.inprocess import InProcessLink
from daq.record.reader import read_run
from daq.sim import faults
from daq.sim.bench import assemble
from tests.daq.kits.xlsx import COILS, bent
from tests.daq.kits.xlsx import part as part_of
from tests.daq.kits.xlsx import workbook as workbook_of

ROOT = Path(__file__).parents[1]
FIXTURES = ROOT / "fixtures"
CORPUS = FIXTURES / "fuzz_corpus"
#: Longer messages are no line that anybody reads.
MAX_SAID = 1500
#: More rows than this are not judged here: that they are read is enough, and many are slow.
MAX_JUDGED = 300
#: What parts the files of a record in one input.
PART = b"\n=== "
_PARAMS: Mapping[str, object] = {
    "value": 1.5,
    "state": True,
    "channels": "101",
    "channel": 101,
    "range": 100.0,
}


class HostileError(AssertionError):
    """A parser did something else than read or refuse in one line."""


@contextmanager
def refusing() -> Iterator[None]:
    """Let a refusal pass if it is one line of bearable length."""
    try:
        yield
    except CoilsoakError as exc:
        said = str(exc)
        if "\n" in said or len(said) > MAX_SAID:
            raise HostileError(f"{len(said)} characters: {said[:200]!r}") from exc


@cache
def _file(name: str) -> Path:
    """A file that each input is written to, in a folder that lasts as long as the process."""
    folder = tempfile.TemporaryDirectory()
    _KEPT.append(folder)
    return Path(folder.name) / name


_KEPT: list[tempfile.TemporaryDirectory[str]] = []


def _written(data: bytes, name: str) -> Path:
    path = _file(name)
    path.write_bytes(data)
    return path


def _judged(traces: list[Trace], accuracy: Accuracy) -> None:
    if sum(trace.time_s.size for trace in traces) <= MAX_JUDGED:
        for coil in judge_set(traces, None, None, accuracy).coils:
            assert coil.reasons


def rig(data: bytes) -> None:
    """A rig file, with all that is asked of it before an instrument is reached."""
    with refusing():
        loaded = load_rig(_written(data, "rig.toml"))
        loaded.value.accuracy()
        check_against(load_coil_set(builtin("coil_sets", "snow_groomer")), loaded)
        if loaded.value.simulated:
            fault_script(loaded)


def coil_set(data: bytes) -> None:
    """A coil-set file, held against the simulated rig."""
    with refusing():
        loaded = load_coil_set(_written(data, "set.toml"))
        loaded.value.kind_limits()
        loaded.value.subjects()
        check_against(loaded, load_rig(builtin("rigs", "simulated")))


def script(data: bytes) -> None:
    """A fault script, and a minute of the bench that it makes."""
    with refusing():
        clock = VirtualClock()
        bench = assemble(faults.load(_written(data, "script.toml")), clock=clock)
        bench.peers["supply"].feed(b"VOLT 5;CURR 1;OUTP ON\n")
        for _ in range(3):
            clock.sleep(20.0)
            for peer in bench.peers.values():
                peer.feed(b"*IDN?\nMEAS:VOLT?\nREAD?\n")


def dialect(data: bytes) -> None:
    """A dialect file."""
    path = _written(data, "mine.toml")
    with refusing():
        load_dialect(path.name, beside=path.parent)


def table(data: bytes) -> None:
    """Somebody's table with whatever headings, and its judgement."""
    with refusing():
        _judged([*read_table(_written(data, "table.csv")).traces], Accuracy())


#: Where a workbook keeps its first sheet.
SHEET = "xl/worksheets/sheet1.xml"


@cache
def _workbook() -> bytes:
    return workbook_of(_file("sound.xlsx"), {"Sheet": COILS}).read_bytes()


def workbook(data: bytes) -> None:
    """A spreadsheet of which the first sheet's XML is *data*."""
    path = _written(_workbook(), "table.xlsx")
    with refusing():
        _judged([*read_table(bent(path, SHEET, data)).traces], Accuracy())


def record(data: bytes) -> None:
    """A run folder: each file stands under a line ``=== NAME``."""
    folder = _file("run")
    folder.mkdir(exist_ok=True)
    for path in folder.iterdir():
        path.unlink()
    for part in (b"\n" + data).split(PART)[1:]:
        name, _, content = part.partition(b"\n")
        if name in {b"header.json", b"readings.csv", b"events.csv", b"result.json", b"manifest.json"}:
            (folder / name.decode()).write_bytes(content)
    with refusing():
        run = read_run(folder)
        assert all("\n" not in each for each in run.problems)
        _judged(run.traces(), run.header.accuracy)


def pack(data: bytes) -> None:
    """A claim pack, signed or not, with all that is checked of it."""
    with refusing():
        assert verify_pack(_written(data, "claim.pdf")).conclusion()


class _Parrot:
    """Answers whatever it is asked with the same bytes, once."""

    def __init__(self, reply: bytes) -> None:
        self._reply = reply

    def feed(self, data: bytes) -> bytes:
        """Give the reply."""
        return self._reply if data else b""


@cache
def questions() -> tuple[tuple[RoleDialect, str], ...]:
    """Every question of every shipped dialect."""
    dialects = [load_dialect(name) for name in shipped()]
    roles = [part for each in dialects for part in each.roles.values()]
    return tuple((role, name) for role in roles for name, op in role.ops.items() if op.ask is not None)


def reply(data: bytes) -> None:
    """The reply to one question: the first two bytes choose the question, the rest is what comes back."""
    known = questions()
    role, op = known[int.from_bytes(data[:2], "big") % len(known)]
    clock, kind = VirtualClock(), ROLES[role.role][op]
    link = InProcessLink(
        _Parrot(data[2:] + role.link.reply_end.encode()),
        "sim:parrot",
        role.link.send_end,
        role.link.reply_end,
        timeout_s=1.0,
        clock=clock,
    )
    talk = Conversation(link, role, name="parrot", clock=clock)
    asked = {} if kind.takes else {name: _PARAMS[name] for name in kind.params}
    with refusing():
        {"number": talk.ask_number, "state": talk.ask_state, "text": talk.ask_text}.get(
            kind.answers or "", talk.tell
        )(op, **asked)


TARGETS: Mapping[str, Callable[[bytes], None]] = {
    each.__name__: each for each in (reply, rig, coil_set, script, dialect, record, table, workbook, pack)
}

_SEEDS = {
    "rig": "rigs/*.toml",
    "coil_set": "coil_sets/*.toml",
    "script": "fault_scripts/*.toml",
    "table": "tables/*.csv",
}


def seeds(target: str) -> list[bytes]:
    """Return good inputs to start from and every find that was kept, the smallest first."""
    paths = [*FIXTURES.glob(_SEEDS[target])] if target in _SEEDS else []
    if target == "dialect":
        paths = [*(ROOT / "daq" / "instruments" / "dialects").glob("*.toml")]
    found = [path.read_bytes() for path in [*paths, *(CORPUS / target).glob("*")]]
    if target == "record":
        found += [_as_one(folder) for folder in islice(sorted(FIXTURES.parent.glob("sample_runs/*/*/")), 3)]
    if target == "table":
        found += [text.encode() for text in _TABLES]
    if target == "workbook":
        found.append(part_of(_written(_workbook(), "table.xlsx"), SHEET))
    if target == "reply":
        found += [at.to_bytes(2, "big") + text for at in range(len(questions())) for text in _REPLIES]
    return sorted(set(found), key=lambda data: (len(data), data))


_TABLES = (
    "Spule;Zeit [min];Temperatur;Widerstand\nY1;0;20;3,3\nY1;10;90;4,21\n",
    "Time,Temp (degF),Y1 (ohm),Y2 (kohm)\n10:00:00,68,3.3,0.0034\n10:10:00,194,4.21,OL\n",
    "Bench 4\nTime\tTemp\tR Y1\ns\tdegC\tohm\n0\t20\t3.3\n",
    "Coil,Ohms at 20 °C,Ohms @ 194 °F\nY1,3.3,4.21\n",
)
_REPLIES = (b"+1.2345E+00", b"1", b"CV", b"OHMS 3.30 ohm", b"(@101)")


def _as_one(folder: Path) -> bytes:
    """Return a run folder as one input, its tables cut to their first rows."""
    parts = []
    for name in ("header.json", "readings.csv", "events.csv"):
        if (folder / name).exists():
            lines = (folder / name).read_bytes().splitlines(keepends=True)
            rows = lines if name.endswith(".json") else lines[:40]
            parts.append(PART.lstrip() + name.encode() + b"\n" + b"".join(rows))
    return b"\n".join(parts)
