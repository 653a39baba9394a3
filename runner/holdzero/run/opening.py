"""Which slots wait for an answer: of all that was read so far, and step by step after each answer."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import replace
from functools import cached_property
from itertools import accumulate

import numpy as np

from holdzero.limit import exceeds
from holdzero.run.agenda import Agenda, Bracketing
from holdzero.run.kept import Reading
from holdzero.run.plan import Slot, SlotKind
from holdzero.run.state import State

__all__ = ["Brackets", "agenda_after", "looked_up", "passed"]

_OF_THE_PART = (SlotKind.READ, SlotKind.CHECK)


class Brackets:
    """Zeros and returns that count, by the zero that they belong to.

    Args:
        state: of the run.
    """

    def __init__(self, state: State) -> None:
        self._limit = state.routine.bracket_limit_um if state.routine is not None else None
        self._resolution = state.comparator.resolution if state.comparator else 0.0
        self.zeros: dict[int, list[Reading]] = {}
        self._visits: dict[int, dict[int, list[Reading]]] = {}
        self._last: dict[int, dict[str, int]] = {}
        for r in state.live:
            if r.kind is SlotKind.ZERO:
                self.zeros.setdefault(r.zero, []).append(r)
            elif r.kind is SlotKind.RETURN:
                self._visits.setdefault(r.zero, {}).setdefault(r.visit, []).append(r)
                self._last.setdefault(r.zero, {})[r.slot.group] = r.seq

    def closed(self, reading: Reading) -> bool:
        """Whether the reference was read again after a reading, under the same zero."""
        return any(seq > reading.seq for seq in self._last.get(reading.zero, {}).values())

    def left_open_for(self, reading: Reading) -> str | None:
        """For which group of returns a reading is not bracketed: empty for all, None for none.

        A return that was read before is read again where nothing but itself closes a reading.
        """
        groups = self._two_last(reading.zero)
        if not groups or groups[0][0] < reading.seq:
            return ""
        return groups[0][1] if len(groups) == 1 or groups[1][0] < reading.seq else None

    def _two_last(self, zero: int) -> list[tuple[int, str]]:
        if zero not in self._two:
            last = ((seq, group) for group, seq in self._last.get(zero, {}).items())
            self._two[zero] = sorted(last, reverse=True)[:2]
        return self._two[zero]

    @cached_property
    def _two(self) -> dict[int, list[tuple[int, str]]]:
        return {}

    def closed_within(self, reading: Reading) -> bool:
        """Whether the reference read within its limit again after `reading`: what a zero that is given up leaves."""
        zeros = self.zeros.get(reading.zero)
        if self._limit is None or not zeros:
            return False
        # The next visit is the one that brackets it.
        ends, within = self._closures(reading.zero)
        after = bisect_right(ends, reading.seq)
        return after < len(ends) and within[after]

    def _closures(self, zero: int) -> tuple[list[int], list[bool]]:
        """The last entry of each visit under a zero, and whether the visit read within the limit."""
        if zero not in self._judged and self._limit is not None:
            limit, resolution = self._limit(self._resolution), self._resolution
            zeros = [r.value_um for r in self.zeros[zero]]
            visits = list(self._visits.get(zero, {}).values())
            closures = [sum(r.value_um for r in visit) / len(visit) - sum(zeros) / len(zeros) for visit in visits]
            within = [not np.any(exceeds(np.abs(closure), limit, resolution)) for closure in closures]
            self._judged[zero] = [visit[-1].seq for visit in visits], within
        return self._judged[zero]

    @cached_property
    def _judged(self) -> dict[int, tuple[list[int], list[bool]]]:
        return {}


class _Loose:
    """Readings of the part that no return closes, to be looked up by place in the plan and entry.

    Args:
        found: place in the plan, entry, and for which group of returns the reading is not closed; empty for all.
    """

    def __init__(self, found: Iterable[tuple[int, int, str]]) -> None:
        by_group: dict[str, list[tuple[int, int]]] = defaultdict(list)
        for place, seq, group in sorted(found):
            by_group[group].append((place, seq))
        self._places = {group: [place for place, _ in own] for group, own in by_group.items()}
        self._newest = {group: list(accumulate((seq for _, seq in own), max)) for group, own in by_group.items()}

    def before(self, place: int, group: str, seq: int) -> bool:
        """Whether one of them stands before a place, is newer than an entry, and is not closed but by this group."""
        for of in ("", group):
            count = bisect_left(self._places.get(of, []), place)
            if count and self._newest[of][count - 1] > seq:
                return True
        return False


def passed(state: State) -> State:
    """The state when what was asked for has its answer, and that changes nothing of what else waits.

    Args:
        state: of the run, with the answer.
    """
    return replace(state, agenda=state.agenda.passed())


def looked_up(state: State) -> State:
    """The state with an agenda by all that was read so far: what waits may be another thing than what came next.

    Args:
        state: of the run; its own agenda does not count.
    """
    return replace(state, agenda=_Opening(state).agenda())


class _Opening:
    """All that tells which slots wait, looked up once."""

    def __init__(self, state: State) -> None:
        self._state = state
        self._brackets = Brackets(state)
        self._latest = {reading.slot.id: reading for reading in state.live}
        self._filled = {item.slot.id for item in state.entries if item.struck is None} | state.done
        self._places = {slot.id: place for place, slot in enumerate(state.slots)}
        self._number = {group: number for number, group in enumerate(state.zeros, 1)}
        self._used = {r.zero for r in state.readings if r.kind is not SlotKind.ZERO}
        of_part = [(r, self._brackets.left_open_for(r)) for r in self._latest.values() if r.kind in _OF_THE_PART]
        loose = [(r, group) for r, group in of_part if group is not None]
        self._loose = _Loose((self._places[r.slot.id], r.seq, group) for r, group in loose)
        self._elsewhere = _Loose(
            (self._places[r.slot.id], r.seq, group) for r, group in loose if r.zero != len(state.zeros)
        )

    def agenda(self) -> Agenda:
        slots: list[Slot] = []
        brackets: list[Bracketing] = []
        for slot in self._state.slots:
            answer = self._latest.get(slot.id)
            if slot.kind is SlotKind.RETURN and answer is not None:
                brackets.append(self._bracketing(slot, answer, len(slots)))
                slots.append(slot)
            elif self._waits(slot, answer):
                slots.append(slot)
        zeros, state = self._brackets.zeros, self._state
        in_force = state.zeros[-1] if state.zeros else None
        struck = [item for item in state.entries if item.struck is not None]
        return Agenda(
            slots=tuple(slots),
            beyond=_beyond(slots),
            brackets=tuple(brackets),
            read=frozenset(reading.slot.id for reading in state.readings),
            struck={item.slot.id: item.seq for item in sorted(struck, key=lambda item: item.seq)},
            zero_seq=max((own[-1].seq for own in zeros.values()), default=0),
            lifts_left=sum(slot.kind is SlotKind.ZERO and slot.group == in_force for slot in slots),
            sound=len(state.zeros) in zeros and len(state.zeros) not in state.lost_zeros,
        ).on_to_open()

    def _bracketing(self, slot: Slot, answer: Reading, at: int) -> Bracketing:
        """A reading taken again after the return is not bracketed: the reference once more, all lifts of it."""
        place, group = self._places[slot.id], slot.group
        return Bracketing(
            at=at,
            group=group,
            again=self._loose.before(place, group, answer.seq),
            elsewhere=self._elsewhere.before(place, group, answer.seq),
        )

    def _waits(self, slot: Slot, answer: Reading | None) -> bool:
        if not slot.kind.is_reading:
            return slot.id not in self._filled
        if answer is None:
            return slot.kind is not SlotKind.ZERO or self._zero_waits(slot)
        if slot.kind in _OF_THE_PART:
            lost = answer.zero in self._state.lost_zeros
            return answer.zero not in self._brackets.zeros or (lost and not self._brackets.closed_within(answer))
        return False

    def _zero_waits(self, slot: Slot) -> bool:
        """Whether a reading of a zero that has no answer can be taken.

        Once the dial was set anew, or anything was read under the zero, it can't: a zero that is
        read after the part is no zero.
        """
        number = self._number.get(slot.group)
        return number is None or (number == len(self._state.zeros) and number not in self._used)


def _beyond(slots: list[Slot]) -> tuple[int, ...]:
    beyond = list(range(1, len(slots) + 1))
    for at in range(len(slots) - 2, -1, -1):
        if slots[at].group == slots[at + 1].group:
            beyond[at] = beyond[at + 1]
    return tuple(beyond)


def agenda_after(agenda: Agenda, reading: Reading, lost_zeros: frozenset[int], *, fresh: bool) -> Agenda | None:
    """What waits after one more reading: what was asked for has its answer; a return after it may be asked for anew.

    Args:
        agenda: before the reading.
        reading: the one that was asked for.
        lost_zeros: numbers of the zeros that were given up.
        fresh: whether it is the first one of a zero.

    Returns:
        None where the reading changes more than that, so that all is to be looked up: such a one is rare.
    """
    brackets = agenda.brackets
    if reading.kind is SlotKind.ZERO:
        # The lifts of the zero before wait no more.
        if fresh and (agenda.lifts_left or brackets):
            return None
        lifts_left = reading.slot.lifts - 1 if fresh else agenda.lifts_left - 1
        return agenda.passed(zero_seq=reading.seq, lifts_left=lifts_left, sound=reading.zero not in lost_zeros)
    if agenda.lifts_left or not agenda.sound:
        return None
    if brackets and reading.kind is SlotKind.RETURN:
        # It closes all that was read under its zero, and is itself no reason not to be read again.
        own = reading.slot.group
        brackets = tuple(b if b.group == own else replace(b, again=b.elsewhere) for b in brackets)
    elif brackets:
        if any(bracket.elsewhere for bracket in brackets):
            return None
        brackets = tuple(replace(bracket, again=True) for bracket in brackets)
    return agenda.passed(brackets=brackets)
