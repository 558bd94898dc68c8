"""Interruptions judged and put into words: opens, dropouts, and what may have been missed of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from math import hypot

from analysis.judge.rules.criteria import Finding
from analysis.judge.rules.reasons import retest
from analysis.judge.rules.verdict import Outcome
from analysis.model import Accuracy, Criterion, OpenKind, Opens, Reason, Watch
from analysis.physics.copper import REFERENCE_DEGC, ZERO_BELOW_K, winding_temperature
from analysis.rounding import with_uncertainty
from analysis.trace.estimate import Measured
from analysis.trace.rows import SHORT_OHM
from analysis.words import Figure, Message, say, say_count

#: Interruptions that convict a coil: so many while warm, or so many in all. Fewer may be the contacts.
_WARM_DROPOUTS, _DROPOUTS = 2, 3
#: Coils watched alike within this ratio share a sentence, which tells the worst of them.
_ALIKE = 1.5


def with_winding(opens: Opens, r20: Measured | None, accuracy: Accuracy) -> Opens:
    """Add the winding's temperatures about an open, by its own resistance: it may lead or trail its body."""
    if r20 is None or r20.value < SHORT_OHM:
        return opens

    def winding(ohm: float | None) -> tuple[float, float] | None:
        if ohm is None or ohm <= 0.0:  # no copper reads below nothing
            return None
        degC = winding_temperature(ohm, r20.value, REFERENCE_DEGC)
        # V/I against ohms: their gains are not the same.
        return degC, (ZERO_BELOW_K + degC) * hypot(r20.u / r20.value, accuracy.vi_gain_rel)

    return replace(opens, before_degC=winding(opens.before_ohm), after_degC=winding(opens.after_ohm))


def interruptions(opens: Opens, *, heated: bool) -> Finding:
    """Judge opens and dropouts of a coil that was *heated* or not."""
    outcome, reason = _interrupted(opens, heated)
    note = _certain(opens.watch) if heated else say("lack.cold-only")
    name = say("criterion.open")
    criterion = Criterion("open", name, "", float(opens.count), 0.0, None, 0.0, outcome, note)
    return Finding(criterion, reason)


def _certain(watch: Watch | None) -> str:
    """The shortest interruption that was certain to show while warm."""
    if watch is None:
        return ""
    length = _length(watch.certain_s)
    if watch.powered_s is None:
        return say("part.certain", length=length)
    return say("part.certain-powered", length=length, powered=_length(watch.powered_s))


def _interrupted(opens: Opens, heated: bool) -> tuple[Outcome, Reason | None]:
    if opens.kind is OpenKind.NONE:
        return "pass", None
    if (lasting := _lasting(opens)) is not None:
        return "fail", lasting
    if opens.kind is OpenKind.ONCE_HOT:
        return "retest", retest("opens-hot-once", say("reason.opens-hot-once", **_bracket(opens)))
    if heated and (opens.warm_count >= _WARM_DROPOUTS or opens.count >= _DROPOUTS):
        text = say(
            "reason.dropouts",
            count=opens.count,
            warm=_percent(opens.warm_share),
            cold=_percent(opens.cold_share),
            time=_open_time(opens),
        )
        return "fail", Reason("dropouts", text)
    return "retest", retest("contact", say_count("reason.contact", opens.count))


def _lasting(opens: Opens) -> Reason | None:
    """The reason of a coil that stayed open, None of any other."""
    if opens.kind is OpenKind.ALWAYS:
        return Reason("open", say("reason.open-always"))
    if opens.kind is OpenKind.COLD:
        times = say("part.once") if opens.count == 1 else say("part.times", count=opens.count)
        return Reason("open", say("reason.open-cold", times=times))
    if opens.kind is OpenKind.HOT:
        return Reason("opens-hot", say("reason.opens-hot", **_bracket(opens), winding=_winding(opens)))
    return None


def _bracket(opens: Opens) -> dict[str, str]:
    """Where it opened and closed, by the probe."""
    opened = "" if opens.opened_degC is None else _between("part.opened", "part.opened-at", opens.opened_degC)
    if not opens.ordered:
        return {"opened": opened, "closed": say("part.no-order")}
    if opens.closed_degC is None:
        return {"opened": opened, "closed": say("part.not-closed")}
    return {"opened": opened, "closed": _between("part.closed", "part.closed-at", opens.closed_degC)}


def _between(key: str, at: str, degC: tuple[float, float]) -> Message:
    low, high = min(degC), max(degC)
    # Of what reads the same as a whole number there is no between.
    return say(key, low=low, high=high) if round(low) != round(high) else say(at, low=low)


def _winding(opens: Opens) -> str:
    """Where the winding was, by its own resistance."""
    if opens.before_degC is None:
        return ""
    before = with_uncertainty(*opens.before_degC)
    if opens.after_degC is None:
        return say("part.winding", before=before)
    return say("part.winding-both", before=before, after=with_uncertainty(*opens.after_degC))


def _open_time(opens: Opens) -> str:
    if opens.open_s is None:
        return ""
    return say("part.open-time", least=_length(opens.open_s[0]), most=_length(opens.open_s[1]))


def _percent(share: float | None) -> str:
    return say("part.none") if share is None else Figure(f"{100.0 * share:.1f} %")


def watch_notes(watches: Mapping[str, Watch | None]) -> list[Message]:
    """Return what readings could have shown of interruptions: a sentence for all coils watched alike."""
    watched = [(coil, each) for coil, each in watches.items() if each is not None]
    watched.sort(key=lambda item: item[1].certain_s)
    groups: list[list[tuple[str, Watch]]] = []
    for coil, each in watched:
        alike = groups and each.certain_s <= _ALIKE * groups[-1][0][1].certain_s
        if alike and (each.window_s is None) == (groups[-1][0][1].window_s is None):
            groups[-1].append((coil, each))
        else:
            groups.append([(coil, each)])
    sentences = []
    for group in groups:
        what = _sentence([each for _, each in group])
        whose = ", ".join(coil for coil in watches if coil in dict(group))
        sentences.append(what if len(groups) == 1 else say("note.of", coils=whose, what=what))
    return sentences


def _sentence(alike: list[Watch]) -> Message:
    length = _length(alike[-1].certain_s)
    if all(each.least_s is None for each in alike):
        return say("note.watch-unknown", length=length)
    shares = _worst(alike)
    if not shares:
        return say("note.watch-certain", length=length)
    missed = tuple(
        say("part.missed", share=100.0 * share, length=_length(each_s)) for each_s, share in shares.items()
    )
    return say("note.watch-missed", length=length, missed=missed)


def _worst(alike: Iterable[Watch]) -> dict[float, float]:
    worst: dict[float, float] = {}
    for each in alike:
        for missed in each.missed:
            worst[missed.length_s] = max(missed.share, worst.get(missed.length_s, 0.0))
    return worst


def _length(time_s: float) -> Figure:
    """A length of time to two digits, in the unit that keeps it short."""
    for unit_s, unit in ((3600.0, "h"), (120.0, "min"), (1.0, "s")):
        if time_s >= unit_s:
            value = time_s / (60.0 if unit == "min" else unit_s)
            return Figure(f"{value:.2g} {unit}" if value < 100.0 else f"{value:.0f} {unit}")
    short = time_s < 0.9995 and 1e3 * time_s < 99.5
    return Figure(f"{1e3 * time_s:.2g} ms" if short else f"{1e3 * time_s:.0f} ms")
