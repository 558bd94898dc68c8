"""What the operator sees during a run, in a terminal and without one."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from daq.record.format import INSULATION
from daq.record.writer import Reading
from daq.screen.live import RunScreen, duration
from tests.daq.kits.record import reading

COILS = [f"Y{n}" for n in range(1, 9)]
NOTE = "invented bench"


def terminal(width: int = 80, height: int = 24) -> Console:
    """Return a console that takes itself for a terminal of that size."""
    return Console(
        file=io.StringIO(), force_terminal=True, color_system=None, width=width, height=height, _environ={}
    )


def plain() -> Console:
    """Return a console that is no terminal."""
    return Console(file=io.StringIO(), width=80)


def written(console: Console) -> str:
    """Return all that was written to *console*."""
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()


def shown(screen: RunScreen, width: int = 80, height: int = 24) -> list[str]:
    """Return the lines of the live table as they stand now."""
    console = Console(file=io.StringIO(), width=width, height=height)
    console.print(screen._render())
    return [line.rstrip() for line in written(console).splitlines()]


def filled(screen: RunScreen, coils: list[str], **changes: object) -> RunScreen:
    """Give *screen* a row of each coil and a place in the run."""
    for number, coil in enumerate(coils):
        screen.row(reading(number, coil, **changes))
    screen.progress("step 50 degC", 0.37, 4000.0)
    return screen


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.4, "0 s"),
        (89.4, "89 s"),
        (90.0, "2 min"),
        (3540.0, "59 min"),
        (3580.0, "1 h 00 min"),
        (8460.0, "2 h 21 min"),
        (200000.0, "55 h 33 min"),
    ],
)
def test_durations_are_told_as_people_do(seconds: float, text: str) -> None:
    """Seconds, then minutes, then hours and minutes, rounded to what matters."""
    assert duration(seconds) == text


def test_eight_coils_fit_a_small_terminal_with_bar_and_time_left() -> None:
    """At 80 by 24 all eight coils, the bar, the time left and an alarm stand there, and nothing wraps."""
    screen = RunScreen(terminal(), COILS, NOTE)
    filled(screen, COILS, voltage_V=8.2, current_A=1.9, status="open or over range")
    screen.alarm("this supply has no over-voltage protection: its current limit alone guards the coil")
    screen.progress("cooling", 0.37, 4000.0, "Y3", 120.0)
    lines = shown(screen)
    assert len(lines) <= 20  # leaves room for the last events above
    assert max(map(len, lines)) <= 80
    first_words = [line.split()[0] for line in lines if line.split()]
    assert [word for word in first_words if word in COILS] == COILS
    assert any(line.startswith("━") and line.endswith(" 37 %") for line in lines)
    assert "Y3: cooling, 2 min left for Y3, 1 h 07 min left for the run" in lines


def test_a_row_shows_what_was_read_last() -> None:
    """Phase, body, ohms, volts, amperes and status of the newest reading; what is missing stays empty."""
    screen = RunScreen(terminal(), ["Y1", "Y2"], NOTE)
    screen.row(reading(1, "Y1", voltage_V=8.4, current_A=2.5, phase="drive"))
    screen.row(reading(2, "Y2", resistance_ohm=None, probe_degC=71.94, status="open or over range"))
    rows = {line.split()[0]: line.split()[1:] for line in shown(screen) if line.strip().startswith("Y")}
    assert rows["Y1"] == ["drive", "50.0", "3.2000", "8.400", "2.500", "ok"]
    assert rows["Y2"] == ["hold", "71.9", "open", "or", "over", "range"]


def test_a_coil_not_read_yet_is_said_to_wait() -> None:
    """Before its first reading a coil has a row that says so."""
    assert any(line.split() == ["Y1", "waiting"] for line in shown(RunScreen(terminal(), ["Y1"], NOTE)))


def test_a_body_read_once_stays_while_the_coil_is_driven() -> None:
    """Rows without a probe reading leave the last body temperature standing."""
    screen = RunScreen(terminal(), ["Y1"], NOTE)
    screen.row(reading(1, "Y1", probe_degC=66.6))
    screen.row(reading(2, "Y1", probe_degC=None, phase="drive"))
    assert any(line.split()[:3] == ["Y1", "drive", "66.6"] for line in shown(screen))


@pytest.mark.parametrize("source", [INSULATION, "switching"])
def test_rows_of_another_kind_do_not_stand_for_the_winding(source: str) -> None:
    """Winding to body, and the many rows of a switch-off, leave the winding's own reading standing."""
    screen = RunScreen(terminal(), ["Y1"], NOTE)
    screen.row(reading(1, "Y1"))
    before = shown(screen)
    screen.row(Reading(time_s=2.0, coil="Y1", phase="sweep", leakage_ohm=5e6, source=source))
    assert shown(screen) == before


