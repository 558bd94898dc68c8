"""The small SCPI parser: spellings, chains, parameters, error queue and event status.

Error numbers and texts: SCPI-1999 volume 2, 21.8. Event status bits: IEEE 488.2. Chapter
numbers of IEEE 488.2 and of SCPI-1999 volume 1 are given from memory.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.sim.devices.scpi import LINE_LIMIT, spellings
from tests.daq.kits.sim import NO_ERROR, ask, bench, refusal, tell


@pytest.mark.parametrize(
    "header",
    [
        "VOLT:PROT",
        "VOLTage:PROTection",
        "voltage:prot",
        "Volt:Protection:Level",
        "SOUR:VOLT:PROT",
        ":SOURce:VOLTage:PROTection:LEVel",
    ],
)
def test_long_and_short_forms_are_one_command(header: str) -> None:
    """Long, short, mixed, with and without optional nodes, in any case: the same setting."""
    built, _ = bench()
    tell(built, "supply", f"{header} 12.5")
    assert ask(built, "supply", f"{header}?") == "12.5000"
    assert ask(built, "supply", "VOLT:PROT?") == "12.5000"


@given(st.integers(1, 10))
def test_only_the_short_and_the_long_form_are_accepted(length: int) -> None:
    """Of all beginnings of a mnemonic the exact short and the exact long form alone are headers."""
    built, _ = bench()
    word = "PROTection"[:length]
    error = ask(built, "supply", f"VOLT:{word} 3;:SYST:ERR?") if word in {"PROT", "PROTection"} else None
    if error is None:
        error = refusal(built, "supply", f"VOLT:{word} 3")
        assert error == '-113,"Undefined header"'
    else:
        assert error == NO_ERROR


def test_spellings_of_a_pattern() -> None:
    """A pattern gives every combination of its forms, and leaves out what stands in brackets."""
    assert set(spellings("[SOURce:]VOLTage")) == {
        "VOLT",
        "VOLTAGE",
        "SOUR:VOLT",
        "SOUR:VOLTAGE",
        "SOURCE:VOLT",
        "SOURCE:VOLTAGE",
    }
    assert set(spellings("*IDN")) == {"*IDN"}


@pytest.mark.parametrize(
    ("instrument", "line", "error"),
    [
        ("supply", "VOLTS 3", '-113,"Undefined header"'),
        ("supply", "VOLT", '-109,"Missing parameter"'),
        ("supply", "VOLT 1,2", '-108,"Parameter not allowed"'),
        ("supply", "VOLT? 1", '-108,"Parameter not allowed"'),
        ("supply", "VOLT twelve", '-104,"Data type error"'),
        ("supply", "VOLT 12 A", '-131,"Invalid suffix"'),
        ("supply", "VOLT 33", '-222,"Data out of range"'),
        ("supply", "VOLT -1", '-222,"Data out of range"'),
        ("supply", "VOLT 1E999", '-222,"Data out of range"'),
        ("supply", "OUTP MAYBE", '-104,"Data type error"'),
        ("supply", "OUTP:CLOS (@1)", '-113,"Undefined header"'),
        ("meter", "FUNC FRES", '-104,"Data type error"'),
        ("meter", 'FUNC "TEMP"', '-224,"Illegal parameter value"'),
        ("meter", "FRES:RANG 2E8", '-222,"Data out of range"'),
        ("meter", "FRES:NPLC 0.001", '-222,"Data out of range"'),
        ("switch", "ROUT:CLOS 101", '-104,"Data type error"'),
        ("switch", "ROUT:CLOS (@)", '-104,"Data type error"'),
        ("switch", "ROUT:CLOS (@999)", '-222,"Data out of range"'),
        ("switch", "ROUT:CLOS (@1:999999999)", '-222,"Data out of range"'),
        ("switch", "ROUT:CLOS? (@101,999)", '-222,"Data out of range"'),
        ("thermometer", "MEAS:TEMP? (@3)", '-222,"Data out of range"'),
        ("thermometer", "MEAS:TEMP?", '-109,"Missing parameter"'),
    ],
)
def test_wrong_lines_answer_nothing_and_leave_one_error(instrument: str, line: str, error: str) -> None:
    """A refused line gives no reply and one entry in the queue, with the standard's number and text."""
    built, _ = bench()
    assert refusal(built, instrument, line) == error


def test_a_refused_setting_changes_nothing() -> None:
    """Out of range means refused: the value before stands, nothing is clamped."""
    built, _ = bench()
    tell(built, "supply", "VOLT 8.4")
    refusal(built, "supply", "VOLT 40")
    assert ask(built, "supply", "VOLT?") == "8.4000"


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("8", "8.0000"),
        ("+8.4", "8.4000"),
        (".5", "0.5000"),
        ("84e-1", "8.4000"),
        ("8.4V", "8.4000"),
        ("8400 mV", "8.4000"),
    ],
)
def test_numbers_in_every_form(text: str, value: str) -> None:
    """NR1, NR2, NR3 and a unit with its prefix are one number (IEEE 488.2, 7.7.2; suffixes 7.7.3)."""
    built, _ = bench()
    tell(built, "supply", f"VOLT {text}")
    assert ask(built, "supply", "VOLT?") == value


def test_a_chain_goes_on_from_the_node_it_is_at() -> None:
    """After a semicolon the header starts at the same node; a colon starts at the root again."""
    built, _ = bench()
    tell(built, "supply", "VOLT:PROT 20;PROT:LEV 21;:CURR:PROT 3;:VOLT 5; CURR 2")
    assert ask(built, "supply", "VOLT:PROT?;:CURR:PROT?;:VOLT?;CURR?") == "21.0000;3.0000;5.0000;2.0000"
    assert refusal(built, "supply", "CURR:PROT 2;VOLT 3") == '-113,"Undefined header"'


