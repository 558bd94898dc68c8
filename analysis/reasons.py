"""What to change before a retest: one table by reason, one by what an uncertainty comes from."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from analysis.budget import Budget
from analysis.model import Reason

#: By code of the reason. None: it depends on the coil, so whoever gives the reason says what to do.
ACTIONS: Mapping[str, str | None] = {
    "contact": "clean the contacts and test again",
    "drift-unsure": "let body and winding come to rest longer before and after heat, and read again",
    "joint-unsure": None,
    "leakage-unsure": "dry and clean it, test again",
    "leads-not-nulled": "join the leads when asked, so that they can be taken off, or use four wires",
    "leads-too-large": "use four wires, or shorter and thicker leads",
    "no-reading": None,
    "no-temperature": None,
    "not-hot-enough": "wrap the coil or use an oven, and soak again",
    "noisy-when-hot": "clean and tighten clips and terminals, and soak again",
    "one-temperature": None,
    "opens-hot-once": "hold it at that temperature, move the leads on their terminals, and read it again",
    "peers-disagree": "test them again with one more part",
    "peers-unsure": "measure them again side by side, on the same leads and at one temperature",
    "resistance-unsure": None,
    "self-heated": None,
    "slope-implausible": "measure again with winding, body and probe at one temperature",
    "unfinished": "finish the soak",
}

#: By the largest share of an uncertainty, as budgets name it.
CHANGES: Mapping[str, str] = {
    "alpha20 of the wire": "test it together with two like parts or more, or remake the connection and "
    "measure again: alpha20 of the wire hides how large the joint is, not how much it differs or changes",
    "lag of winding and probe": "move slowly or hold at each step",
    "leads not nulled": "use four wires, or null the leads",
    "meter gain": "use a meter of better accuracy",
    "meter offset": "use a lower range, or a meter of better accuracy",
    "noise and doubt of the thermal fit": "wrap the coil and let it cool longer, or heat in an oven",
    "noise and rest of the settled points": "heat higher, hold longer, and see that probe and clips sit fast",
    "noise of the readings": "see that the clips sit fast, and take more readings",
    "probe gain": "use a better thermometer",
    "probe offset": "fix the probe better to the body, or use a better thermometer",
    "two-wire contacts": "use four wires, or clean and tighten the clips and null the leads again",
    "winding against probe at rest": "let the parts lie longer, and fix the probe better to the body",
}


def retest(code: str, what: str, action: str | None = None) -> Reason:
    """Return the reason for a retest: *what* was found and what to change, in the table's words by default.

    Raises:
        KeyError: The code is not in :data:`ACTIONS`, or neither it nor the caller says what to do.
    """
    change = action or ACTIONS.get(code)
    if code not in ACTIONS or change is None:
        raise KeyError(f"reason {code}: expected an action in the table of reasons or from the caller")
    return Reason(code, f"{what}; {change}", change)


def largest_change(budgets: Iterable[Budget], result: str) -> str:
    """Return what to change about the largest part of the uncertainty of *result*, ``R20`` or ``joint``."""
    parts = next((each.components for each in budgets if each.result == result and each.components), None)
    return CHANGES[parts[0].name] if parts else "measure with less uncertainty"
