"""One cell as a number, a resistance over range, or a time of day."""

from __future__ import annotations

import re
from datetime import UTC, datetime, time, timedelta
from math import inf, isclose, nan

from analysis.model import OVER_RANGE
from daq.record.foreign.sheets import Cell

#: SCPI-99 chapter 7.2.1: 9.91E37 is not a number, 9.9E37 infinity; the first is tested first.
NOT_A_NUMBER, INFINITE = 9.91e37, 9.9e37
OPEN_WORDS = frozenset(
    {"ol", "o.l", "0l", "0.l", "open", "over range", "overrange", "overload", "inf", "∞", OVER_RANGE}
) | {"offen", "überlauf", "überlast"}
NO_WORDS = frozenset({"", "nan", "na", "n/a", "-", "--", "null", "none"})
POINT_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)
COMMA_NUMBER = re.compile(r"[+-]?(\d+,?\d*|,\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_CLOCK = re.compile(r"(\d{1,3}):([0-5]\d)(?::([0-5]\d(?:[.,]\d{1,6})?))?", re.ASCII)
_DAY = re.compile(r"(\d{4})-(\d\d)-(\d\d)|(\d{1,2})\.(\d{1,2})\.(\d{4})", re.ASCII)


def parse_number(cell: Cell, *, comma: bool) -> float | None:
    """Return the number in *cell*, infinite for over range, NaN for none; None if it is something else.

    Args:
        cell: As the table has it.
        comma: Whether its decimal sign may be a comma.
    """
    if isinstance(cell, float):
        return told(cell)
    text = cell.strip() if isinstance(cell, str) else "a time"
    if POINT_NUMBER.fullmatch(text):  # as nearly all are
        return told(float(text))
    word = text.casefold()
    if word in NO_WORDS or word in OPEN_WORDS:
        return nan if word in NO_WORDS else inf
    text = text.replace("\N{MINUS SIGN}", "-")
    number = POINT_NUMBER.fullmatch(text) or (comma and COMMA_NUMBER.fullmatch(text))
    return told(float(text.replace(",", "."))) if number else None


def told(value: float) -> float:
    """Return *value*, or what instruments mean by it: NaN for 'not a number', infinite for over range."""
    if -1e30 < value < 1e30:
        return value
    if isclose(abs(value), NOT_A_NUMBER, rel_tol=1e-4):
        return nan
    return inf if abs(value) >= INFINITE * (1 - 1e-9) else value


def clock_s(cell: Cell) -> tuple[float, bool] | None:
    """Return a time of day, or a date with one, in seconds, and whether it had a date; None if it is neither.

    Dates are read as 2026-01-31 or as 31.01.2026; of 01/02/2026 nobody knows which is the day.
    """
    if isinstance(cell, datetime):
        return cell.replace(tzinfo=UTC).timestamp(), True
    if isinstance(cell, time):
        since = timedelta(0, cell.second, cell.microsecond, 0, cell.minute, cell.hour)
        return since.total_seconds(), False
    if isinstance(cell, timedelta):
        return cell.total_seconds(), False
    return _spelled_clock_s(cell.strip()) if isinstance(cell, str) else None


def _spelled_clock_s(text: str) -> tuple[float, bool] | None:
    day = _DAY.match(text)
    found = _CLOCK.fullmatch(text[day.end() :].lstrip(" T").removesuffix("Z") if day else text)
    if found is None:
        return None
    hours, minutes, seconds = found[1], found[2], found[3] or "0"
    of_day = 3600.0 * int(hours) + 60.0 * int(minutes) + float(seconds.replace(",", "."))
    if day is None:
        return of_day, False
    year, month, date = (day[1], day[2], day[3]) if day[1] else (day[6], day[5], day[4])
    try:
        midnight = datetime(int(year), int(month), int(date), tzinfo=UTC)
    except ValueError:
        return None
    return midnight.timestamp() + of_day, True
