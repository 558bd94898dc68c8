"""What a tradesman does with a coil, and why, in sentences of every day: the first thing that is said of it.

Keep it, clean it and test again, or replace it. Terminal, report, claim and JSON take it from here; the
figures stand behind.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from analysis.model import CoilResult, Reason, Verdict
from analysis.words import Message, say

Do = Literal["replace", "clean", "keep"]
#: In this order coils are told.
ORDER: tuple[Do, ...] = ("replace", "clean", "keep")
#: Faults that dirt, damp or a lead can make as well as a coil, by their sentences: these are cleaned first
#: (common practice, no source). What heat alone shows is in the coil.
_CLEAN_FIRST = frozenset({"open-always", "open-cold", "short", "joint", "leakage", "peers-high"})
#: Reasons that blame nothing on the coil: there is nothing to hold it to.
_ALONE = frozenset({"nothing-beside", "alone-of-its-kind"})


def to_do(verdict: Verdict, reasons: Sequence[Reason]) -> Do:
    """Return what to do with a coil of that verdict, by all that speaks against it."""
    if verdict == "pass":
        return "keep"
    return "replace" if verdict == "fail" and not all(map(_may_be_dirt, reasons)) else "clean"


def why(
    result: CoilResult, reasons: Sequence[Reason], *, own_heat: bool = False, advice: bool = True
) -> list[Message]:
    """Return the sentences on one coil, without a term of the trade.

    Args:
        result: The run that shows what stands.
        reasons: What speaks against the coil; none of one that passes.
        own_heat: Whether its own current heated it: its winding is then far hotter than its body.
        advice: Whether to say what to do next; of what is mended there is nothing to do.
    """
    if result.verdict == "pass":
        if result.sight.heated and result.hottest_degC is not None:
            return [say("do.sound", hottest=result.hottest_degC)]
        return [say("do.sound-cold")]
    if result.verdict == "retest":
        return [sentence for reason in reasons for sentence in _doubt(reason)]
    told = [_fault(reason, result, own_heat=own_heat) for reason in reasons]
    first = [say("do.first")] if advice and to_do("fail", reasons) == "clean" else []
    return [*(each for each in told if each is not None), *first]


def _may_be_dirt(reason: Reason) -> bool:
    return reason.code == "resistance-high" or _key(reason) in _CLEAN_FIRST


def _key(reason: Reason) -> str:
    return reason.text.key.removeprefix("reason.") if isinstance(reason.text, Message) else ""


def _doubt(reason: Reason) -> list[Message]:
    what = say("unsure.alone" if reason.code in _ALONE else f"unsure.{reason.criterion or 'missing'}")
    return [what, say("do.next", change=reason.action)] if reason.action else [what]


def _fault(reason: Reason, coil: CoilResult, *, own_heat: bool) -> Message | None:
    if not isinstance(reason.text, Message):
        return None
    criteria = {each.code: each.value for each in coil.criteria if each.value is not None}
    figures: dict[str, object] = {
        **reason.text.figures,
        "joint_ohm": coil.joint_ohm or 0.0,
        "off_ohm": abs(criteria.get("peers", 0.0)),
        "changed": 100.0 * criteria.get("drift", 0.0),
    }
    if own_heat and coil.interruptions.before_degC is not None:
        figures["opened"] = say("part.opened-winding", degC=coil.interruptions.before_degC[0])
    return say(f"plain.{_key(reason)}", **figures)