def test_common_commands_leave_the_node_alone() -> None:
    """A command with an asterisk in a chain does not move the node (SCPI-1999 volume 1, 6.2.4)."""
    built, _ = bench()
    assert ask(built, "supply", "MEAS:VOLT?;*OPC?;CURR?") == "0.0000;1;0.0000"


def test_a_command_error_spoils_the_rest_of_its_line() -> None:
    """What stands before the undefined header is done, what stands after is not."""
    built, _ = bench()
    assert refusal(built, "supply", "VOLT 5;NONSENSE;CURR 1") == '-113,"Undefined header"'
    assert ask(built, "supply", "VOLT?;CURR?") == "5.0000;6.0000"


def test_semicolons_and_commas_in_a_string_are_text() -> None:
    """Inside quotes nothing separates: the function name is illegal, the line is whole."""
    built, _ = bench()
    assert refusal(built, "meter", 'FUNC "A;B,C"') == '-224,"Illegal parameter value"'


def test_event_status_tells_the_class_of_error() -> None:
    """*ESR? gives power on once, then command 32, execution 16, operation complete 1, and clears itself."""
    built, _ = bench()
    assert ask(built, "supply", "*ESR?") == "128"
    assert ask(built, "supply", "*ESR?") == "0"
    built.peers["supply"].feed(b"NONSENSE\n")
    assert ask(built, "supply", "*ESR?") == "32"
    built.peers["supply"].feed(b"VOLT 99\n")
    assert ask(built, "supply", "*ESR?") == "16"
    built.peers["supply"].feed(b"*OPC\n")
    assert ask(built, "supply", "*ESR?") == "1"


def test_errors_come_first_in_first_out_and_overflow_says_so() -> None:
    """The oldest error comes first; a full queue ends in -350 (SCPI-1999 volume 2, 21.8.1)."""
    built, _ = bench()
    built.peers["supply"].feed(b"VOLT 99\n" + b"NONSENSE\n" * 30)
    errors = []
    while (error := ask(built, "supply", "SYST:ERR?")) != NO_ERROR:
        errors.append(error)
    assert errors[0] == '-222,"Data out of range"'
    assert set(errors[1:-1]) == {'-113,"Undefined header"'}
    assert errors[-1] == '-350,"Queue overflow"'
    assert len(errors) == 20


def test_clear_forgets_errors_and_status() -> None:
    """*CLS empties the queue and the event status."""
    built, _ = bench()
    built.peers["supply"].feed(b"NONSENSE\n*CLS\n")
    assert ask(built, "supply", "SYST:ERR?") == NO_ERROR
    assert ask(built, "supply", "*ESR?") == "0"


def test_version_and_identity() -> None:
    """Every instrument names the SCPI year and four fields of identity (IEEE 488.2, 10.14)."""
    built, _ = bench(oven={})
    for name in built.peers:
        assert ask(built, name, "SYST:VERS?") == "1999.0"
        assert len(ask(built, name, "*IDN?").split(",")) == 4
    assert len({ask(built, name, "*IDN?") for name in built.peers}) == 5


@pytest.mark.slow
@given(st.lists(st.integers(1, 12), min_size=1, max_size=8))
def test_bytes_may_come_in_any_pieces(cuts: list[int]) -> None:
    """Replies come when their line is complete, however the bytes were cut; CR before LF is nothing."""
    built, _ = bench()
    data = b"VOLT 7.5\r\nVOLT?\r\n*OPC?\n"
    replies, at = b"", 0
    for cut in [*cuts, len(data)]:
        replies += built.peers["supply"].feed(data[at : at + cut])
        at += cut
    assert replies == b"7.5000\n1\n"


def test_a_line_too_long_is_one_error() -> None:
    """An overlong line leaves -363, whole or in pieces, and the next line works."""
    built, _ = bench()
    peer = built.peers["supply"]
    for _ in range(3 * LINE_LIMIT // 100):
        assert peer.feed(b"x" * 100) == b""
    assert peer.feed(b"\n") == b""
    assert ask(built, "supply", "SYST:ERR?") == '-363,"Input buffer overrun"'
    assert ask(built, "supply", "*OPC?") == "1"


@pytest.mark.parametrize("noise", [b"\x00VOLT 3", b"VOLT \xff3", b"\x02*IDN?\x03", "VOLT 3Ω".encode()])
def test_bytes_that_are_no_text_are_an_invalid_character(noise: bytes) -> None:
    """NUL, control bytes and bytes above 127 spoil their line and nothing else."""
    built, _ = bench()
    assert built.peers["supply"].feed(noise + b"\n") == b""
    assert ask(built, "supply", "SYST:ERR?") == '-101,"Invalid character"'


words = st.sampled_from(
    [
        "VOLT",
        "MEAS",
        "FRES",
        "ROUT:CLOS",
        "*",
        "?",
        ":",
        ";",
        ",",
        " ",
        "(@",
        ")",
        '"',
        "'",
        "1E5",
        "-",
        "101",
        "\t",
    ]
)


@pytest.mark.slow
@given(
    st.sampled_from(["supply", "meter", "switch", "thermometer", "oven"]),
    st.one_of(
        st.binary(max_size=60), st.lists(words, max_size=14).map(lambda parts: "".join(parts).encode())
    ),
)
def test_no_bytes_break_an_instrument(name: str, data: bytes) -> None:
    """Whatever is sent, replies are whole lines of text and the instrument still says who it is."""
    built, _ = bench(oven={})
    reply = built.peers[name].feed(data + b"\n")
    assert reply.isascii()
    assert reply == b"" or reply.endswith(b"\n")
    assert ask(built, name, "*IDN?").startswith("Coilsoak,")
