"""Answers for a new routine, looked at by the tool's own parsers: each check gives the answer as it is kept.

A check knows the answers before it and the shop. What is wrong it raises as a `QuantityError`: found, expected, mend.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeAlias

from holdzero.errors import QuantityError
from holdzero.estimate import parse_estimate
from holdzero.plain_text import unplain
from holdzero.quantity import Dimension, parse_number, parse_quantity, shown, tidy
from holdzero.routine.limits import like_a_size, small

__all__ = [
    "DESCRIBED",
    "LONGEST",
    "NONE",
    "REQUIRED",
    "Checker",
    "Known",
    "Said",
    "any_words",
    "check_standard",
    "comparator",
    "coverage",
    "known_material",
    "limit",
    "material",
    "meant_material",
    "nominal",
    "places",
    "quantity",
    "reference",
    "repeats",
    "taken_apart",
    "um",
    "uncertainty",
    "units_of",
    "upper_limit",
    "words",
]

DESCRIBED, NONE, REQUIRED = "describe", "none", "required"
"""Words that stand in place of an identifier or a limit."""

LONGEST = 2000  # as in `routine.fields.Text`


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What is known before anything is answered.

    Attributes:
        references: entries of the register by identifier, as written.
        comparators: the same.
        materials: names of those whose expansion is known.
    """

    references: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    comparators: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    materials: tuple[str, ...] = ()


Said: TypeAlias = Mapping[str, str]
Checker: TypeAlias = Callable[[str, Said, Known], str]


def _wrong(text: str, expected: str, mend: str) -> QuantityError:
    return QuantityError(shown(text), expected, mend)


def words(text: str, said: Said, known: Known) -> str:
    """A text that a routine can hold."""
    del said, known
    kept = text.strip()
    if not kept or len(kept) > LONGEST:
        raise _wrong(text, f"a text of 1 to {LONGEST} characters", "type it again")
    try:
        kept.encode("utf-8")
    except UnicodeEncodeError:
        raise _wrong(ascii(text), "characters of UTF-8", "type it again") from None
    if found := unplain(kept):
        raise _wrong(ascii(text), f"a text without {found}", "type it again, by hand")
    return kept


def any_words(text: str, said: Said, known: Known) -> str:
    """A text, or nothing."""
    return words(text, said, known) if text.strip() else ""


def places(text: str, said: Said, known: Known) -> str:
    """Names of places with commas between, each once."""
    names = [words(word, said, known) for word in text.split(",") if word.strip()]
    if not names or len(set(names)) != len(names):
        raise _wrong(text, "places such as a,b,c, each once", "name at least one, with commas between")
    return ",".join(names)


# As in `routine.fields.Positive`; and what a person could ever read (`routine.steps`), less zero and return.
_MOST_ROUNDS, _MOST_READINGS = 1000, 9_900