def test_a_set_too_long_for_the_terminal_shows_the_coil_being_read() -> None:
    """With more coils than lines the one just read is in view, and the others are counted."""
    coils = [f"V{n:02d}" for n in range(1, 41)]
    console = terminal()
    screen = filled(RunScreen(console, coils, NOTE), coils[:30])
    lines = shown(screen)
    assert len(lines) <= 24
    assert any(line.split()[:1] == ["V30"] for line in lines)
    visible = sum(line.strip().startswith("V") for line in lines)
    assert f"({40 - visible} more coils; the terminal is too low for all)" in lines
    for newest in (coils[0], coils[-1]):
        screen.row(reading(99, newest))
        assert any(line.split()[:1] == [newest] for line in shown(screen))


def test_without_a_terminal_each_tenth_is_said_once() -> None:
    """Into a file or pipe go plain lines: note, events, and how far it is at each tenth of the run."""
    console = plain()
    with RunScreen(console, COILS, NOTE) as screen:
        for percent in range(101):
            screen.progress("step 50 degC", percent / 100, 600.0)
        screen.event("step", "oven to 50 degC", "")
        screen.event("contact", "look at the contacts", "Y3")
    lines = written(console).splitlines()
    assert lines[0] == NOTE
    assert sum("left for the run" in line for line in lines) == 11
    assert " 10 % step 50 degC, 10 min left for the run" in lines
    assert lines[-2:] == ["oven to 50 degC", "Y3: look at the contacts"]
    assert "\x1b" not in written(console)


def test_a_dumb_terminal_and_a_run_that_asks_get_plain_lines() -> None:
    """A terminal that cannot move its cursor, or on which questions are put, gets no live table."""
    dumb = Console(file=io.StringIO(), force_terminal=True, color_system=None, _environ={"TERM": "dumb"})
    for console, asks in ((dumb, False), (terminal(), True)):
        with RunScreen(console, COILS, NOTE, asks=asks) as screen:
            screen.progress("cold before", 0.0, 60.0)
        assert "  0 % cold before, 60 s left for the run" in written(console)
        assert "\x1b[?25l" not in written(console)


def test_the_live_table_goes_when_the_run_ends() -> None:
    """After the run only note and events are left above the verdicts; the cursor is back."""
    console = terminal()
    with RunScreen(console, COILS, NOTE) as screen:
        filled(screen, COILS)
        screen.event("step", "oven to 50 degC", "")
    end = written(console)
    assert "oven to 50 degC" in end
    assert end.endswith("\x1b[2K")  # the last thing done is to wipe a line of the table
    assert end.rindex("\x1b[?25h") > end.rindex("\x1b[?25l")


def test_an_alarm_stands_before_every_further_line() -> None:
    """What must not be missed is said at once, and again with each line after it."""
    console = plain()
    with RunScreen(console, COILS, NOTE) as screen:
        screen.alarm("SWITCH IT OFF BY HAND")
        screen.event("step", "oven off", "")
        screen.progress("cooling", 0.5, 60.0)
    lines = written(console).splitlines()[1:]
    assert lines[0] == "SWITCH IT OFF BY HAND"
    assert lines[1] == "SWITCH IT OFF BY HAND oven off"
    assert lines[2].startswith("SWITCH IT OFF BY HAND  50 % cooling")


def test_being_stopped_is_said_before_the_record_is_closed() -> None:
    """After Ctrl-C the operator is told at once that the bench is safe and the record being closed."""
    console = plain()
    with pytest.raises(KeyboardInterrupt), RunScreen(console, COILS, NOTE):
        raise KeyboardInterrupt
    assert written(console).splitlines()[-1] == "stopped: the bench is safe, closing the record"


def test_names_from_files_are_only_names() -> None:
    """Brackets and escape codes in a rig's name or an event are shown or blanked, never obeyed."""
    console = plain()
    with RunScreen(console, COILS, "[/bold] bench \x1b[2J") as screen:
        screen.event("step", "[red]to\x07 50[/red]", "")
        screen.alarm("[/] off\nnow")
    lines = written(console).splitlines()
    assert lines == ["[/bold] bench  [2J", "[red]to  50[/red]", "[/] off now"]
