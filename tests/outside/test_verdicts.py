"""What the program says of coils, probes and wires of a bench that shares nothing with it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.outside.cases import BENCH, COILS, UNLISTED, findings, named
from tests.outside.run import Case, Outcome

#: Five coils of one kind: enough peers, and a report that is drawn sooner.
CASES = [
    replace(case, coils=("Y1", "Y2", "Y3", "Y4", "Y5"), bad={k: v for k, v in case.bad.items() if k <= "Y5"})
    for case in named(
        COILS + BENCH + UNLISTED,
        "diode across, conducting",
        "turns short above 70, 8 %",
        "probe off at 60",
        "meter garbage 1 in 100",
    )
]


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES, ids=[case.name for case in CASES])
def test_each_coil_is_judged_as_it_is(outcomes: dict[str, Outcome], case: Case) -> None:
    """A coil with a fault does not pass, a sound one does not fail, and the soak of all goes on."""
    assert findings(case, outcomes[case.name]) == [], outcomes[case.name].screen
