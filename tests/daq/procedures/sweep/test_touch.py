"""Leads in a hand, told from readings alone: touching, settling, wobbling, lifted."""

from __future__ import annotations

from math import ceil

from hypothesis import given
from hypothesis import strategies as st

from daq.instruments.number import Number
from daq.procedures.sweep.contact import (
    FIRM_S,
    LIFT_S,
    PATIENCE_S,
    QUICK_READINGS,
    SETTLED_READINGS,
    Agreement,
    LeadsAt,
    Sign,
    Touch,
)

AGREE = Agreement(0.01, 1e-3)
AIR = None
QUICK_S, LONG_S = 0.03, 0.2
#: Readings until a contact is firm, until it is read, and until leads in the air are lifted.
FIRM = max(QUICK_READINGS, ceil(FIRM_S / QUICK_S) + 1)
READ = FIRM + SETTLED_READINGS
LIFT = ceil(LIFT_S / QUICK_S)


class Leads:
    """A touch with a clock that runs by its readings, quick or long."""

    def __init__(self) -> None:
        self.touch = Touch(AGREE)
        self.now_s = 0.0
        self.long_looks = 0

    def show(self, *ohms: float | None) -> list[Sign]:
        """Return the sign of each reading, those that say nothing left out."""
        signs = [self.one(ohm) for ohm in ohms]
        return [sign for sign in signs if sign is not Sign.NOTHING]

    def one(self, ohm: float | None) -> Sign:
        """Return the sign of one reading."""
        quick = self.touch.quick
        self.long_looks += not quick
        self.now_s += QUICK_S if quick else LONG_S
        return self.touch.add(Number(ohm, "ok" if ohm is not None else "open or over range"), self.now_s)


def test_a_firm_contact_is_read_once_and_until_it_lifts() -> None:
    """Quick readings that agree for a while, three long ones that do: taken once until the lift."""
    leads = Leads()
    assert leads.show(AIR, AIR, AIR) == []
    assert leads.show(*[3.3] * READ) == [Sign.TOUCHED, Sign.TAKEN]
    assert leads.long_looks == SETTLED_READINGS
    assert leads.show(*[3.3] * 100) == []
    assert leads.show(*[AIR] * (LIFT - 1)) == []
    assert leads.show(AIR) == [Sign.LIFTED]
    assert leads.touch.place is LeadsAt.AIR


def test_a_moment_in_the_air_is_no_lift() -> None:
    """Leads that were read and wobble stay where they are: their coil is not read for the next one."""
    leads = Leads()
    leads.show(*[3.3] * READ)
    assert leads.show(*[AIR] * (LIFT - 1), 3.3, *[AIR] * (LIFT - 1), 9.0, 3.3) == []


def test_a_wobbling_contact_is_waited_out() -> None:
    """What does not agree counts for nothing; what settles afterwards is taken."""
    leads = Leads()
    assert leads.show(5.0, AIR, 3.9, 3.4, AIR, 4.4, 3.6) == [Sign.TOUCHED]
    assert leads.show(*[3.3] * READ) == [Sign.TAKEN]


def test_a_wobble_that_stands_still_for_a_moment_is_not_taken() -> None:
    """Many readings that agree in a short time are not yet a firm contact."""
    leads = Leads()
    assert leads.show(*([4.1] * (FIRM - 1) + [AIR]) * 4) == [Sign.TOUCHED]


def test_a_long_look_that_does_not_agree_starts_anew() -> None:
    """A contact that slips while it is read is looked at in haste again, from that reading on."""
    leads = Leads()
    leads.show(*[3.3] * FIRM, 3.3, 3.4)
    assert leads.touch.place is LeadsAt.WOBBLING
    assert leads.show(*[3.4] * (READ - 2)) == []
    assert leads.show(3.4) == [Sign.TAKEN]


def test_a_contact_that_never_settles_is_named_again_and_again() -> None:
    """After five seconds it is told, with the figures it moved between, and every five after that."""
    leads = Leads()
    signs = leads.show(*[3.3, 4.3, AIR] * 100)
    assert signs[0] is Sign.TOUCHED
    assert signs[1:] == [Sign.UNSTEADY] * int(leads.now_s / PATIENCE_S)
    assert (leads.touch.low_ohm, leads.touch.high_ohm) == (3.3, 4.3)


def test_a_contact_is_read_anew_without_a_lift() -> None:
    """'Again' while the leads are on: the same contact gives a second reading."""
    leads = Leads()
    leads.show(*[3.3] * READ)
    leads.touch.read_anew()
    assert leads.show(*[3.31] * READ) == [Sign.TAKEN]


def test_what_is_not_wanted_is_not_read() -> None:
    """A coil that is skipped with the leads on it gives no reading; the next touch does."""
    leads = Leads()
    leads.show(3.3, 3.3)
    leads.touch.wait_for_lift()
    assert leads.show(*[3.3] * 50, *[AIR] * LIFT) == [Sign.LIFTED]
    assert leads.show(*[3.3] * READ) == [Sign.TOUCHED, Sign.TAKEN]


def test_nothing_is_wanted_of_leads_in_the_air() -> None:
    """Neither 'again' nor 'skip' makes a contact of none."""
    leads = Leads()
    leads.touch.read_anew()
    leads.touch.wait_for_lift()
    assert leads.touch.place is LeadsAt.AIR
    assert leads.show(AIR) == []


readings = st.lists(st.none() | st.sampled_from([0.0, 3.3, 3.301, 3.5]) | st.floats(-1.0, 120.0), max_size=80)


@given(readings)
def test_what_is_taken_agrees_and_each_contact_is_taken_once(ohms: list[float | None]) -> None:
    """Whatever the meter shows: a reading is taken off settled figures that agree, once between two lifts."""
    leads, taken, seen = Leads(), False, []
    for ohm in ohms:
        place = leads.touch.place
        sign = leads.one(ohm)
        seen.append(ohm)
        if sign is Sign.TAKEN:
            values = [each for each in seen[-SETTLED_READINGS:] if each is not None]
            assert len(values) == SETTLED_READINGS
            assert AGREE.of(values)
            assert not taken
            taken = True
        if sign is Sign.LIFTED:
            assert ohm is None
            assert place is not LeadsAt.AIR
            taken = False
        assert (leads.touch.place is LeadsAt.READ) == taken


@given(readings)
def test_a_coil_that_is_then_held_still_is_always_read(ohms: list[float | None]) -> None:
    """No history keeps a firm contact from being taken, once leads that were read have been lifted."""
    leads = Leads()
    leads.show(*ohms)
    leads.show(*[AIR] * (LIFT + 1))
    assert leads.touch.place is LeadsAt.AIR
    assert leads.show(*[5.3] * READ) == [Sign.TOUCHED, Sign.TAKEN]
