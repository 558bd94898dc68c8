"""A whole set of coils judged: traces and limits in, one verdict a coil out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from statistics import median

import numpy as np

from analysis.judge.checks.at_rest import Resting
from analysis.judge.checks.empty_cells import Blanks
from analysis.judge.checks.interruptions import watch_notes
from analysis.judge.checks.leads import trusted
from analysis.judge.checks.misread import as_meant
from analysis.judge.checks.peers import Comparison, PeerValue, compare, like_parts, provable
from analysis.judge.checks.probes import without_lost
from analysis.judge.checks.slope import against_peers, slope_and_joint
from analysis.judge.checks.under_power_beside import beside_under_power, common_factor
from analysis.judge.coil import Examined, examine, own_findings, result, settle_drift
from analysis.judge.mislabelled import alone, changed_places, mixed_up
from analysis.judge.rules.criteria import (
    LEAST_BESIDE,
    Common,
    Finding,
    broken_off,
    far_from_20,
    noise_beside,
    of_another,
    of_the_record,
)
from analysis.judge.rules.reasons import retest
from analysis.judge.rules.verdict import K, rule_name
from analysis.model import (
    Account,
    Accuracy,
    CoilResult,
    Limits,
    MeterUse,
    OpenKind,
    SetResult,
    Subject,
    Trace,
)
from analysis.statistics.decision import Process, Zone, global_risks
from analysis.trace.drift import common_change
from analysis.trace.pooled_scatter import with_common_scatter
from analysis.words import Message, say

_LIMIT_FIELDS = ("r20_tolerance_rel", "joint_max_ohm", "peer_max_ohm", "drift_max_rel", "leakage_min_ohm")
#: The common limits in ohms are meant for coils of a few ohms; of larger ones nobody can tell that little.
_LARGE_REL = 0.03


def judge_set(
    traces: Sequence[Trace],
    subjects: Sequence[Subject] | None,
    limits: Mapping[str, Limits] | None,
    accuracy: Accuracy,
    *,
    soak_degC: float | None = None,
    meter: MeterUse | None = None,
) -> SetResult:
    """Judge every coil of a set.

    Args:
        traces: Readings, one trace a coil.
        subjects: What is under test; None for a bare table, whose coils are grouped as like parts.
        limits: Limits by kind; a kind without limits is held to common practice.
        accuracy: What the instruments can be trusted to.
        soak_degC: The hottest step of the soak; a coil that was not brought there cannot pass.
        meter: How the meter was used; None: nobody knows.

    Returns:
        The coils in the order of *subjects*, else of *traces*. Unusable input gives a retest with its
        reason; no number in the result is NaN or infinite.
    """
    notes: list[str] = []
    use = meter or MeterUse()
    accuracy = trusted(accuracy, use)
    meant = as_meant(traces, subjects, limits, accuracy)
    traces, lost = without_lost(meant.traces)
    by_label = {trace.coil: trace for trace in traces}
    named = list(subjects or [])
    known = {subject.coil for subject in named}
    strangers = [Subject(label, "") for label in by_label if label not in known]
    if subjects is not None:
        notes += [say("note.stranger", coil=each.coil) for each in strangers]
    coils = _examined((*named, *strangers), by_label, accuracy, use)
    if subjects is None:
        coils = _grouped([settle_drift(coil, Limits(""), accuracy) for coil in coils], notes)
        belongs = alone(coils)
    else:
        mixed = mixed_up(coils, limits or {})
        # Judged, until the label has been looked at, as what it reads like.
        coils = [_as_kind(coil, mixed[coil.label].kind) if coil.label in mixed else coil for coil in coils]
        belongs = {label: each.finding for label, each in mixed.items()}
    rows = {coil.label: coil.rows for coil in coils}
    common = _common(coils)
    asked_degC = _common_heat(coils) if soak_degC is None else soak_degC
    resting, blanks = Resting(rows, use), Blanks(rows)
    results: dict[str, CoilResult] = {}
    for kind in dict.fromkeys(coil.subject.kind for coil in coils):
        alike = [coil for coil in coils if coil.subject.kind == kind]
        held_to = (limits or {}).get(kind) or _common_practice(kind, alike)
        asked = {coil.label: resting.findings(coil.label, held_to) for coil in alike}
        for label in asked:
            asked[label] += blanks.findings(label)
            asked[label] += meant.findings.get(label, ())
        for label in asked.keys() & lost.keys():
            asked[label].append(lost[label])
        for label in asked.keys() & belongs.keys():
            asked[label].append(belongs[label])
        for coil in alike:
            asked[coil.label] += _beside_all(coil, coils)
            cut = broken_off(coil.rows, coil.hottest_degC) if soak_degC is None else None
            asked[coil.label] += [] if cut is None else [cut]
        judged = _judge_kind(alike, held_to, accuracy, use, asked_degC, asked, common)
        results |= judged
        compared = sum(_was_compared(each) for each in judged.values())
        if kind and compared > 1 and held_to.r20_ohm is None:
            notes.append(provable(compared, kind, held_to.peer_max_ohm))
        notes += _risk_of_kind(alike, held_to)
    notes += _rules(limits)
    notes += _scale(results)
    notes += _of_coils(coils, meant.reversed_current)
    notes += watch_notes({coil.label: coil.opens.watch for coil in coils})
    if cold := [coil.label for coil in coils if not coil.rows.heated]:
        notes.append(say("note.of", coils=", ".join(cold), what=say("lack.cold-only")))
    labelled = {subject.coil: subject.kind for subject in named}
    notes.append(_accounts([results[coil.label].account for coil in coils]))
    shown = (results[coil.label] for coil in coils)
    return SetResult(
        tuple(replace(each, kind=labelled.get(each.coil, each.kind)) for each in shown), tuple(notes)
    )


def _of_coils(coils: Sequence[Examined], reversed_current: Sequence[str]) -> list[str]:
    """What is to be known of single coils beside their verdict."""
    notes: list[str] = [
        say("note.of", coils=coil.label, what=coil.found.caution) for coil in coils if coil.found.caution
    ]
    if reversed_current:
        what = say("lack.current-reversed")
        notes.append(say("note.of", coils=", ".join(reversed_current), what=what))
    if energised := [coil.label for coil in coils if coil.rows.driven.any()]:
        notes.append(say("note.energised", coils=", ".join(energised)))
    return notes


def _examined(
    subjects: Sequence[Subject], traces: Mapping[str, Trace], accuracy: Accuracy, use: MeterUse
) -> list[Examined]:
    """Each coil by itself, but for how far points scatter, which all of them tell together."""
    coils = [examine(each, traces.get(each.coil) or _empty(each.coil), accuracy, use) for each in subjects]
    pooled = with_common_scatter({coil.label: coil.found for coil in coils})
    return [replace(coil, found=pooled[coil.label]) for coil in coils]


def _accounts(told: Sequence[Account]) -> str:
    """Say that every row of the set went somewhere."""
    return say(
        "note.account",
        rows=sum(each.rows for each in told),
        used=sum(each.used for each in told),
        explained=sum(sum(each.explained.values()) for each in told),
        against=sum(each.speaks_against for each in told),
    )


def _common(coils: Sequence[Examined]) -> Common:
    """What all coils of the set show alike."""
    return Common(
        common_change([coil.cold.change_rel if coil.cold else None for coil in coils]),
        common_change([coil.found.bend.change_rel if coil.found.bend else None for coil in coils]),
        common_factor([coil.driven for coil in coils]),
    )


def _common_heat(coils: Sequence[Examined]) -> float | None:
    """How hot most coils were read, where nobody says how hot they were to be; None without heat."""
    reached = [coil.hottest_degC for coil in coils if coil.rows.heated and coil.hottest_degC is not None]
    return median(reached) if len(reached) >= LEAST_BESIDE else None


def _beside_all(coil: Examined, coils: Sequence[Examined]) -> list[Finding]:
    """What all coils on the same meter tell of one, of whatever kind they are."""
    others = [other.fretting for other in coils if other is not coil and other.fretting is not None]
    told = noise_beside(coil.fretting, others, coil.found.r20.value if coil.found.r20 else 0.0)
    return [] if told is None else [told]


def _was_compared(result: CoilResult) -> bool:
    return any(each.code == "peers" and each.value is not None for each in result.criteria)


def _as_kind(coil: Examined, kind: str) -> Examined:
    return replace(coil, subject=replace(coil.subject, kind=kind))


def _empty(coil: str) -> Trace:
    numbers, words = np.empty(0), np.empty(0, dtype=np.str_)
    return Trace(coil, numbers, numbers, numbers, numbers, numbers, words, words, words)


def _grouped(coils: list[Examined], notes: list[str]) -> list[Examined]:
    """Name kinds by resistance: the copper part where it is known, so that a joint does not part a coil."""
    best = {coil.label: coil.found.parts.copper if coil.found.parts else coil.found.r20 for coil in coils}
    values = {label: measured.value if measured else None for label, measured in best.items()}
    kinds: dict[str, str] = {}
    for group in like_parts(values):
        known = [value for coil in group if (value := values[coil]) is not None]
        kind = say("note.about-ohm", ohm=float(np.median(known))) if known else say("note.unknown-ohm")
        if len(group) > 1:
            notes.append(say("note.assumed", coils=", ".join(group), kind=kind))
        kinds |= dict.fromkeys(group, kind)
    notes.append(say("note.no-set"))
    return [_as_kind(coil, kinds[coil.label]) for coil in coils]


def _common_practice(kind: str, coils: Sequence[Examined]) -> Limits:
    known = [coil.found.r20.value for coil in coils if coil.found.r20 is not None]
    plain = Limits(kind, defaulted=_LIMIT_FIELDS)
    large_ohm = round(_LARGE_REL * float(np.median(known)), 3) if known else 0.0
    return replace(
        plain,
        joint_max_ohm=max(plain.joint_max_ohm, large_ohm),
        peer_max_ohm=max(plain.peer_max_ohm, large_ohm),
    )


def _scale(results: Mapping[str, CoilResult]) -> list[str]:
    """What it means that most coils look as if they were not of copper: said once for all of them."""
    told = [each.coil for each in results.values() if each.alpha20_per_K is not None]
    steep = [each.coil for each in results.values() if any(why.code == "not-copper" for why in each.reasons)]
    if len(steep) < 2 or 2 * len(steep) <= len(told):
        return []
    return [say("note.scale", coils=", ".join(steep), count=len(steep), total=len(told))]


def _rules(limits: Mapping[str, Limits] | None) -> list[str]:
    """The decision rules that are not the usual one."""
    asked = dict.fromkeys(each.guard_band_U for each in (limits or {}).values())
    return [say("note.rule", rule=rule_name(guard)) for guard in asked if guard != Limits("").guard_band_U]


def _risk_of_kind(coils: Sequence[Examined], limits: Limits) -> list[str]:
    """How often R20 of this kind is decided wrongly, where the maker's spread is given."""
    known = [coil.found.r20.u for coil in coils if coil.found.r20 is not None]
    if limits.r20_ohm is None or limits.r20_spread_rel is None or not known:
        return []
    nominal, u = limits.r20_ohm, float(np.median(known))
    tolerance = Zone(nominal, nominal).drawn_in(-limits.r20_tolerance_rel * nominal)
    process = Process(nominal, limits.r20_spread_rel * nominal)
    risks = global_risks(process, u, tolerance, tolerance.drawn_in(limits.guard_band_U * K * u))
    text = say(
        "note.spread",
        kind=limits.kind,
        spread=100.0 * limits.r20_spread_rel,
        nominal=nominal,
        bad=1e6 * risks.false_accept,
        good=1e6 * risks.false_reject,
    )
    return [text]


