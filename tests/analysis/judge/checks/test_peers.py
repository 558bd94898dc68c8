"""Like parts against each other."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.judge.checks.peers import PeerValue, compare, like_parts, provable


def peers(*values: float, u: float = 0.001) -> dict[str, PeerValue]:
    """Coils named by their place."""
    return {f"Y{k}": PeerValue(value, u) for k, value in enumerate(values, start=1)}


def test_one_far_off_is_found_among_eight() -> None:
    """The uranium figures of NIST/SEMATECH e-Handbook 1.3.5.17.1 (from memory): only the last one is off.

    The reference is the median of the seven others, 200.82.
    """
    data = (199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57)
    result = compare(peers(*data), 3.0)
    off = [coil for coil, comparison in result.items() if abs(comparison.difference_ohm) > 3.0]
    assert off == ["Y8"]
    assert result["Y8"].difference_ohm == pytest.approx(245.57 - 200.82)
    assert all(comparison.majority for comparison in result.values())


def test_two_off_together_do_not_hide_each_other() -> None:
    """Two equally bad coils among five are both found: no masking, as with one-at-a-time tests."""
    result = compare(peers(3.30, 3.31, 3.29, 3.10, 3.11), 0.1)
    assert result["Y4"].difference_ohm == pytest.approx(-0.20)
    assert result["Y5"].difference_ohm == pytest.approx(-0.19)
    assert abs(result["Y1"].difference_ohm) < 0.02


@pytest.mark.parametrize("n", range(5, 10))
def test_two_unlike_within_the_limit_are_both_hinted_at(n: int) -> None:
    """Two coils 0.06 ohm off, within the limit of 0.1 ohm, are both unlike the others, and nobody else is."""
    sound = [3.300 + 0.001 * (k % 3) for k in range(n - 2)]
    result = compare(peers(*sound, 3.361, 3.362, u=0.0015), 0.1)
    assert [coil for coil, comparison in result.items() if comparison.outlying] == [f"Y{n - 1}", f"Y{n}"]
    assert all(comparison.majority for comparison in result.values())


def test_no_hint_from_what_was_badly_measured() -> None:
    """A coil that differs by less than twice its uncertainty is no outlier, however well the others agree."""
    result = compare({**peers(3.300, 3.301, 3.302, 3.301), "Y5": PeerValue(3.360, 0.035)}, 0.1)
    assert not result["Y5"].outlying
    assert compare({**peers(3.300, 3.301, 3.302, 3.301), "Y5": PeerValue(3.360, 0.02)}, 0.1)["Y5"].outlying


def test_two_and_three_tell_no_outlier() -> None:
    """Two coils can only disagree, and three known to 5 mohm prove nothing about one of them."""
    assert not any(each.outlying for each in compare(peers(3.30, 3.39), 0.1).values())
    assert compare(peers(3.30, 3.39), 0.1)["Y1"].compared == 2
    assert not any(each.outlying for each in compare(peers(3.30, 3.301, 3.36, u=0.005), 0.1).values())


def test_no_majority_is_said() -> None:
    """Two against two, or one against one, leave open who is right."""
    for values in ((3.3, 3.3, 3.1, 3.1), (3.3, 3.1)):
        assert not any(comparison.majority for comparison in compare(peers(*values), 0.1).values())


@pytest.mark.parametrize("n", range(3, 10))
def test_as_many_bad_ones_as_said_are_told(n: int) -> None:
    """Each of the most that can be told is off from the sound majority; with one more there is none."""
    most = (n - 1) // 2
    assert f"{n} coils and no nominal value: at most {most} lying" in provable(n, "valve", 0.1)
    bad = [3.0 - 0.2 * k for k in range(most + 1)]
    result = compare(peers(*[3.3] * (n - most), *bad[:most]), 0.1)
    off = [coil for coil, each in result.items() if each.majority and abs(each.difference_ohm) > 0.1]
    assert len(off) == most
    beyond = compare(peers(*[3.3] * (n - most - 1), *bad), 0.1)
    assert not any(each.majority for each in beyond.values())


def test_two_are_told_to_know_no_guilty_one() -> None:
    """What two can prove is said as such."""
    assert "which of them is off is not" in provable(2, "valve", 0.1)


def test_two_that_agree_are_each_others_reference() -> None:
    """Two alone that agree are compared with each other."""
    result = compare(peers(3.30, 3.34), 0.1)
    assert result["Y2"].difference_ohm == pytest.approx(0.04)
    assert result["Y2"].u_ohm == pytest.approx(0.001 * 2**0.5)
    assert (result["Y2"].majority, result["Y2"].others) == (True, 1)


def test_one_alone_has_no_peers() -> None:
    """A single coil is compared with nothing."""
    assert compare(peers(3.3), 0.1) == {}


def test_own_value_is_not_in_its_reference() -> None:
    """A coil is compared with the others alone, so a pair of three does not drag its reference along."""
    assert compare(peers(3.30, 3.32, 3.38), 0.1)["Y3"].difference_ohm == pytest.approx(0.07)


@given(st.lists(st.floats(3.0, 4.0), min_size=2, max_size=9), st.floats(0.5, 50.0))
def test_scale_and_order(values: list[float], scale: float) -> None:
    """A change of unit scales the differences, and names do not matter."""
    plain = compare(peers(*values), 0.1)
    scaled = compare(peers(*(scale * value for value in values), u=0.001 * scale), 0.1 * scale)
    backwards = compare(peers(*values[::-1]), 0.1)
    for k, coil in enumerate(plain):
        other = scaled[coil]
        if other.majority == plain[coil].majority:
            assert abs(other.u_ohm - scale * plain[coil].u_ohm) < 1e-9 + scale * 0.001
        assert backwards[f"Y{len(values) - k}"].majority == plain[coil].majority


def test_kinds_are_parted_by_gaps() -> None:
    """A bad part of a kind stays with it; another kind and an unknown one stand apart."""
    values = {"A": 3.3, "B": 5.3, "C": 3.1, "D": 5.0, "E": 3.55, "F": None}
    assert like_parts(values) == [["A", "C", "E"], ["B", "D"], ["F"]]


def test_unknown_joins_the_only_kind() -> None:
    """A coil without a reading belongs to the one kind there is."""
    assert like_parts({"A": None, "B": 3.3, "C": 3.2}) == [["A", "B", "C"]]
    assert like_parts({"A": None}) == [["A"]]
