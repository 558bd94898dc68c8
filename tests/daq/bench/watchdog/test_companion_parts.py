"""The parts of the companion: its ear, its sense of time, its patience, and where a run breathes."""

from __future__ import annotations

import os
import re
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from unittest.mock import Mock

import msgspec
import pytest

from daq.bench.guard.guard import OUTPUT_UNKNOWN, Guard
from daq.bench.guard.oven_guard import OVEN_HOT, OVEN_ON
from daq.bench.watchdog import process
from daq.bench.watchdog.client import Companion, can_be_on, companion
from daq.bench.watchdog.heartbeat import (
    ASKED_S,
    BREATH_S,
    DISK_S,
    BreathingClock,
    BreathingLink,
    BreathingOperator,
    BreathingRecord,
)
from daq.bench.watchdog.process import Input, RunWatch, see_cool, switch_off, wait_for_need
from daq.bench.watchdog.switch_off import SwitchOff
from daq.clock import RealClock, VirtualClock
from daq.config.builtin import builtin
from daq.config.load import load_coil_set, load_rig
from daq.errors import InterlockError, LinkClosedError, OutputUnknownError, StartError
from daq.instruments.dialects.load import SHIPPED
from daq.instruments.number import Number
from daq.run.execute import RunRequest, how_watched
from daq.run.practice import rig_text
from tests.daq.kits.record import reading

#: No process has this number, so a run that has it is gone.
NOBODY = -1


class Beats:
    """Takes note of each sign of life."""

    def __init__(self) -> None:
        self.allowed: list[float] = []

    def beat(self, allow_s: float = BREATH_S) -> None:
        """Note it."""
        self.allowed.append(allow_s)


@pytest.fixture
def pipe() -> Iterator[tuple[Input, int]]:
    """The companion's ear, and the run's end of the pipe; the test closes that."""
    read, write = os.pipe()
    lines = Input(read)
    yield lines, write
    lines.close()


def need(lines: Input, watch: RunWatch) -> str:
    """Wait for need in real time."""
    return wait_for_need(lines, watch, RealClock(), lambda: 12.5)


def test_a_run_that_says_done_needs_nothing(pipe: tuple[Input, int]) -> None:
    """Signs of life, rest and done are an ordinary end, and the folder is known by then."""
    lines, write = pipe
    os.write(write, b'record "/runs/a b"\nlive 2\nrest\ndone\n')
    os.close(write)
    watch = RunWatch()
    assert need(lines, watch) == ""
    assert watch.folder == Path("/runs/a b")
    assert watch.origin_s == 12.5


def test_the_end_of_the_pipe_is_the_end_of_the_run(pipe: tuple[Input, int]) -> None:
    """A pipe that ends without done, with or without something on, means that the run was killed."""
    lines, write = pipe
    os.write(write, b"live 2\nliv")
    os.close(write)
    watch = RunWatch()
    assert need(lines, watch) == "the run was ended from outside"
    assert watch.on


@pytest.mark.slow
def test_silence_counts_only_while_something_is_on(pipe: tuple[Input, int]) -> None:
    """After rest the run may be silent for ever; after live only for as long as it allowed itself."""
    lines, write = pipe
    os.write(write, b"live 0.05\nrest\n")
    assert lines.line(0.0) == "live 0.05"
    os.write(write, b"live 0.05\n")
    watch = RunWatch()
    assert need(lines, watch) == "the run shows no life"
    os.close(write)


class Telling:
    """Takes note of what the companion tells and cries."""

    def __init__(self) -> None:
        self.told: list[str] = []
        self.cried: list[str] = []

    def __call__(self, text: str) -> None:
        self.told.append(text)

    def cry(self, text: str) -> None:
        """Note it."""
        self.cried.append(text)


def test_the_companion_tries_again_until_off_is_confirmed() -> None:
    """A supply that does not answer at first is switched off as soon as it does."""
    hand, tell = Mock(), Telling()
    hand.switch_off.side_effect = [LinkClosedError("gone"), LinkClosedError("gone"), "the supply is off"]
    switch_off(hand, tell, VirtualClock(), NOBODY)  # type: ignore[arg-type]
    assert tell.told == ["the supply is off, read back, 0.20 s later"]


