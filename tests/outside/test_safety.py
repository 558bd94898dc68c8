"""The program on a bench that sticks, hangs, refuses and lies: safe in time, or told unmistakably."""

from __future__ import annotations

import pytest

from tests.outside.cases import OWN_HEAT, SAFETY, findings
from tests.outside.run import Case, Outcome

NAMES = [
    "oven welded on at 60",
    "supply drops and refuses (own heat)",
    "supply hangs with output on (own heat)",
    "meter hangs under drive (own heat)",
    "stage shorted, panel blind (own heat)",
    "supply lost and found under drive (own heat)",
]
CASES: list[Case] = [case for case in SAFETY + OWN_HEAT if case.name in NAMES]


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_a_bench_that_fails_is_safe_or_told(outcomes: dict[str, Outcome], name: str) -> None:
    """Within the time its case gives all is off, or an alarm that stays has called a hand to the plugs."""
    case = next(case for case in CASES if case.name == name)
    assert findings(case, outcomes[name]) == [], outcomes[name].screen
