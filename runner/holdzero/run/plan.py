"""The plan: a routine's steps unrolled into slots, each of which one answer fills.

It knows the routine and the serials of the parts; it knows nothing of what was answered.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import Enum
from typing import assert_never

from holdzero.routine import schema

__all__ = ["Slot", "SlotKind", "fresh_return", "fresh_zero", "plan_of"]


class SlotKind(Enum):
    """What a slot waits for."""

    CHOOSE = "choose"
    PREPARE = "prepare"
    ASK = "ask"
    SOAK = "soak"
    TEMPERATURE = "temperature"
    ZERO = "zero"
    CHECK = "check"
    READ = "read"
    RETURN = "return"
    COMPARE = "compare"

    @property
    def is_reading(self) -> bool:
        """Whether the comparator is read."""
        return self in (SlotKind.ZERO, SlotKind.CHECK, SlotKind.READ, SlotKind.RETURN)


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot:
    """One thing to do and to answer.

    Attributes:
        id: unique in the plan, the same whenever the same routine is planned.
        group: slots of one step and round share it; a zero is set once for its group.
        kind: what is waited for.
        say: the routine's own words, if it has any.
        caution: what can hurt.
        lift: which of the step's readings this is, from 1.
        lifts: how many readings the step has.
        place: where the part is read.
        force_N: contact force of this reading [N].
        serial: of the part; None where it has none.
        of: what a temperature is of, what is asked for, the role of a device to choose, or the name
            of a preparing step.
        answer: what can be answered to a question.
        unit: of a bare answer to a question.
        choices: the words that can be answered to a question; empty for any.
        at_least_s: length of a soak [s].
        within_um: what may still be to come of the reading when a soak ends [um]; None for anything.
        within_K: the same for temperatures [K].
        round_text: which round of which repeat, for the inspector.
    """

    id: str
    group: str
    kind: SlotKind
    say: str = ""
    caution: str = ""
    lift: int = 1
    lifts: int = 1
    place: str | None = None
    force_N: float | None = None  # noqa: N815  the unit's own capital
    serial: str | None = None
    of: str = ""
    answer: schema.AnswerKind = "text"
    unit: str = ""
    choices: tuple[str, ...] = ()
    at_least_s: float = 0.0
    within_um: float | None = None
    within_K: float | None = None  # noqa: N815  the unit's own capital
    round_text: str = ""


def plan_of(routine: schema.Routine, serials: tuple[str | None, ...]) -> tuple[Slot, ...]:
    """All slots of a run, in order.

    Args:
        routine: what to do.
        serials: the parts of the batch; one None for a part without a serial.
    """
    slots = list(_choices(routine))
    slots.extend(_unrolled(routine.steps, routine, serials, _At()))
    if slots[-1].kind is not SlotKind.COMPARE:
        slots.append(Slot(id="end", group="end", kind=SlotKind.COMPARE))
    return tuple(slots)


def _choices(routine: schema.Routine) -> Iterator[Slot]:
    required = (
        ("reference", isinstance(routine.reference, schema.RequiredReference)),
        ("comparator", isinstance(routine.comparator, schema.RequiredComparator)),
        ("thermometer", isinstance(routine.thermometer, schema.RequiredThermometer)),
    )
    for role, open_ in required:
        if open_:
            yield Slot(id=role, group=role, kind=SlotKind.CHOOSE, of=role)


@dataclass(frozen=True, slots=True)
class _At:
    """Where in the nest of repeats a step stands."""

    prefix: str = ""
    serial: str | None = None
    rounds: tuple[str, ...] = ()


def _unrolled(
    steps: tuple[schema.AnyStep, ...], routine: schema.Routine, serials: tuple[str | None, ...], at: _At
) -> Iterator[Slot]:
    for number, step in enumerate(steps, 1):
        name = f"{at.prefix}{number}"
        if isinstance(step, schema.Repeat):
            yield from _rounds(step, name, routine, serials, at)
        else:
            yield from _slots(step, name, routine, serials, at)


def _rounds(
    step: schema.Repeat, name: str, routine: schema.Routine, serials: tuple[str | None, ...], at: _At
) -> Iterator[Slot]:
    if step.over == "parts":
        for index, serial in enumerate(serials, 1):
            words = f"part {serial or index}" if len(serials) > 1 or serial else ""
            inner = _At(f"{name}/{index}.", serial, (*at.rounds, words))
            yield from _warned(step.caution, _unrolled(step.steps, routine, serials, inner))
        return
    for index in range(1, (step.times or 1) + 1):
        inner = _At(f"{name}/{index}.", at.serial, (*at.rounds, f"round {index} of {step.times}"))
        yield from _warned(step.caution, _unrolled(step.steps, routine, serials, inner))


def _warned(caution: str, slots: Iterator[Slot]) -> Iterator[Slot]:
    """A round with the caution of its repeat before its first step."""
    first = next(slots)
    yield replace(first, caution=" ".join(text for text in (caution, first.caution) if text))
    yield from slots


def _slots(
    step: schema.AnyStep, name: str, routine: schema.Routine, serials: tuple[str | None, ...], at: _At
) -> Iterator[Slot]:
    first = Slot(
        id=name,
        group=name,
        kind=_kind(step),
        say=step.say,
        caution=step.caution,
        serial=at.serial if at.serial is not None else serials[0] if len(serials) == 1 else None,
        round_text=", ".join(word for word in at.rounds if word),
    )
    match step:
        case schema.Soak():
            yield replace(first, at_least_s=step.at_least, within_um=step.within, within_K=step.within_temperature)
        case schema.TemperatureStep():
            yield replace(first, of=step.of)
        case schema.Read():
            force = step.force if step.force is not None else _usual_force(routine)
            yield from _lifted(replace(first, place=step.at, force_N=force), step.times)
        case schema.Zero() | schema.Check() | schema.Return():
            yield from _lifted(first, step.times)
        case schema.Prepare():
            yield replace(first, of=step.name)
        case schema.Ask():
            yield replace(first, of=step.name, answer=step.answer, unit=step.unit, choices=step.choices)
        case schema.Compare():
            yield first
        case schema.Repeat():
            return
        case _:
            assert_never(step)


def _usual_force(routine: schema.Routine) -> float | None:
    return routine.comparator.force if isinstance(routine.comparator, schema.Comparator) else None


def _lifted(slot: Slot, lifts: int) -> Iterator[Slot]:
    for lift in range(1, lifts + 1):
        yield replace(slot, id=slot.id if lifts == 1 else f"{slot.id}#{lift}", lift=lift, lifts=lifts)


def _kind(step: schema.AnyStep) -> SlotKind:
    return SlotKind(step.do)


def fresh_return(seq: int, zero: Slot) -> Slot:
    """A return that was not in the routine: closes what was read before a long absence, with the caution of `zero`."""
    return Slot(id=f"x{seq}.return", group=f"x{seq}.return", kind=SlotKind.RETURN, caution=zero.caution)


def fresh_zero(seq: int, zero: Slot) -> tuple[Slot, ...]:
    """A zero that was not in the routine, with as many lifts and the caution of `zero`."""
    first = Slot(id=f"x{seq}.zero", group=f"x{seq}.zero", kind=SlotKind.ZERO, caution=zero.caution)
    return tuple(_lifted(first, zero.lifts))