def test_a_companion_in_vain_never_gives_up_and_cries_once_a_second() -> None:
    """An hour later it still tries, has said so each second, and ends when the supply is to be had again."""
    hand, tell, clock = Mock(), Telling(), VirtualClock()

    def tried(**_: bool) -> str:
        if clock.monotonic() > 3600.0:
            return "the supply is off"
        raise OutputUnknownError(f"{OUTPUT_UNKNOWN} (the cable is off)")

    hand.switch_off.side_effect = tried
    switch_off(hand, tell, clock, NOBODY)  # type: ignore[arg-type]
    assert all(text.startswith(f"{OUTPUT_UNKNOWN} (the cable is off)") for text in tell.cried)
    assert 3500 <= len(tell.cried) <= 3610
    assert tell.told[-1].startswith("the supply is off, read back, 360")


def test_a_run_that_holds_the_only_connection_is_ended_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Only while the run is the companion's own parent, and only after it had time to hand over."""
    killed: list[tuple[int, int]] = []
    monkeypatch.setattr(process.os, "getppid", lambda: 1 if killed else 4711)
    monkeypatch.setattr(process.os, "kill", lambda pid, sig: killed.append((pid, sig)))
    hand, tell = Mock(), Telling()
    hand.switch_off.side_effect = lambda **_: "off" if killed else _busy()
    switch_off(hand, tell, VirtualClock(), 4711)  # type: ignore[arg-type]
    assert killed == [(4711, signal.SIGKILL)]
    assert tell.told[0] == "the run hangs and holds the connection: it is ended"


