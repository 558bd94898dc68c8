from __future__ import annotations

from pathlib import Path

import msgspec
import pytest

from daq.errors import InputError
from daq.instruments.dialects import schema
from daq.instruments.dialects.load import SHIPPED, load_dialect, shipped
from daq.instruments.dialects.roles import ROLES
from daq.instruments.dialects.schema import DialectFile, RoleTable

PROBE = 'about = "mine"\n[probe]\nread = { ask = "T?", reply = "{number}" }\n'
SUPPLY = """about = "mine"
params = { channel = 1 }
[supply]
voltage = { set = "V {value:.2f}", ask = "V?", reply = "{number}", verify = true, tolerance = 0.01 }
current_limit = { set = "I {value:.2f}", ask = "I?", reply = "{number}", verify = true, tolerance = 0.01 }
output = { set = "OUT {state}", ask = "OUT?", reply = "{state}", verify = true }
measured_voltage = { ask = "VO?", reply = "{number}" }
measured_current = { ask = "IO?", reply = "{number}" }
"""
METER = 'about = "mine"\n[meter]\n'


def refusal(tmp_path: Path, text: str) -> str:
    """Return the message with which a dialect file is refused, without its folder."""
    (tmp_path / "mine.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_dialect("mine.toml", beside=tmp_path)
    message = str(caught.value)
    assert "\n" not in message
    return message.removeprefix(f"{tmp_path}/")


def test_a_user_adds_a_dialect_beside_the_rig_file(tmp_path: Path) -> None:
    """A name that ends in .toml is a file, looked for in the rig file's folder."""
    (tmp_path / "mine.toml").write_text(SUPPLY, encoding="utf-8")
    dialect = load_dialect("mine.toml", beside=tmp_path)
    assert dialect.about == "mine"
    role = dialect.role("supply")
    assert set(role.ops) == {"voltage", "current_limit", "output", "measured_voltage", "measured_current"}
    assert role.params == {"channel": 1}
    assert load_dialect(str(tmp_path / "mine.toml")).role("supply").ops == role.ops


def test_an_unknown_name_lists_what_is_shipped() -> None:
    """A misspelt name of a shipped dialect is answered with the names there are."""
    with pytest.raises(
        InputError, match=r"'scpi-2000' is unknown, expected a file NAME\.toml or .*'scpi-1999'"
    ):
        load_dialect("scpi-2000")


def test_scpi_1999_knows_every_role() -> None:
    """The standard's dialect serves all five roles, and every op of a supply."""
    dialect = load_dialect("scpi-1999")
    assert set(dialect.roles) == set(ROLES)
    assert set(dialect.role("supply").ops) == set(ROLES["supply"])


@pytest.mark.parametrize("name", shipped())
def test_a_shipped_dialect_says_what_it_is(name: str) -> None:
    """Each shipped dialect loads and explains itself in a line, and its settings for safety are verified."""
    dialect = load_dialect(name)
    assert dialect.about.endswith(".")
    for role in dialect.roles.values():
        for op, entry in role.ops.items():
            assert entry.verify or not ROLES[role.role][op].safety


@pytest.mark.parametrize(
    ("change", "line", "key", "expected"),
    [
        (("[supply]", "[suply]"), 3, "suply", "unknown key, expected one of about, errors"),
        (("measured_current = ", "measured_curent = "), 8, "supply.measured_curent", "unknown key"),
        (("verify = true, tolerance = 0.01", "verfy = true"), 4, "supply.voltage.verfy", "unknown key"),
        (("tolerance = 0.01", "tolerance = -1"), 4, "supply.voltage.tolerance", "is -1"),
        (("tolerance = 0.01", 'tolerance = "1"'), 4, "supply.voltage.tolerance", "is a text"),
        ((", verify = true, tolerance = 0.01 }", " }"), 4, "supply.voltage.verify", "matters for safety"),
        ((", tolerance = 0.01", ""), 4, "supply.voltage.tolerance", "and verify = true belong together"),
        (('set = "V {value:.2f}", ', ""), 4, "supply.voltage.set", "is missing, expected the command"),
        (('ask = "V?", reply = "{number}", ', ""), 4, "supply.voltage.verify", "needs ask and reply"),
        (('reply = "{number}", ', ""), 4, "supply.voltage.reply", "is missing, ask and reply belong"),
        (('ask = "V?", ', ""), 4, "supply.voltage.ask", "is missing, ask and reply belong"),
        (("V {value:.2f}", "V"), 4, "supply.voltage.set", "is 'V', expected '{value}' in it"),
        (("V {value:.2f}", "V {val}"), 4, "supply.voltage.set", "command 'V {val}' needs val"),
        (("V {value:.2f}", "V {value:q}"), 4, "supply.voltage.set", "number format 'q' is unknown"),
        (("V {value:.2f}", "V {value"), 4, "supply.voltage.set", "'V {value' has a brace"),
        (("V {value:.2f}", "V {value}\\n"), 4, "supply.voltage.set", "is 'V {value}\\n', expected one"),
        (('"V?", reply = "{number}"', '"V?", reply = "{numbr}"'), 4, "supply.voltage.reply", "reply"),
        (('"V?", reply = "{number}"', '"V?", reply = "V"'), 4, "supply.voltage.reply", "is 'V', exp"),
        (
            ('"V?", reply = "{number}"', '"V?", reply = ["{number}", "{state}"]'),
            4,
            "supply.voltage.reply[1]",
            "is '{state}' with {state}, expected",
        ),
        (
            ('"VO?", reply = "{number}"', '"VO?", reply = "{number}", set = "VO"'),
            7,
            "supply.measured_voltage.set",
            "cannot be set",
        ),
        (
            ('"VO?", reply = "{number}"', '"VO?", reply = "{number}", plausible = [5, 1]'),
            7,
            "supply.measured_voltage.plausible",
            "expected the least number, then the greatest",
        ),
        (('ask = "VO?", reply = "{number}"', ""), 7, "supply.measured_voltage.ask", "is missing"),
        (
            ('reply = "{state}"', 'reply = "{number}"'),
            6,
            "supply.output.bits",
            "a status word answers by its bits",
        ),
        (
            ('reply = "{state}"', 'reply = "{number}", bits = { off = 1 }'),
            6,
            "supply.output.bits",
            "names 'off', expected 'on' alone",
        ),
        (
            ("[supply]", '[supply]\nclear_trip = { set = "C", ask = "C?", reply = "1" }'),
            4,
            "supply.clear_trip.ask",
            "has no answer",
        ),
        (("[supply]", '[supply]\nstart = ["A", "B {x}"]'), 4, "supply.start[1]", "command 'B {x}' needs x"),
        (("[supply]", '[words]\non = ["1"]\noff = ["0", "1"]\n[supply]'), 5, "words.off", "'1' stands"),
        (("[supply]", "[words]\non = []\n[supply]"), 4, "words.on", ""),
        (("[supply]", '[errors]\nask = "E {n}?"\n[supply]'), 4, "errors.ask", "command 'E {n}?' needs n"),
        (
            ("[supply]", '[errors]\nask = "E?"\nreply = "{text}"\n[supply]'),
            5,
            "errors.reply",
            "is '{text}', expected a {code} in it",
        ),
        (("[supply]", "[link]\ngap_s = 99\n[supply]"), 4, "link.gap_s", "is 99"),
        (("[supply]", "[link]\nparity = 'mark'\n[supply]"), 4, "link.parity", "is 'mark'"),
    ],
)
def test_a_mistake_in_a_dialect_is_named_with_line_and_key(
    tmp_path: Path, change: tuple[str, str], line: int, key: str, expected: str
) -> None:
    """A misspelt, missing or senseless entry is refused with file, line, key and what was expected."""
    assert change[0] in SUPPLY
    assert refusal(tmp_path, SUPPLY.replace(*change, 1)).startswith(
        f"mine.toml:{line}: key '{key}': {expected}"
    )


@pytest.mark.parametrize(
    ("text", "line", "key", "expected"),
    [
        (METER, 2, "meter", "measures no ohms"),
        (METER + 'read = { ask = "R?", reply = "{number}" }\n', 2, "meter", "measures no ohms"),
        (
            PROBE.replace('"{number}"', "[]"),
            3,
            "probe.read.reply",
            "is missing, ask and reply belong",
        ),
        (PROBE + "bits = { a = 40 }\n", 4, "probe.bits", "unknown key"),
        (PROBE.replace("about", "abuot"), 1, "abuot", "unknown key"),
    ],
)
def test_a_role_that_cannot_be_served_is_refused(
    tmp_path: Path, text: str, line: int, key: str, expected: str
) -> None:
    """A role that lacks what it is for is refused at its line."""
    assert refusal(tmp_path, text).startswith(f"mine.toml:{line}: key '{key}': {expected}")


def test_a_dialect_without_a_role_is_refused(tmp_path: Path) -> None:
    """A file with no role at all is refused."""
    assert refusal(tmp_path, 'about = "mine"\n').startswith(
        "mine.toml: has no role, expected a table such as [supply]"
    )


def test_the_roles_of_files_and_of_the_bench_are_the_same() -> None:
    """What a file may hold and what a conversation can be asked agree, and the README names all of it."""
    readme = (SHIPPED / "README.md").read_text(encoding="utf-8")
    tables = {each.name: each for each in msgspec.structs.fields(DialectFile)}
    for role, ops in ROLES.items():
        table = getattr(schema, f"{role.capitalize()}Table")
        own = {each.name for each in msgspec.structs.fields(table)}
        assert own - {each.name for each in msgspec.structs.fields(RoleTable)} == set(ops)
        assert role in tables
    for table in (schema.Op, schema.LinkTable, schema.SpecialTable, schema.ErrorsTable):
        for each in msgspec.structs.fields(table):
            assert f"`{each.name}`" in readme, each.name
