"""The page of what can be wrong names each fault that is tried, and nothing that is not."""

from __future__ import annotations

import re
from pathlib import Path

from tests.outside import tables_faults, unlisted_faults
from tests.outside.cases import GROUPS

PAGE = Path(__file__).with_name("README.md").read_text(encoding="utf-8")


def _named(key: str, split: str) -> list[str]:
    """Return the names behind *key* in the last cells of the page's rows."""
    cells = [line.rstrip(" |").rpartition("| ")[2] for line in PAGE.splitlines() if line.startswith("| ")]
    found = [match[1] for cell in cells if (match := re.search(rf"\b{key}: (.*?)(?:; c: |$)", cell))]
    return [name.strip() for each in found for name in re.split(split, each)]


def test_each_fault_of_a_table_has_one_row_on_the_page() -> None:
    """No fault is tried without a class, none is named twice, and no name is without a test."""
    tried = [fault.name for fault in (*tables_faults.FAULTS, *unlisted_faults.FAULTS)]
    assert sorted(_named("t", ", ")) == sorted(tried)


def test_each_case_of_a_soak_has_one_row_on_the_page() -> None:
    """A case that also stands under own heat or without a companion is one row."""
    tried = {
        re.sub(r" \((own heat|no companion)\)", "", case.name) for group in GROUPS.values() for case in group
    }
    assert sorted(_named("c", "; ")) == sorted(tried)
