"""The catalogue: what is said in one language can be said in every other."""

from __future__ import annotations

import ast
import re
import string
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from analysis.model import SetResult
from analysis.rounding import with_uncertainty
from analysis.trace.estimate import Measured
from analysis.words import Figure, Message, catalogue, languages, say, say_count
from analysis.words.recorded import kept, recalled, said_again
from tests.analysis.conftest import Bench
from tests.analysis.judge.rules.test_reasons import SCENES

ROOT = Path(__file__).parents[2]


def sentences(result: SetResult) -> Iterator[str]:
    """Every sentence and name of a judgement that is not a label."""
    yield from result.notes
    for coil in result.coils:
        for reason in coil.reasons:
            yield from (reason.text, reason.action)
        for criterion in coil.criteria:
            yield from (criterion.name, criterion.note)


def test_a_message_reads_as_text_and_knows_its_figures() -> None:
    """A message is its sentence in the language of the record, and keeps key and figures beside it."""
    message = say("reason.joint", joint=with_uncertainty(0.353, 0.022), most=0.1, witness="fits")
    assert message == "joint 0.353(22) ohm, at most 0.1 ohm allowed; its copper part fits"
    assert (message.key, message.figures["most"]) == ("reason.joint", 0.1)


def test_one_and_several_have_their_own_words() -> None:
    """The count chooses the sentence and stands in it."""
    assert say_count("reason.contact", 1).startswith("1 interrupted reading:")
    assert say_count("reason.contact", 2).startswith("2 interrupted readings:")


def test_an_unknown_language_is_refused() -> None:
    """Only languages that have a file are taken; the error lists them."""
    with pytest.raises(LookupError, match="expected one of"):
        catalogue("../en")
    assert "en" in languages()


@pytest.mark.parametrize("scene", SCENES.values(), ids=list(SCENES))
def test_all_that_a_judgement_says_can_be_said_in_another_language(
    bench: Bench, scene: Callable[[Bench], SetResult]
) -> None:
    """No sentence of reasons, criteria or notes is put together by hand: each has a key."""
    by_hand = [text for text in sentences(scene(bench)) if text and not isinstance(text, Message)]
    assert not by_hand


def shape(value: object) -> object:
    """What must be alike in all languages: figures of a text with how they are rounded, lengths of lists."""
    if isinstance(value, str):
        return sorted(
            (name, spec) for _, name, spec, _ in string.Formatter().parse(value) if name is not None
        )
    return [shape(each) for each in value] if isinstance(value, list) else value


@pytest.mark.parametrize("language", sorted(set(languages()) - {"en"}))
def test_each_language_says_all_that_english_does(language: str) -> None:
    """Every key is there and no other, with the same figures rounded alike, and no text is empty."""
    english, other = (catalogue(name).texts for name in ("en", language))
    assert other.keys() == english.keys()
    wrong = {key for key, text in other.items() if shape(text) != shape(english[key]) or not text}
    assert not wrong


def in_record(key: str) -> Message:
    """The sentence of *key* with figures of the kinds that records have."""
    figures = {
        name: 12.5
        if rounding
        else say("state.cut")
        if name == "state"
        else 3
        if "count" in name
        else "was ist"
        for _, name, rounding, _ in string.Formatter().parse(catalogue("en").texts[key])
        if name is not None
    }
    return say(key, **figures)


@pytest.mark.parametrize("key", [key for key in catalogue("en").texts if key.startswith("event.")])
def test_what_an_event_says_is_known_again_by_its_words(key: str) -> None:
    """From nothing but the text of a record a sentence is said in German as when its key was known."""
    message = in_record(key)
    found = recalled(str(message))
    assert found is not None
    assert (found, found.key) == (message, key)
    assert catalogue("de").said(found) == catalogue("de").said(message) != message


@pytest.mark.parametrize("key", [key for key in catalogue("en").texts if key.startswith("event.")])
def test_what_an_event_says_comes_back_by_key_and_figures(key: str) -> None:
    """A sentence that a record keeps with its key and figures is the same in each language."""
    message = in_record(key)
    again = said_again(str(message), *kept(message))
    assert isinstance(again, Message)
    assert (again, again.key) == (message, key)
    assert catalogue("de").said(again) == catalogue("de").said(message)


@pytest.mark.parametrize(
    "figures",
    [
        (Measured(3.2, 0.01),),
        (Figure("3.2047(31)"), 1.25),
        (say("part.beside", count=3), "Y1, Y2"),
        (np.float64(0.25), np.float64(2.0)),
        (float("nan"), float("inf")),
    ],
)
def test_figures_of_all_kinds_come_back(figures: tuple[object, ...]) -> None:
    """Messages in messages, figures with their uncertainty, and what JSON has no number for."""
    message = say("event.not-proved", why=figures[0], standing=figures)
    again = said_again(str(message), *kept(message))
    assert isinstance(again, Message)
    assert again == message
    assert catalogue("de").said(again) == catalogue("de").said(message)