def _judge_kind(
    coils: Sequence[Examined],
    limits: Limits,
    accuracy: Accuracy,
    meter: MeterUse,
    soak_degC: float | None,
    asked: Mapping[str, Sequence[Finding]],
    common: Common,
) -> dict[str, CoilResult]:
    """Judge the coils of one kind, each by itself and against the others.

    *asked* is what takes the whole set to tell: whether each is at rest, and of this kind at all.
    *common* is what all coils of the set show alike.
    """
    settled = [settle_drift(coil, limits, accuracy) for coil in coils]
    exchanged = changed_places(settled)
    findings: dict[str, list[Finding]] = {}
    for coil in settled:
        others = [other.found.parts for other in settled if other is not coil and other.found.parts]
        slope, joint = slope_and_joint(coil.found, others, limits)
        own = of_the_record(own_findings(coil, limits, meter, soak_degC), common)
        if coil.label in exchanged:
            own = of_another(own, exchanged[coil.label])
        if slope.criterion.outcome == "retest":
            own = [far_from_20(each, coil.found) for each in own]
        findings[coil.label] = [*own, slope, joint, *asked[coil.label]]
        # Where its own ohms already speak against a drive, like parts have no more to say of it.
        if all(each.criterion.outcome == "pass" for each in own if each.criterion.code == "driven"):
            under = [other.driven for other in settled if other is not coil]
            beside = beside_under_power(coil.driven, under, accuracy)
            findings[coil.label] += [] if beside is None else [beside]
    compared = _Company(settled, findings, limits, meter.wires)
    return {
        coil.label: result(coil, [*findings[coil.label], compared.finding(coil)], accuracy)
        for coil in settled
    }


