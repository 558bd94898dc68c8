"""How the numbers of a report read: values with their uncertainty, limits, risks."""

from __future__ import annotations

from math import inf, isfinite

from analysis.model import Criterion
from analysis.words import Figure, Words

# Units as they stand in names of the code, and as a reader writes them.
_UNITS = {"ohm": "Ω", "degC": "°C"}
#: Criteria that are a share of R20.
_SHARES = frozenset({"drift", "drift-hot"})
_PREFIXES = ((1e9, "G"), (1e6, "M"), (1e3, "k"))


def plus_minus(value: float | None, expanded_u: float | None, words: Words) -> str:
    """A value and its U rounded together, without the unit: ``3.205 ± 0.006``."""
    if value is None or not isfinite(value):
        return words("sign.not determined")
    if expanded_u is None or not 0.0 < expanded_u < inf:
        return _signed(f"{value:.4g}", words)
    exponent = int(f"{expanded_u:.0e}".split("e")[1])
    # A leading 1 gets a second digit: rounding 0.014 to 0.01 would lose a third of it.
    places = max(0, -exponent + (1 if expanded_u < 1.95 * 10.0**exponent else 0))
    return _signed(f"{round(value, places) + 0.0:.{places}f} ± {expanded_u:.{places}f}", words)


def _signed(text: str, words: Words) -> str:
    return words.number(text).replace("-", "\u2212")


def limit_text(criterion: Criterion, words: Words) -> str:
    """How the limit of a criterion reads to a person."""
    low, high = criterion.low, criterion.high
    if low is None and high is None:
        return words("sign.not determined")
    factor, unit = _scale(criterion)
    ends = [_signed(f"{end / factor:.5g}", words) for end in (low, high) if end is not None]
    if low is None:
        text = words("report.at_most", high=ends[0])
    elif high is None:
        text = words("report.at_least", low=ends[0])
    elif low == -high:
        text = words("report.within", high=ends[1])
    else:
        text = words("report.between", low=ends[0], high=ends[1])
    return f"{text} {unit}".rstrip()


def risk_text(risk: float | None, words: Words) -> str:
    """A probability in per cent, of which less than a tenth need not be told apart."""
    if risk is None:
        return words("sign.not determined")
    return words("report.little_risk") if risk < 1e-3 else words.number(f"{100.0 * risk:.1f} %")


def value_text(criterion: Criterion, words: Words) -> str:
    """Value and U of a criterion with their unit."""
    if criterion.value is None:
        return words("sign.not determined")
    factor, unit = _scale(criterion)
    u = criterion.expanded_u
    return f"{plus_minus(criterion.value / factor, None if u is None else u / factor, words)} {unit}".rstrip()


def _scale(criterion: Criterion) -> tuple[float, str]:
    """Divisor and unit that keep value and limits of a criterion readable."""
    sizes = [abs(x) for x in (criterion.value, criterion.low, criterion.high) if x]
    if criterion.code in _SHARES:
        return 0.01, "%"
    if criterion.unit == "1/K":
        return 1e-3, "‰/K"
    unit = _UNITS.get(criterion.unit, criterion.unit)
    if unit == "Ω" and sizes:
        for factor, prefix in _PREFIXES:
            if min(sizes) >= factor:
                return factor, prefix + unit
    return 1.0, unit


def ohms(value: float) -> Figure:
    """A resistance with the prefix that keeps it short."""
    for factor, prefix in _PREFIXES:
        if value >= factor:
            return Figure(f"{value / factor:.4g} {prefix}Ω")
    return Figure(f"{value:.4g} Ω")
