"""From a text to what it answers: accepted whole or not at all, with the reason.

One place for every face and source. It knows the prompt and the comparator, and no event.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import assert_never

from holdzero.errors import AnswerRefusedError, QuantityError
from holdzero.limit import between, exceeds
from holdzero.quantity import Dimension, parse_number, parse_quantity, shown, tidy
from holdzero.routine import schema
from holdzero.run.plan import SlotKind
from holdzero.run.prompt import Asks, Prompt
from holdzero.run.sizes import like_a_size

__all__ = [
    "WATCHED",
    "Confirmed",
    "Ended",
    "Named",
    "Seen",
    "TakenReading",
    "TakenTemperature",
    "Told",
    "Understood",
    "cuts_short",
    "seen_value",
    "understand",
]

WATCHED = ("part", "reference", "plate", "air")
"""What a thermometer can hang on while everything soaks."""


@dataclass(frozen=True, slots=True)
class Confirmed:
    """The step is done."""


@dataclass(frozen=True, slots=True)
class Ended:
    """The soak is over; `reason` where it was cut short."""

    reason: str | None


@dataclass(frozen=True, slots=True)
class Seen:
    """Something that was seen during a soak: of what, and the value [um, or degC]."""

    of: str
    value: float


@dataclass(frozen=True, slots=True)
class TakenReading:
    """A reading [um]."""

    value_um: float


@dataclass(frozen=True, slots=True)
class TakenTemperature:
    """A temperature [degC]."""

    value_degC: float  # noqa: N815  the unit's own capital


@dataclass(frozen=True, slots=True)
class Named:
    """A device of the register."""

    identifier: str


@dataclass(frozen=True, slots=True)
class Told:
    """An answer to a question: words, a bare number, or a quantity in the inside unit of its dimension."""

    value: float | str


Understood = Confirmed | Ended | Seen | TakenReading | TakenTemperature | Named | Told

# A room in which lengths are measured; anything else is a slip (common practice, no source).
_COLDEST_DEGC, _HOTTEST_DEGC = 0.0, 50.0
_YES = frozenset({"", "ok", "y", "yes", "done"})


def understand(text: str, prompt: Prompt, comparator: schema.Comparator | None, now_s: float) -> Understood:
    """What a text says in answer to a prompt.

    Args:
        text: as typed or received.
        prompt: what was asked.
        comparator: the one in use.
        now_s: the run's counter [s].

    Raises:
        AnswerRefusedError: with the reason, in words for the inspector.
    """
    match prompt.asks:
        case Asks.CONFIRM:
            if tidy(text).lower() not in _YES:
                raise AnswerRefusedError(
                    f"{shown(text.strip())} is no answer here: nothing is to be typed in this step"
                )
            return Confirmed()
        case Asks.WAIT:
            return _wait(text, prompt, comparator, now_s)
        case Asks.READING:
            return _reading(text, comparator, prompt.aliases, prompt.sizes_um, _off_its_scale(prompt))
        case Asks.TEMPERATURE:
            return _temperature(text)
        case Asks.ANSWER:
            return _told(text, prompt)
        case Asks.CHOICE:
            if not text.strip():
                raise AnswerRefusedError(f"type the identifier of the {prompt.slot.of}")
            return Named(text.strip())
        case _:
            assert_never(prompt.asks)


def _wait(text: str, prompt: Prompt, comparator: schema.Comparator | None, now_s: float) -> Ended | Seen:
    said, left = text.strip(), prompt.until_s - now_s
    if not said and prompt.may_end(now_s):
        return Ended(None)
    seen = _seen(said, prompt, comparator) if said else None
    if seen is not None:
        return seen
    if len(said) >= 3 and any(letter.isalpha() for letter in said):  # noqa: PLR2004  a word at least
        # Words that end a soak which is over anyway are no reason.
        return Ended(None if prompt.may_end(now_s) else said)
    over = f"{_clock(left)} to go" if exceeds(prompt.until_s, now_s) else "the time is over, but it is not at rest yet"
    raise AnswerRefusedError(f"{over}; to end the soak all the same, type the reason in words")


def cuts_short(text: str, prompt: Prompt, comparator: schema.Comparator | None, now_s: float) -> bool:
    """Whether a text is a reason that ends a soak before it is over: a face has that confirmed.

    Args:
        text: as typed.
        prompt: what was asked.
        comparator: the one in use.
        now_s: the run's counter [s].
    """
    if prompt.asks is not Asks.WAIT:
        return False
    try:
        understood = understand(text, prompt, comparator, now_s)
    except AnswerRefusedError:
        return False
    return isinstance(understood, Ended) and understood.reason is not None


def _seen(text: str, prompt: Prompt, comparator: schema.Comparator | None) -> Seen | None:
    """Something that was seen while waiting: what the dial shows, or `part 20.31`; None where it is words."""
    word, _, rest = text.partition(" ")
    if word.lower() in WATCHED and rest.strip():
        return Seen(word.lower(), _temperature(rest).value_degC)
    dimension = _dimension(text, prompt.aliases)
    if dimension is None:
        return None
    if dimension is Dimension.LENGTH:
        return Seen("", _reading(text, comparator, prompt.aliases).value_um)
    if dimension is Dimension.TEMPERATURE:
        raise AnswerRefusedError(f"{shown(text)}: say of what, for example: part {text}")
    raise AnswerRefusedError(f"{shown(text)} is no reading; to end the soak, type the reason in words")


def seen_value(raw: str, of: str, comparator: schema.Comparator | None, aliases: Mapping[str, float]) -> float:
    """The value of what was seen during a soak [um, or degC], from its raw text.

    Args:
        raw: as typed, with what it is of before it or not, or as a line was understood.
        of: what a thermometer hangs on; empty for the comparator.
        comparator: the one in use.
        aliases: what one of each further unit of readings is worth [um].

    Raises:
        AnswerRefusedError: it has no such value.
    """
    if not of:
        return _reading(raw, comparator, aliases).value_um
    word, _, rest = raw.strip().partition(" ")
    return _temperature(rest if word.lower() == of else raw).value_degC


def _dimension(text: str, aliases: Mapping[str, float]) -> Dimension | None:
    """Of what a text is a number or a number with a unit; length where it has no unit; None where it is words."""
    dimensions: list[Dimension] = [Dimension.LENGTH, *Dimension]
    for dimension in dimensions:
        try:
            parse_quantity(text, dimension, bare_unit=dimension.unit, division_um=1.0, further=aliases)
        except QuantityError:
            continue
        return dimension
    return None


def _clock(seconds: float) -> str:
    minutes, rest = divmod(max(0, round(seconds)), 60)
    return f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"


def _told(text: str, prompt: Prompt) -> Told:
    slot, said = prompt.slot, tidy(text)
    if not said:
        raise AnswerRefusedError(f"nothing was typed; type the {slot.of}")
    if len(said) > _LONGEST_ANSWER or not said.isprintable():
        raise AnswerRefusedError(f"{shown(said)} is no answer: type at most {_LONGEST_ANSWER} plain signs")
    if slot.choices:
        meant = next((choice for choice in slot.choices if tidy(choice).lower() == said.lower()), None)
        if meant is None:
            raise AnswerRefusedError(f"{shown(said)} is not one of: {', '.join(slot.choices)}")
        return Told(meant)
    if slot.answer == "text":
        return Told(said)
    dimension = next((dimension for dimension in Dimension if dimension.title == slot.answer), None)
    try:
        if dimension is None:
            return Told(parse_number(said.removesuffix(slot.unit) if slot.unit else said))
        return Told(parse_quantity(said, dimension, bare_unit=slot.unit or None).value)
    except QuantityError as error:
        raise AnswerRefusedError(f"{error.found} is not the {slot.of}: {error.mend}") from None


_LONGEST_ANSWER = 200


_MIND_THE_UNIT = "look again, and mind the unit"


def _off_its_scale(prompt: Prompt) -> str:
    """What to do where a reading is beyond the dial's travel."""
    if not prompt.moved:
        return _MIND_THE_UNIT
    if prompt.slot.kind is SlotKind.ZERO:
        return f"{prompt.moved}, and stand or dial may have been moved: set the dial to zero on the reference again"
    return (
        f"{prompt.moved} since the zero, and stand or dial may have been moved; look again, and if it still shows "
        "this, give the zero up (z): it is set anew"
    )


