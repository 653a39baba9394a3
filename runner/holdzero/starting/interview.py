"""A person is asked for what a new routine needs: with a way back, an explanation, and a look at all before it counts.

It knows the questions and the person, and neither screen nor file.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

from holdzero.errors import QuantityError
from holdzero.starting.answers import Filled, described, no_meaning
from holdzero.starting.checked import Known, taken_apart
from holdzero.starting.explained import EXPLAINED
from holdzero.starting.options import option_of
from holdzero.starting.questions import QUESTIONS, Question

__all__ = ["BACK", "EXPLAIN", "Interview", "Person"]

BACK, EXPLAIN = "<", "?"
_BY_NAME = {question.name: question for question in QUESTIONS}


class Person(Protocol):
    """Whoever is asked."""

    def ask(self, words: str, hint: str, default: str | None) -> str:
        """What is typed after a question; `default` is what Enter alone means."""

    def refuse(self, reason: str) -> None:
        """Why an answer was not taken."""

    def tell(self, words: str) -> None:
        """Something to read."""


class _BackError(Exception):
    """The person wants the question before."""


@dataclass(slots=True)
class Interview:
    """The questions, asked in their order.

    Attributes:
        given: answers by option.
        known: of the shop.
        person: who is asked.
        kept: answers so far, by name.
        assumed: names of those that are defaults.
        asked: names of those that the person was asked for.
        again: names of those that are to be asked for once more.
        offered: what to offer in place of the question's own default.
    """

    given: Mapping[str, str]
    known: Known
    person: Person
    kept: dict[str, str] = field(default_factory=dict)
    assumed: set[str] = field(default_factory=set)
    asked: set[str] = field(default_factory=set)
    again: set[str] = field(default_factory=set)
    offered: dict[str, str] = field(default_factory=dict)

    def fill(self) -> Filled:
        """The answer to every question that applies, asking for what is not answered yet.

        Raises:
            HoldzeroError: an option means nothing here.
        """
        own = described(self.given)
        self.given = {**self.given, **own}
        self.kept.update({name: text for name, text in own.items() if name not in self.kept})
        while True:
            try:
                said = self._once_through()
            except _BackError:
                continue
            return said, frozenset(self.assumed & said.keys())

    def reviewed(self, file: str) -> Filled:
        """All answers as the person wants them, after a look at them.

        Args:
            file: that Enter will write.
        """
        said, assumed = self.fill()
        while self.asked and (name := self._chosen(said, file)) is not None:
            self.again.add(name)
            said, assumed = self.fill()
        return said, assumed

    def _once_through(self) -> dict[str, str]:
        said: dict[str, str] = {}
        for question in QUESTIONS:
            name = question.name
            if not question.applies(said, self.known):
                if name in self.given and name not in self.kept:
                    raise no_meaning(name)
                continue
            settled = question.settled(said, self.known) if name not in self.given else None
            if settled is not None:
                said[name] = self.kept[name] = settled
            elif name in self.kept and name not in self.again and self._stands(question, said):
                said[name] = self.kept[name]
            else:
                said[name] = self._answered(question, said)
        return said

    def _stands(self, question: Question, said: Mapping[str, str]) -> bool:
        """Whether an answer still holds beside those before it."""
        kept = self.kept[question.name]
        if question.name in self.assumed:
            default = question.default(said, self.known)
            return default is not None and question.check(default, said, self.known) == kept
        try:
            return question.check(kept, said, self.known) == kept
        except QuantityError as error:
            self.person.refuse(f"{question.words}: {error}")
            return False

    def _answered(self, question: Question, said: Mapping[str, str]) -> str:
        """An answer that was checked, and is kept.

        Raises:
            _BackError: the person went back.
        """
        name = question.name
        answer = self._of_option(question, said) if name not in self.kept else None
        if answer is None:
            self.asked.add(name)
            answer = self._typed(question, said)
        self.kept[name] = answer
        self.again.discard(name)
        return answer

    def _of_option(self, question: Question, said: Mapping[str, str]) -> str | None:
        if question.name not in self.given:
            return None
        try:
            return question.check(self.given[question.name], said, self.known)
        except QuantityError as error:
            self.person.refuse(f"{option_of(question.name)} {error}")
            return None

    def _typed(self, question: Question, said: Mapping[str, str]) -> str:
        usual, doubted = question.default(said, self.known), ""
        default = self._default(question, said, usual)
        while True:
            typed = self.person.ask(question.words, question.hint(said, self.known), default)
            word = typed.strip()
            if word == BACK:
                self._go_back(said)
                continue
            if word == EXPLAIN:
                self.person.tell(EXPLAINED[question.name])
                continue
            try:
                answer = self._read(question, default if default is not None and not word else word, said)
            except QuantityError as error:
                self.person.refuse(f"{error}{question.way_out}")
                continue
            doubt = question.doubt(answer, self.known) if word and word != doubted else None
            if doubt is not None:
                doubted = word
                self.person.refuse(doubt)
                continue
            assumed = not word and default == usual and question.name not in self.offered
            (self.assumed.add if assumed else self.assumed.discard)(question.name)
            return answer

    def _read(self, question: Question, text: str, said: Mapping[str, str]) -> str:
        parts = taken_apart(text) if question.name == "nominal" else None
        if parts is None:
            return question.check(text, said, self.known)
        nominal, lower, upper = parts
        self.offered |= {"lower": lower, "upper": upper}
        self.person.tell(f"Taken apart: {nominal}, and limits of {lower} and {upper}, which are offered next.")
        return question.check(nominal, said, self.known)

    def _default(self, question: Question, said: Mapping[str, str], usual: str | None) -> str | None:
        """What Enter alone means: the answer from before, where there is one that still holds."""
        name = question.name
        for text in (None if name in self.assumed else self.kept.get(name), self.offered.get(name)):
            if text:
                try:
                    return question.check(text, said, self.known)
                except QuantityError:
                    continue
        return usual

    def _go_back(self, said: Mapping[str, str]) -> None:
        """To the question before this one.

        Raises:
            _BackError: there is one.
        """
        before = [name for name in said if name in self.asked]
        if before:
            self.again.add(before[-1])
            raise _BackError
        self.person.tell("This is the first question; nothing was asked before it.")

    def _chosen(self, said: Mapping[str, str], file: str) -> str | None:
        """The answer that is to be given again; None where all is well."""
        names = [name for name in said if name in self.asked or name in self.given]
        self.person.tell("All that will be written:")
        for number, name in enumerate(names, 1):
            self.person.tell(f"{number:>3}  {_BY_NAME[name].words}: {said[name] or 'none'}")
        while True:
            word = self.person.ask(f"Enter writes {file}; a number goes back to that question", "", None).strip()
            if not word:
                return None
            if word == BACK:
                return [name for name in names if name in self.asked][-1]
            if re.fullmatch(r"[0-9]{1,3}", word) and 1 <= int(word) <= len(names):
                return names[int(word) - 1]
            self.person.refuse(f"type a number from 1 to {len(names)}, {BACK} for the last question, or Enter alone")