def test_a_run_that_asks_is_never_ended_hears_at_once_and_is_helped_on(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """It lives and waits: it hears that it is not off yet, and later that it is; the crying is its own."""
    monkeypatch.setattr(process.os, "kill", Mock(side_effect=AssertionError("ended")))
    hand, tell, answers = Mock(), Telling(), []
    hand.switch_off.side_effect = [OutputUnknownError("not confirmed")] * 5 + ["the supply is off"]
    switch_off(hand, tell, VirtualClock(), os.getppid(), answers.append)  # type: ignore[arg-type]
    assert {call.kwargs["beside"] for call in hand.switch_off.call_args_list} == {True}
    assert answers == ["", "the supply is off"]
    assert tell.cried == []


def test_a_run_that_asks_and_dies_is_relieved(monkeypatch: pytest.MonkeyPatch) -> None:
    """Once it is gone the companion may have its connections, and has the alarm to raise."""
    hand, tell = Mock(), Telling()
    hand.switch_off.side_effect = [OutputUnknownError("not confirmed")] * 5 + ["the supply is off"]
    switch_off(hand, tell, VirtualClock(), NOBODY, Mock())  # type: ignore[arg-type]
    assert {call.kwargs["beside"] for call in hand.switch_off.call_args_list} == {False}


def test_an_oven_whose_run_is_gone_is_watched_until_it_cools() -> None:
    """The alarm is cried each second for as long as it stands; then the companion may go."""
    hand, tell = Mock(), Telling()
    hand.cools.side_effect = [(False, "air 60")] * 3 + [(False, f"{OVEN_HOT} (air 71)")] * 5 + [(True, "")]
    see_cool(hand, tell, VirtualClock())  # type: ignore[arg-type]
    how = f"; kill {os.getpid()} ends that"
    assert tell.told == [f"waiting until the oven is seen to cool; air 60{how}"]
    assert tell.cried == [f"{OVEN_HOT} (air 71){how}"] * 5


@pytest.mark.parametrize(
    ("asked", "lives", "stays"), [(False, False, True), (True, False, True), (True, True, False)]
)
def test_a_hot_oven_whose_run_is_gone_is_watched_whether_it_had_asked_or_not(
    monkeypatch: pytest.MonkeyPatch, asked: bool, lives: bool, stays: bool
) -> None:
    """A run that asked for off and was then killed watches nothing any more; one that lives does itself."""

    def killed(_: Input, watch: RunWatch, *__: object) -> str:
        watch.on, watch.asked = True, asked
        return "switch off"

    hand, seen = Mock(**{"connect_beside.return_value": "", "switch_off.return_value": "off"}), Mock()
    fakes = {
        "load_rig": lambda _: Mock(sha256="same"),
        "SwitchOff": lambda *_: hand,
        "Input": Mock(),
        "wait_for_need": killed,
        "wall_clock": lambda _: VirtualClock(),
        "see_cool": seen,
        "prepare_streams": Mock(),
        "_answer": Mock(),
        "sys": Mock(),
    }
    for name, fake in fakes.items():
        monkeypatch.setattr(process, name, fake)
    monkeypatch.setattr(process.signal, "signal", Mock())
    monkeypatch.setattr(process.os, "getppid", lambda: 4711 if lives else 1)
    assert process.main(["rig.toml", "same", "4711", "oven"]) == 3
    assert seen.called == stays


def _busy() -> str:
    raise LinkClosedError("in use by process 4711")


def test_every_wait_and_exchange_and_row_and_question_is_a_breath() -> None:
    """A long wait breathes in between; exchanges, rows and questions get the time they may take, no more."""
    beats = Beats()
    BreathingClock(VirtualClock(), beats, scale=10.0).sleep(12.0)
    assert beats.allowed == [BREATH_S] * 4
    beats.allowed.clear()
    link = BreathingLink(Mock(**{"read.return_value": "1"}), beats, 3.0)
    link.write("X?")
    assert link.read() == "1"
    assert beats.allowed == [3.0 + BREATH_S, BREATH_S] * 2
    beats.allowed.clear()
    BreathingRecord(Mock(), beats).row(reading(0))
    assert beats.allowed == [DISK_S, BREATH_S]
    beats.allowed.clear()
    operator = BreathingOperator(Mock(**{"ask_number.return_value": Number(1.0, "ok")}), beats)
    operator.confirm("sit")
    assert operator.ask_number("x", "V").value == 1.0
    assert beats.allowed == [ASKED_S, BREATH_S] * 2


def test_a_guard_whose_watcher_is_gone_sends_nothing_that_energises() -> None:
    """Asked to drive a coil with the companion gone it refuses; the supply hears of zero and off only."""
    supply = Mock()
    supply.output_is_on.return_value = False
    supply.current.return_value = supply.voltage.return_value = Number(0.0, "ok")
    watcher = Mock(**{"begin.side_effect": InterlockError("gone")})
    guard = Guard(
        supply, None, VirtualClock(), voltage_V=10, current_A=5, body_degC=90, alarm=Mock(), watcher=watcher
    )
    with (
        pytest.raises(InterlockError, match="gone"),
        guard.energised("Y1", voltage_V=5, coil_voltage_V=5, coil_current_A=2),
    ):
        raise AssertionError("the block must not be entered")
    supply.set_voltage.assert_called_with(0.0)
    assert [call.args for call in supply.switch_output.call_args_list] == [(False,)]
    watcher.end.assert_any_call("coil")


@pytest.fixture
def asked(pipe: tuple[Input, int]) -> Iterator[tuple[Companion, Input, int]]:
    """A companion with a connection of its own, as the run sees it; its ear, and the mouth to be moved."""
    lines, write = pipe
    read, mouth = os.pipe()
    beside = Companion()
    with os.fdopen(write, "wb", buffering=0) as stdin, os.fdopen(read, "rb") as stdout:
        beside._process, beside._beside = Mock(stdin=stdin, stdout=stdout), True
        yield beside, lines, mouth
        beside._process = None
    os.close(mouth)


def test_asked_to_switch_off_it_is_believed_once_and_nothing_is_energised_after_it(
    asked: tuple[Companion, Input, int],
) -> None:
    """What it confirms stands; it is asked once, and from then on nobody watches any more."""
    beside, lines, mouth = asked
    os.write(mouth, b'{"off":"the supply is at zero and off"}\n')
    assert [beside.switch_off(wait=wait) for wait in (True, False)] == ["the supply is at zero and off"] * 2
    assert lines.line(1.0) == "off"
    assert lines.line(0.0) is None
    with pytest.raises(InterlockError, match="nothing is energised without it"):
        beside.begin("coil")


@pytest.mark.parametrize("said", [b'{"off":""}\n', b"nonsense\n", b""])
def test_a_companion_that_cannot_confirm_confirms_nothing(
    asked: tuple[Companion, Input, int], monkeypatch: pytest.MonkeyPatch, said: bytes
) -> None:
    """In vain, nonsense or silence within its time: not known to be off."""
    beside, _, mouth = asked
    monkeypatch.setattr("daq.bench.watchdog.client.HELP_S", 0.05)
    os.write(mouth, said)
    assert [beside.switch_off(wait=wait) for wait in (False, True)] == ["", ""]


def test_without_a_connection_of_its_own_it_is_not_asked(asked: tuple[Companion, Input, int]) -> None:
    """The one connection there is belongs to the run, which has just tried it."""
    beside, lines, _ = asked
    beside._beside = False
    assert beside.switch_off(wait=True) == ""
    assert lines.line(0.0) is None


def rig_on_wires(folder: Path) -> Path:
    """Write a rig of which each instrument has an address that nobody answers at."""
    roles = ("supply", "switch", "oven", "meter")
    path = folder / "rig.toml"
    path.write_text(rig_text(dict.fromkeys(roles, "TCPIP0::127.0.0.1::9::SOCKET"), 1.0), encoding="utf-8")
    return path


@pytest.mark.parametrize("bad", ["supply", "oven"])
def test_what_cannot_be_switched_off_is_named_and_keeps_nothing_else_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bad: str
) -> None:
    """Whatever goes wrong with one, be it a fault of the program, the other is off; the alarm is its own."""
    hand = SwitchOff(load_rig(rig_on_wires(tmp_path)), ("supply", "oven"))
    good = Mock(**{"ask_state.return_value": False, "ask_number.return_value": Number(0.0, "ok")})

    def opened(way: Mock, *, alone: bool) -> Mock:
        assert alone
        if way.role == bad:
            raise RuntimeError("a bug")
        return good

    monkeypatch.setattr(hand, "_open", opened)
    with pytest.raises(OutputUnknownError) as failed:
        hand.switch_off()
    assert str(failed.value) == f"{OUTPUT_UNKNOWN if bad == 'supply' else OVEN_ON} (a bug)"
    good.tell.assert_any_call("output", state=False)


