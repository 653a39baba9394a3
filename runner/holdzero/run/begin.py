"""How a run begins: with its routine, its parts, its devices, and what the book knows of the bench."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import replace

from holdzero import events as e
from holdzero.errors import EventRefusedError
from holdzero.register import Device, Requirement, device_from_data, unfit
from holdzero.routine import schema
from holdzero.routine.load import digest_of, routine_from_document
from holdzero.run.kept import Chosen, History
from holdzero.run.opening import looked_up, passed
from holdzero.run.plan import Slot, plan_of
from holdzero.run.state import State

__all__ = ["chosen", "device_and_requirement", "history_of", "started"]

# Minutes of a processor's time; a record that asks for more is not meant to be recomputed.
_MOST_TRIALS = 1_000_000_000


def started(state: State, event: e.RunStarted) -> State:
    """The state of a run that begins: its plan, and the devices that the routine names.

    Args:
        state: a new one.
        event: by which it begins.

    Raises:
        EventRefusedError: the event can't begin a run, or a device is not fit, without a reason.
    """
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
    return looked_up(state)


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


def chosen(state: State, slot: Slot, event: e.EntryChosen) -> State:
    """The state with a device of the register in use.

    Args:
        state: of the run.
        slot: that asks for it.
        event: that names it.

    Raises:
        EventRefusedError: it is another device than was asked for, or one that is not fit, without a reason.
    """
    if state.routine is None or slot.of != event.role:
        raise EventRefusedError(f"{slot.of} was asked for, not {event.role}")
    _, required = device_and_requirement(state.routine, event.role)
    device = device_from_data(event.role, event.entry)
    on = _day(event.wall)
    state = _with_device(state, event.role, device, required, on=on, entry=event.entry, overruled=event.overruled)
    return passed(replace(state, done=state.done | {event.slot}))


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
    in_use = Chosen(device=device, entry=entry, overruled=f"{'; '.join(reasons)}. {overruled}" if reasons else None)
    return replace(state, devices={**state.devices, role: in_use})


def history_of(event: e.BenchKnown) -> History:
    """What the book knew of the bench.

    Raises:
        EventRefusedError: it is not whole.
    """
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