@pytest.mark.parametrize(
    ("key", "figures"),
    [
        ("event.waits", '{"degC":25.0}'),
        ("event.waits", '{"degC":'),
        ("event.waits", "[]"),
        ("event.waits", '{"degC":"warm"}'),
        ("event.waits", "{}"),
        ("event.of-nobody", '{"degC":24.0}'),
        ("decimal", "{}"),
        ("event.waits", "[" * 5000),
    ],
)
def test_figures_that_do_not_give_the_sentence_are_not_believed(key: str, figures: str) -> None:
    """Of a damaged or forged row the sentence stands as it was read, and is said in no other language."""
    said = str(say("event.waits", degC=24.0))
    assert type(said_again(said, key, figures)) is str
    assert said_again(said, key, figures) == said


def test_what_the_catalogue_did_not_say_is_not_known_again() -> None:
    """An instrument's error, a sentence cut off, and one with a word where a number was are none of ours."""
    said = str(say("event.waits", degC=24.0))
    assert recalled(said) is not None
    for text in ("", "meter: no reply to READ?", said[:-5], said.replace("24", "cold"), f"{said}\n"):
        assert recalled(text) is None


SAME_IN_GERMAN = {
    "figure.title", "claim.title", "claim.hours", "claim.size", "claim.run_column", "note.of",
    "reason.retest", "part.r20", "fact.job", "observed.found", "observed.with-text",
}  # fmt: skip


def test_nothing_of_german_was_left_in_english() -> None:
    """Texts with words in them differ, but for those that are the same in both languages."""
    english, german = (catalogue(name).texts for name in ("en", "de"))
    same = {key for key, text in german.items() if text == english[key] and re.search(r"[a-z]{3}", str(text))}
    assert same <= SAME_IN_GERMAN


def keys_in_code() -> tuple[set[str], set[str]]:
    """Keys that the sources name, and beginnings of keys that they put together."""
    whole, begun = set(), set()
    for path in [*(ROOT / "analysis").rglob("*.py"), *(ROOT / "daq").rglob("*.py")]:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                whole.add(node.value)
            if isinstance(node, ast.JoinedStr) and isinstance(node.values[0], ast.Constant):
                begun.add(str(node.values[0].value))
            if isinstance(node, ast.Call) and getattr(node.func, "attr", "") in {"shown", "group", "count"}:
                begun |= {f"{arg.value}." for arg in node.args[:1] if isinstance(arg, ast.Constant)}
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "say_count":
                begun |= {f"{arg.value}." for arg in node.args[:1] if isinstance(arg, ast.Constant)}
    return whole, {each for each in begun if re.fullmatch(r"[a-z_-]+\.([a-z_-]+\.)?", each)}


def test_the_code_uses_every_text_of_the_catalogue() -> None:
    """No text lies unused: its key, or the group it is in, is named somewhere."""
    whole, begun = keys_in_code()
    tables = {f"{table}.{name}" for table in whole for name in ("heading", "columns") if table.isidentifier()}
    unused = [
        key
        for key in catalogue("en").texts
        if key not in whole | tables and not any(key.startswith(group) for group in begun)
    ]
    assert not unused


def test_german_has_a_decimal_comma_and_paper_its_signs() -> None:
    """Figures within a message get the decimal sign of the language, names keep theirs, units are printed."""
    others = say("part.others", count=4)
    off = say("part.difference", basis="A.1", difference=with_uncertainty(0.2657, 0.005), others=others)
    message = say("reason.peers-high", difference=off, most=0.1)
    assert message == "A.1 differs by 0.2657(50) ohm from 4 like parts, at most 0.1 ohm allowed"
    assert catalogue("en").said(message) == message.replace("ohm", "Ω")
    said = catalogue("de").said(message)
    assert said == "A.1 weicht um 0,2657(50) Ω von 4 gleichen Teilen ab, höchstens 0,1 Ω zulässig"


def convicting() -> set[str]:
    """Keys of the sentences that the sources give as reasons of their own, not for a retest."""
    found = set()
    for path in (ROOT / "analysis").rglob("*.py"):
        for function in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(function, ast.FunctionDef):
                continue
            said = {
                node.targets[0].id: node.value
                for node in ast.walk(function)
                if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name)
            }
            for node in ast.walk(function):
                if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Reason":
                    text = node.args[1]
                    text = said.get(text.id, text) if isinstance(text, ast.Name) else text
                    if isinstance(text, ast.Call) and isinstance(text.args[0], ast.Constant):
                        found.add(str(text.args[0].value).removeprefix("reason."))
    return found


def test_every_fault_has_its_words_for_readers_of_no_trade() -> None:
    """Each reason that convicts a coil has a plain sentence, and none is there for nothing."""
    others = {"retest", "unlike-peers"}  # of a retest, and a hint on a coil that passes
    assert set(catalogue("en").group("plain")) == convicting() - others
