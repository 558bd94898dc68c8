"""What a tradesman is told of a coil: what to do, and why, in words of every day."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import get_args

import pytest

from analysis.history.plain import ORDER, Do, to_do, why
from analysis.model import CoilResult, Reason, SetResult, Sight, Verdict
from analysis.words import Message, catalogue, languages, say
from tests.analysis.conftest import Bench
from tests.analysis.judge.rules.test_reasons import SCENES

#: Terms of measuring and of statistics, and figures with their uncertainty in brackets.
TERMS = re.compile(r"R20|alpha|α|chi|±|\bU\b|k=|uncertain|probe|criterion|\d\(\d|freedom|standard")


@pytest.mark.parametrize("scene", SCENES.values(), ids=list(SCENES))
def test_every_coil_gets_a_sentence_without_a_term_of_the_trade(
    bench: Bench, scene: Callable[[Bench], SetResult]
) -> None:
    """Whatever a coil's verdict rests on, it is told in everyday words, in every language."""
    for coil in scene(bench).coils:
        told = why(coil, coil.reasons)
        assert told
        assert all(isinstance(each, Message) for each in told)
        sentences = [
            each for each in told if each.key != "do.next"
        ]  # what to change is a hint for the tester
        assert not any(TERMS.search(each) for each in sentences), sentences
        assert to_do(coil.verdict, coil.reasons) in ORDER
        for language in languages():
            assert all(catalogue(language).said(each).strip() for each in told)


def test_every_criterion_that_can_leave_a_doubt_has_its_sentence() -> None:
    """No code of a criterion in the judgement is without a text for what stands in the way of a verdict."""
    texts = catalogue("en").texts
    codes = {key.removeprefix("criterion.") for key in texts if key.startswith("criterion.")}
    assert codes <= {key.removeprefix("unsure.") for key in texts if key.startswith("unsure.")}


@pytest.mark.parametrize(
    ("verdict", "keys", "do"),
    [
        ("pass", [], "keep"),
        ("retest", ["contact.one"], "clean"),
        ("fail", ["opens-hot"], "replace"),  # heat shows it, and a clean terminal does not cure it
        ("fail", ["joint"], "clean"),  # a dirty terminal in series looks the same
        ("fail", ["open-always"], "clean"),  # so does a lead that is off
        ("fail", ["joint", "drift"], "replace"),  # one that dirt does not explain decides
        ("fail", ["shorted-turns"], "replace"),
    ],
)
def test_what_to_do(verdict: Verdict, keys: list[str], do: Do) -> None:
    """What dirt or a lead may make is cleaned first; what is in the coil is replaced."""
    figures = dict.fromkeys(("opened", "closed", "winding", "joint", "witness", "percent", "difference"), "")
    reasons = [Reason(key, say(f"reason.{key}", **figures, most=1.0, count=1)) for key in keys]
    assert to_do(verdict, reasons) == do
    assert do in get_args(Do)


@pytest.mark.parametrize(
    ("heated", "said"), [(True, "cold or hot, up to 90 degC"), (False, "It was not tested hot.")]
)
def test_a_pass_says_whether_heat_was_tested(heated: bool, said: str) -> None:
    """A coil to keep is not said to be sound hot where nobody heated it."""
    nothing = [None] * 6
    coil = CoilResult("Y1", "", "", "pass", (), (), *nothing, "line", 90.0, 9, sight=Sight(heated=heated))
    assert said in why(coil, ())[0]
