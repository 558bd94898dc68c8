from __future__ import annotations

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from daq.errors import InputError
from daq.instruments.dialects.template import (
    ReplyPattern,
    SpecialValues,
    Spellings,
    format_command,
    format_number,
    parse_error_entry,
    placeholders,
    read_number,
    unquoted,
)
from daq.instruments.number import NO_READING, NOT_A_NUMBER, OK, OVER_RANGE, Number

WORDS = Spellings()
PLAIN = SpecialValues()
DASHES = SpecialValues(over_range=(1.2e8,), over_range_words=("-------", "OL"), no_reading_words=("", "...."))


def number(
    template: str, reply: str, *, scaled: bool = False, special: SpecialValues = PLAIN
) -> Number | None:
    """Match *reply* and read its number; None if it does not match."""
    pattern = ReplyPattern(template, {"channel": 1}, words=WORDS, special=special, scaled=scaled)
    fields = pattern.match(reply)
    return None if fields is None else pattern.number(fields)


@pytest.mark.parametrize(
    ("reply", "value"),
    [
        ("+1.00001121E+01", 10.0001121),
        ("+1000.123000E+00", 1000.123),
        ("10E-3", 0.01),
        ("1E+07", 1e7),
        ("+5.120", 5.12),
        ("05.00", 5.0),
        ("+36", 36.0),
        ("36", 36.0),
        ("5.", 5.0),
        (".2", 0.2),
        ("-0", 0.0),
        (" 1.5\t", 1.5),
        ("\r1.5\r\n", 1.5),
        ("+3.3012e+000", 3.3012),
    ],
)
def test_a_number_is_read_in_every_spelling(reply: str, value: float) -> None:
    """NR1, NR2 and NR3 are read, normalised or not, padded or not."""
    assert number("{number}", reply) == Number(value, OK)


@pytest.mark.parametrize(
    "reply",
    [
        "", "+", ".", "E5", "1.2.3", "1,5", "1 5", "0x10", "1.5V", "+-1", "1E", "1E+", "1e5.0", "inf", "nan",
        "١٢", "1_000", "1.5\x00", "--1", "1.5;1.5", "9" * 200, "1E-999", "1.0E+ 01",
    ],
)  # fmt: skip
def test_a_damaged_number_is_no_number(reply: str) -> None:
    """Whatever is not a number from end to end is none, and neither is one that a float would lose."""
    assert number("{number}", reply) is None


@pytest.mark.parametrize(
    "spelling", ["9.91E37", "+9.91000000E+37", "9.91e+37", "991E35", "-9.91E37", "9.9099998E37"]
)
def test_not_a_number_comes_before_overload(spelling: str) -> None:
    """9.91E37 is 'not a number' although it is above 9.9E37 (SCPI-1999 volume 1, 7.2.1.5)."""
    assert number("{number}", spelling) == Number(None, NOT_A_NUMBER)


@pytest.mark.parametrize(
    "spelling", ["9.9E37", "+9.90000000E+37", "-9.9e37", "9.8999998E37", "1E38", "9E999"]
)
def test_overload_is_no_number_in_either_sign(spelling: str) -> None:
    """9.9E37 in any spelling and sign, and all above, is over range (SCPI-1999 7.2.1.4)."""
    assert number("{number}", spelling) == Number(None, OVER_RANGE)


@pytest.mark.parametrize(
    ("reply", "status"),
    [("1.2E8", OVER_RANGE), ("1.99999E8", OVER_RANGE), ("-------", OVER_RANGE), ("OL", OVER_RANGE),
     ("OL V", OVER_RANGE), ("", NO_READING), ("....", NO_READING), ("1.19E8", OK), ("9.91E37", NOT_A_NUMBER)],
)  # fmt: skip
def test_a_dialect_has_its_own_words_for_no_number(reply: str, status: str) -> None:
    """Dashes, dots, an empty reply and large numbers mean what the dialect says."""
    found = number("{number:V}", reply, special=DASHES) or number("{number}", reply, special=DASHES)
    assert found is not None
    assert found.status == status


@pytest.mark.parametrize("reply", ["------", "--------", "OLE", ".....", "-------OL"])
def test_a_damaged_word_is_no_word(reply: str) -> None:
    """A dash more or less is a damaged reply, not an overload."""
    assert number("{number}", reply, special=DASHES) is None


@pytest.mark.parametrize(
    ("template", "reply", "value"),
    [
        ("{number:V}", "5.000V", 5.0),
        ("{number:VDC}", "+1.73730000E-03 VDC", 1.7373e-3),
        (
            "{number:NOHM4},{skip},{skip},{skip}",
            "+1000.123000E+00NOHM4,+20567.08SECS,+40730RDNG#,00EXTCHAN",
            1000.123,
        ),
        ("V{channel} {number}", "V1 12.000", 12.0),
        ("V{channel} {number}", "V112.000", 12.0),
        ("t: {number:C}", "t: 55.69 C", 55.69),
        ("{skip},{number},{skip}", "8.4, 1.25, 6.72", 1.25),
        ("\x02{number}\x03", "\x02+1.5\x03", 1.5),
    ],
)
def test_units_and_labels_are_literal(template: str, reply: str, value: float) -> None:
    """Units glued or spaced, labels with or without their blank, and further fields stand around a number."""
    assert number(template, reply) == Number(value, OK)


