"""The unit border: text to floats in one documented unit for each dimension.

Nothing behind this module knows a unit: lengths are in micrometres, temperatures in degrees
Celsius, temperature differences in kelvins, forces in newtons, times in seconds, expansion
coefficients in 1/K.
"""

from __future__ import annotations

import re
import reprlib
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from functools import cache
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import NDArray

from holdzero.errors import QuantityError

if TYPE_CHECKING:
    import pint

__all__ = [
    "LARGEST",
    "Dimension",
    "Number",
    "Quantity",
    "Written",
    "parse_number",
    "parse_quantity",
    "shown",
    "tidy",
    "written",
]

Number: TypeAlias = float | NDArray[np.float64]
"""A number; an array has one entry a run of a rehearsal."""


class Dimension(Enum):
    """A dimension, the unit that it has inside, and the spellings accepted at the border."""

    LENGTH = ("length", "um", ("nm", "um", "µm", "μm", "mm", "cm", "m", "in", '"', "uin", "µin", "μin", "thou"))
    TEMPERATURE = ("temperature", "degC", ("degC", "°C", "C", "degF", "°F", "F"))
    DIFFERENCE = ("temperature difference", "K", ("K", "mK", "degC", "°C", "degF", "°F"))
    FORCE = ("force", "N", ("N", "mN", "gf", "lbf", "ozf"))
    TIME = ("time", "s", ("s", "min", "h", "d"))
    EXPANSION = ("expansion coefficient", "1/K", ("1/K", "/K", "1/degC", "/degC", "1/°C", "/°C", "um/m/K", "1/degF"))
    ANGLE = ("angle", "rad", ("rad", "mrad", "deg", "°", "arcmin", "arcsec"))
    COMPLIANCE = ("compliance", "um/N", ("um/N", "µm/N", "μm/N", "nm/N"))

    def __init__(self, title: str, unit: str, spellings: tuple[str, ...]) -> None:
        self.title = title
        self.unit = unit
        self.spellings = spellings

    @property
    def one(self) -> str:
        """Its title with the article: `a length`, `an angle`."""
        return f"{'an' if self.title[0] in 'aeiou' else 'a'} {self.title}"

    @property
    def example(self) -> str:
        """One quantity that would be accepted."""
        return _EXAMPLES[self]


_EXAMPLES = {
    Dimension.LENGTH: "1.5 um",
    Dimension.TEMPERATURE: "20.3 degC",
    Dimension.DIFFERENCE: "0.2 K",
    Dimension.FORCE: "0.8 N",
    Dimension.TIME: "20 min",
    Dimension.EXPANSION: "11.5e-6 1/K",
    Dimension.ANGLE: "2 deg",
    Dimension.COMPLIANCE: "0.24 um/N",
}

# Only these units exist at the border, so that no spelling can mean another unit than the trade's
# (in a general list "mil" is an angle). The inch is 25.4 mm exactly: ISO 1 uses it, and BIPM SI
# Brochure, 9th edition, leaves it to national law since 1959. The pound-force and the
# kilogram-force use the standard acceleration 9.80665 m/s² (CGPM 1901).
_DEFINITIONS = (
    "micrometer = [length] = um = µm = μm",
    "nanometer = 1e-3 * micrometer = nm",
    "millimeter = 1e3 * micrometer = mm",
    "centimeter = 1e4 * micrometer = cm",
    "meter = 1e6 * micrometer = m",
    "inch = 25400 * micrometer = in",
    "microinch = 0.0254 * micrometer = uin = µin = μin",
    "thou = 25.4 * micrometer",
    "kelvin = [temperature]; offset: 0 = K",
    "millikelvin = 1e-3 * kelvin = mK",
    "degree_Celsius = kelvin; offset: 273.15 = degC",
    "degree_Fahrenheit = 5 / 9 * kelvin; offset: 233.15 + 200 / 9 = degF",
    "newton = [force] = N",
    "millinewton = 1e-3 * newton = mN",
    "gram_force = 0.00980665 * newton = gf",
    "pound_force = 4.4482216152605 * newton = lbf",
    "ounce_force = pound_force / 16 = ozf",
    "second = [time] = s",
    "minute = 60 * second = min",
    "hour = 3600 * second = h",
    "day = 86400 * second = d",
    "radian = [angle] = rad",
    "milliradian = 1e-3 * radian = mrad",
    "degree = 0.017453292519943295 * radian = deg = °",
    "arcminute = degree / 60 = arcmin",
    "arcsecond = degree / 3600 = arcsec",
)

