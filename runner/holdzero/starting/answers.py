"""All that a new routine is made of: filled from options and from whoever is asked, then put into tables."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, TypeAlias

from holdzero.errors import HoldzeroError, QuantityError
from holdzero.quantity import parse_number
from holdzero.starting.checked import DESCRIBED, NONE, REQUIRED, Known, units_of
from holdzero.starting.options import ROUTINE_OPTIONS, option_of
from holdzero.starting.questions import QUESTIONS, coarsest_um, small_length

__all__ = ["Answers", "Device", "Filled", "answers_of", "described", "fill", "no_meaning"]

Filled: TypeAlias = tuple[dict[str, str], frozenset[str]]

# Where one of these options is given, the device is described, and nobody need say so.
_DESCRIBES = {
    "reference": ("reference_",),
    "comparator": ("resolution", "travel", "error"),
    "check": ("check_",),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """A table of the routine, and where it came from.

    Attributes:
        table: as it stands in the routine.
        origin: `describe`, `required`, or the identifier in the register.
    """

    table: Mapping[str, Any]
    origin: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """What was answered, in the terms of a routine; quantities are texts as typed.

    Attributes:
        lower: None for no limit; so is `upper`.
        expansion: of the part's material and how far it may be off; None where the tables have it.
        bracket_limit: and why it is this.
        assumed: names of the answers that nobody gave: their default was taken.
    """

    part: str
    title: str
    units: str
    nominal: str
    lower: str | None
    upper: str | None
    material: str
    expansion: tuple[str, str] | None
    places: tuple[str, ...]
    repeats: int
    soak: str
    reference: Device
    comparator: Device
    check_standard: Device | None
    bracket_limit: tuple[str, str]
    temperature: str
    temperature_within: str
    difference_within: str
    assumed: frozenset[str]


_LACKING = "nobody can be asked here, and these options are missing or wrong:"


def fill(given: Mapping[str, str], known: Known) -> Filled:
    """The answer to every question that applies, where nobody can be asked.

    Args:
        given: answers by option.
        known: of the shop.

    Returns:
        The answers by name, and the names of those that are defaults.

    Raises:
        HoldzeroError: options are missing or wrong, or one means nothing here.
    """
    said = described(given)
    given = {**given, **said}
    assumed: set[str] = set()
    lacking: list[str] = []
    for question in QUESTIONS:
        name = question.name
        if not question.applies(said, known):
            # Where an answer is lacking, nobody can say what follows from it.
            if name in given and not lacking:
                raise no_meaning(name)
            continue
        settled = question.settled(said, known)
        default = question.default(said, known) if question.alone else None
        text = given.get(name, default if settled is None else settled)
        try:
            if text is None:
                lacking.append(f"{option_of(name)}: {ROUTINE_OPTIONS[name]}")
                continue
            said[name] = question.check(text, said, known)
        except QuantityError as error:
            lacking.append(f"{option_of(name)}: {error}")
            continue
        if name not in given and settled is None:
            assumed.add(name)
    if lacking:
        raise HoldzeroError("\n    ".join((_LACKING, *lacking)))
    return said, frozenset(assumed)


def no_meaning(name: str) -> HoldzeroError:
    """The error of an option that does not fit the answers before it."""
    return HoldzeroError(f"{option_of(name)}: it has no meaning beside the other answers: leave it out")


def described(given: Mapping[str, str]) -> dict[str, str]:
    """The devices that are described by options of their own, and so are not asked for by name."""
    return {
        role: DESCRIBED
        for role, options in _DESCRIBES.items()
        if role not in given and any(name.startswith(options) for name in given)
    }


def answers_of(said: Mapping[str, str], assumed: frozenset[str], known: Known) -> Answers:
    """Answers by name in the terms of a routine."""
    limit_um, why = coarsest_um(said, known)
    return Answers(
        part=said["part"],
        title=said["title"],
        units=units_of(said),
        nominal=said["nominal"],
        lower=None if said["lower"] == NONE else said["lower"],
        upper=None if said["upper"] == NONE else said["upper"],
        material=said["material"],
        expansion=(said["expansion"], said["expansion_within"]) if "expansion" in said else None,
        places=tuple(said["places"].split(",")),
        repeats=int(said["repeats"]),
        soak=said["soak"],
        reference=_reference(said, known),
        comparator=_comparator(said, known),
        check_standard=_check_standard(said, known),
        bracket_limit=(small_length(limit_um, said), why),
        temperature=said["temperature"],
        temperature_within=said["temperature_within"],
        difference_within=said["difference_within"],
        assumed=assumed,
    )


def _reference(said: Mapping[str, str], known: Known) -> Device:
    origin = said["reference"]
    if origin == DESCRIBED:
        return Device(table=_described_block(said, "reference", "Reference"), origin=origin)
    if origin == REQUIRED:
        table = {
            "size": said["reference_size"],
            "material": said["reference_material"],
            "largest_expanded": said["reference_uncertainty"],
        }
        return Device(table={key: item for key, item in table.items() if item}, origin=origin)
    return Device(table={"id": origin, **known.references[origin]}, origin=origin)


def _check_standard(said: Mapping[str, str], known: Known) -> Device | None:
    origin = said["check"]
    if origin == NONE:
        return None
    if origin == DESCRIBED:
        table = _described_block(said, "check", "Check standard")
    else:
        table = {"id": origin, **known.references[origin]}
    return Device(table={**table, "limit": said["check_limit"]}, origin=origin)


def _described_block(said: Mapping[str, str], role: str, title: str) -> dict[str, Any]:
    certificate = said[f"{role}_certificate"]
    factor = parse_number(said[f"{role}_coverage"])
    deviation = {
        "value": said[f"{role}_deviation"],
        "expanded": said[f"{role}_uncertainty"],
        "coverage": int(factor) if factor.is_integer() else factor,
        "why": f"certificate {certificate}" if certificate else "as certified",
    }
    table = {
        "name": f"{title} {said[f'{role}_size']}",
        "size": said[f"{role}_size"],
        "deviation": deviation,
        "material": said[f"{role}_material"],
        "certificate": certificate,
    }
    return {key: item for key, item in table.items() if item}


def _comparator(said: Mapping[str, str], known: Known) -> Device:
    origin = said["comparator"]
    if origin == DESCRIBED:
        table = {
            "resolution": said["resolution"],
            "travel": said["travel"],
            "error": {"halfwidth": said["error"], "why": "stated when the routine was written"},
        }
        return Device(table=table, origin=origin)
    return Device(table={"id": origin, **known.comparators[origin]}, origin=origin)
