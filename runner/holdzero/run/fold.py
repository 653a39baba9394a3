"""The fold: a state and an event give the next state. The only place where events become state.

Running, resuming, striking out and verifying are all this one function. It is pure: an event that
does not fit is refused and changes nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TypeVar, assert_never

from holdzero import events as e
from holdzero.errors import EventRefusedError, QuantityError
from holdzero.estimate import Estimate, parse_estimate
from holdzero.limit import exceeds
from holdzero.quantity import Dimension
from holdzero.run.absence import absence_at, leapt_s, shows_somebody
from holdzero.run.begin import chosen, history_of, started
from holdzero.run.commands import COMPARATOR
from holdzero.run.kept import (
    Given,
    Note,
    Observed,
    Prepared,
    Question,
    Reading,
    Reopened,
    SoakTaken,
    TemperatureTaken,
)
from holdzero.run.opening import agenda_after, looked_up, passed
from holdzero.run.plan import Slot, SlotKind
from holdzero.run.renewing import renewed, sets_zero, with_new_origin, without_its_zero
from holdzero.run.row import longer
from holdzero.run.soaking import may_end, outlooks_of, settled
from holdzero.run.state import Phase, State

__all__ = ["TRANSITIONS", "take"]

# Which event may come in which phase, and which phase follows. What is not here is refused.
TRANSITIONS: dict[Phase, dict[type[e.Event], Phase]] = {
    Phase.NEW: {e.RunStarted: Phase.RUNNING},
    Phase.RUNNING: {
        e.EntryChosen: Phase.RUNNING,
        e.BenchKnown: Phase.RUNNING,
        e.StepDone: Phase.RUNNING,
        e.PreparedAgain: Phase.RUNNING,
        e.AnswerGiven: Phase.RUNNING,
        e.SoakEnded: Phase.RUNNING,
        e.SoakBegunAgain: Phase.RUNNING,
        e.SoakObserved: Phase.RUNNING,
        e.LineUnused: Phase.RUNNING,
        e.LineLost: Phase.RUNNING,
        e.LineBack: Phase.RUNNING,
        e.ReadingTaken: Phase.RUNNING,
        e.TemperatureRead: Phase.RUNNING,
        e.AnswerStruck: Phase.RUNNING,
        e.ZeroRenewed: Phase.RUNNING,
        e.NoteAdded: Phase.RUNNING,
        e.QuestionAsked: Phase.RUNNING,
        e.StopAcknowledged: Phase.RUNNING,
        e.PluginFailed: Phase.RUNNING,
        e.PluginSlow: Phase.RUNNING,
        e.RunPaused: Phase.PAUSED,
        e.RunContinued: Phase.RUNNING,
        e.RunFinished: Phase.FINISHED,
        e.RunAbandoned: Phase.ABANDONED,
    },
    Phase.PAUSED: {
        e.NoteAdded: Phase.PAUSED,
        e.RunContinued: Phase.RUNNING,
        e.RunAbandoned: Phase.ABANDONED,
    },
    Phase.FINISHED: {},
    Phase.ABANDONED: {},
}


def take(state: State, event: e.AnyEvent) -> State:
    """The state after `event`.

    Raises:
        EventRefusedError: the event does not fit; the state given is still the state.
    """
    phase = TRANSITIONS[state.phase].get(type(event))
    if phase is None:
        raise EventRefusedError(f"{type(event).__name__} can't come while the run is {state.phase.value}")
    if event.seq != state.seq + 1:
        raise EventRefusedError(f"event {event.seq} after event {state.seq}: one is missing or doubled")
    if event.time_s < state.now_s:
        raise EventRefusedError(f"event {event.seq}: the run's counter goes back from {state.now_s} to {event.time_s}")
    if leap_s := leapt_s(state, event):
        state = replace(state, soak_from_s=state.soak_from_s + leap_s)
    moved = _applied(_present(state, event, phase), state, event)
    return _soak_clock(moved, state)


def _present(before: State, event: e.AnyEvent, phase: Phase) -> State:
    """Moment and number of an event, and whether nobody was there before it."""
    absence, here = absence_at(before, event), shows_somebody(event)
    return replace(
        before,
        phase=phase,
        absences=before.absences if absence is None else (*before.absences, absence),
        here_seq=event.seq if here else before.here_seq,
        here_s=event.time_s if here else before.here_s,
        here_wall=event.wall if here else before.here_wall,
        seq=event.seq,
        now_s=event.time_s,
        wall=event.wall,
    )


def _soak_clock(moved: State, before: State) -> State:
    """A soak counts from the moment in which it is asked for."""
    slot = moved.slot
    if slot is not None and slot.kind is SlotKind.SOAK and slot != before.slot:
        waited = before.first_open
        if before.phase is Phase.PAUSED and waited is not None and slot.id == waited.id:
            return moved
        return replace(moved, soak_from_s=moved.now_s)
    return moved


def _applied(state: State, before: State, event: e.AnyEvent) -> State:  # noqa: C901, PLR0911, PLR0912  one arm an event
    match event:
        case e.RunStarted():
            return started(state, event)
        case e.EntryChosen():
            return chosen(state, _asked(before, event.slot, {SlotKind.CHOOSE}), event)
        case e.BenchKnown():
            return replace(state, history=history_of(event))
        case e.StepDone():
            return _prepared(passed(state), event, _asked(before, event.slot, {SlotKind.PREPARE}))
        case e.PreparedAgain():
            return looked_up(_prepared(state, event, _done_before(before, event.slot)))
        case e.AnswerGiven():
            slot = _asked(before, event.slot, {SlotKind.ASK})
            given = Given(
                seq=event.seq, slot=slot, raw=event.raw, value=event.value, time_s=event.time_s, wall=event.wall
            )
            return replace(state, given=longer(state.given, given), agenda=state.agenda.passed())
        case e.SoakEnded():
            return _end_soak(state, before, event)
        case e.SoakBegunAgain():
            return _soak_again(state, before, event)
        case e.SoakObserved():
            slot = _asked(before, event.slot, {SlotKind.SOAK})
            seen = Observed(slot=slot, of=event.of, value=event.value, time_s=event.time_s)
            return replace(state, observed=longer(state.observed, seen))
        case e.LineUnused():
            return replace(state, unused=(*state.unused, (event.seq, event.line, event.why)))
        case e.LineLost():
            return replace(state, losses=(*state.losses, (event.seq, event.of, event.why)))
        case e.LineBack():
            return with_new_origin(state, event) if event.of == COMPARATOR else state
        case e.ReadingTaken():
            return _read(state, before, event)
        case e.TemperatureRead():
            slot = _asked(before, event.slot, {SlotKind.TEMPERATURE})
            taken = TemperatureTaken(
                seq=event.seq,
                slot=slot,
                raw=event.raw,
                value_degC=event.value_degC,
                time_s=event.time_s,
                wall=event.wall,
                error=_error_of(event),
            )
            return replace(state, temperatures=longer(state.temperatures, taken), agenda=state.agenda.passed())
        case e.AnswerStruck():
            return _strike(state, event)
        case e.ZeroRenewed():
            return renewed(state, event.seq, lost=True, anew=event.anew)
        case e.NoteAdded():
            return replace(state, notes=(*state.notes, Note(seq=event.seq, text=event.text)))
        case e.PluginFailed():
            note = Note(seq=event.seq, text=f"{event.during}: {event.message}", plugin=event.plugin)
            return replace(state, notes=(*state.notes, note))
        case e.PluginSlow():
            text = f"{event.during} took {event.took_s:.2g} s"
            note = Note(seq=event.seq, text=text, plugin=event.plugin, slow=True)
            return replace(state, notes=(*state.notes, note))
        case e.QuestionAsked():
            return _question(state, event)
        case e.StopAcknowledged():
            return replace(state, acknowledged=state.acknowledged | {event.code})
        case e.RunPaused():
            return state
        case e.RunContinued():
            return _continue(state, event)
        case e.RunFinished():
            _asked(before, event.slot, {SlotKind.COMPARE})
            return passed(replace(state, done=state.done | {event.slot}))
        case e.RunAbandoned():
            return replace(state, abandoned=event.reason)
        case _:
            assert_never(event)


def _asked(before: State, slot_id: str, kinds: set[SlotKind]) -> Slot:
    """The slot that is asked for, if the event answers it."""
    slot = before.slot
    if slot is None or slot.id != slot_id or slot.kind not in kinds:
        asked = "nothing" if slot is None else f"{slot.kind.value} {slot.id}"
        raise EventRefusedError(f"an answer to {slot_id!r} came while {asked} was asked for")
    return slot


def _prepared(state: State, event: e.StepDone | e.PreparedAgain, slot: Slot) -> State:
    done = Prepared(seq=event.seq, slot=slot, time_s=event.time_s, wall=event.wall)
    return replace(state, prepared=longer(state.prepared, done), done=state.done | {slot.id})


def _done_before(before: State, slot_id: str) -> Slot:
    """The preparing step, if it was done once already."""
    found = next((done.slot for done in before.prepared if done.slot.id == slot_id), None)
    if found is None:
        raise EventRefusedError(f"no preparing step {slot_id!r} was done before")
    return found


def _end_soak(state: State, before: State, event: e.SoakEnded) -> State:
    slot = _asked(before, event.slot, {SlotKind.SOAK})
    # The end as the prompt tells it: a difference of the two times may round to the other side.
    until_s = before.soak_from_s + slot.at_least_s
    outlooks = outlooks_of(before, slot)
    short = exceeds(until_s, event.time_s)
    if not event.reason and not may_end(outlooks, over=not short):
        left = f"the soak has {until_s - event.time_s:.0f} s to go" if short else "it is not at rest"
        raise EventRefusedError(f"{left}, and no reason is given")
    elapsed = event.time_s - before.soak_from_s
    soak = SoakTaken(
        seq=event.seq,
        slot=slot,
        time_s=event.time_s,
        elapsed_s=elapsed,
        reason=event.reason,
        recorded=event.recorded,
        at_rest=settled(outlooks),
        outlooks=outlooks,
    )
    return passed(replace(state, soaks=(*state.soaks, soak), done=state.done | {event.slot}))


def _soak_again(state: State, before: State, event: e.SoakBegunAgain) -> State:
    """The soak is asked for once more before all else, and judged anew; what was read stays."""
    if event.slot not in {soak.slot.id for soak in before.soaks}:
        raise EventRefusedError(f"no soak {event.slot!r} was over before")
    if before.slot is not None and before.slot.id == event.slot:
        raise EventRefusedError("the soak goes on already")
    return looked_up(replace(state, done=state.done - {event.slot}))


_READING_KINDS = {kind for kind in SlotKind if kind.is_reading}


def _read(state: State, before: State, event: e.ReadingTaken) -> State:
    slot = _asked(before, event.slot, _READING_KINDS)
    fresh = sets_zero(slot, state)
    zeros = (*state.zeros, slot.group) if fresh else state.zeros
    reading = Reading(
        seq=event.seq,
        slot=slot,
        raw=event.raw,
        value_um=event.value_um,
        time_s=event.time_s,
        wall=event.wall,
        zero=len(zeros),
        visit=_visit(state, slot),
        line=event.line,
    )
    agenda = agenda_after(state.agenda, reading, state.lost_zeros, fresh=fresh)
    state = replace(
        state,
        readings=longer(state.readings, reading),
        zeros=zeros,
        visits=max(state.visits, reading.visit),
        typed=state.typed if event.line else event.raw,
        agenda=agenda or state.agenda,
    )
    return state if agenda is not None else looked_up(state)


def _visit(state: State, slot: Slot) -> int:
    """Number of the visit to the reference that a return belongs to; 0 for other readings."""
    if slot.kind is not SlotKind.RETURN:
        return 0
    last = state.readings[-1] if state.readings else None
    if last is not None and last.kind is SlotKind.RETURN and last.slot.group == slot.group:
        return last.visit
    return state.visits + 1


def _error_of(event: e.TemperatureRead) -> Estimate | None:
    """What an event states of its own error [K]."""
    try:
        return parse_estimate(event.error, Dimension.DIFFERENCE, about_zero=True) if event.error else None
    except QuantityError as error:
        raise EventRefusedError(f"the error of a temperature: {error}") from None


def _question(state: State, event: e.QuestionAsked) -> State:
    if any(asked.code == event.code for asked in state.questions):
        raise EventRefusedError(f"{event.code} was asked before")
    asked = Question(
        seq=event.seq, wall=event.wall, code=event.code, text=event.text, act=event.act, entries=event.entries
    )
    return replace(state, questions=(*state.questions, asked))


_Entry = TypeVar("_Entry", Reading, TemperatureTaken, Given)


def _strike(state: State, event: e.AnswerStruck) -> State:
    if not event.reason.strip():
        raise EventRefusedError("a strike-out needs a reason")
    hits = [item for item in state.entries if item.seq == event.target]
    if not hits:
        raise EventRefusedError(f"there is no reading number {event.target}")
    if hits[0].struck is not None:
        raise EventRefusedError(f"reading number {event.target} is struck out already")

    def struck(items: Sequence[_Entry]) -> tuple[_Entry, ...]:
        return tuple(replace(item, struck=event.reason) if item.seq == event.target else item for item in items)

    state = replace(
        state,
        readings=struck(state.readings),
        temperatures=struck(state.temperatures),
        given=struck(state.given),
    )
    return without_its_zero(looked_up(state), event)


def _continue(state: State, event: e.RunContinued) -> State:
    state = replace(
        state,
        breaks=(*state.breaks, (event.seq, event.away_s)),
        reopened=(*state.reopened, *_reopened(event)),
        sources=(*state.sources, event.source) if event.source else state.sources,
        simulated=state.simulated or event.simulated,
        paced=event.paced if event.source else state.paced,
    )
    was_absent = bool(state.absences) and state.absences[-1].seq == event.seq
    return renewed(state, event.seq, lost=False) if was_absent else state


def _reopened(event: e.RunContinued) -> tuple[Reopened, ...]:
    if not event.journal:
        return ()
    return (Reopened(seq=event.seq, away_s=event.away_s, journal=event.journal, missing=event.missing),)