_SPELLED = {
    '"': "inch",
    "°C": "degC",
    "C": "degC",
    "°F": "degF",
    "F": "degF",
    "/K": "1/K",
    "1/degC": "1/K",
    "/degC": "1/K",
    "1/°C": "1/K",
    "/°C": "1/K",
    "um/m/K": "1e-6/K",
}

# Signs and blanks that keyboards, documents and copies put in place of the plain ones.
_PLAIN = str.maketrans({"\u2212": "-", "\u2013": "-", "\u00a0": " ", "\u2009": " ", "\u202f": " "})
_LONGEST = 60
# In any inside unit: a million metres, thirty thousand years. What is beyond is a slip of the exponent,
# and would overflow where variances are squared.
LARGEST = 1e12
_NUMBER = re.compile(r"[+-]?\s*(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)", re.ASCII)
_EXPONENT = re.compile(r"[eE][+-]?[0-9]{1,2}(?![0-9])", re.ASCII)
_BEYOND = re.compile(r"[eE][+-]?[0-9]{3,}", re.ASCII)


_LINE = 80
_TOO_LONG_TO_SHOW = 10**40


class _Short(reprlib.Repr):
    """Python's own short form, with longer texts and without its limit on long whole numbers."""

    def __init__(self) -> None:
        super().__init__()
        self.maxstring = self.maxother = 2 * _LINE
        self.maxdict = self.maxlist = 10

    def repr_int(self, x: int, level: int) -> str:
        del level
        return repr(x) if abs(x) < _TOO_LONG_TO_SHOW else "a whole number of very many digits"


_SHORT = _Short()


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """A quantity as it was written and as it is used.

    Attributes:
        value: the number, in the inside unit of its dimension.
        text: the text as written, without blanks around it.
        unit: the unit as written; empty where a bare number was allowed.
    """

    value: float
    text: str
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """A number as it was written.

    Attributes:
        number: in the unit that stands behind it.
        decimals: digits behind the point or comma.
        zeros: how many noughts it ends in.
        rest: what stands behind it: the unit, or nothing.
    """

    number: float
    decimals: int
    zeros: int
    rest: str


@cache
def _registry() -> pint.UnitRegistry[float]:
    import pint

    registry: pint.UnitRegistry[float] = pint.UnitRegistry(None, on_redefinition="raise")
    registry.load_definitions(list(_DEFINITIONS))
    return registry


@cache
def _line(dimension: Dimension, spelling: str) -> tuple[float, float]:
    """Factor and offset that take a number in `spelling` to the inside unit of `dimension`."""
    ureg = _registry()
    unit = _SPELLED.get(spelling, spelling)
    if dimension is Dimension.EXPANSION:
        number, _, per = unit.partition("/")
        return float(number) / _interval(per), 0.0
    if dimension is Dimension.DIFFERENCE:
        return _interval(unit), 0.0
    if dimension is Dimension.TEMPERATURE:
        zero = 0.0 if unit == "degC" else float(ureg.Quantity(0.0, unit).to("degC").magnitude)
        return _interval(unit), zero
    return float(ureg.Quantity(1.0, unit).to(dimension.unit).magnitude), 0.0


def _interval(unit: str) -> float:
    """What a difference of one `unit` of temperature is worth [K]."""
    names = {"degC": "delta_degree_Celsius", "degF": "delta_degree_Fahrenheit"}
    return float(_registry().Quantity(1.0, names.get(unit, unit)).to("kelvin").magnitude)


def tidy(text: str) -> str:
    """The text with plain signs and blanks, nothing around it: what a parser sees.

    >>> tidy(" \u22121.5\u00a0um ")
    '-1.5 um'
    """
    return text.translate(_PLAIN).strip()


def shown(raw: object) -> str:
    """A value as messages show it: one line, not too long, whatever it is.

    >>> shown({"value": "1 um"})
    "{'value': '1 um'}"
    """
    text = _SHORT.repr(raw)
    return text if len(text) <= _LINE else text[: _LINE - 1] + "…"


def _number(text: str, *, exponent: bool) -> tuple[float, str] | None:
    """The number at the start of `text`, and what is left; the one place where text becomes a float."""
    match = _NUMBER.match(text)
    if match is None:
        return None
    digits, rest = re.sub(r"\s", "", match.group()), text[match.end() :]
    if exponent and (power := _EXPONENT.match(rest)):
        digits, rest = digits + power.group(), rest[power.end() :]
    return float(digits.replace(",", ".")), rest.strip()


