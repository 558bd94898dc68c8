"""Foreign text made fit for a page: nothing in it can act, hide, or run off the edge."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from typing import Any

# Control signs, halves of surrogate pairs, private use, and format signs, which can turn text around;
# of the last kind joiners are harmless and make letters in some scripts.
_UNPRINTABLE = frozenset({"Cc", "Cs", "Co", "Cf"})
_JOINERS = "\u200c\u200d"
_LONGEST_TEXT = 900
_LONGEST_WORD = 26


def inert(value: Any) -> Any:
    """The same structure with all text made safe to set: see :func:`plain`."""
    if isinstance(value, str):
        return plain(value)
    if isinstance(value, Mapping):
        return {key: inert(item) for key, item in value.items()}
    if isinstance(value, Sequence):
        return [inert(item) for item in value]
    return value


def plain(text: str) -> str:
    """Text without control signs and direction overrides, of bounded length, breakable everywhere needed.

    A report is evidence: what it shows must be what the text says, in the order it says it.
    """
    text = " ".join(text.split())
    if len(text) > _LONGEST_TEXT:
        text = text[: _LONGEST_TEXT - 1] + "…"
    text = "".join(
        c if c in _JOINERS or unicodedata.category(c) not in _UNPRINTABLE else "\ufffd" for c in text
    )
    return re.sub(rf"\S{{{_LONGEST_WORD}}}(?=\S)", lambda run: run.group() + "\u200b", text)
