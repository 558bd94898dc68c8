"""What to change before a retest: by reason, or by what an uncertainty comes from."""

from __future__ import annotations

from collections.abc import Iterable

from analysis.model import Reason
from analysis.statistics.budget import Budget
from analysis.words import Message, say

#: Codes of reasons whose action is the catalogue's ``action.<code>``.
USUAL = (
    "alone-of-its-kind",
    "alternates",
    "blank",
    "broken-off",
    "contact",
    "current-sign",
    "drops-hot-unsure",
    "drift-unsure",
    "changed-places",
    "drift-alike",
    "bend-alike",
    "drive-limited",
    "drive-tripped",
    "first-unlike",
    "reads-high",
    "driven-alike",
    "driven-diode",
    "driven-high",
    "driven-low",
    "driven-rising",
    "driven-unlike",
    "leakage-unsure",
    "joint-own-heat",
    "label-mixed-up",
    "leads-not-nulled",
    "leads-too-large",
    "not-hot-enough",
    "lone-hot",
    "pair-apart",
    "not-copper",
    "not-read",
    "not-straight",
    "noisy-beside",
    "noisy-when-hot",
    "not-at-rest",
    "nothing-beside",
    "opens-hot-once",
    "peers-disagree",
    "peers-unsure",
    "probe",
    "reads-low",
    "rises-hot-unsure",
    "slope-implausible",
    "unexplained",
    "unfinished",
    "unit",
)
#: Codes of those where it depends on the coil, so that whoever gives the reason says what to do.
DEPENDING = (
    "joint-unsure",
    "no-reading",
    "no-temperature",
    "one-temperature",
    "resistance-unsure",
    "self-heated",
)


def retest(code: str, what: str, action: Message | None = None) -> Reason:
    """Return the reason for a retest: *what* was found and what to change, in the usual words by default.

    Raises:
        KeyError: The code is in neither table, or depends on the coil and the caller does not say what to do.
    """
    if code not in USUAL and (code not in DEPENDING or action is None):
        raise KeyError(f"reason {code}: expected an action in the table of reasons or from the caller")
    change = action or say(f"action.{code}")
    return Reason(code, say("reason.retest", what=what, change=change), change)


def largest_change(budgets: Iterable[Budget], result: str, without: str = "") -> Message:
    """Return what to change about the largest part of the uncertainty of *result*, ``R20`` or ``joint``.

    *without* names a part of which nothing is to be had any more.
    """
    parts = next((each.components for each in budgets if each.result == result), ())
    left = [part.name for part in parts if part.name != without]
    return say(f"change.{left[0]}" if left else "change.other")
