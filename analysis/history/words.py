"""What is said of a coil through its runs, and of the runs as a whole."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from math import hypot
from typing import Literal

from analysis.history.change import Change
from analysis.history.history import BEFORE_REFIT, AtStage, CoilHistory, History
from analysis.history.observations import DEMAGNETISED, DONE, told
from analysis.history.standing import takes_back
from analysis.model import CoilResult, Criterion, OpenKind
from analysis.physics.copper import ALPHA20_PER_K
from analysis.rounding import with_uncertainty
from analysis.statistics.budget import Budget
from analysis.words import Figure, Message, say

State = Literal["open", "changed", "with the set", "temperature", "same", "alone", "not known"]

#: What no heat is needed to see.
_OPEN_COLD = frozenset({OpenKind.ALWAYS, OpenKind.COLD})


def state(coil: CoilHistory, runs: Sequence[AtStage]) -> State:
    """Return what became of a coil from its first run to its last, in a word."""
    if coil.whole is None:
        return "alone"
    if any(_opened(coil, step, runs) for step in coil.steps):
        return "open"
    changes = (*coil.steps, coil.whole)
    if any(change.significant for change in changes):
        return "changed"
    if any(change.with_set for change in changes):
        return "with the set"
    whole = coil.whole
    if whole.r20 is None:
        return "not known"
    read = whole.read_ohm
    return "temperature" if read is not None and abs(read) > whole.r20.expanded_u else "same"


def remarks(coil: CoilHistory, runs: Sequence[AtStage]) -> list[Message]:
    """Return what there is to say of a coil, run by run; nothing of one that stayed as it was."""
    found = list(_identity(coil))
    steps = {step.second: step for step in coil.steps}
    for n in coil.runs:
        if n in steps:
            found += _step(coil, steps[n], runs)
        if seen := _seen(runs[n], coil.place(n)):
            found.append(say("history.seen", run=n + 1, what=seen))
    whole = coil.whole
    if whole is not None and whole.significant and not any(step.significant for step in coil.steps):
        found.append(say("history.crept", change=_moved(whole)))
    return found


def notes(history: History) -> list[Message]:
    """Return what is said of the runs as a whole: instruments, moves of the set, what is still due."""
    found = list(_instruments(history))
    found += [
        say(
            "history.together",
            coils=", ".join(move.coils),
            first=move.first + 1,
            second=move.second + 1,
            percent=with_uncertainty(100.0 * move.share.mean, 100.0 * move.share.u),
            kelvin=move.share.mean / ALPHA20_PER_K,
        )
        for move in history.together
    ]
    for n, run in enumerate(history.runs, 1):
        if seen := _of_all(run):
            found.append(say("history.seen-of-all", run=n, what=seen))
    due: dict[Message, list[str]] = {}
    for coil in history.coils:
        if (still := rechecking(coil, history.runs)) is not None:
            due.setdefault(still, []).append(coil.name)
    found += [say("note.of", coils=", ".join(names), what=what) for what, names in due.items()]
    return found


def rechecking(coil: CoilHistory, runs: Sequence[AtStage]) -> Message | None:
    """Return what is still to be done since a coil was last energised, None if nothing."""
    energised = [n for n in coil.runs if coil.place(n) in runs[n].energised]
    if not energised:
        return None
    since = energised[-1]
    demagnetised = [n for n in coil.runs if n >= since and _demagnetised(runs[n], coil.place(n))]
    checked = [
        n
        for n in coil.runs
        if n > since and runs[n].stage == BEFORE_REFIT and coil.at(n).interruptions.kind is OpenKind.NONE
        and coil.at(n).r20_ohm is not None
    ]  # fmt: skip
    if not checked:
        key = "history.not-rechecked" if not demagnetised else "history.only-demagnetised"
        return say(key, run=since + 1)
    if not demagnetised or demagnetised[0] > checked[-1]:
        return say("history.not-demagnetised", run=since + 1, checked=checked[-1] + 1)
    return None


def _demagnetised(run: AtStage, coil: str) -> bool:
    seen = ((each.coil, each.item, each.found) for each in run.observations)
    return (coil, DONE, DEMAGNETISED) in seen


def _of_all(run: AtStage) -> tuple[Message, ...]:
    """What was noted of every coil of a run."""
    noted: dict[Message, set[str]] = {}
    for each in run.observations:
        noted.setdefault(told(each), set()).add(each.coil)
    coils = {coil.coil for coil in run.result.coils}
    return tuple(what for what, of in noted.items() if of >= coils)


def _seen(run: AtStage, coil: str) -> tuple[Message, ...]:
    """What was noted of one coil of a run and not of all."""
    common = _of_all(run)
    mine = dict.fromkeys(told(each) for each in run.observations if each.coil == coil)
    return tuple(what for what in mine if what not in common)


def _identity(coil: CoilHistory) -> Iterator[Message]:
    if coil.instead_of:
        yield say("history.replaced", run=coil.runs[0] + 1, before=coil.instead_of)
    for before, after in pairwise(coil.runs):
        if coil.place(before) != coil.place(after):
            yield say("history.moved", before=coil.place(before), after=coil.place(after), run=after + 1)


def _step(coil: CoilHistory, step: Change, runs: Sequence[AtStage]) -> Iterator[Message]:
    """What happened between two runs."""
    before, after = coil.at(step.first), coil.at(step.second)
    where = {"first": step.first + 1, "second": step.second + 1}
    if _opened(coil, step, runs):
        yield say("history.opened", **where)
    elif before.interruptions.kind in _OPEN_COLD and after.interruptions.kind is OpenKind.NONE:
        yield say("history.closed", **where)
    if step.r20_moved:
        yield _moved(step)
    if step.joint is not None and step.joint_moved:
        yield say("history.joint", change=_signed(step.joint), **where)
    yield from _drifted(before, after, where)
    if before.verdict != after.verdict:
        verdicts = {"was": say(f"verdict.{before.verdict}"), "now": say(f"verdict.{after.verdict}")}
        better = after.verdict == "pass" or before.verdict == "fail"
        stands = better and not takes_back(coil, step.first, step.second, runs)
        yield say("history.verdict-stands" if stands else "history.verdict", **verdicts, **where)


def _opened(coil: CoilHistory, step: Change, runs: Sequence[AtStage]) -> bool:
    """Whether a coil was whole before and is interrupted now, as far as both runs could have shown it."""
    before, after = (coil.at(n).interruptions.kind for n in (step.first, step.second))
    alike = runs[step.first].kind == runs[step.second].kind
    return before is OpenKind.NONE and (after in _OPEN_COLD or (alike and after is not OpenKind.NONE))


def _moved(change: Change) -> Message:
    """Say how R20 changed, and what that can be."""
    assert change.r20 is not None
    key = "history.rose" if change.r20.value > 0.0 else "history.fell"
    size = with_uncertainty(abs(change.r20.value), change.r20.u)
    read = say("history.read", **_read(change)) if change.by_temperature_ohm is not None else ""
    return say(key, size=size, read=read, first=change.first + 1, second=change.second + 1)


def _read(change: Change) -> dict[str, float]:
    before, after, read, part = change.before, change.after, change.read_ohm, change.by_temperature_ohm
    assert before is not None
    assert after is not None
    assert read is not None
    assert part is not None
    return {"read": read, "part": part, "before": before.probe_degC, "after": after.probe_degC}


def _drifted(before: CoilResult, after: CoilResult, where: dict[str, int]) -> Iterator[Message]:
    """Say where a coil drifts over the heat otherwise than before."""
    was, now = (_drift(coil) for coil in (before, after))
    if was is None or now is None or was.value is None or now.value is None:
        return
    if abs(now.value - was.value) > hypot(was.expanded_u or 0.0, now.expanded_u or 0.0):
        shares = {"was": 100.0 * was.value, "now": 100.0 * now.value}
        yield say("history.drift", **shares, **where)


def _drift(coil: CoilResult) -> Criterion | None:
    return next((each for each in coil.criteria if each.code == "drift"), None)


def _signed(change: Budget) -> Figure:
    return Figure(f"{'+' if change.value > 0.0 else ''}{with_uncertainty(change.value, change.u)}")


def _instruments(history: History) -> Iterator[Message]:
    """Say what is not known to be the same in all runs."""
    if len({run.meter for run in history.runs}) > 1 or not history.runs[0].meter:
        yield say("history.other-meter")
    if len({run.probe for run in history.runs}) > 1 or not history.runs[0].probe:
        yield say("history.other-probe")
