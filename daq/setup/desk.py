"""Questions and answers: each asked once, gone back to, changed, or taken from a file.

The interview is a plain function that asks for what it needs, and is run again from its start whenever an
answer changes: what was answered is not asked twice, so going back is forgetting one answer.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Protocol, TypeVar

from daq.errors import InputError

T = TypeVar("T")
BACK, HELP = "b", "?"


class BackError(Exception):
    """Whoever is asked wants the question before this one again."""


class Person(Protocol):
    """Who is asked."""

    def ask(self, prompt: str) -> str:
        """Show *prompt* and return the line that is typed."""
        ...

    def tell(self, text: str) -> None:
        """Show *text*."""
        ...


@dataclass
class Desk:
    """What has been answered so far, and who is asked for the rest.

    *person* is None where nobody sits at a terminal: then *given* must have what has no default. *usual* are
    answers of another time: they stand as defaults.
    """

    person: Person | None
    given: Mapping[str, str] = field(default_factory=dict)
    usual: Mapping[str, str] = field(default_factory=dict)
    answers: dict[str, str] = field(default_factory=dict)
    #: Keys in the order in which a person was asked.
    asked: list[str] = field(default_factory=list)
    #: Keys of this run of the interview, in its order.
    used: list[str] = field(default_factory=list)

    def begin(self) -> None:
        """Run the interview from its start."""
        self.used.clear()

    def tell(self, text: str) -> None:
        """Say something to whoever sits there."""
        if self.person is not None:
            self.person.tell(text)

    def get(
        self,
        key: str,
        question: str,
        parse: Callable[[str], T],
        *,
        default: str | None = None,
        about: str = "",
    ) -> T:
        """Return the answer to *question*, as *parse* understands it.

        Args:
            key: The answer's name in an answers file.
            question: In plain words.
            parse: Turns what was typed into a value; InputError says what was expected.
            default: What Enter means; None: something has to be typed.
            about: What `?` tells.

        Raises:
            BackError: The question before is wanted again.
            InputError: Nobody can be asked, and what is given is missing or wrong.
        """
        self.used.append(key)
        if key in self.answers:
            try:
                return parse(self.answers[key])
            except InputError as exc:
                self.refuse(key, str(exc))
        if key in self.given:
            self.answers[key] = self.given[key]
            return self._given(key, parse)
        if self.person is None:
            if default is None:
                raise InputError(f"answer '{key}' is missing: {question}")
            self.answers[key] = default
            return self._given(key, parse)
        return self._ask(key, question, parse, self.usual.get(key, default), about)

    def _given(self, key: str, parse: Callable[[str], T]) -> T:
        try:
            return parse(self.answers[key])
        except InputError as exc:
            if self.person is not None:
                self.given = {name: value for name, value in self.given.items() if name != key}
                self.refuse(key, str(exc))
            raise InputError(f"answer '{key}' = {self.answers.pop(key, '')!r}: {exc}") from exc

    def _ask(self, key: str, question: str, parse: Callable[[str], T], default: str | None, about: str) -> T:
        assert self.person is not None
        shown = "" if default is None else f" [{default or 'none'}]"
        while True:
            typed = self.person.ask(f"{question}{shown}: ").strip()
            if typed == BACK:
                raise BackError
            if typed == HELP:
                self.tell(about or "no more is known about this; b goes back")
                continue
            if not typed and default is None:
                self.tell("please type an answer; b goes back, ? explains")
                continue
            try:
                value = parse(typed or default or "")
            except InputError as exc:
                self.tell(str(exc))
                continue
            self.answers[key] = typed or default or ""
            self.asked = [each for each in self.asked if each != key] + [key]
            return value

    def refuse(self, key: str, why: str) -> None:
        """Forget the answer to *key* because of *why*, so that it is asked again.

        Raises:
            InputError: Nobody can be asked.
        """
        value = self.answers.pop(key, "")
        if self.person is None:
            raise InputError(f"answer '{key}' = {value!r}: {why}")
        self.given = {name: given for name, given in self.given.items() if name != key}
        self.tell(why)

    def forget(self, key: str) -> None:
        """Let *key* be asked again; what was answered becomes its default."""
        if key in self.answers:
            self.usual = {**self.usual, key: self.answers.pop(key)}
        self.given = {name: value for name, value in self.given.items() if name != key}
        self.asked = [each for each in self.asked if each != key]

    def back(self) -> None:
        """Let the question before be asked again, if there was one."""
        if self.asked:
            self.forget(self.asked[-1])

    def text(self) -> str:
        """Return the answers as a file to give again."""
        keys = [key for key in dict.fromkeys(self.used) if key in self.answers]
        return "".join(f"{key} = {json.dumps(self.answers[key], ensure_ascii=False)}\n" for key in keys)
