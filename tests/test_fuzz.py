"""Every parser against bent and broken input: some hundred tries here, more in tests/benchmarks/fuzz.py."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daq.errors import InputError
from tests.fuzz_targets import CORPUS, TARGETS, HostileError, refusing, seeds

#: What parsers stumble over, put where something else was.
_TOKENS = (
    *(
        b"",
        b"\n",
        b"\r",
        b"\t",
        b" ",
        b",",
        b";",
        b'"',
        b"'",
        b"=",
        b".",
        b"[",
        b"]",
        b"{",
        b"}",
        b"#",
        b"\\",
    ),
    *(b"\0", b"\x1b[31m", b"\xff", b"\xe2\x80\xae", b"\xef\xbb\xbf", b'"""', b"\\u0000", b"[[", b"]]"),
    *(
        b"nan",
        b"-inf",
        b"1e400",
        b"-1",
        b"0",
        b"9.91E37",
        b"1e-320",
        b"0x7fffffffffffffff",
        b"99999999999999999999",
    ),
    *(b"true", b"2026-01-05", b"00:00:60", b"{value}", b"{text}", b"{number}", b"../..", b"CON"),
)
_EDITS = st.lists(
    st.tuples(
        st.floats(0, 1, exclude_max=True),
        st.integers(0, 12),
        st.sampled_from(_TOKENS) | st.binary(max_size=4),
    ),
    max_size=6,
)


def bent(data: bytes, edits: list[tuple[float, int, bytes]]) -> bytes:
    """Return *data* with, at each place, some bytes replaced by others."""
    for place, length, token in edits:
        at = int(place * (len(data) + 1))
        data = data[:at] + token + data[at + length :]
    return data


@pytest.mark.slow
@pytest.mark.parametrize("target", TARGETS)
def test_a_bent_file_is_read_or_refused_in_one_line(target: str) -> None:
    """Good input with a few bytes changed, moved or lost ends in a reading or a refusal."""
    known = seeds(target)

    @settings(
        max_examples=150,
        derandomize=True,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(st.sampled_from(known), _EDITS)
    def attempt(data: bytes, edits: list[tuple[float, int, bytes]]) -> None:
        TARGETS[target](bent(data, edits))

    attempt()


@pytest.mark.parametrize(
    "kept", [pytest.param(path, id=f"{path.parent.name}-{path.name}") for path in sorted(CORPUS.glob("*/*"))]
)
def test_what_once_broke_a_parser_no_longer_does(kept: Path) -> None:
    """Every find that was kept is read or refused in one line."""
    TARGETS[kept.parent.name](kept.read_bytes())


def test_a_refusal_of_many_lines_is_a_find() -> None:
    """The judge of the targets lets one bearable line pass and nothing else."""
    with refusing():
        raise InputError("one line")
    for said in ("two\nlines", "x" * 10_000):
        with pytest.raises(HostileError), refusing():
            raise InputError(said)
    with pytest.raises(ZeroDivisionError), refusing():
        raise ZeroDivisionError
