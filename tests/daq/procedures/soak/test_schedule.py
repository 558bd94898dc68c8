"""Which coil is heated next, and how the meter's time is shared: pure functions of times and currents."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from daq.procedures.soak.schedule import FAST_COOL_S, MOST_AT_ONCE, heating_order, share, worth_per_s

times = st.floats(0.0, 1e5)


def test_a_coil_in_its_fast_fall_is_worth_more_than_one_in_the_slow_tail() -> None:
    """A reading a second while winding and body part, then ever fewer: ten times as late, a tenth of them."""
    assert worth_per_s(0.0) == worth_per_s(FAST_COOL_S) == 1.0
    assert worth_per_s(10.0 * FAST_COOL_S) == 0.1


def test_the_most_telling_is_read_first_and_most() -> None:
    """Ten seconds after all were read: ten of the newest, two of an older one, the cold one left."""
    coils = {"cold": (1e5, 10.0), "tail": (900.0, 10.0), "new": (20.0, 10.0)}
    assert share(coils) == [("new", 10), ("tail", 2)]


@given(st.dictionaries(st.text(), st.tuples(times, times)))
def test_no_visit_is_in_vain_and_none_too_long(coils: dict[str, tuple[float, float]]) -> None:
    """Whoever is visited is one of those asked about, and is read once at least and so often at most."""
    visits = share(coils)
    assert len(dict(visits)) == len(visits)
    assert dict(visits).keys() <= coils.keys()
    assert all(1 <= count <= MOST_AT_ONCE for _, count in visits)


@given(st.dictionaries(st.text(), st.floats(0.1, 10.0), min_size=1))
def test_the_last_to_be_heated_is_known_soonest(most_A: dict[str, float]) -> None:
    """Every coil once, the largest current last, and equal ones as they stand in the set."""
    order = heating_order(most_A)
    assert sorted(order) == sorted(most_A)
    assert most_A[order[-1]] == max(most_A.values())
    alike = [coil for coil in order if most_A[coil] == most_A[order[-1]]]
    assert alike == [coil for coil in most_A if most_A[coil] == most_A[order[-1]]]