class _Company:
    """Like parts compared: by R20 where no joint blurs it, else by the copper part."""

    def __init__(
        self,
        coils: Sequence[Examined],
        findings: Mapping[str, Sequence[Finding]],
        limits: Limits,
        wires: int | None,
    ) -> None:
        self._limits, self._wires = limits, wires
        # Outcomes of slope and joint by coil.
        self._slope = {label: _outcome(of, "slope") for label, of in findings.items()}
        self._joint = {label: _outcome(of, "joint") for label, of in findings.items()}
        understood = [coil for coil in coils if self._slope[coil.label] != "retest"]
        whole = {
            coil.label: PeerValue(coil.found.r20.value, coil.found.r20.own_u)
            for coil in understood
            if coil.found.r20
            and coil.opens.kind is not OpenKind.COLD
            and not _has_joint(findings[coil.label])
        }
        copper = {
            coil.label: PeerValue(coil.found.parts.copper.value, coil.found.parts.copper.own_u)
            for coil in understood
            if coil.found.parts
        }
        self._by_r20 = compare(whole, limits.peer_max_ohm)
        self._by_copper = compare(copper, limits.peer_max_ohm)

    def finding(self, coil: Examined) -> Finding:
        """Judge one coil against the others."""
        if self._slope[coil.label] == "retest":
            return against_peers(None, self._limits, "", say("lack.slope-open"))
        if self._joint[coil.label] not in {"fail", "retest"}:
            finding = self._against(coil, self._by_r20, say("part.r20"))
        else:
            finding = self._against(coil, self._by_copper, say("part.copper"))
            # A slope that is not understood makes its copper part too: the whole has to be off as well.
            if self._joint[coil.label] == "retest" and finding.criterion.outcome == "fail":
                finding = self._against(coil, self._by_r20, say("part.r20"))
        return finding if finding.criterion.value is not None else self._untold(coil, finding)

    def _against(self, coil: Examined, compared: Mapping[str, Comparison], basis: Message) -> Finding:
        return against_peers(compared.get(coil.label), self._limits, basis, say("lack.no-peer"), self._wires)

    def _untold(self, coil: Examined, finding: Finding) -> Finding:
        """Cold, without a maker's value and without like parts, a resistance is right or wrong for nobody."""
        if coil.rows.heated or self._limits.r20_ohm is not None or coil.found.r20 is None:
            return finding
        what = say("reason.nothing-beside", ohm=coil.found.r20)
        return replace(finding, reason=retest("nothing-beside", what))


def _has_joint(findings: Sequence[Finding]) -> bool:
    """Whether a coil shows a joint beyond its limit, be it convicted of it or not."""
    found = next(finding.criterion for finding in findings if finding.criterion.code == "joint")
    if found.value is None or found.expanded_u is None or found.high is None:
        return found.outcome == "fail"
    return found.outcome == "fail" or found.value - found.expanded_u > found.high


def _outcome(findings: Sequence[Finding], code: str) -> str:
    return next(finding.criterion.outcome for finding in findings if finding.criterion.code == code)
