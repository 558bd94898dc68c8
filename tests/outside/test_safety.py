"""The program on a bench that sticks, hangs, refuses and lies: safe in time, or told unmistakably."""

from __future__ import annotations

import pytest

from tests.outside.cases import OWN_HEAT, SAFETY, findings, named
from tests.outside.run import Case, Outcome

CASES = named(
    SAFETY + OWN_HEAT,
    "oven welded on at 60",
    "supply refuses for 60 s, nobody comes (own heat)",
    "supply hangs with output on (own heat)",
    "meter hangs under drive (own heat)",
    "stage shorted, panel blind (own heat)",
    "supply lost and found under drive (own heat)",
)


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES, ids=[case.name for case in CASES])
def test_a_bench_that_fails_is_safe_or_told(outcomes: dict[str, Outcome], case: Case) -> None:
    """Within the time its case gives all is off, or an alarm that stays has called a hand to the plugs."""
    assert findings(case, outcomes[case.name]) == [], outcomes[case.name].screen
