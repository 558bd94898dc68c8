"""A claim pack in German: nothing that the program says stays in English, nothing typed is changed."""

from __future__ import annotations

import ast
import re
import shutil
import string
from collections.abc import Iterator
from pathlib import Path

import pytest
from pypdf import PdfReader

from analysis.history.observations import NOTE, Observation
from analysis.words import catalogue, say
from daq.archive import judgement
from daq.archive.claim.write import ClaimRequest, write_claim
from daq.clock import RealClock
from daq.record.format import Event, event_line
from daq.record.observations import append_observations

ROOT = Path(__file__).parents[4]
SAMPLES = ROOT / "sample_runs"
(FAULTS,) = (SAMPLES / "faults").glob("*-as-received")
ERROR = "meter: no reply to READ? within 2 s; look at its cable"
TYPED = "smells burnt, as if it had been hot before"
EVENTS = (
    ("contact", "Y1", say("event.loose-contact", winding=161.0, around=90.0)),
    ("contact", "", say("event.leads-too-large", ohm=0.7)),
    ("ambient", "", say("event.parts-apart", low=18.5, high=27.0)),
    ("resume", "Y3", say("event.left-open", count=4, folder="old")),
    ("heat", "Y3", say("event.heating-ended", why="coil Y3: something stopped it")),
    ("fault", "", ERROR),
)


@pytest.fixture(scope="module")
def pack(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The words of a German pack of a run with events, damage and a note, with blanks evened out."""
    folder = tmp_path_factory.mktemp("german")
    run = folder / "run"
    shutil.copytree(FAULTS, run)
    with (run / "events.csv").open("a", encoding="utf-8") as events:
        for kind, coil, text in EVENTS:
            events.write(event_line(Event(time_s=9.0, utc="", kind=kind, coil=coil, text=text)))
    with (run / "readings.csv").open("a", encoding="utf-8") as readings:
        readings.write("1,Y1\n7400.0,Y1,cold,,x,,,,,,ohms,ok\n7401.0,Y")
    append_observations(run, [Observation("Y2", NOTE, "", TYPED)], RealClock())
    pdf = PdfReader(write_claim(ClaimRequest((run,), folder / "claim.pdf", language="de")))
    text = " ".join(page.extract_text() for page in pdf.pages).replace("\u200b", "")
    return " ".join(text.split())


def english() -> Iterator[str]:
    """Stretches of words, three or more, of every English text that is another in German."""
    german = catalogue("de").texts
    for key, text in catalogue("en").texts.items():
        for each in (text,) if isinstance(text, str) else ():
            for literal, *_ in string.Formatter().parse(each) if each != german[key] else ():
                evened = " ".join(literal.replace("degC", "°C").split()).strip(" .,;:()")
                if len(re.findall(r"[A-Za-z]{2,}", evened)) >= 3:
                    yield evened


@pytest.mark.slow
def test_no_sentence_of_the_english_catalogue_is_in_a_german_pack(pack: str) -> None:
    """But for what is quoted from the record, the pack has no stretch of any English text."""
    unquoted = re.sub("„[^“]*“", "", pack)
    stretches = list(english())
    assert len(stretches) > 300
    assert [each for each in stretches if each in unquoted] == []


@pytest.mark.slow
def test_events_and_damage_are_told_in_german(pack: str) -> None:
    """What the record tells in English is said in German with its figures; what cannot be is quoted."""
    for said in (
        "Y1: nach ihrem Widerstand hätte die Wicklung 161 °C, Gehäuse und Ofen haben aber 90 °C",
        "Leitungen 0,700 Ω, von jedem Zweileiter-Messwert abgezogen: zu viel",
        "die Teile haben 18,5 bis 27,0 °C, also nicht alle Raumtemperatur",
        "Y3: 4 Messwerte offen oder Überlauf im abgerissenen Teil, siehe old",
        "Y3: Erwärmung beendet, in den Worten der Aufzeichnung: „coil Y3: something stopped it“",
        f"Störung, in den Worten der Aufzeichnung: „{ERROR}“",
        "readings.csv: die letzte Zeile ist abgerissen (8 Bytes) und wurde ausgelassen",
        "2 Zellen statt 12, Zeile ausgelassen",
        "eine Zelle ist keine Zahl, Zeile ausgelassen",
        "readings.csv: nach Abschluss des Laufs verändert",
        "Thermometer Pt100 am Multimeter",
    ):
        assert said in pack, said


@pytest.mark.slow
def test_what_somebody_typed_stays_as_it_was_typed(pack: str) -> None:
    """A note is data: it stands in the pack in the words of whoever wrote it."""
    assert f"„{TYPED}“" in pack


def test_every_kind_of_event_that_is_told_has_a_name() -> None:
    """What is quoted from a record stands behind the kind of its event, of which each has a word."""
    assert set(catalogue("de").group("event_kind")) == judgement.TOLD


def test_what_a_run_tells_is_said_by_the_catalogue() -> None:
    """No procedure puts together by hand what an event of a kind that is told says: it has a key."""
    told = []
    for path in (ROOT / "daq").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "attr", "") == "event" and node.args[1:]:
                kind, text = node.args[:2]
                if isinstance(kind, ast.Constant) and kind.value in judgement.TOLD:
                    told.append(
                        (f"{path.name}:{text.lineno}", isinstance(text, ast.Constant | ast.JoinedStr))
                    )
    assert len(told) > 8
    assert [place for place, by_hand in told if by_hand] == []
