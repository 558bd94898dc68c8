"""Interruptions judged and put into words: opens, dropouts, and what may have been missed of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from math import hypot

from analysis.copper import REFERENCE_DEGC, ZERO_BELOW_K, winding_temperature
from analysis.criteria import Finding
from analysis.estimate import Measured
from analysis.model import Accuracy, Criterion, Reason
from analysis.opens import OpenKind, Opens, Watch
from analysis.reasons import retest
from analysis.rounding import with_uncertainty
from analysis.rows import SHORT_OHM
from analysis.verdict import Outcome

#: Interruptions that convict a coil: so many while warm, or so many in all. Fewer may be the contacts.
_WARM_DROPOUTS, _DROPOUTS = 2, 3
_LASTING = {
    OpenKind.ALWAYS: (
        "open",
        "open or over range in every reading; check the leads and contacts first, then the coil is open",
    ),
    OpenKind.COLD: ("open", "open for a while although cold ({times}); check the leads and contacts first"),
    OpenKind.HOT: ("opens-hot", "opens when hot{where}"),
}
#: Coils watched alike within this ratio share a sentence, which tells the worst of them.
_ALIKE = 1.5


def with_winding(opens: Opens, r20: Measured | None, accuracy: Accuracy) -> Opens:
    """Add the winding's temperatures about an open, by its own resistance: it may lead or trail its body."""
    if r20 is None or r20.value < SHORT_OHM:
        return opens

    def winding(ohm: float | None) -> tuple[float, float] | None:
        if ohm is None:
            return None
        degC = winding_temperature(ohm, r20.value, REFERENCE_DEGC)
        # V/I against ohms: their gains are not the same.
        return degC, (ZERO_BELOW_K + degC) * hypot(r20.u / r20.value, accuracy.vi_gain_rel)

    return replace(opens, before_degC=winding(opens.before_ohm), after_degC=winding(opens.after_ohm))


def interruptions(opens: Opens, *, heated: bool) -> Finding:
    """Judge opens and dropouts of a coil that was *heated* or not."""
    outcome, reason = _interrupted(opens, heated)
    note = "" if heated else "cold only: heat not tested"
    criterion = Criterion("open", "interruptions", "", float(opens.count), 0.0, None, 0.0, outcome, note)
    return Finding(criterion, reason)


def _interrupted(opens: Opens, heated: bool) -> tuple[Outcome, Reason | None]:
    if opens.kind is OpenKind.NONE:
        return "pass", None
    if opens.kind in _LASTING:
        code, text = _LASTING[opens.kind]
        times = "once" if opens.count == 1 else f"{opens.count} times"
        return "fail", Reason(code, text.format(times=times, where=_bracket(opens) + _winding(opens)))
    if opens.kind is OpenKind.ONCE_HOT:
        return "retest", retest(
            "opens-hot-once",
            f"open or over range in the one reading at the hottest step{_bracket(opens)}: "
            "it may be a lead that slipped",
        )
    if heated and (opens.warm_count >= _WARM_DROPOUTS or opens.count >= _DROPOUTS):
        return "fail", Reason(
            "dropouts",
            f"{opens.count} short interruptions: {_percent(opens.warm_share)} of the warm readings, "
            f"{_percent(opens.cold_share)} of the cold ones{_open_time(opens)}",
        )
    several = "s" if opens.count > 1 else ""
    return "retest", retest(
        "contact", f"{opens.count} interrupted reading{several}: too few to blame the coil"
    )


def _bracket(opens: Opens) -> str:
    """Where it opened and closed, by the probe."""
    text = ""
    if opens.opened_degC is not None:
        text = " between {:.0f} and {:.0f} degC".format(*sorted(opens.opened_degC))
    if not opens.ordered:
        return (
            f"{text} (at the probe; the order of the readings is not on record, so its closing is not known)"
        )
    if opens.closed_degC is None:
        return f"{text}, and was not seen to close again (at the probe)"
    closed = " and closes again between {:.0f} and {:.0f} degC (at the probe)"
    return text + closed.format(*sorted(opens.closed_degC))


def _winding(opens: Opens) -> str:
    """Where the winding was, by its own resistance."""
    if opens.before_degC is None:
        return ""
    text = (
        f"; by its resistance the winding was at {with_uncertainty(*opens.before_degC)} degC before it opened"
    )
    if opens.after_degC is not None:
        text += f" and at {with_uncertainty(*opens.after_degC)} degC after it closed"
    return text


def _open_time(opens: Opens) -> str:
    if opens.open_s is None:
        return ""
    return f"; open for between {_length(opens.open_s[0])} and {_length(opens.open_s[1])} in all"


def _percent(share: float | None) -> str:
    return "none" if share is None else f"{100.0 * share:.1f} %"


def watch_notes(watches: Mapping[str, Watch | None]) -> list[str]:
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
        whose = "" if len(groups) == 1 else ", ".join(coil for coil in watches if coil in dict(group)) + ": "
        sentences.append(whose + _sentence([each for _, each in group]))
    return sentences


def _sentence(alike: list[Watch]) -> str:
    certain = (
        f"while warm, an interruption was certain to show only if it lasted {_length(alike[-1].certain_s)}"
    )
    least = [each.least_s for each in alike if each.least_s is not None]
    if not least:
        return (
            f"{certain}; how many shorter ones were missed is not known without the meter's integration time"
        )
    shares = _worst(alike)
    if not shares:
        return certain
    listed = ", ".join(f"{100.0 * share:.1f} % of {_length(length)}" for length, share in shares.items())
    return f"{certain}; of shorter ones at random instants would have been missed: {listed}"


def _worst(alike: Iterable[Watch]) -> dict[float, float]:
    worst: dict[float, float] = {}
    for each in alike:
        for missed in each.missed:
            worst[missed.length_s] = max(missed.share, worst.get(missed.length_s, 0.0))
    return worst


def _length(time_s: float) -> str:
    """A length of time to two digits, in the unit that keeps it short."""
    for unit_s, unit in ((3600.0, "h"), (120.0, "min"), (1.0, "s")):
        if time_s >= unit_s:
            value = time_s / (60.0 if unit == "min" else unit_s)
            return f"{value:.2g} {unit}" if value < 100.0 else f"{value:.0f} {unit}"
    return f"{1e3 * time_s:.2g} ms" if time_s < 0.9995 and 1e3 * time_s < 99.5 else f"{1e3 * time_s:.0f} ms"
