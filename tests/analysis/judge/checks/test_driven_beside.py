"""Coils under power against each other: what one shows is its own, what all show is the record's."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.judge.checks.under_power import Driven, DriveRows, Shape
from analysis.judge.checks.under_power_beside import beside_under_power, common_factor
from analysis.model import Accuracy

OHM, WATT = 7.0, 10.0


def drive(
    begins_rel: float = 0.0, per_s: float = 0.0015, degC: float = 90.0, *, shaped: bool = True
) -> DriveRows:
    """Two seconds under power, beginning at the ohms and a share, and rising as copper does or faster."""
    shape = Shape(begins_rel, per_s, 1e-4, 2.0, 0.5) if shaped else None
    off = begins_rel + per_s
    # The most that it can have warmed: by its own rise where that is known.
    warmer = 0.01 if shaped else 0.4
    at, rows = {"from_degC": degC, "watt": WATT}, 5
    return DriveRows(
        OHM * (1.0 + off), OHM, 0.003, warmer, rows, 1.2, limited=False, brief=True, shape=shape, **at
    )


def asked(one: Driven, *others: Driven) -> str:
    """The code of what is said of a coil beside others, empty where nothing is."""
    found = beside_under_power(one, others, Accuracy())
    return found.reason.code if found is not None and found.reason is not None else ""


SOUND = Driven((drive(degC=22.0), drive()))


@pytest.mark.parametrize(
    ("odd", "code"),
    [
        (drive(0.009), "driven-unlike"),
        (drive(-0.012), "driven-unlike"),
        (drive(0.003), ""),
        (drive(per_s=0.0065), "driven-rising"),
        (drive(per_s=0.003), ""),
        (drive(0.09, shaped=False), "driven-unlike"),
        (drive(0.01, shaped=False), ""),
    ],
)
def test_one_that_stands_out_in_one_drive_is_told_from_its_like(odd: DriveRows, code: str) -> None:
    """A contact that costs a per cent, at one temperature alone, shows beside parts that agree."""
    assert asked(Driven((drive(degC=22.0), odd)), SOUND, SOUND, SOUND) == code


def test_a_sound_coil_is_not_blamed_for_the_others() -> None:
    """Beside two that are off, one whose V/I begins at its ohms is in order."""
    off = Driven((drive(0.03, degC=22.0), drive(0.03)))
    assert not asked(SOUND, off, off)
    assert asked(off, SOUND, SOUND, off) == "driven-unlike"


def test_leads_that_all_have_make_no_coil_odd() -> None:
    """Where the voltage is read at the supply, its leads stand in V/I of all coils by the same."""
    off = Driven((drive(0.015, degC=22.0), drive(0.015)))
    assert not asked(off, off, off)


@pytest.mark.parametrize("others", [(), (SOUND,), (Driven((drive(degC=50.0),)),) * 3])
def test_too_few_or_drives_elsewhere_tell_nothing(others: tuple[Driven, ...]) -> None:
    """One like part is no usage, and a drive at another temperature is another thing."""
    assert beside_under_power(Driven((drive(0.05),)), others, Accuracy()) is None


def test_the_record_is_off_where_all_coils_are() -> None:
    """All by one factor beyond any heat is a set value or a unit; with one of them sound it is not."""
    for factor in (1.075, 1.25, 0.5, 0.001):
        all_off = [Driven((drive(factor - 1.0, per_s=0.0),)) for _ in range(4)]
        assert common_factor(all_off) == pytest.approx(factor)
        assert common_factor([*all_off, SOUND]) is None
    low = [Driven((drive(off, per_s=0.0),)) for off in (-0.1, -0.3, -0.6)]
    assert common_factor(low) is None
    assert common_factor([SOUND] * 4) is None
    assert common_factor([Driven()] * 4) is None


def test_what_all_have_may_differ_where_it_is_above() -> None:
    """Leads in the voltage add ohms, not a share: all far above is enough."""
    above = [Driven((drive(off, per_s=0.0),)) for off in np.linspace(0.06, 0.12, 4)]
    assert common_factor(above) == pytest.approx(1.09)