def written(text: str) -> Written | None:
    """The number at the start of a text, whatever stands behind it; None where there is none.

    >>> written("-0,050 mm")
    Written(number=-0.05, decimals=3, zeros=1, rest='mm')
    """
    whole = tidy(text)
    match = _NUMBER.match(whole)
    if match is None:
        return None
    digits = re.sub(r"\s", "", match.group()).replace(",", ".")
    plain = digits.replace(".", "").lstrip("+-")
    zeros = len(plain) - len(plain.rstrip("0"))
    decimals, rest = len(digits.partition(".")[2]), whole[match.end() :].strip()
    return Written(number=float(digits), decimals=decimals, zeros=zeros, rest=rest)


def parse_number(text: str) -> float:
    """A bare number [any unit, or 1]: all of the text, or nothing.

    Raises:
        QuantityError: the text is anything else.

    Source: the same grammar of numbers as `parse_quantity`.

    >>> parse_number("45,5")
    45.5
    """
    plain = tidy(text)
    read = _number(plain, exponent=True) if len(plain) <= _LONGEST else None
    if read is None or read[1] or not abs(read[0]) <= LARGEST:
        raise QuantityError(shown(text[:_LONGEST]), "a number such as 45.5", "write a number and nothing else")
    return read[0]


def parse_quantity(
    text: str,
    dimension: Dimension,
    *,
    bare_unit: str | None = None,
    division_um: float | None = None,
    exponent: bool = True,
    further: Mapping[str, float] | None = None,
) -> Quantity:
    """Read a number and its unit: all of the text, or nothing.

    Args:
        text: as typed or received; decimal point or comma, plain or typographic minus, micro
            sign or Greek mu.
        dimension: what is asked for.
        bare_unit: the unit of a number that comes without one; None if it must have one.
        division_um: what one scale division is worth [um]; None if divisions have no meaning here.
        exponent: whether `1e-6` is a number here.
        further: what one of each further unit is worth, in the inside unit of `dimension`.

    Returns:
        The quantity, its value in the inside unit of `dimension`.

    Raises:
        QuantityError: the text is anything else. No part of it is used.

    Source: inch of 25.4 mm, international yard and pound agreement of 1959 (from memory).

    >>> parse_quantity("-0,00002 in", Dimension.LENGTH).value
    -0.508
    >>> parse_quantity("20 µin", Dimension.LENGTH).value
    0.508
    """
    plain = tidy(text)
    expected = f"{dimension.one} such as {dimension.example}"
    found = repr(text if len(text) <= _LONGEST else text[:_LONGEST] + "…")
    read = _number(plain, exponent=exponent) if len(plain) <= _LONGEST else None
    if read is None:
        raise QuantityError(found, expected, "write a number and its unit")
    number, unit = read
    if exponent and (power := _BEYOND.match(unit)):
        mend = f"{power.group()} is beyond any quantity here: a power of ten has two digits at most"
        raise QuantityError(found, expected, mend)
    if not unit:
        if bare_unit is None:
            raise QuantityError(found, expected, "add the unit: " + ", ".join(dimension.spellings))
        unit = bare_unit
    if unit in _DIVISIONS and dimension is Dimension.LENGTH:
        if division_um is None:
            raise QuantityError(found, expected, "say what one division is worth: comparator.division")
        factor, offset = division_um, 0.0
    elif unit in dimension.spellings:
        factor, offset = _line(dimension, unit)
    elif further and unit in further:
        factor, offset = further[unit], 0.0
    else:
        raise QuantityError(found, expected, _unit_advice(unit, dimension))
    value = number * factor + offset
    if not abs(value) <= LARGEST:
        raise QuantityError(found, expected, "the number is too large")
    return Quantity(value=value, text=text.strip(), unit=unit)


_DIVISIONS = frozenset({"div", "divs", "division", "divisions"})


def _unit_advice(unit: str, dimension: Dimension) -> str:
    others = [other.title for other in Dimension if unit in other.spellings and other is not dimension]
    if others:
        return f"{unit} is a unit of {others[0]}; {dimension.one} has one of: {', '.join(dimension.spellings)}"
    return f"{unit!r} is no unit of {dimension.title} here; use one of: {', '.join(dimension.spellings)}"
