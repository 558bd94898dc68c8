"""Foreign text made fit for a page: nothing in it can act, hide, or run off the edge."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from typing import Any

# Control signs, halves of surrogate pairs, private use, and format signs, which can turn text around;
# of the last kind joiners and places to break are harmless, and some scripts need them.
_UNPRINTABLE = frozenset({"Cc", "Cs", "Co", "Cf"})
_JOINERS = "\u200b\u200c\u200d"
_LONGEST_TEXT = 900
_LONGEST_WORD = 26


# A figure and its unit, or '±' or '<' and what follows, are read as one: no line ends between them.
_TOGETHER = re.compile(r"(?<=[±<]) (?=\d)|(?<=\d) (?=±|%|‰|°C|[GMkm]?Ω|(?:m?[sAV]|K|min|h)\b)")


def inert(value: Any) -> Any:
    """The same structure with all text made safe to set: see :func:`plain`."""
    if isinstance(value, str):
        return plain(value)
    if isinstance(value, Mapping):
        return {key: inert(item) for key, item in value.items()}
    if isinstance(value, Sequence):
        return [inert(item) for item in value]
    return value


def shortened(text: str, most: int) -> str:
    """Text cut to at most *most* characters, the last of them an ellipsis where it was cut."""
    return text if len(text) <= most else text[: most - 1] + "…"


def breakable(text: str) -> str:
    """Text whose long words can break within a narrow column; words up to 14 signs stay whole."""
    return re.sub(r"\S{15,}", lambda word: "\u200b".join(re.findall(r".{1,5}", word.group())), text)


def plain(text: str) -> str:
    """Text without control signs and direction overrides, of bounded length, breakable everywhere needed.

    A report is evidence: what it shows must be what the text says, in the order it says it.
    """
    text = shortened(" ".join(text.split()), _LONGEST_TEXT)
    text = "".join(
        c if c in _JOINERS or unicodedata.category(c) not in _UNPRINTABLE else "\ufffd" for c in text
    )
    text = _TOGETHER.sub("\u00a0", text)
    return re.sub(rf"[^\s\u200b]{{{_LONGEST_WORD}}}(?=[^\s\u200b])", lambda run: run.group() + "\u200b", text)