@pytest.fixture
def hung(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[SwitchOff, Mock]]:
    """A hand whose oven hangs when it is connected to, and the supply that it reaches."""
    path = rig_on_wires(tmp_path)
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("[switch]\n", "[switch]\nbreak_under_current = true\n"), encoding="utf-8")
    hand, over = SwitchOff(load_rig(path), ("supply", "oven")), threading.Event()
    supply = Mock(**{"ask_state.return_value": False, "ask_number.return_value": Number(0.0, "ok")})

    def opened(way: Mock, *, alone: bool) -> Mock:
        assert alone
        if way.role == "oven":
            over.wait(10.0)
            raise LinkClosedError("gone")
        return supply

    monkeypatch.setattr(hand, "_open", opened)
    yield hand, supply
    over.set()


def test_an_oven_that_hangs_does_not_delay_a_driven_coil(
    hung: tuple[SwitchOff, Mock], monkeypatch: pytest.MonkeyPatch
) -> None:
    """With nothing connected beforehand the supply is off within the round; the oven is said to hang."""
    hand, supply = hung
    monkeypatch.setattr("daq.bench.watchdog.switch_off.ROUND_S", 0.05)
    with pytest.raises(OutputUnknownError) as failed:
        hand.switch_off()
    assert str(failed.value) == f"{OVEN_ON} (it does not answer yet)"
    supply.tell.assert_any_call("output", state=False)
    supply.tell.reset_mock()
    with pytest.raises(OutputUnknownError):
        hand.switch_off()
    supply.tell.assert_not_called()


