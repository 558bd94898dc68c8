"""The words and numbers of a report, before they are set."""

from __future__ import annotations

import string
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from analysis.model import CoilResult, Criterion, Limits, SetResult, Verdict
from analysis.paper.inert_text import breakable, inert, plain, shortened
from analysis.paper.numbers import limit_text, plus_minus, risk_text
from analysis.paper.report_data import ReportInfo, headline, report_data
from analysis.words import catalogue

EN = catalogue("en")


def judged(*verdicts: Verdict) -> SetResult:
    """A set with these verdicts and nothing else."""
    return SetResult(
        tuple(
            CoilResult(f"Y{n}", "", "", verdict, (), (), *([None] * 6), "none", None, 0)
            for n, verdict in enumerate(verdicts)
        )
    )


@pytest.mark.parametrize(
    ("verdicts", "sentence"),
    [
        ((), "No coil was judged."),
        (("pass",), "The one coil passes."),
        (("pass", "pass"), "All 2 coils pass."),
        (("pass", "fail"), "1 of 2 coils passes, 1 fails."),
        (("retest", "retest", "fail"), "0 of 3 coils pass, 1 fails, 2 need a retest."),
        (("retest",), "0 of 1 coils pass, 1 needs a retest."),
    ],
)
def test_headline_counts_in_plain_words(verdicts: tuple[Verdict, ...], sentence: str) -> None:
    """The headline agrees in number with what it counts and leaves out what there is none of."""
    assert headline(judged(*verdicts), EN) == sentence


@pytest.mark.parametrize(
    ("value", "expanded_u", "text"),
    [
        (3.2047, 0.0062, "3.205 ± 0.006"),
        (0.35, 0.018, "0.350 ± 0.018"),
        (0.35, 0.0196, "0.35 ± 0.02"),
        (-0.00001, 0.02, "0.00 ± 0.02"),
        (-0.276, 0.008, "−0.276 ± 0.008"),
        (2.004, 0.00999, "2.004 ± 0.010"),
        (123.4, 30.0, "123 ± 30"),
        (21.37, None, "21.37"),
        (21.37, 0.0, "21.37"),
        (None, 0.1, "–"),
        (float("nan"), 0.1, "–"),
        (-2.5, float("nan"), "−2.5"),
    ],
)
def test_value_and_uncertainty_are_rounded_together(
    value: float | None, expanded_u: float | None, text: str
) -> None:
    """Both end at the same place, set by the uncertainty; zero has no sign."""
    assert plus_minus(value, expanded_u, EN) == text


@pytest.mark.parametrize(
    ("low", "high", "unit", "text"),
    [
        (None, None, "Ω", "–"),
        (2.97, 3.63, "Ω", "2.97 to 3.63 Ω"),
        (None, 0.1, "Ω", "at most 0.1 Ω"),
        (1e6, None, "Ω", "at least 1 MΩ"),
        (-0.1, 0.1, "Ω", "within ± 0.1 Ω"),
        (None, 0.0, "", "at most 0"),
        (None, 2200.0, "ohm", "at most 2.2 kΩ"),
        (None, 90.0, "degC", "at most 90 °C"),
    ],
)
def test_limits_read_as_words(low: float | None, high: float | None, unit: str, text: str) -> None:
    """One-sided, two-sided and symmetrical limits each read as a person would say them."""
    assert limit_text(Criterion("c", "n", unit, None, None, low, high, "not determined"), EN) == text


@pytest.mark.parametrize(
    ("risk", "text"),
    [(None, "–"), (0.0, "< 0.1 %"), (0.00099, "< 0.1 %"), (0.00101, "0.1 %"), (0.5, "50.0 %")],
)
def test_risks_read_as_per_cent(risk: float | None, text: str) -> None:
    """A risk is told to a tenth of a per cent; less is not told apart."""
    assert risk_text(risk, EN) == text


@pytest.mark.parametrize(
    ("guard_band_U", "said"),
    [
        (1.0, "inside its limit by at least U and"),
        (0.83, "inside its limit by at least 0.83 U and"),
        (0.0, "whatever its U"),
    ],
)
def test_report_states_the_rule_and_the_risk(guard_band_U: float, said: str) -> None:
    """The method names the rule that was decided by, a criterion its risk, a coil the risk of its verdict."""
    joint = Criterion("joint", "joint", "ohm", 0.01, 0.02, None, 0.1, "pass", wrong_risk=0.0123)
    coil = replace(judged("pass").coils[0], criteria=(joint,), wrong_risk=0.0234)
    about = ReportInfo(
        "A run",
        datetime(2026, 1, 5, tzinfo=UTC),
        "complete",
        simulated=False,
        version="1",
        limits={"valve": Limits("valve", guard_band_U=guard_band_U)},
    )
    data = report_data(SetResult((coil,)), about, "a4", EN)
    assert said in " ".join(data["method"]["sentences"])
    assert data["coils"][0]["criteria"][0]["risk"] == "1.2\u00a0%"
    assert "risk of a wrong verdict 2.3\u00a0%" in data["coils"][0]["facts"]


def test_a_figure_and_its_unit_stay_on_one_line() -> None:
    """Blanks between a value, its uncertainty and its unit are such as no line ends at."""
    assert plain("at 3.205 ± 0.006 Ω, 5 min") == "at 3.205\u00a0±\u00a00.006\u00a0Ω, 5\u00a0min"
    assert plain("risk < 0.1 %") == "risk <\u00a00.1\u00a0%"


def test_plain_text_passes_unchanged() -> None:
    """Ordinary text, markup signs included, is not touched."""
    for text in (string.punctuation[:25], "Y1", "Y1 of 8, 2026-01-05 08:00", "漢字", "na\u200dme"):
        assert plain(text) == text


def test_hidden_and_turning_signs_become_visible() -> None:
    """A direction override, a control sign and half a character each show as a replacement sign."""
    assert plain("a\u202eb\x1bc\ud800d") == "a\ufffdb\ufffdc\ufffdd"


def test_long_text_is_shortened_and_long_words_can_break() -> None:
    """The length is bounded and says where it was cut; a long word has places to break."""
    assert plain("word " * 5000).endswith("…")
    assert len(plain("word " * 5000)) < 2000
    assert max(map(len, plain("x" * 500).split("\u200b"))) < 30
    assert plain("x" * 500).replace("\u200b", "") == "x" * 500


def test_narrow_columns_break_endless_words_only() -> None:
    """A word of the trade stays whole and can be searched for; an endless one breaks every few signs."""
    assert breakable("proportional valve") == "proportional valve"
    assert breakable("a " + "W" * 20) == "a " + "\u200b".join(["W" * 5] * 4)
    assert plain(breakable("W" * 60)) == breakable("W" * 60)


def test_what_is_cut_says_so() -> None:
    """Text at the limit stays whole, text beyond ends in an ellipsis and keeps to the limit."""
    assert shortened("four", 4) == "four"
    assert shortened("fiver", 4) == "fiv…"


def test_inert_reaches_every_text() -> None:
    """Lists, tuples and mappings are cleaned to the bottom; numbers stay numbers."""
    assert inert({"a": ["x\x00", ("y\x00", 1, None)]}) == {"a": ["x\ufffd", ["y\ufffd", 1, None]]}