@pytest.mark.parametrize(
    ("template", "reply"),
    [("{number:V}", "5.000"), ("{number:V}", "5.000mV"), ("{number:V}", "5.000VV"), ("{number:V}", "5.000A"),
     ("V{channel} {number}", "V2 12.000"), ("V{channel} {number}", "12.000"), ("{number},{skip}", "1.5")],
)  # fmt: skip
def test_another_unit_or_label_is_a_damaged_reply(template: str, reply: str) -> None:
    """A missing, foreign or scaled unit where none was declared does not match."""
    assert number(template, reply) is None


@pytest.mark.parametrize(
    ("template", "reply", "value"),
    [
        ("{number:V}", "174.3112mV", 0.1743112),
        ("{number}", "4.12 k", 4120.0),
        ("{number:ohm}", "1.02Mohm", 1.02e6),
        ("{number:A}", "3.3 µA", 3.3e-6),
        ("{number:A}", "3.3uA", 3.3e-6),
        ("{number:V}", "5.000V", 5.0),
        ("{number:V}", "1.5E+03mV", 1.5),
    ],
)
def test_a_prefix_scales_where_declared(template: str, reply: str, value: float) -> None:
    """An SI prefix gives the float nearest to the decimal it spells."""
    assert number(template, reply, scaled=True) == Number(value, OK)


def test_an_overflow_mark_outweighs_its_number() -> None:
    """A field declared as over range is, whatever number stands in it."""
    assert number("{over_range}OOHM4,{skip}", "+100.0000E+00OOHM4,+1SECS") == Number(None, OVER_RANGE)


def test_lists_states_bytes_and_texts_are_taken_apart() -> None:
    """The other fields match their own kind and nothing else."""

    def fields(template: str, reply: str) -> dict[str, str] | None:
        return ReplyPattern(template, {}, words=WORDS, special=PLAIN).match(reply)

    assert fields("OUT {state}", "OUT ON") == {"state": "ON"}
    assert fields("{state}", "0") == {"state": "0"}
    assert fields("{state}", "2") is None
    assert fields("(@{channels})", "(@1, 8,13)") == {"channels": "1, 8,13"}
    assert fields("(@{channels})", "(@)") == {"channels": ""}
    assert fields("(@{channels})", "(@1,,8)") is None
    assert fields("{byte}", "\n") == {"byte": "\n"}
    assert fields("{byte}", "ab") is None
    assert fields("{quoted}", '"a ""b"""') == {"quoted": '"a ""b"""'}
    assert fields("{quoted}", '"a') is None
    assert unquoted('"a ""b"""') == 'a "b"'
    byte = ReplyPattern("{byte}", {}, words=WORDS, special=PLAIN)
    assert byte.number({"byte": "\xd1"}) == Number(209.0, OK)
    assert byte.number({}) is None


@pytest.mark.parametrize(
    ("template", "params", "command"),
    [
        ("VOLT {value:.4f}", {"value": 8.4}, "VOLT 8.4000"),
        ("VSET1:{value:05.2f}", {"value": 5}, "VSET1:05.00"),
        ("FRES:RANG {value}", {"value": 100.0}, "FRES:RANG 100.0"),
        ("OUTP {state}", {"state": True}, "OUTP ON"),
        ("OUTP CH{channel},{state}", {"state": False, "channel": 2}, "OUTP CH2,OFF"),
        ("ROUT:CLOS (@{channels})", {"channels": "101,201"}, "ROUT:CLOS (@101,201)"),
        ("V{channel};V{channel}", {"channel": 3}, "V3;V3"),
        ("*IDN?", {}, "*IDN?"),
    ],
)
def test_a_command_is_filled_in(template: str, params: dict[str, object], command: str) -> None:
    """Numbers, states and channels take their places in the template."""
    assert format_command(template, params, WORDS) == command


@pytest.mark.parametrize(
    ("template", "params", "match"),
    [
        ("VOLT {value}", {}, "needs value, which nobody gave"),
        ("VOLT?", {"value": 1}, "takes no value"),
        ("VOLT {value}", {"value": math.nan}, "is nan, expected a finite number"),
        ("VOLT {value}", {"value": -math.inf}, "is -inf, expected a finite number"),
        ("VOLT {value:x}", {"value": 1}, "number format 'x' is unknown"),
        ("VOLT {value:.200f}", {"value": 1}, "number format"),
        ("VOLT {value:.2f}", {"value": "8"}, "expected a number"),
        ("ROUT:CLOS (@{channels})", {"channels": "1;*RST"}, "expected a word"),
        ("ROUT:CLOS (@{channels})", {"channels": "1\n*RST"}, "expected a word"),
        ("ROUT:CLOS (@{channels})", {"channels": ""}, "expected a word"),
        ("VOLT {value", {"value": 1}, "brace"),
        ("VOLT {}", {}, "brace"),
        ("VOLT {a.b}", {}, "brace"),
    ],
)
def test_a_command_that_cannot_be_filled_in_is_refused(
    template: str, params: dict[str, object], match: str
) -> None:
    """Missing, unknown, infinite or multi-field parameters and broken templates are refused."""
    with pytest.raises(InputError, match=match):
        format_command(template, params, WORDS)


