"""The first page of a claim: what failed, how it was found and how sure that is, for readers of no trade."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.history.history import AtStage, CoilHistory, History, history
from analysis.history.plain import to_do, why
from analysis.history.standing import Standing, standing
from analysis.model import OK, OVER_RANGE, CoilResult, OpenKind, Reason, SetResult, Trace
from analysis.paper.report_data import ReportInfo, label
from analysis.words import Words

#: A smaller chance of a wrong verdict is told as less than one in a thousand.
_LITTLE_RISK = 1e-3
#: A coil that stays further below the hottest of its run than a step is met by is named with what it reached.
_AS_HOT_K = 5.0


@dataclass(frozen=True)
class ClaimRun:
    """One run of a claim: its judgement, the readings behind it, and what else there is to say of it.

    *kind* is ``soak`` or ``sweep``, *heat* how it was heated: ``oven``, ``supply`` or ``hand``.
    """

    result: SetResult
    traces: Sequence[Trace]
    about: ReportInfo
    kind: str
    heat: str


@dataclass(frozen=True)
class Claimed:
    """One coil of a claim with what stands of it after all runs; *name* tells it from all others."""

    coil: CoilHistory
    stands: Standing
    name: str
    runs: Sequence[ClaimRun]

    def at(self, run: int) -> CoilResult:
        """Return what the run *run* says of it, with the serial number that the claim gives it."""
        place = self.coil.place(run)
        return next(each for each in self.runs[run].result.coils if each.coil == place)

    @property
    def heated(self) -> bool:
        """Whether any of its tests was hot."""
        return any(self.coil.at(n).sight.heated for n in self.coil.runs)

    @property
    def shown(self) -> tuple[CoilResult, ClaimRun]:
        """The result that shows what stands, and the run that it is of."""
        return self.at(self.stands.run), self.runs[self.stands.run]


def claimed(runs: Sequence[ClaimRun], words: Words, found: History | None = None) -> list[Claimed]:
    """Return every coil of *runs* with what stands of it; *found* says which is which, else the runs do."""
    known = found or history([_at_stage(run, n) for n, run in enumerate(runs)])
    labels = [coil.name for coil in known.coils]
    return [
        Claimed(
            coil,
            standing(coil, known.runs),
            label(coil.name)
            if labels.count(coil.name) == 1
            else words("claim.of_test", coil=label(coil.name), n=coil.runs[-1] + 1),
            runs,
        )
        for coil in known.coils
    ]


def _at_stage(run: ClaimRun, n: int) -> AtStage:
    about = run.about
    seen = about.observations
    return AtStage(
        str(n),
        run.result,
        about.start,
        run.kind,
        about.stage,
        about.set_name,
        about.job,
        observations=seen,
    )


def headline(coils: Sequence[Claimed], words: Words) -> str:
    """What came out in the end, in one line."""
    for verdict in ("fail", "retest"):
        if count := sum(each.stands.verdict == verdict for each in coils):
            return words.count(f"claim.headline.{verdict}", count, total=len(coils))
    return words.count("claim.headline.pass", len(coils))


def first_page(runs: Sequence[ClaimRun], words: Words, found: History | None = None) -> dict[str, Any]:
    """Everything that the first page says in sentences.

    Args:
        runs: The runs, in the order in which they were made.
        words: The language.
        found: Which coil is which in them; None: their labels and serial numbers say.
    """
    coils = claimed(runs, words, found)
    failed = [each for each in coils if each.stands.verdict == "fail"]
    unsure = [each for each in coils if each.stands.verdict == "retest"]
    return {
        "headline": headline(coils, words),
        "failed": {
            "heading": words("do.heading"),
            "items": [(_name(each, words), _told(each, words)) for each in failed],
            "none": words("claim.none_failed"),
        },
        "unsure": [(_name(each, words), _told(each, words)) for each in unsure],
        "rest": _rest(coils, words),
        "found": {"heading": words("claim.found"), "items": [_found(run, words) for run in runs]},
        "sure": {"heading": words("claim.sure"), "rule": words("claim.rule"), "items": _sure(failed, words)},
        "see": words.raw("claim.see"),
    }


def _name(each: Claimed, words: Words) -> str:
    serial = each.at(each.stands.last).serial
    return words("claim.named", coil=each.name, serial=label(serial)) if serial else each.name


def _told(each: Claimed, words: Words) -> str:
    """What to do with a coil and why, and of what an earlier run found, that no later one could."""
    by_run: dict[int, list[Reason]] = {}
    for issue in each.stands.issues:
        by_run.setdefault(issue.run, []).extend([issue.reason] if issue.reason is not None else [])
    all_reasons = [reason for reasons in by_run.values() for reason in reasons]
    sentences = [f"{words(f'do.{to_do(each.stands.verdict, all_reasons)}')}."]
    sentences += [_what(each.at(n), each.runs[n], words, reasons) for n, reasons in by_run.items()]
    if each.stands.earlier:
        seen = each.runs[each.stands.run].about
        sentences.append(
            words("claim.stands", date=f"{seen.start:%Y-%m-%d}", stage=words.shown("stage", seen.stage))
        )
    return " ".join(sentences)


def _what(
    coil: CoilResult, run: ClaimRun, words: Words, reasons: Sequence[Reason], *, advice: bool = True
) -> str:
    """What is wrong with a coil, in sentences without a term of the trade."""
    return " ".join(map(words.said, why(coil, reasons, own_heat=run.heat == "supply", advice=advice)))


def _rest(coils: Sequence[Claimed], words: Words) -> list[str]:
    """What is to be said of the coils that did not fail, or no longer."""
    sentences = []
    for key, hot in (("claim.keep", True), ("claim.keep-cold", False)):
        sound = [each for each in coils if each.stands.verdict == "pass" and each.heated is hot]
        if sound:
            sentences.append(words(key, coils=_listed([each.name for each in sound], words)))
    for each in coils:
        if each.stands.verdict == "pass":
            sentences += [
                _mended(each, n, words) for n in sorted({issue.run for issue in each.stands.cleared})
            ]
    return sentences


def _mended(each: Claimed, run: int, words: Words) -> str:
    """Say what one run found of a coil and what took it back."""
    gone = [issue for issue in each.stands.cleared if issue.run == run]
    after = max(issue.cleared for issue in gone if issue.cleared is not None)
    reasons = [issue.reason for issue in gone if issue.reason is not None]
    return words(
        "claim.mended",
        coil=each.name,
        before=words.shown("stage", each.runs[run].about.stage),
        what=_what(each.at(run), each.runs[run], words, reasons, advice=False),
        after=words.shown("stage", each.runs[after].about.stage),
    )


def _found(run: ClaimRun, words: Words) -> str:
    """How a run was done, and which coils of it did not get as hot as the others."""
    times = [trace.time_s[np.isfinite(trace.time_s)] for trace in run.traces]
    seconds = max((float(time.max()) for time in times if time.size), default=0.0)
    hottest = [coil.hottest_degC for coil in run.result.coils if coil.hottest_degC is not None]
    how = "sweep" if run.kind == "sweep" else run.heat if hottest else "unknown"
    said = words(
        f"claim.found_by.{how}",
        date=run.about.start.strftime("%Y-%m-%d"),
        stage=words.shown("stage", run.about.stage),
        count=len(run.result.coils),
        hottest=max(hottest, default=0.0),
        readings=sum(trace.time_s.size for trace in run.traces),
        length=_length(seconds, words),
    )
    return " ".join([said, *(not_so_hot(run, words) if how not in {"sweep", "unknown"} else [])])


def not_so_hot(run: ClaimRun, words: Words) -> list[str]:
    """Say which coils of a heated run stayed cooler than the hottest, and how hot they got."""
    reached = {coil.coil: coil.hottest_degC for coil in run.result.coils}
    most = max((degC for degC in reached.values() if degC is not None), default=0.0)
    cool: dict[str, list[str]] = {}
    for coil, degC in reached.items():
        if degC is None:
            cool.setdefault(words("claim.no_temperature"), []).append(label(coil))
        elif degC < most - _AS_HOT_K:
            cool.setdefault(words("claim.up_to", hottest=degC), []).append(label(coil))
    return [words("claim.not_so_hot", coils=_listed(coils, words), how=how) for how, coils in cool.items()]


def _length(time_s: float, words: Words) -> str:
    minutes = round(time_s / 60.0)
    if minutes < 60:
        return words.count("claim.minutes", max(1, minutes))
    return words("claim.hours", hours=minutes // 60, minutes=minutes % 60)


def _sure(failed: Iterable[Claimed], words: Words) -> list[str]:
    """How sure each verdict is; coils of which the same is to be said share a sentence."""
    told: dict[str, list[str]] = {}
    seen = []
    for each in failed:
        coil, run = each.shown
        trace = next((one for one in run.traces if one.coil == coil.coil), None)
        if coil.wrong_risk is None and trace is not None and coil.interruptions.count:
            seen.append(_seen(each.name, coil, trace, words))
        elif coil.wrong_risk is not None:
            told.setdefault(_risk(coil.wrong_risk, words), []).append(each.name)
    by_risk = [
        words.count("claim.risk", len(coils), coils=_listed(coils, words), risk=risk)
        for risk, coils in told.items()
    ]
    return seen + by_risk


def _seen(name: str, coil: CoilResult, trace: Trace, words: Words) -> str:
    """How often a coil was seen open."""
    stopped = int((trace.status == OVER_RANGE).sum())
    total = stopped + int((trace.status == OK).sum())
    if coil.interruptions.kind is OpenKind.DROPOUTS:
        return words("claim.lost", coil=name, count=coil.interruptions.count, total=total)
    if stopped == total:
        return words("claim.seen-once" if total == 1 else "claim.seen-always", coil=name, total=total)
    return words("claim.seen", coil=name, stopped=stopped, total=total)


def _risk(risk: float, words: Words) -> str:
    return words("claim.little") if risk < _LITTLE_RISK else words("claim.one_in", n=round(1.0 / risk))


def _listed(names: Sequence[str], words: Words) -> str:
    if len(names) == 1:
        return names[0]
    return words("claim.list", first=", ".join(names[:-1]), last=names[-1])
