"""The fold: a state and an event give the next state. The only place where events become state.

Running, resuming, striking out and verifying are all this one function. It is pure: an event that
does not fit is refused and changes nothing.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TypeVar, assert_never

from holdzero import events as e
from holdzero.errors import EventRefusedError, QuantityError
from holdzero.estimate import Estimate, parse_estimate
from holdzero.limit import exceeds
from holdzero.quantity import Dimension
from holdzero.register import Device, Requirement, device_from_data, unfit
from holdzero.routine import schema
from holdzero.routine.load import digest_of, routine_from_document
from holdzero.run.absence import absence_at, leapt_s, shows_somebody
from holdzero.run.commands import COMPARATOR
from holdzero.run.opening import Brackets, agenda_after, agenda_of
from holdzero.run.plan import Slot, SlotKind, fresh_return, fresh_zero, plan_of
from holdzero.run.row import longer
from holdzero.run.soaking import may_end, outlooks_of, settled
from holdzero.run.state import (
    Chosen,
    Given,
    History,
    Note,
    Observed,
    Phase,
    Prepared,
    Question,
    Reading,
    Reopened,
    SoakTaken,
    State,
    TemperatureTaken,
)

__all__ = ["TRANSITIONS", "device_and_requirement", "take"]

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
            return _start(state, event)
        case e.EntryChosen():
            return _choose(state, before, event)
        case e.BenchKnown():
            return replace(state, history=_history(event))
        case e.StepDone():
            return _prepared(_passed(state), event, _asked(before, event.slot, {SlotKind.PREPARE}))
        case e.PreparedAgain():
            return _looked_up(_prepared(state, event, _done_before(before, event.slot)))
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
            return _with_new_origin(state, event) if event.of == COMPARATOR else state
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
            return _renew(state, event.seq, lost=True, anew=event.anew)
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
            return _passed(replace(state, done=state.done | {event.slot}))
        case e.RunAbandoned():
            return replace(state, abandoned=event.reason)
        case _:
            assert_never(event)


def _passed(state: State) -> State:
    """What was asked for has its answer, and that changes nothing of what else waits."""
    return replace(state, agenda=state.agenda.passed())


def _looked_up(state: State) -> State:
    """What waits may be another thing than what came next: it is looked up."""
    return replace(state, agenda=agenda_of(state))


def _asked(before: State, slot_id: str, kinds: set[SlotKind]) -> Slot:
    """The slot that is asked for, if the event answers it."""
    slot = before.slot
    if slot is None or slot.id != slot_id or slot.kind not in kinds:
        asked = "nothing" if slot is None else f"{slot.kind.value} {slot.id}"
        raise EventRefusedError(f"an answer to {slot_id!r} came while {asked} was asked for")
    return slot


def _history(event: e.BenchKnown) -> History:
    scatter, standard = event.scatter or {}, event.standard or {}
    try:
        s = float(scatter["s_um"]) if event.scatter is not None else None
        dof, runs = float(scatter.get("dof", 0.0)), int(scatter.get("runs", 0))
        in_control = bool(standard["in_control"]) if event.standard is not None else None
    except (KeyError, TypeError, ValueError) as error:
        raise EventRefusedError(f"what the book knew is not whole: {error}") from None
    if s is not None and not (0.0 <= s < math.inf and 0.0 < dof < math.inf):
        raise EventRefusedError(f"a scatter of {s} um with {dof} degrees of freedom is none")
    return History(
        book=event.book,
        comparator=event.comparator,
        scatter_um=s,
        dof=dof,
        runs=runs,
        in_control=in_control,
        told=str(standard.get("text", "")),
        earlier=tuple(event.earlier),
    )


def _prepared(state: State, event: e.StepDone | e.PreparedAgain, slot: Slot) -> State:
    done = Prepared(seq=event.seq, slot=slot, time_s=event.time_s, wall=event.wall)
    return replace(state, prepared=longer(state.prepared, done), done=state.done | {slot.id})


def _done_before(before: State, slot_id: str) -> Slot:
    """The preparing step, if it was done once already."""
    found = next((done.slot for done in before.prepared if done.slot.id == slot_id), None)
    if found is None:
        raise EventRefusedError(f"no preparing step {slot_id!r} was done before")
    return found


# Minutes of a processor's time; a record that asks for more is not meant to be recomputed.
_MOST_TRIALS = 1_000_000_000


def _start(state: State, event: e.RunStarted) -> State:
    if digest_of(event.routine) != event.routine_digest:
        raise EventRefusedError("the routine in the first event does not have the digest that stands beside it")
    routine = routine_from_document(event.routine)
    if not event.serials or len(set(event.serials)) != len(event.serials):
        raise EventRefusedError("each part of a batch needs a serial of its own")
    if isinstance(event.trials, int) and not 0 < event.trials <= _MOST_TRIALS:
        raise EventRefusedError(f"{event.trials} trials of a simulation: at most {_MOST_TRIALS} can be made")
    if len(event.serials) > 1 and not routine.takes_batches:
        raise EventRefusedError('this routine measures one part at a time; a batch needs a repeat over = "parts"')
    state = replace(
        state,
        routine=routine,
        operator=event.operator,
        started=event.wall,
        trial=event.trial,
        text_digest=event.text_digest,
        aliases=event.aliases,
        paced=event.paced,
        serials=event.serials,
        slots=plan_of(routine, event.serials),
        sources=(event.source,),
        simulated=event.simulated,
        trials=event.trials,
        seed=event.seed,
    )
    on = _day(event.wall)
    for role in ("reference", "comparator", "thermometer"):
        device, required = device_and_requirement(routine, role)
        if device is None or required is not None:
            continue
        entry = dict(event.routine[role])
        state = _with_device(state, role, device, None, on=on, entry=entry, overruled=event.overruled.get(role))
    return _looked_up(state)


def device_and_requirement(routine: schema.Routine, role: str) -> tuple[Device | None, Requirement | None]:
    """What the routine says of a role: the device whole, or what is required of it; neither for a place of the part."""
    said = {"reference": routine.reference, "comparator": routine.comparator, "thermometer": routine.thermometer}[role]
    match said:
        case schema.RequiredReference() | schema.RequiredComparator() | schema.RequiredThermometer():
            return None, said
        case schema.ReferencePlace():
            return None, None
        case _:
            return said, None


def _day(wall: str) -> dt.date:
    try:
        return dt.datetime.fromisoformat(wall).date()
    except ValueError:
        raise EventRefusedError(f"{wall!r} is no time") from None


def _choose(state: State, before: State, event: e.EntryChosen) -> State:
    slot = _asked(before, event.slot, {SlotKind.CHOOSE})
    if state.routine is None or slot.of != event.role:
        raise EventRefusedError(f"{slot.of} was asked for, not {event.role}")
    _, required = device_and_requirement(state.routine, event.role)
    device = device_from_data(event.role, event.entry)
    on = _day(event.wall)
    state = _with_device(state, event.role, device, required, on=on, entry=event.entry, overruled=event.overruled)
    return _passed(replace(state, done=state.done | {event.slot}))


def _with_device(
    state: State,
    role: str,
    device: Device,
    required: Requirement | None,
    *,
    on: dt.date,
    entry: dict[str, object],
    overruled: str | None,
) -> State:
    reasons = unfit(device, required, on)
    if reasons and not overruled:
        name = device.id or device.name or "as the routine states it"
        raise EventRefusedError(f"{role} {name}: {'; '.join(reasons)}")
    chosen = Chosen(device=device, entry=entry, overruled=f"{'; '.join(reasons)}. {overruled}" if reasons else None)
    return replace(state, devices={**state.devices, role: chosen})


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
    return _passed(replace(state, soaks=(*state.soaks, soak), done=state.done | {event.slot}))


def _soak_again(state: State, before: State, event: e.SoakBegunAgain) -> State:
    """The soak is asked for once more before all else, and judged anew; what was read stays."""
    if event.slot not in {soak.slot.id for soak in before.soaks}:
        raise EventRefusedError(f"no soak {event.slot!r} was over before")
    if before.slot is not None and before.slot.id == event.slot:
        raise EventRefusedError("the soak goes on already")
    return _looked_up(replace(state, done=state.done - {event.slot}))


_READING_KINDS = {kind for kind in SlotKind if kind.is_reading}


def _read(state: State, before: State, event: e.ReadingTaken) -> State:
    slot = _asked(before, event.slot, _READING_KINDS)
    fresh = _sets_zero(slot, state)
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
    return state if agenda is not None else _looked_up(state)


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
    return _without_its_zero(_looked_up(state), event)


def _without_its_zero(state: State, event: e.AnswerStruck) -> State:
    """A zero in force whose readings are all struck out, and under which something was read, is no zero."""
    struck = next((r for r in state.readings if r.seq == event.target), None)
    if struck is None or struck.kind is not SlotKind.ZERO or struck.zero != len(state.zeros):
        return state
    left = any(r.kind is SlotKind.ZERO and r.zero == struck.zero for r in state.live)
    used = any(r.kind is not SlotKind.ZERO and r.zero == struck.zero for r in state.readings)
    return _renew(state, event.seq, lost=True) if used and not left else state


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
    return _renew(state, event.seq, lost=False) if was_absent else state


def _reopened(event: e.RunContinued) -> tuple[Reopened, ...]:
    if not event.journal:
        return ()
    return (Reopened(seq=event.seq, away_s=event.away_s, journal=event.journal, missing=event.missing),)


def _renew(state: State, seq: int, *, lost: bool, anew: bool = False) -> State:
    """Ask for a fresh zero now; and before it, if the dial was not moved, for the return of the old one."""
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
        state = _looked_up(replace(state, lost_zeros=state.lost_zeros | {in_force}))
    if anew:
        again = state.done - _between_open_readings(state)
        state = _looked_up(replace(state, zeros_anew=state.zeros_anew | {in_force}, done=again))
    slot = state.first_open
    if slot is None:
        return state
    fresh: tuple[Slot, ...] = () if _sets_zero(slot, state) else fresh_zero(seq, zero)
    # What a zero that was given up held is read again: there is nothing to close.
    if open_bracket and not lost and in_force not in state.zeros_anew:
        fresh = (fresh_return(seq, zero), *fresh)
    place = next(index for index, candidate in enumerate(state.slots) if candidate.id == slot.id)
    return _looked_up(replace(state, slots=(*state.slots[:place], *fresh, *state.slots[place:])))


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


def _with_new_origin(state: State, event: e.LineBack) -> State:
    """It may have lost its origin: what was read is closed, and a fresh zero taken; a soak is watched anew."""
    slot = state.first_open
    if slot is not None and slot.kind is SlotKind.SOAK:
        seen = tuple(item for item in state.observed if item.of or item.slot.id != slot.id)
        state = replace(state, observed=seen)
    if slot is not None and slot.kind is SlotKind.RETURN and slot.id.startswith("x"):
        # A plug that is loose: the return and the zero after it wait already.
        return state
    return _renew(state, event.seq, lost=False)


def _sets_zero(slot: Slot, state: State) -> bool:
    """Whether the next thing to do is to set a zero anyway."""
    return slot.kind is SlotKind.ZERO and slot.group not in state.zeros
