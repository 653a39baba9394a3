"""A zero that is given up or left alone: a fresh one is asked for, and what hung on it is read again."""

from __future__ import annotations

from dataclasses import replace

from holdzero import events as e
from holdzero.errors import EventRefusedError
from holdzero.run.opening import Brackets, looked_up
from holdzero.run.plan import Slot, SlotKind, fresh_return, fresh_zero
from holdzero.run.state import State

__all__ = ["renewed", "sets_zero", "with_new_origin", "without_its_zero"]


def without_its_zero(state: State, event: e.AnswerStruck) -> State:
    """The state after a strike-out: a zero in force that has no reading left, and that was read under, is no zero.

    Args:
        state: with the strike-out.
        event: by which something was struck out.
    """
    struck = next((r for r in state.readings if r.seq == event.target), None)
    if struck is None or struck.kind is not SlotKind.ZERO or struck.zero != len(state.zeros):
        return state
    left = any(r.kind is SlotKind.ZERO and r.zero == struck.zero for r in state.live)
    used = any(r.kind is not SlotKind.ZERO and r.zero == struck.zero for r in state.readings)
    return renewed(state, event.seq, lost=True) if used and not left else state


def renewed(state: State, seq: int, *, lost: bool, anew: bool = False) -> State:
    """Ask for a fresh zero now; and before it, if the dial was not moved, for the return of the old one.

    Args:
        state: of the run.
        seq: of the event that asks for it.
        lost: whether the zero in force is given up, as the dial was moved.
        anew: whether its readings are taken anew with all that is done right before them.

    Raises:
        EventRefusedError: a zero is given up before any was taken.
    """
    if not state.zeros:
        if lost:
            raise EventRefusedError("no zero was taken yet")
        return state
    in_force = len(state.zeros)
    under = [r for r in state.counted if r.zero == in_force and r.kind in (SlotKind.READ, SlotKind.CHECK)]
    brackets = Brackets(state)
    open_bracket = any(not brackets.closed(reading) for reading in under)
    zero = next(s for s in reversed(state.slots) if s.group == state.zeros[-1])
    if lost:
        state = looked_up(replace(state, lost_zeros=state.lost_zeros | {in_force}))
    if anew:
        again = state.done - _between_open_readings(state)
        state = looked_up(replace(state, zeros_anew=state.zeros_anew | {in_force}, done=again))
    slot = state.first_open
    if slot is None:
        return state
    fresh: tuple[Slot, ...] = () if sets_zero(slot, state) else fresh_zero(seq, zero)
    # What a zero that was given up held is read again: there is nothing to close.
    if open_bracket and not lost and in_force not in state.zeros_anew:
        fresh = (fresh_return(seq, zero), *fresh)
    place = next(index for index, candidate in enumerate(state.slots) if candidate.id == slot.id)
    return looked_up(replace(state, slots=(*state.slots[:place], *fresh, *state.slots[place:])))


def _between_open_readings(state: State) -> frozenset[str]:
    """Preparing steps and soaks right before readings that wait: who reads these again does those again."""
    waiting = {slot.id for slot in state.open_slots if slot.kind in (SlotKind.READ, SlotKind.CHECK)}
    found: set[str] = set()
    since: list[str] = []
    for slot in state.slots:
        if slot.kind in (SlotKind.PREPARE, SlotKind.SOAK):
            since.append(slot.id)
        elif slot.kind.is_reading:
            found.update(since if slot.id in waiting else ())
            since = []
    return frozenset(found)


def with_new_origin(state: State, event: e.LineBack) -> State:
    """The state with a line back that may have lost its origin: what was read is closed, and a fresh zero taken.

    A soak is watched anew.

    Args:
        state: of the run.
        event: by which the line is back.
    """
    slot = state.first_open
    if slot is not None:
        seen = tuple(item for item in state.observed if item.of or item.slot.id != slot.id)
        state = replace(state, observed=seen)
    if slot is not None and slot.kind is SlotKind.RETURN and slot.id.startswith("x"):
        # A plug that is loose: the return and the zero after it wait already.
        return state
    return renewed(state, event.seq, lost=False)


def sets_zero(slot: Slot, state: State) -> bool:
    """Whether the next thing to do is to set a zero anyway."""
    return slot.kind is SlotKind.ZERO and slot.group not in state.zeros
