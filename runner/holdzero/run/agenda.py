"""What is still asked for, in order, and how far the run is with it.

It is made once, and again where something is struck out, given up or put in between. From there on an answer only goes
one further: so a long run does not look through all its slots for the next one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from holdzero.run.plan import Slot

__all__ = ["Agenda", "Bracketing"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bracketing:
    """A return that has an answer, and comes after the slot that is asked for now.

    Attributes:
        at: where it stands in the agenda.
        group: of its slot.
        again: whether it is asked for again, as something before it was read after it and is not closed.
        elsewhere: whether it would be by readings of other zeros than the one in force alone.
    """

    at: int
    group: str
    again: bool
    elsewhere: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Agenda:
    """Slots that wait, and how far the run is with them.

    Attributes:
        slots: those that waited when it was made, and returns that may have to be read again, in order of the plan.
        beyond: for each of them, where the first one after it stands that is of another group.
        at: where the slot stands that is asked for now.
        brackets: returns from there on that have an answer.
        read: identifiers of all slots that had been read when it was made, struck out or not.
        struck: the last entry of each slot that is struck out.
        zero_seq: entry of the last reading of a zero that counts; 0 where there is none.
        lifts_left: how many readings of the zero in force still wait.
        sound: whether the zero in force has a reading that counts, and was not given up.
    """

    slots: tuple[Slot, ...] = ()
    beyond: tuple[int, ...] = ()
    at: int = 0
    brackets: tuple[Bracketing, ...] = ()
    read: frozenset[str] = frozenset()
    struck: Mapping[str, int] = field(default_factory=dict)
    zero_seq: int = 0
    lifts_left: int = 0
    sound: bool = False

    @property
    def first(self) -> Slot | None:
        """The slot that waits for the next answer; None where none waits."""
        return self.slots[self.at] if self.at < len(self.slots) else None

    @property
    def open(self) -> tuple[Slot, ...]:
        """All that wait, in order."""
        closed = self._closed
        return tuple(slot for at, slot in enumerate(self.slots[self.at :], self.at) if at not in closed)

    @property
    def count(self) -> int:
        """How many wait."""
        return len(self.slots) - self.at - len(self._closed)

    @property
    def following(self) -> Slot | None:
        """The first that waits after the one that is asked for now, and is of another group; None where none does."""
        closed, at = self._closed, self.at
        while at < len(self.slots):
            at = self.beyond[at] if at not in closed else at + 1
            if at < len(self.slots) and at not in closed and self.slots[at].group != self.slots[self.at].group:
                return self.slots[at]
        return None

    @property
    def _closed(self) -> frozenset[int]:
        return frozenset(bracket.at for bracket in self.brackets if not bracket.again)

    def passed(self, **changed: Any) -> Agenda:
        """The same when the slot that is asked for has its answer.

        Args:
            changed: attributes that the answer changes besides.
        """
        return replace(self, at=self.at + 1, **changed).on_to_open()

    def on_to_open(self) -> Agenda:
        """The same at the first slot from here on that waits."""
        at, gone = self.at, 0
        for bracket in self.brackets:
            if bracket.at > at or (bracket.at == at and bracket.again):
                break
            at, gone = max(at, bracket.at + 1), gone + 1
        return replace(self, at=at, brackets=self.brackets[gone:]) if gone else self
