"""The catalogue: what is said in one language can be said in every other."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from analysis.model import SetResult
from analysis.rounding import with_uncertainty
from analysis.words import Message, catalogue, languages, say, say_count
from tests.analysis.conftest import Bench
from tests.analysis.test_reasons import SCENES


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
