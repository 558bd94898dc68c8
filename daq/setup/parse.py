"""What people type, understood: each function takes a text and gives a value, or says what was expected."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence

from daq.errors import InputError
from daq.setup.plan import Group

NONE, HAND = "none", "hand"
_SPAN = re.compile(r"([A-Za-z_]*)(\d+)\s*-\s*\1(\d+)", re.ASCII)
_GROUP = re.compile(r"(.+?)[\s=:]+([\d.]+(?:e[+-]?\d+)?|\?)\s*(?:ohm)?", re.IGNORECASE)
_LABEL = re.compile(r"\w([\w.+-]{0,22}\w)?")


def short(value: float) -> str:
    """Write a figure as a person would."""
    return f"{value:.4g}"


def something(text: str) -> str:
    """Take any text but none."""
    if not text.strip():
        raise InputError("please type something; b goes back, ? explains")
    return text.strip()


def number(least: float, most_of: float) -> Callable[[str], float]:
    """Return what takes a number from *least* to *most_of*, with a point or a comma."""

    def parse(text: str) -> float:
        try:
            value = float(text.replace(",", ".").strip())
        except ValueError:
            value = math.nan
        if not least <= value <= most_of:
            raise InputError(f"{text!r}: expected a number from {least:g} to {most_of:g}")
        return value

    return parse


def whole(least: int, most_of: int) -> Callable[[str], int]:
    """Return what takes a whole number from *least* to *most_of*."""

    def parse(text: str) -> int:
        if not text.strip().isdecimal() or not least <= int(text) <= most_of:
            raise InputError(f"{text!r}: expected a whole number from {least} to {most_of}")
        return int(text)

    return parse


def two_or_four(text: str) -> int:
    """Take the number of leads."""
    return int(one_of(["2", "4"])(text))


def mains(text: str) -> int:
    """Take the frequency of the mains."""
    return int(one_of(["50", "60"])(text))


def one_of(words: Sequence[str]) -> Callable[[str], str]:
    """Return what takes one of *words*, capitals or not."""

    def parse(text: str) -> str:
        for word in words:
            if text.strip().casefold() == word.casefold():
                return word
        raise InputError(f"{text!r}: expected {', '.join(words)}")

    return parse


def channel_or_none(text: str) -> int | None:
    """Take a channel, or the word for none."""
    return None if text.strip().casefold() == NONE else whole(0, 99_999)(text)


def channels(count: int) -> Callable[[str], tuple[int, ...]]:
    """Return what takes *count* channels with commas between, or the first of as many that follow on."""

    def parse(text: str) -> tuple[int, ...]:
        found = tuple(whole(0, 99_999)(part.strip()) for part in text.split(","))
        if len(found) == 1:
            return tuple(range(found[0], found[0] + count))
        if len(found) != count or len(set(found)) != count:
            raise InputError(f"{text!r}: expected one channel, or {count} different ones with commas between")
        return found

    return parse


def channels_or_none(count: int) -> Callable[[str], tuple[int, ...]]:
    """Return what takes channels, or the word for none: then there are none."""
    return lambda text: () if text.strip().casefold() == NONE else channels(count)(text)


def ceiling(text: str) -> str | float:
    """Take an insulation class, or a temperature in degC."""
    word = text.strip().upper()
    return word if word in {"A", "E", "B", "F", "H"} else number(40, 300)(text)


def as_many(count: int) -> Callable[[str], tuple[float, ...]]:
    """Return what takes *count* numbers between commas, or one that stands for all."""

    def parse(text: str) -> tuple[float, ...]:
        parts = [number(0.001, 500)(part) for part in text.replace(";", ",").split(",")]
        if len(parts) == 1:
            parts *= count
        if len(parts) != count:
            raise InputError(f"{text!r}: expected {count} numbers with commas between, or one for all")
        return tuple(parts)

    return parse


def groups_of(text: str) -> tuple[Group, ...]:
    """Read ``Y1-Y5 3.3, Y6-Y8 5.3``; a part without ohms belongs to the next that has some."""
    groups: list[Group] = []
    labels: list[str] = []
    for part in text.split(","):
        found = _GROUP.fullmatch(part.strip())
        labels += _labels(found[1] if found else part)
        if found:
            groups.append(Group(tuple(labels), None if found[2] == "?" else number(1e-3, 1e6)(found[2])))
            labels = []
    if labels or not groups:
        raise InputError(f"{text!r}: expected labels and ohms such as Y1-Y5 3.3, or ? for the ohms")
    every = [label.casefold() for group in groups for label in group.labels]
    if len(every) != len(set(every)):
        raise InputError(f"{text!r}: a label stands there twice")
    if len(every) > 64:
        raise InputError(f"{len(every)} coils, expected at most 64 a set")
    return tuple(groups)


def _labels(text: str) -> list[str]:
    labels: list[str] = []
    for word in re.sub(r"\s*-\s*", "-", text.strip()).split():
        span = _SPAN.fullmatch(word)
        if span and int(span[2]) <= int(span[3]) < int(span[2]) + 64:
            labels += [f"{span[1]}{number}" for number in range(int(span[2]), int(span[3]) + 1)]
        elif _LABEL.fullmatch(word):
            labels.append(word)
        else:
            raise InputError(f"{word!r}: expected a label such as Y1, or several such as Y1-Y5")
    return labels
