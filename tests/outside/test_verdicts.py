"""What the program says of coils, probes and wires of a bench that shares nothing with it."""

from __future__ import annotations

import pytest

from tests.outside.cases import BENCH, COILS, findings
from tests.outside.run import Case, Outcome

NAMES = [
    "sound, other dialects",
    "diode across, conducting",
    "turns short above 70, 8 %",
    "probe off at 60",
    "meter garbage 1 in 100",
]
CASES: list[Case] = [case for case in COILS + BENCH if case.name in NAMES]


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_each_coil_is_judged_as_it_is(outcomes: dict[str, Outcome], name: str) -> None:
    """A coil with a fault does not pass, a sound one does not fail, and the soak of all goes on."""
    case = next(case for case in CASES if case.name == name)
    assert findings(case, outcomes[name]) == [], outcomes[name].screen
