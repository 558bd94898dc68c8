"""How tests here come by their outcomes: all soaks that are asked for run beside each other, once."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import pytest

from tests.outside.run import Case, Outcome, soak

#: A soak mostly waits for the bench, so more of them run at a time than there are cores.
AT_ONCE = 8


@pytest.fixture(scope="session")
def outcomes(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Outcome]:
    """Run the cases of all tests that are selected and give each outcome by its case's name."""
    cases: list[Case] = [
        item.callspec.params["case"]
        for item in request.session.items
        if isinstance(item, pytest.Function)
        and "outcomes" in item.fixturenames
        and isinstance(item.callspec.params.get("case"), Case)
    ]
    folders = [tmp_path_factory.mktemp("outside") for _ in cases]
    with ThreadPoolExecutor(AT_ONCE) as pool:
        return {outcome.case: outcome for outcome in pool.map(soak, cases, folders)}
