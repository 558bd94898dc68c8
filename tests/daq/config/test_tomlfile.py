from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated, Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.config.toml import MAX_BYTES, Loaded, line_of, load
from daq.config.toml_lines import KeyPath, line_at
from daq.errors import InputError


class Coil(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """A part of the file under test."""

    label: str
    channel: int = 1


class Device(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """A part of the file under test."""

    resource: str | None = None
    limit_V: Annotated[float, msgspec.Meta(gt=0)] = 1.0


class Bench(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """A part of the file under test."""

    name: str
    coils: list[Coil] = []
    devices: dict[str, Device] = {}
    main: Device | None = None


def read(tmp_path: Path, text: str) -> Loaded[Bench]:
    """Write *text* to a file and load it."""
    path = tmp_path / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return load(path, Bench)


def test_a_good_file_comes_back_with_value_text_and_hash(tmp_path: Path) -> None:
    """A valid file gives the struct, its text and the SHA-256 of its bytes."""
    loaded = read(tmp_path, 'name = "abc"\n')
    assert loaded.value == Bench("abc")
    assert loaded.text == 'name = "abc"\n'
    # computed with: printf 'name = "abc"\n' | sha256sum
    assert loaded.sha256 == "32e9f8e8d785f7be7798be44f5835ba7e3fae978f4b091a8082138cf0b44ddfb"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ('name = "a"\nmain = 3\n', "bench.toml:2: key 'main': is a whole number, expected a table"),
        ("\n[main]\n", "bench.toml: key 'name': is missing, expected a value"),
        (
            'name = "a"\n[[coils]]\nlabel = "Y1"\n[[coils]]\nchannel = 2\n',
            "bench.toml:4: key 'coils[1].label': is missing, expected a value",
        ),
        (
            'name = "a"\n[main]\nresorce = "x"\n',
            (
                "bench.toml:3: key 'main.resorce': unknown key, expected one of limit_V, resource; "
                "did you mean 'resource'?"
            ),
        ),
        (
            'name = "a"\n[devices.one]\n[devices.two]\nlimit_V = "5"\n',
            "bench.toml:4: key 'devices.two.limit_V': is a text in quotes, expected a number",
        ),
        (
            'name = "a"\n[devices.two]\nlimit = 5\n',
            (
                "bench.toml:3: key 'devices.two.limit': unknown key, expected one of limit_V, resource; "
                "did you mean 'limit_V'?"
            ),
        ),
        (
            'name = "a"\ncoils = [\n  { label = "x" },\n  { label = "y", channel = 1.5 },\n]\n',
            "bench.toml:4: key 'coils[1].channel': is a number, expected a whole number",
        ),
        ('name = "a"\n[main]\nlimit_V = 0\n', "bench.toml:3: key 'main.limit_V': is 0: Expected float > 0.0"),
        (
            'name = "a"\n[main]\nlimit_V = nan\n',
            "bench.toml:3: key 'main.limit_V': is nan, expected a finite number",
        ),
        ('name = "a"\n\nname = "b"\n', "bench.toml:3: not valid TOML: Cannot overwrite a value"),
        ('name = "a\n', "bench.toml:1: not valid TOML: Illegal character '\\n'"),
        ("name = [1,\n2,", "bench.toml:2: not valid TOML: Invalid value"),
        (f"name = {'9' * 5000}\n", "bench.toml: not valid TOML: Exceeds the limit"),
        (f"name = {'[' * 5000}\n", "bench.toml: nested too deeply, expected plain TOML"),
    ],
)
def test_a_bad_file_is_named_with_line_and_key(tmp_path: Path, text: str, expected: str) -> None:
    """Whatever is wrong in a file is reported in one line with file, line, key and what was expected."""
    with pytest.raises(InputError) as caught:
        read(tmp_path, text)
    message = str(caught.value)
    assert "\n" not in message
    assert message.startswith(f"{tmp_path}/{expected}")


def test_an_unreadable_file_is_one_sentence(tmp_path: Path) -> None:
    """A missing file, a folder, a giant and a byte that is not UTF-8 are each refused in one line."""
    with pytest.raises(InputError, match=r"none\.toml: cannot be read \(No such file"):
        load(tmp_path / "none.toml", Bench)
    with pytest.raises(InputError, match="cannot be read"):
        load(Path("nul\0"), Bench)
    with pytest.raises(InputError, match="is a folder"):
        load(tmp_path, Bench)
    giant = tmp_path / "giant.toml"
    giant.write_bytes(b"#" * (MAX_BYTES + 1))
    with pytest.raises(InputError, match="larger than 256 kB"):
        load(giant, Bench)
    latin = tmp_path / "latin.toml"
    latin.write_bytes(b'name = "a"\n# 20 \xb0C\n')
    with pytest.raises(InputError, match=r"latin\.toml:2: a byte is not UTF-8"):
        load(latin, Bench)


def test_the_mark_and_line_ends_of_other_editors_are_accepted(tmp_path: Path) -> None:
    """A byte-order mark and CR LF line ends change neither the value nor the line numbers."""
    path = tmp_path / "bench.toml"
    path.write_bytes(b'\xef\xbb\xbfname = "a"\r\n[main]\r\nlimit_V = 2\r\n')
    loaded = load(path, Bench)
    assert loaded.value.main == Device(limit_V=2)
    assert "bench.toml:3: key 'main.limit_V': too high" in str(loaded.error("main.limit_V", "too high"))


def test_a_semantic_error_points_at_the_key_or_its_table(tmp_path: Path) -> None:
    """Loaded.error gives the line of the key, of its table where the key is absent, or of the file."""
    loaded = read(tmp_path, 'name = "a"\n[[coils]]\nlabel = "Y1"\n\n[[coils]]\nlabel = "Y1"\n')
    assert str(loaded.error("coils[1].label", "twice")).endswith("bench.toml:6: key 'coils[1].label': twice")
    assert str(loaded.error("coils[1].channel", "none")).endswith(
        "bench.toml:5: key 'coils[1].channel': none"
    )
    assert str(loaded.error("", "in\nall")).endswith("bench.toml: in all")


LINES = "\n".join(
    [
        "a = 1 # [b]",
        '"q.r" = "x # y = 2"',
        'text = """',
        "[not.a.table]",
        'quoted \\""" ""x"""""',
        "raw = '''",
        "k = 1",
        "'''",
        "list = [ # comment",
        "  1,",
        "  { in = 2, deep = { x = 3 } },",
        "  [4,",
        "   5],",
        "]",
        '[ one . "two.three" ]',
        "when = 1979-05-27 07:32:00",
        "four.five = true",
        "[[ rows ]]",
        "n = 1",
        "[rows.sub]",
        "m = 2",
        "[[rows]]",
        "n = 3",
        "[[rows.cells]]",
        "[[rows.cells]]",
        "z = 0",
    ]
)


@pytest.mark.parametrize(
    ("keypath", "line"),
    [
        ("a", 1),
        ('"q.r"', 2),
        ("text", 3),
        ("raw", 6),
        ("list[0]", 10),
        ("list[1].in", 11),
        ("list[1].deep.x", 11),
        ("list[2][1]", 13),
        ('one."two.three".when', 16),
        ('one."two.three".four.five', 17),
        ("rows[0].n", 19),
        ("rows[0].sub.m", 21),
        ("rows[1].n", 23),
        ("rows[1].cells[1].z", 26),
        ("absent", None),
    ],
)
def test_keys_are_found_in_every_spelling_of_toml(keypath: str, line: int | None) -> None:
    """Strings of all kinds, lists, inline tables, dotted keys and lists of tables are found."""
    tomllib.loads(LINES)
    assert line_of(LINES, keypath) == line


def flat(node: Any, here: KeyPath = ()) -> list[KeyPath]:
    """Return the path of every key and element."""
    pairs = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else []
    return [found for key, value in pairs for found in [(*here, key), *flat(value, (*here, key))]]


KEYS = st.text(st.sampled_from('ab."\\ é'), min_size=1, max_size=3)
TEXTS = st.text(st.sampled_from("a\"'\n#=[]{},\\"), max_size=8)


def toml_text(value: object) -> str:
    """Write a value as TOML, texts in basic quotes."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{toml_text(k)} = {toml_text(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ",\n".join(toml_text(v) for v in value) + "]"
    return msgspec.json.encode(value).decode()


@given(
    st.dictionaries(
        KEYS,
        st.recursive(
            st.integers(0, 9) | TEXTS | st.booleans(),
            lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3),
            max_leaves=6,
        ),
        min_size=1,
        max_size=4,
    )
)
def test_any_text_that_parses_is_walked_to_every_key(document: dict[str, Any]) -> None:
    """Whatever tomllib accepts, each of its keys has a line, and lines of top keys ascend."""
    text = "\n".join(f"{toml_text(key)} = {toml_text(value)}" for key, value in document.items())
    parsed = tomllib.loads(text)
    assert parsed == document
    lines = [line_at(text, keypath) for keypath in flat(parsed)]
    assert None not in lines
    assert lines == sorted(lines, key=lambda line: line or 0)
