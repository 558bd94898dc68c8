"""One instrument at a prompt: bytes and values are shown, and an output that may be on is switched off."""

from __future__ import annotations

import pytest

from tests.daq.kits.cli import say
from tests.daq.kits.strange_bench import strange_bench
from tests.daq.kits.terminal import CTRL_C, terminal


@pytest.mark.slow
def test_at_the_prompt_one_sees_and_leaves_safe() -> None:
    """A question shows reply and time, a setting is asked about first, and the output is off at the end."""
    with strange_bench() as bench:
        with terminal("try", bench.addresses["supply"], "--dialect", "scpi-1999") as person:
            person.wait_for("measured_voltage")
            person.type("*IDN?", "\n> ")
            person.wait_for("ms  'Coilsoak,Simulated DC supply")
            person.type("/read measured_voltage", "\n> ")
            person.type("VOLT 2", "\n> ")
            person.type("y", "may set something; send it? [y/N] ")
            person.type("OUTP ON", "\n> ")
            person.type("y", "[y/N] ")
            person.type("OUTP?", "\n> ")
            person.wait_for("'1'")
            assert bench.simulated.output_on()
            # Another dialect does not know of it: it is switched off by the one that does.
            person.type("/dialect scpi-1999 meter", "\n> ")
            person.wait_for("its output is off, read back")
            assert not bench.simulated.output_on()
            person.type("/dialect scpi-1999 supply", "\n> ")
            person.type("OUTP ON", "\n> ")
            person.type("y", "[y/N] ")
            person.type("/nonsense", "\n> ")
            person.type("/end", "\n> ")
            assert person.end() == 0
        assert bench.noted["supply"].heard.count("OUTP ON") == 2
        assert not bench.simulated.output_on()


@pytest.mark.slow
def test_a_setting_that_is_not_confirmed_is_not_sent() -> None:
    """Enter alone means no, and nothing but questions was heard at the end."""
    with strange_bench() as bench:
        with terminal("try", bench.addresses["unheard"]) as person:
            person.type("OUTP ON", "\n> ")
            person.type("", "[y/N] ")
            person.type("/end", "\n> ")
            assert person.end() == 0
        assert "OUTP ON" not in bench.noted["unheard"].heard


@pytest.mark.slow
def test_without_a_terminal_each_op_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    """Each op of the dialect has an outcome: answered, or not tried since it would set something."""
    with strange_bench() as bench:
        told = say(capsys, "try", bench.addresses["oven"], "--dialect", "scpi-1999", "--json").json()
    outcome = {each["what"]: each["good"] for each in told["findings"]}
    assert outcome == {"setpoint": True, "temperature": True, "output": True}


def test_an_unknown_dialect_and_a_dead_address_are_told(capsys: pytest.CaptureFixture[str]) -> None:
    """One line, what to do, and exit status not 0."""
    said = say(capsys, "try", "127.0.0.1:9", "--dialect", "nonsense")
    assert said.status == 2
    assert "dialect 'nonsense' is unknown, expected one of comma-channel" in said.err
    said = say(capsys, "try", "127.0.0.1:9")
    assert said.status == 3
    assert "port 9 was tried" in said.err


@pytest.mark.slow
def test_ctrl_c_at_the_prompt_leaves_it_off() -> None:
    """However the prompt is left, what was switched on there is off."""
    with strange_bench() as bench:
        with terminal("try", bench.addresses["supply"], "--dialect", "scpi-1999") as person:
            person.type("OUTP ON", "\n> ")
            person.type("y", "[y/N] ")
            person.wait_for("silence for")
            assert bench.simulated.output_on()
            person.press(CTRL_C)
            assert person.end() == 130
        assert not bench.simulated.output_on()
