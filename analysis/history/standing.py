"""What is said of one coil over all its runs: the one place that decides it.

A fault or a doubt stands until a later test that could have seen it did not. What heat showed takes a test as
hot and as long; what current showed takes current; what was seen cold takes a test in which the same was
determined. Claim, comparison and log all say what is decided here.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from analysis.history.history import AtStage, CoilHistory
from analysis.model import CoilResult, OpenKind, Reason, Sight, Verdict
from analysis.words import Message

#: Two tests are as hot as each other within this: two thermometers of standard uncertainty 0.5 K differ by no
#: more than 2 x sqrt(2) x 0.5 = 1.4 K in 95 % of cases, and a hold is not the same to the last tenth.
AS_HOT_K = 2.0
#: Two tests by the same settings are as long as each other within this share: how long an oven takes to warm
#: up differs from day to day (common practice, no source).
AS_LONG = 0.9
#: Criteria that tell something only where they were determined; others stand only where something is wrong.
_MEASURED = frozenset(
    {"open", "resistance", "leakage", "driven", "drift", "drift-hot", "noise", "slope", "joint", "peers"}
)
_GRAVITY: dict[Verdict, int] = {"pass": 0, "retest": 1, "fail": 2}


@dataclass(frozen=True)
class Issue:
    """One fault (``fail``) or doubt (``retest``) that one run found.

    Attributes:
        run: Which run found it.
        verdict: ``fail`` or ``retest``.
        criterion: Code of the criterion; empty where it is no single one.
        reason: What it says of it, None where it says nothing.
        cleared: The first later run that could have seen it and did not, None while it stands.
    """

    run: int
    verdict: Verdict
    criterion: str
    reason: Reason | None
    cleared: int | None = None

    @property
    def what(self) -> tuple[str, str]:
        """What sort of issue it is: two of one sort say the same of a coil."""
        text = self.reason.text if self.reason is not None else ""
        return self.criterion, text.key if isinstance(text, Message) else text


@dataclass(frozen=True)
class Standing:
    """What stands of a coil after all its runs.

    Attributes:
        verdict: The gravest of what stands, ``pass`` where nothing does.
        issues: What stands, the newest of each sort; of a coil that fails, its faults alone.
        cleared: Faults that a later test took back.
        last: The last run with the coil.
    """

    verdict: Verdict
    issues: tuple[Issue, ...]
    cleared: tuple[Issue, ...]
    last: int

    @property
    def run(self) -> int:
        """The newest run whose result shows the verdict."""
        return max((issue.run for issue in self.issues), default=self.last)

    @property
    def earlier(self) -> bool:
        """Whether the verdict is that of an earlier run, which the last one could take nothing back of."""
        return self.run != self.last


def standing(coil: CoilHistory, runs: Sequence[AtStage]) -> Standing:
    """Return what stands of *coil* after all of *runs*, which are in the order of time."""
    found = [
        replace(issue, cleared=_cleared(issue, coil, runs))
        for n in coil.runs
        for issue in issues(coil.at(n), n)
    ]
    open_issues = [issue for issue in found if issue.cleared is None]
    verdict: Verdict = "pass"
    for issue in open_issues:
        verdict = max(verdict, issue.verdict, key=_GRAVITY.__getitem__)
    newest = {issue.what: issue.run for issue in open_issues if issue.verdict == verdict}
    return Standing(
        verdict,
        tuple(issue for issue in open_issues if issue.verdict == verdict and issue.run == newest[issue.what]),
        tuple(issue for issue in found if issue.cleared is not None and issue.verdict == "fail"),
        coil.runs[-1],
    )


def issues(result: CoilResult, run: int) -> list[Issue]:
    """Return the faults or doubts that one run found of a coil."""
    if result.verdict == "pass":
        return []
    told = [Issue(run, result.verdict, reason.criterion, reason) for reason in result.reasons]
    return told or [Issue(run, result.verdict, "", None)]


def could_have_seen(
    issue: Issue, found_by: CoilResult, later: CoilResult, runs: Sequence[AtStage], at: int
) -> bool:
    """Whether the test *later*, the run *at*, would have shown the *issue* that the test *found_by* shows."""
    if issue.criterion.startswith("driven") and not later.sight.energised:
        return False
    if _by_heat(found_by, runs[issue.run]):
        hot_enough = _as_hot(_seen_at(issue, found_by), later.sight)
        return _by_heat(later, runs[at]) and hot_enough and _as_long(found_by.sight, later.sight)
    # What came and went is not seen by a shorter look.
    dropped = issue.criterion == "open" and found_by.interruptions.kind is OpenKind.DROPOUTS
    return not dropped or later.readings >= AS_LONG * found_by.readings


def takes_back(coil: CoilHistory, first: int, second: int, runs: Sequence[AtStage]) -> bool:
    """Whether run *second* takes all of it back that the earlier run *first* found of a coil."""
    return all(_takes_back(issue, coil, runs, second) for issue in issues(coil.at(first), first))


def of_log(tests: Iterable[tuple[str, Verdict]]) -> Verdict:
    """Return the verdict that stands where no more is known of each test than its kind and verdict.

    Args:
        tests: ``soak`` or ``sweep``, and the verdict; oldest first, at least one.
    """
    told = list(tests)
    soaks = [verdict for kind, verdict in told if kind == "soak"]
    return max((told[-1][1], *soaks[-1:]), key=_GRAVITY.__getitem__)


def _cleared(issue: Issue, coil: CoilHistory, runs: Sequence[AtStage]) -> int | None:
    """Return the first run after that of *issue* which takes it back, None if none does."""
    later = (n for n in coil.runs if n > issue.run)
    return next((n for n in later if _takes_back(issue, coil, runs, n)), None)


def _takes_back(issue: Issue, coil: CoilHistory, runs: Sequence[AtStage], at: int) -> bool:
    later = coil.at(at)
    return _finds_none(issue, later) and could_have_seen(issue, coil.at(issue.run), later, runs, at)


def _finds_none(issue: Issue, later: CoilResult) -> bool:
    """Whether a later result is free of the issue."""
    outcome = next((each.outcome for each in later.criteria if each.code == issue.criterion), None)
    if issue.criterion in _MEASURED:
        return outcome == "pass"
    return outcome in {None, "pass", "not determined"} and later.verdict == "pass"


def _by_heat(result: CoilResult, run: AtStage) -> bool:
    """Whether the test was one with heat, however far it came."""
    return run.kind == "soak" or result.sight.heated


def _seen_at(issue: Issue, found_by: CoilResult) -> Sight:
    """Return how hot and how long a test has to be to show the issue."""
    opens, tested = found_by.interruptions, found_by.sight
    if issue.criterion != "open" or opens.kind is not OpenKind.HOT or opens.opened_degC is None:
        return tested
    body = opens.opened_degC[1]
    winding = max(body, opens.before_degC[0]) if opens.before_degC is not None else body
    return replace(tested, body_degC=body, winding_degC=winding)


def _as_hot(needed: Sight, tested: Sight) -> bool:
    """Whether both body and winding were as hot."""
    pairs = ((needed.body_degC, tested.body_degC), (needed.winding_degC, tested.winding_degC))
    return all(need is None or (had is not None and had >= need - AS_HOT_K) for need, had in pairs)


def _as_long(needed: Sight, tested: Sight) -> bool:
    """Whether it was watched while warm for as long; of what has no times nobody can say."""
    if needed.warm_s is None:
        return True
    return tested.warm_s is not None and tested.warm_s >= AS_LONG * needed.warm_s
