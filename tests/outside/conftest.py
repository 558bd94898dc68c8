"""How tests here come by their outcomes: the cases of a module run beside each other, once."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import pytest

from tests.outside.run import Case, Outcome, soak

if TYPE_CHECKING:
    from pathlib import Path

#: A soak mostly waits for the bench, so a few run at a time on two cores.
AT_ONCE = 4


@pytest.fixture(scope="module")
def outcomes(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Outcome]:
    """Run the ``CASES`` of the module that are asked for by the tests selected; give each outcome by name."""
    wanted = {
        item.callspec.params["name"]
        for item in request.session.items
        if item.module is request.module and hasattr(item, "callspec") and "name" in item.callspec.params
    }
    cases: list[Case] = [case for case in request.module.CASES if case.name in wanted]
    folders: list[Path] = [tmp_path_factory.mktemp("outside") for _ in cases]
    with ThreadPoolExecutor(AT_ONCE) as pool:
        return {outcome.case: outcome for outcome in pool.map(soak, cases, folders)}