@pytest.mark.parametrize(
    ("template", "match"),
    [("{number},{number}", "field twice"), ("V{channel}", "needs channel"), ("{numb", "brace")],
)
def test_a_reply_template_that_makes_no_sense_is_refused(template: str, match: str) -> None:
    """A field twice, an unknown placeholder or a stray brace is refused when the template is read."""
    with pytest.raises(InputError, match=match):
        ReplyPattern(template, {}, words=WORDS, special=PLAIN)


@pytest.mark.parametrize(
    ("entry", "expected"),
    [
        ('+0,"No error"', (0, "No error")),
        ("0,No error", (0, "No error")),
        ("+0, No Error", (0, "No Error")),
        ('-113, "Undefined header"', (-113, "Undefined header")),
        ('-113,"Undefined header;say ""VOLT"""', (-113, 'Undefined header;say "VOLT"')),
        ("-113 Undefined header", (-113, "Undefined header")),
        ("ERR 0", (0, "")),
        ("0", (0, "")),
        ("0\r", (0, "")),
        ("No error", None),
        ("", None),
        ("0x0", None),
        ("+-5,x", None),
        ("1.5,x", None),
    ],
)
def test_an_error_entry_is_read_in_every_spelling(entry: str, expected: tuple[int, str] | None) -> None:
    """Code and text come apart in all known spellings; anything else is no entry."""
    assert parse_error_entry(entry) == expected


TEMPLATES = [
    "{number}", "{number:V}", "V{channel} {number}", "{number:NOHM4},{skip},{skip}", "{state}",
    "{byte}", "(@{channels})", "{code}", "{quoted}", "{over_range}OVDC", "{text}", "M {text}",
]  # fmt: skip
GARBAGE = st.text(st.sampled_from("+-.0123456789eE,VvmkµOHLNDC ()@\"'\r\n\x00\t"), max_size=30) | st.text(
    max_size=30
)


@given(st.sampled_from(TEMPLATES), GARBAGE, st.booleans(), st.sampled_from([PLAIN, DASHES]))
def test_garbage_matches_whole_or_not_at_all(
    template: str, reply: str, scaled: bool, special: SpecialValues
) -> None:
    """Any text is such a reply, its number finite or absent with a reason, or it is none."""
    pattern = ReplyPattern(template, {"channel": 1}, words=WORDS, special=special, scaled=scaled)
    fields = pattern.match(reply)
    if fields is None:
        return
    found = pattern.number(fields)
    if found is not None:
        assert (found.value is None) == (found.status != OK)
        assert found.value is None or math.isfinite(found.value)


@given(st.floats(-9e36, 9e36), st.sampled_from(["", ".9e", ".17g"]))
def test_what_is_formatted_is_read_back(value: float, spec: str) -> None:
    """A number written in any format is read as the number that was written."""
    text = format_number(value, spec)
    assume(float(text) == 0 or abs(float(text)) > 1e-300)
    assert number("{number}", text) == Number(float(text), OK)
    if spec != ".9e":
        assert float(text) == value


@given(st.integers(-(10**9), 10**9), st.integers(0, 6), st.sampled_from(["m", "k", "u", "M", ""]))
def test_a_prefix_moves_the_point(digits: int, places: int, prefix: str) -> None:
    """A scaled reply is the float nearest to its decimal value, to the last bit."""
    powers = {"m": -3, "k": 3, "u": -6, "M": 6, "": 0}
    text = f"{digits}E-{places}"
    expected = float(f"{digits}E{powers[prefix] - places}")
    assert number("{number:V}", f"{text} {prefix}V", scaled=True) == Number(expected, OK)


@given(GARBAGE)
def test_an_error_entry_is_read_or_is_none(text: str) -> None:
    """Any text is an entry with a whole code, or none."""
    entry = parse_error_entry(text)
    assert entry is None or isinstance(entry[0], int)
    assert read_number(text, PLAIN) is None or text.strip()


def test_placeholders_are_listed_with_their_formats() -> None:
    """Names and formats come in the order of the template."""
    assert placeholders("V{channel}:{value:05.2f}") == [("channel", ""), ("value", "05.2f")]


@pytest.mark.parametrize("template", TEMPLATES)
def test_matching_a_long_reply_stays_quick(template: str) -> None:
    """A reply of thousands of blanks, digits or commas is refused in no time."""
    pattern = ReplyPattern(template, {"channel": 1}, words=WORDS, special=DASHES, scaled=True)
    for filler in (" ", "9", ",", "1,", '"', "-"):
        pattern.match(filler * 4000 + "\x01")