def test_contacts_are_opened_under_current_only_when_three_rounds_were_in_vain(
    hung: tuple[SwitchOff, Mock], monkeypatch: pytest.MonkeyPatch
) -> None:
    """One connection that is dropped is no reason to burn contacts."""
    hand, supply = hung
    monkeypatch.setattr("daq.bench.watchdog.switch_off.SOON_S", 0.01)
    supply.ask_state.return_value = True
    opened = Mock()
    monkeypatch.setattr(hand, "_open_channels", opened)
    tries = []
    for _ in range(3):
        with pytest.raises(OutputUnknownError, match="THE SUPPLY"):
            hand.switch_off()
        tries.append(opened.call_count)
    assert tries == [0, 0, 1]


def test_a_supply_that_hangs_loses_its_path_after_three_seconds(
    hung: tuple[SwitchOff, Mock], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its one try may take half a minute: contacts do not wait for it to end."""
    hand, supply = hung
    for name, value in (("ROUND_S", 0.02), ("SOON_S", 0.02), ("LAST_S", 0.01)):
        monkeypatch.setattr(f"daq.bench.watchdog.switch_off.{name}", value)
    over = threading.Event()
    supply.send.side_effect = lambda *_, **__: over.wait(10.0)
    supply.tell.side_effect = lambda *_, **__: over.wait(10.0)
    opened = Mock()
    monkeypatch.setattr(hand, "_open_channels", opened)
    with pytest.raises(OutputUnknownError, match="does not answer yet"):
        hand.switch_off()
    over.set()
    opened.assert_called_once()


def test_told_to_go_it_goes_whatever_hangs(hung: tuple[SwitchOff, Mock]) -> None:
    """No try, and nothing that goes on after an error, swallows the word of who decides."""
    hand, supply = hung
    supply.ask_state.side_effect = lambda *_: time.sleep(0.01) or True
    before = signal.signal(signal.SIGALRM, process.told_to_stop)
    try:
        signal.setitimer(signal.ITIMER_REAL, 0.05)
        with pytest.raises(process.Told), suppress(Exception):
            switch_off(hand, Telling(), RealClock(), NOBODY)  # type: ignore[arg-type]
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, before)
    hand.close()  # and waits for nothing that hangs


def test_a_dialect_that_is_gone_when_it_is_needed_was_read_at_the_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A dialect file beside the rig, removed during the run, is no reason for not switching off."""
    own = tmp_path / "own.toml"
    own.write_text((SHIPPED / "scpi-1999.toml").read_text(encoding="utf-8"), encoding="utf-8")
    rig = rig_on_wires(tmp_path)
    text = rig.read_text(encoding="utf-8")
    rig.write_text(re.sub(r'(?m)^dialect = ".*"', 'dialect = "own.toml"', text, count=1), encoding="utf-8")
    hand = SwitchOff(load_rig(rig), ("supply", "oven"))
    own.unlink()
    monkeypatch.setattr(
        "daq.bench.watchdog.switch_off.open_wire", Mock(side_effect=LinkClosedError("nobody there"))
    )
    with pytest.raises(OutputUnknownError, match="nobody there") as failed:
        hand.switch_off()
    assert "own" not in str(failed.value)


def test_a_companion_that_does_not_start_is_an_error_of_the_start(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """With a rig file that was changed meanwhile it ends at once, and so does the run: nothing was on."""
    path = tmp_path / "rig.toml"
    text = builtin("rigs", "example_lan").read_text(encoding="utf-8")
    path.write_text(text, encoding="utf-8")
    rig = load_rig(path)
    path.write_text(text + "\n", encoding="utf-8")
    with companion() as beside, pytest.raises(StartError, match="the companion process does not start"):
        beside.start(rig, ("supply",))
    assert "was changed since the run read it" in capfd.readouterr().err


def test_an_oven_alone_is_given_a_minute_more_than_a_driven_coil(pipe: tuple[Input, int]) -> None:
    """An oven holds its setpoint while a terminal is stopped; current in a coil waits for nobody."""
    lines, write = pipe
    beside = Companion()
    with os.fdopen(write, "wb", buffering=0) as stream:
        beside._process = Mock(stdin=stream)
        beside.begin("oven")
        beside.begin("coil")
        beside.end("coil")
        beside.end("oven")
        beside._process = None
    said = []
    while line := lines.line(1.0):
        said.append(line)
    assert said == ["live 62.5", "live 2.5", "live 62.5", "rest"]


def test_not_every_sign_of_life_is_sent(pipe: tuple[Input, int]) -> None:
    """What the companion knows already is not said again; a longer wait, or one much shorter, is."""
    lines, write = pipe
    beside = Companion()
    with os.fdopen(write, "wb", buffering=0) as stream:
        beside._process = Mock(stdin=stream)
        beside.begin("coil")
        for allow_s in (2.0, 2.0, 4.0, 2.0, 30.0, 2.0):
            beside.beat(allow_s)
        beside._process = None
    said = []
    while line := lines.line(1.0):
        said.append(line)
    assert said == ["live 2.5", "live 4.5", "live 30.5", "live 2.5"]


def test_only_a_bench_outside_the_program_that_can_be_on_wants_one() -> None:
    """None for the simulated bench or hand instruments; one for what a soak of the set switches on."""
    coil_set = load_coil_set(builtin("coil_sets", "snow_groomer")).value
    wanted = {
        name: can_be_on(load_rig(builtin("rigs", name)).value, coil_set)
        for name in ("simulated", "example_hand", "example_lan")
    }
    assert wanted == {"simulated": (), "example_hand": (), "example_lan": ("supply",)}


def test_an_oven_can_be_on_only_where_it_heats(tmp_path: Path) -> None:
    """Of a bench with both, an oven soak switches on both, and coils that heat themselves the supply."""
    bench = load_rig(rig_on_wires(tmp_path)).value
    coil_set = load_coil_set(builtin("coil_sets", "snow_groomer")).value
    by_oven, by_supply = (msgspec.structs.replace(coil_set, heat=heat) for heat in ("oven", "supply"))
    assert can_be_on(bench, by_oven) == ("supply", "oven")
    assert can_be_on(bench, by_supply) == ("supply",)


def test_an_oven_that_was_never_on_is_not_spoken_of(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With the bench gone, the alarm of a run in which coils heat themselves is about the supply alone."""
    monkeypatch.setattr(
        "daq.bench.watchdog.switch_off.open_wire", Mock(side_effect=LinkClosedError("nobody there"))
    )
    hand = SwitchOff(load_rig(rig_on_wires(tmp_path)), ("supply",))
    with pytest.raises(OutputUnknownError) as failed:
        hand.switch_off()
    assert str(failed.value) == f"{OUTPUT_UNKNOWN} (nobody there)"


def test_a_rig_may_do_without_and_the_run_says_what_that_means(tmp_path: Path) -> None:
    """With companion = false none is started, and screen and record are told; a sweep has nothing to tell."""
    path = tmp_path / "rig.toml"
    text = builtin("rigs", "example_lan").read_text(encoding="utf-8")
    path.write_text("companion = false\n" + text, encoding="utf-8")
    coil_set = load_coil_set(builtin("coil_sets", "snow_groomer")).value
    beside = Mock()
    told = [
        how_watched(RunRequest(kind=kind, command=""), load_rig(path), coil_set, beside)
        for kind in ("soak", "sweep")
    ]
    assert told == [
        "no companion process, as the rig file says: nothing switches off if this program is killed",
        "",
    ]
    beside.start.assert_not_called()