def repeats(text: str, said: Said, known: Known) -> str:
    """A number of rounds that somebody could come to the end of."""
    del known
    plain = tidy(text)
    number = int(plain) if re.fullmatch(r"[0-9]{1,4}", plain) else 0
    most = min(_MOST_ROUNDS, _MOST_READINGS // (said.get("places", "").count(",") + 1))
    if not 1 <= number <= most:
        raise _wrong(text, f"a whole number from 1 to {most}", "type how often each place is read")
    return str(number)


def quantity(dimension: Dimension, *, above_zero: bool = False, from_zero: bool = False, bare: str = "") -> Checker:
    """What checks a quantity of a dimension; a number without a unit is one of `bare`."""

    def check(text: str, said: Said, known: Known) -> str:
        del said, known
        read = parse_quantity(f"{text} {bare}" if bare and _is_number(text) else text, dimension)
        if (above_zero and read.value <= 0.0) or (from_zero and read.value < 0.0):
            least = "above zero" if above_zero else "of zero or more"
            raise _wrong(text, f"{dimension.one} {least}", "check sign and number")
        return read.text

    return check


def _is_number(text: str) -> bool:
    try:
        parse_number(text)
    except QuantityError:
        return False
    return True


_BOTH_WAYS = re.compile(r"(.+?)\s*(?:\+/-|\+-|\u00b1)\s*([^+-].*)")


def taken_apart(text: str) -> tuple[str, str, str] | None:
    """Nominal, lower and upper limit of a size with its tolerance; None for any other text.

    >>> taken_apart("6 mm +/- 2 um")
    ('6 mm', '-2 um', '+2 um')
    """
    both = _BOTH_WAYS.fullmatch(tidy(text))
    if both is None:
        return None
    nominal, half = both.groups()
    try:
        parse_quantity(nominal, Dimension.LENGTH)
        parse_quantity(half, Dimension.LENGTH)
    except QuantityError:
        return None
    return nominal, f"-{half}", f"+{half}"


def nominal(text: str, said: Said, known: Known) -> str:
    """A size, without its tolerance."""
    if (parts := taken_apart(text)) is not None:
        size, lower, upper = parts
        raise _wrong(text, f"the nominal alone, {size}", f"its limits have places of their own: {lower} and {upper}")
    return quantity(Dimension.LENGTH, above_zero=True)(text, said, known)


def um(text: str | None) -> float | None:
    """A length that was checked [um]; None where there is none."""
    return parse_quantity(text, Dimension.LENGTH).value if text and text != NONE else None


_OF_INCHES = frozenset({"in", '"', "uin", "µin", "μin", "thou"})


def units_of(said: Said) -> str:
    """`in` where the nominal was given in inches, else `mm`."""
    return "in" if parse_quantity(said["nominal"], Dimension.LENGTH).unit in _OF_INCHES else "mm"


def limit(text: str, said: Said, known: Known) -> str:
    """A limit as a deviation from the nominal, or none."""
    if text.strip().lower() == NONE:
        return NONE
    kept = quantity(Dimension.LENGTH)(text, said, known)
    value, nominal = um(kept), um(said.get("nominal"))
    if value is not None and nominal is not None and like_a_size(value, nominal):
        less = small(value - nominal, units_of(said))
        raise _wrong(text, "a deviation from the nominal, such as -3 um", f"take the nominal off it: {less}")
    return kept


def upper_limit(text: str, said: Said, known: Known) -> str:
    """A limit that is not below the lower one."""
    kept = limit(text, said, known)
    low, high = um(said.get("lower")), um(kept)
    if low is None or high is None or high > low:
        return kept
    if high < low:
        raise _wrong(text, f"a limit that is not below the lower one, {said['lower']}", "check the sign of both")
    meant = f"was -{tidy(said['lower']).lstrip('+ ')} meant for the lower one?" if low > 0.0 else "check both"
    raise _wrong(text, f"a limit that is not the lower one again, {said['lower']}", meant)


def coverage(text: str, said: Said, known: Known) -> str:
    """A coverage factor."""
    del said, known
    number = parse_number(text)
    parse_estimate({"value": "0 um", "expanded": "1 um", "coverage": number}, Dimension.LENGTH)
    return tidy(text)


def uncertainty(role: str) -> Checker:
    """What checks the uncertainty of a block: of one that is only required it is a limit, or nothing."""

    def check(text: str, said: Said, known: Known) -> str:
        if said.get(role) != REQUIRED:
            return quantity(Dimension.LENGTH, from_zero=True)(text, said, known)
        return quantity(Dimension.LENGTH, above_zero=True)(text, said, known) if text.strip() else ""

    return check


def material(text: str, said: Said, known: Known) -> str:
    """A material, as the tables spell it where they have it."""
    kept = words(text, said, known)
    return next((name for name in known.materials if name.lower() == kept.lower()), kept)


def meant_material(name: str, known: Known) -> str | None:
    """The material of the tables that a name is close to."""
    return next(iter(difflib.get_close_matches(name.lower(), known.materials, 1)), None)


def known_material(text: str, said: Said, known: Known) -> str:
    """A material whose expansion is known."""
    kept = material(text, said, known)
    if kept not in known.materials:
        meant = meant_material(kept, known)
        mend = "check the spelling: without its expansion no size can be corrected to 20 °C"
        mend = f"did you mean {meant}? {mend[0].upper()}{mend[1:]}" if meant else mend
        raise _wrong(text, "one of " + ", ".join(known.materials), mend)
    return kept


def reference(text: str, said: Said, known: Known) -> str:
    """The identifier of a block whose expansion is known, or one of the words in its place."""
    name = words(text, said, known)
    if name not in (REQUIRED, DESCRIBED):
        material = _entry(name, known.references).get("material") or "not stated"
        if material not in known.materials:
            mend = "mend its entry (holdzero register add): without it no size can be corrected to 20 °C"
            raise QuantityError(f"{name}, its material {shown(material)}", "one of " + ", ".join(known.materials), mend)
    return name


def comparator(text: str, said: Said, known: Known) -> str:
    """The identifier of a comparator, or the word in its place."""
    name = words(text, said, known)
    if name != DESCRIBED:
        _entry(name, known.comparators)
    return name


def check_standard(text: str, said: Said, known: Known) -> str:
    """The identifier of a block, or one of the words in its place."""
    name = words(text, said, known)
    if name not in (NONE, DESCRIBED):
        _entry(name, known.references)
    return name


def _entry(name: str, entries: Mapping[str, Mapping[str, Any]]) -> Mapping[str, Any]:
    if name not in entries:
        there = "one of " + ", ".join(entries) if entries else "an identifier of the register, which has none of these"
        raise _wrong(name, there, f"add it first (holdzero register add), or say {DESCRIBED}")
    return entries[name]