def _reading(
    text: str,
    comparator: schema.Comparator | None,
    aliases: Mapping[str, float],
    sizes_um: Sequence[float] = (),
    off_its_scale: str = _MIND_THE_UNIT,
) -> TakenReading:
    if not text.strip():
        raise AnswerRefusedError("nothing was typed; type what the dial shows")
    unit = comparator.unit if comparator else None
    division = comparator.division if comparator else None
    try:
        value = parse_quantity(
            text,
            Dimension.LENGTH,
            bare_unit=unit or None,
            division_um=division,
            exponent=False,
            further=aliases,
        ).value
    except QuantityError as error:
        raise AnswerRefusedError(f"{error.found} is no reading: {error.mend}") from None
    travel = comparator.travel if comparator else None
    if comparator and travel is not None and exceeds(abs(value), travel, comparator.resolution):
        looks = "this looks like the size; type what the dial shows"
        mend = looks if like_a_size(value, sizes_um) else off_its_scale
        beyond = f"beyond the dial's travel of {travel:g} um"
        raise AnswerRefusedError(f"{text.strip()} is {value:+.6g} um, {beyond}: {mend}")
    return TakenReading(value)


def _temperature(text: str) -> TakenTemperature:
    if not text.strip():
        raise AnswerRefusedError("nothing was typed; type what the thermometer shows")
    try:
        value = parse_quantity(text, Dimension.TEMPERATURE, bare_unit="degC", exponent=False).value
    except QuantityError as error:
        raise AnswerRefusedError(f"{error.found} is no temperature: {error.mend}") from None
    if not between(value, _COLDEST_DEGC, _HOTTEST_DEGC):
        raise AnswerRefusedError(f"{text.strip()} is {value:.4g} degC: no bench is so; look again, and mind the unit")
    return TakenTemperature(value)
