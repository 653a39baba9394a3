"""What the inspector is told and asked now: made of the state, for any face to show.

The usual words of each kind of step live here; a routine's own words come before them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import assert_never

from holdzero import events as e
from holdzero.display import span_text
from holdzero.limit import exceeds
from holdzero.outlook import Outlook
from holdzero.quantity import written
from holdzero.routine import schema
from holdzero.run.plan import Slot, SlotKind
from holdzero.run.sizes import sizes_at
from holdzero.run.soaking import may_end, missing_text, outlooks_of
from holdzero.run.state import Phase, State
from holdzero.wording import clock_text

__all__ = ["Asks", "Prompt", "again_text", "back_text", "prompt_of"]


class Asks(Enum):
    """What kind of answer is waited for."""

    CONFIRM = "confirm"
    WAIT = "wait"
    READING = "reading"
    TEMPERATURE = "temperature"
    CHOICE = "choice"
    ANSWER = "answer"


@dataclass(frozen=True, slots=True, kw_only=True)
class Prompt:
    """One instruction and what answers it.

    Attributes:
        slot: what the answer fills.
        asks: the kind of answer.
        title: the action in a few words.
        say: what to do.
        caution: what can hurt; to be shown before `say`.
        number: which step this is, from 1.
        count: how many steps there are, as far as is known.
        unit: unit of a bare number.
        until_s: end of a soak, on the run's counter [s].
        following: title of what comes next, if anything.
        aliases: what one of each further unit of readings is worth [um], by its name.
        outlooks: of a soak: how all that was watched stands.
        moved: what happened since the zero was read that may have moved stand or dial; empty for nothing.
        sizes_um: nominal sizes of what is read [um], which the dial does not show.
        typed_in: unit that the last reading was typed in, where that is not `unit`; else empty.
    """

    slot: Slot
    asks: Asks
    title: str
    say: str
    caution: str
    number: int
    count: int
    unit: str = ""
    until_s: float = 0.0
    following: str = ""
    aliases: Mapping[str, float] = field(default_factory=dict)
    outlooks: tuple[Outlook, ...] = ()
    moved: str = ""
    sizes_um: tuple[float, ...] = ()
    typed_in: str = ""

    def may_end(self, now_s: float) -> bool:
        """Whether a soak may end at this moment [s] without a reason."""
        return may_end(self.outlooks, over=not exceeds(self.until_s, now_s))

    def missing(self, now_s: float) -> str:
        """What is missing where a soak is ended at this moment [s], in words."""
        return missing_text(self.slot, self.until_s - now_s, self.outlooks)


_ASKS = {
    SlotKind.CHOOSE: Asks.CHOICE,
    SlotKind.PREPARE: Asks.CONFIRM,
    SlotKind.ASK: Asks.ANSWER,
    SlotKind.SOAK: Asks.WAIT,
    SlotKind.TEMPERATURE: Asks.TEMPERATURE,
    SlotKind.ZERO: Asks.READING,
    SlotKind.CHECK: Asks.READING,
    SlotKind.READ: Asks.READING,
    SlotKind.RETURN: Asks.READING,
    SlotKind.COMPARE: Asks.CONFIRM,
}


def prompt_of(state: State) -> Prompt | None:
    """What is asked for now; None where the run is paused or over."""
    if state.phase is not Phase.RUNNING:
        return None
    slot = state.agenda.first
    if slot is None:
        return None
    following = state.agenda.following
    comparator = state.comparator
    usual = comparator.force if comparator else None
    asks = _ASKS[slot.kind]
    readings_in = comparator.unit if comparator else ""
    place = state.routine.zero_place if state.routine is not None else None
    zero_on = "the reference" if place is None else f"place {place}"
    unit = {Asks.TEMPERATURE: "degC", Asks.ANSWER: slot.unit}.get(asks, readings_in)
    return Prompt(
        slot=slot,
        asks=asks,
        title=_title(slot, usual, zero_on),
        say=(slot.say if slot.say and not _again(slot, state) else _usual_words(slot, state, zero_on))
        + _in_place(slot, state),
        caution=slot.caution,
        number=len(state.slots) - state.agenda.count + 1,
        count=len(state.slots),
        unit=unit,
        until_s=state.soak_from_s + slot.at_least_s,
        following=_title(following, usual, zero_on) if following else "",
        aliases=state.aliases,
        outlooks=outlooks_of(state, slot) if slot.kind is SlotKind.SOAK else (),
        moved=_moved(state) if asks is Asks.READING else "",
        sizes_um=sizes_at(state.routine, state.reference, slot) if state.routine is not None else (),
        typed_in=_typed_in(state, unit) if asks is Asks.READING else "",
    )


def back_text(event: e.AnyEvent, state: State) -> str:
    """How long nobody was there before a run went on, and what follows.

    Args:
        event: by which it went on.
        state: after it.
    """
    if not isinstance(event, e.RunContinued):
        return ""
    away = (
        "Back after a time that nobody knows: the clock was set back."
        if event.away_s is None
        else f"Back after {clock_text(event.away_s)} (h:mm:ss or m:ss)."
    )
    added = {slot.kind for slot in state.slots if slot.group.startswith(f"x{event.seq}.")}
    if state.routine is None or not added:
        return away
    limit = "" if event.away_s is None else f"longer than {clock_text(state.routine.bracket.longest_absence)}"
    first = "the reference once more, then " if SlotKind.RETURN in added else ""
    return f"{away} {f'That is {limit}' if limit else 'So'}: {first}a fresh zero before you go on."


def again_text(slot: Slot) -> str:
    """A step that can be done again out of turn, in a few words."""
    return f"soak of {span_text(slot.at_least_s)}" if slot.kind is SlotKind.SOAK else slot.of or slot.say


def _moved(state: State) -> str:
    """What happened since the zero was read that may have moved stand or dial, in words."""
    zero = state.agenda.zero_seq
    if not zero:
        return ""
    if any(seq > zero and of == "comparator" for seq, of, _ in state.losses):
        return "the comparator's line was lost"
    breaks = [away_s for seq, away_s in state.breaks if seq > zero]
    if not breaks:
        return ""
    away_s = max((one for one in breaks if one is not None), default=0.0)
    return f"you were away for {away_s / 60.0:.0f} min" if away_s >= _MINUTE_S else "there was a pause"


_MINUTE_S = 60.0


def _typed_in(state: State, bare_unit: str) -> str:
    """The unit of the last reading that was typed, as it was typed; empty where it was that of a bare number."""
    typed = written(state.typed) if state.typed else None
    unit = typed.rest if typed is not None else ""
    return unit if _one_spelling(unit) not in ("", _one_spelling(bare_unit)) else ""


def _one_spelling(unit: str) -> str:
    plain = unit.replace("µ", "u").replace("μ", "u").replace('"', "in")
    return "div" if plain.startswith("div") else plain


def _again(slot: Slot, state: State) -> bool:
    """Whether a lift is not the first: the words of the step were shown with the first one."""
    return slot.lift > 1 or slot.id in state.agenda.read


def _in_place(slot: Slot, state: State) -> str:
    """Which entry the answer takes the place of: the place may lie far from where the work was."""
    struck = state.agenda.struck.get(slot.id)
    return f" It takes the place of entry {struck}, which was struck out." if struck is not None else ""


def _title(slot: Slot, usual_N: float | None, zero_on: str) -> str:  # noqa: N803  the unit's own capital
    lift = f", reading {slot.lift} of {slot.lifts}" if slot.lifts > 1 else ""
    # The force goes without saying where it is the comparator's own.
    unusual = slot.kind is SlotKind.READ and slot.force_N not in (None, usual_N)
    force = f" at {slot.force_N:g} N" if unusual else ""
    titles = {
        SlotKind.CHOOSE: f"Name the {slot.of}",
        SlotKind.PREPARE: "Prepare",
        SlotKind.ASK: slot.of[:1].upper() + slot.of[1:],
        SlotKind.SOAK: "Soak",
        SlotKind.TEMPERATURE: f"Temperature of the {slot.of}",
        SlotKind.ZERO: f"Zero on {zero_on}{lift}",
        SlotKind.CHECK: f"Check standard{lift}",
        SlotKind.READ: f"Read place {slot.place}{force}{lift}",
        SlotKind.RETURN: f"Return to {zero_on}{lift}",
        SlotKind.COMPARE: "Compare",
    }
    return titles[slot.kind]


def _named(block: schema.Reference | schema.CheckStandard | None) -> str:
    """The name of a block, by which it is told from the one beside it."""
    return f" ({block.name})" if block is not None and block.name else ""


def _usual_words(slot: Slot, state: State, zero_on: str) -> str:  # noqa: C901, PLR0911, PLR0912  one arm a kind
    match slot.kind:
        case SlotKind.CHOOSE:
            return f"Type the identifier of the {slot.of} that you use, as it stands in the register."
        case SlotKind.PREPARE:
            return slot.say
        case SlotKind.ASK if slot.choices:
            return f"Type one of: {', '.join(slot.choices)}."
        case SlotKind.ASK:
            return f"Type the {slot.of}."
        case SlotKind.SOAK:
            return "Leave everything alone until it has one temperature. Keep hands and breath away."
        case SlotKind.TEMPERATURE:
            return f"Read the thermometer on the {slot.of}."
        case SlotKind.ZERO if slot.group in state.zeros:
            return f"Lift the tip and lower it on {zero_on} again. Do not touch the dial. Read what it shows."
        case SlotKind.ZERO:
            on = f"{zero_on}{_named(state.reference)}"
            return f"Lower the tip gently on {on}. Set the dial to zero. Lift, lower, read what it shows."
        case SlotKind.CHECK:
            block = state.routine.check_standard if state.routine is not None else None
            return f"Put the check standard{_named(block)} under the tip. Do not touch the dial. Read what it shows."
        case SlotKind.READ:
            return f"Put place {slot.place} under the tip, approaching as always. Read what the dial shows."
        case SlotKind.RETURN:
            return (
                f"Put {zero_on}{_named(state.reference)} back under the tip. Do not touch the dial. Read what it shows."
            )
        case SlotKind.COMPARE:
            return "All is read. After this the readings stand: strike out now what was wrong."
        case _:
            assert_never(slot.kind)
