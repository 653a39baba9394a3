"""The unit border: text to floats in one documented unit for each dimension, and `Estimate`.

Nothing behind this module knows a unit: lengths are in micrometres, temperatures in degrees
Celsius, temperature differences in kelvins, forces in newtons, times in seconds, expansion
coefficients in 1/K.
"""

from __future__ import annotations

import math
import re
import reprlib
from collections.abc import Mapping, Sequence
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
    "Dimension",
    "Estimate",
    "Number",
    "Part",
    "Quantity",
    "Shape",
    "dof_from_reliability",
    "parse_estimate",
    "parse_quantity",
    "shown",
    "tidy",
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
_LARGEST = 1e12
_NUMBER = re.compile(r"[+-]?\s*(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)", re.ASCII)
_EXPONENT = re.compile(r"[eE][+-]?[0-9]{1,2}(?![0-9])", re.ASCII)


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


def parse_quantity(
    text: str,
    dimension: Dimension,
    *,
    bare_unit: str | None = None,
    division_um: float | None = None,
    exponent: bool = True,
) -> Quantity:
    """Read a number and its unit: all of the text, or nothing.

    Args:
        text: as typed or received; decimal point or comma, plain or typographic minus, micro
            sign or Greek mu.
        dimension: what is asked for.
        bare_unit: the unit of a number that comes without one; None if it must have one.
        division_um: what one scale division is worth [um]; None if divisions have no meaning here.
        exponent: whether `1e-6` is a number here.

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
    else:
        raise QuantityError(found, expected, _unit_advice(unit, dimension))
    value = number * factor + offset
    if not abs(value) <= _LARGEST:
        raise QuantityError(found, expected, "the number is too large")
    return Quantity(value=value, text=text.strip(), unit=unit)


_DIVISIONS = frozenset({"div", "divs", "division", "divisions"})


def _unit_advice(unit: str, dimension: Dimension) -> str:
    others = [other.title for other in Dimension if unit in other.spellings and other is not dimension]
    if others:
        return f"{unit} is a unit of {others[0]}; {dimension.one} has one of: {', '.join(dimension.spellings)}"
    return f"{unit!r} is no unit of {dimension.title} here; use one of: {', '.join(dimension.spellings)}"


class Shape(Enum):
    """The distribution that an estimate is given with (JCGM 101:2008, Table 1)."""

    EXACT = "exact"
    NORMAL = "normal"
    RECTANGULAR = "rectangular"
    TRIANGULAR = "triangular"
    ARCSINE = "arcsine"
    TRAPEZOID = "trapezoid"
    CURVILINEAR = "curvilinear trapezoid"


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One summand of an estimate.

    Attributes:
        value: in the inside unit of the estimate.
        standard_uncertainty: same unit.
        dof: degrees of freedom, infinite where the uncertainty itself is taken as known.
        shape: distribution; `halfwidth` and `inner` (same unit) give its width, where it has one.
    """

    value: Number
    standard_uncertainty: Number
    dof: Number = math.inf
    shape: Shape = Shape.NORMAL
    halfwidth: float = 0.0
    inner: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """What is known of a quantity: a value and how well (GUM 4.1, 4.2, 4.3), as a sum of parts.

    Attributes:
        parts: the summands, independent of each other.
        why: where it comes from, for the budget.
    """

    parts: tuple[Part, ...]
    why: str = ""

    @classmethod
    def exact(cls, value: Number, why: str = "") -> Estimate:
        """An estimate without uncertainty, in the unit of `value`."""
        return cls(parts=(Part(value=value, standard_uncertainty=0.0, shape=Shape.EXACT),), why=why)

    @classmethod
    def of(cls, value: Number, standard: Number, *, dof: Number = math.inf, why: str = "") -> Estimate:
        """A normal estimate; `standard` is its standard uncertainty in the unit of `value`."""
        return cls(parts=(Part(value=value, standard_uncertainty=standard, dof=dof),), why=why)

    @classmethod
    def within(cls, value: float, halfwidth: float, why: str = "") -> Estimate:
        """A rectangular estimate: anywhere in value ± halfwidth, same unit (GUM 4.3.7)."""
        part = _bounded(value, halfwidth, Shape.RECTANGULAR, 0.0, math.inf)
        return cls(parts=(part,), why=why)

    @property
    def value(self) -> Number:
        """The estimate itself: the sum of its parts, in their unit."""
        return sum((part.value for part in self.parts), start=0.0)

    @property
    def standard_uncertainty(self) -> Number:
        """The parts' standard uncertainties in quadrature, same unit (GUM 5.1.2)."""
        if len(self.parts) == 1:
            return self.parts[0].standard_uncertainty
        variance: Number = sum((part.standard_uncertainty**2 for part in self.parts), start=0.0)
        root: Number = variance**0.5
        return root

    @property
    def dof(self) -> Number:
        """Effective degrees of freedom of the sum, by Welch–Satterthwaite (GUM G.4.1, eq. G.2b)."""
        if len(self.parts) == 1:
            return self.parts[0].dof
        spread: Number = sum((part.standard_uncertainty**4 / part.dof for part in self.parts), start=0.0)
        square: Number = self.standard_uncertainty**4
        if isinstance(spread, np.ndarray):
            with np.errstate(divide="ignore", invalid="ignore"):
                return np.where(spread > 0.0, square / spread, np.inf)
        return square / spread if spread > 0.0 else math.inf


def dof_from_reliability(reliability: float) -> float:
    """Degrees of freedom of an uncertainty that is itself reliable to a fraction.

    Args:
        reliability: relative uncertainty of the uncertainty [1], for example 0.25.

    Returns:
        Degrees of freedom [1].

    Source: JCGM 100:2008, G.4.2, eq. (G.3).

    >>> dof_from_reliability(0.25)
    8.0
    """
    # Divided twice: a square could underflow to zero; infinite is right there.
    return 0.5 / reliability / reliability


def _bounded(value: float, halfwidth: float, shape: Shape, inner: float, dof: float) -> Part:
    """A part within value ± halfwidth; variances of GUM 4.3.7, 4.3.9 and JCGM 101 Table 1."""
    variances = {
        Shape.RECTANGULAR: halfwidth**2 / 3,
        Shape.TRIANGULAR: halfwidth**2 / 6,
        Shape.ARCSINE: halfwidth**2 / 2,
        # Top of half-width `inner`: a²(1 + β²)/6 with β = inner/a (GUM 4.3.9, eq. 9a).
        Shape.TRAPEZOID: (halfwidth**2 + inner**2) / 6,
        # Limits that are inexact by `inner` themselves (JCGM 101:2008, 6.4.3.2).
        Shape.CURVILINEAR: halfwidth**2 / 3 + inner**2 / 9,
    }
    standard = math.sqrt(variances[shape])
    return Part(value=value, standard_uncertainty=standard, dof=dof, shape=shape, halfwidth=halfwidth, inner=inner)


_KEYS = (
    "value",
    "standard",
    "expanded",
    "coverage",
    "halfwidth",
    "shape",
    "inner",
    "inexact",
    "dof",
    "reliability",
    "why",
)
_SPREADS = ("standard", "expanded", "halfwidth")


def parse_estimate(raw: object, dimension: Dimension, *, about_zero: bool = False) -> Estimate:
    """Read an estimate as a routine writes it.

    Args:
        raw: a quantity (exact); a table with `value` and one of `standard`, `expanded` with
            `coverage`, or `halfwidth` with `shape` (`trapezoid` with `inner`) or `inexact`, and optionally
            `dof` or `reliability` and `why`; or a list of these, which is their sum (a list holds no lists).
        dimension: of the value. Uncertainties of a temperature are temperature differences.
        about_zero: whether `value` may be left out and is then zero, as for an error.

    Returns:
        The estimate, in the inside unit of `dimension`.

    Raises:
        QuantityError: anything else.

    Source: JCGM 100:2008, 4.3.

    >>> parse_estimate({"value": "0 um", "halfwidth": "0.3 um"}, Dimension.LENGTH).standard_uncertainty
    0.1732...
    """
    if isinstance(raw, str):
        return Estimate.exact(parse_quantity(raw, dimension).value)
    if isinstance(raw, Mapping):
        return _from_table({"value": f"0 {dimension.unit}", **raw} if about_zero else raw, dimension, dimension)
    if isinstance(raw, Sequence) and raw and all(isinstance(item, str | Mapping) for item in raw):
        first = parse_estimate(raw[0], dimension, about_zero=about_zero)
        rest = [parse_estimate(item, _spread_of(dimension), about_zero=about_zero) for item in raw[1:]]
        whys = [item.why for item in (first, *rest) if item.why]
        return Estimate(parts=tuple(p for item in (first, *rest) for p in item.parts), why="; ".join(whys))
    raise QuantityError(
        shown(raw),
        f"an estimate of {dimension.one}",
        f'write "{dimension.example}", or {{ value = "{dimension.example}", halfwidth = "…" }}',
    )


def _spread_of(dimension: Dimension) -> Dimension:
    return Dimension.DIFFERENCE if dimension is Dimension.TEMPERATURE else dimension


def _from_table(table: Mapping[object, object], dimension: Dimension, value_in: Dimension) -> Estimate:
    unknown = [str(key) for key in table if key not in _KEYS]
    if unknown:
        raise QuantityError(f"the key {shown(unknown[0])}", "an estimate", "its keys are: " + ", ".join(_KEYS))
    if "value" not in table:
        raise QuantityError("no value", "an estimate", f'add value = "{value_in.example}"')
    value = _length(table["value"], value_in, "value")
    given = [key for key in _SPREADS if key in table]
    if len(given) > 1:
        raise QuantityError(" and ".join(given), "one kind of uncertainty", "keep one of " + ", ".join(_SPREADS))
    _refuse_strays(table, given)
    why = table.get("why", "")
    if not isinstance(why, str):
        raise QuantityError(f"why = {shown(why)}", "a text", "put it in quotation marks")
    if not given:
        return Estimate.exact(value, why=why)
    dof = _dof(table)
    spread = _length(table[given[0]], _spread_of(dimension), given[0])
    if spread < 0.0:
        raise QuantityError(
            f"{given[0]} = {shown(table[given[0]])}", "an uncertainty of zero or more", "drop the minus"
        )
    if given[0] == "standard":
        return Estimate.of(value, spread, dof=dof, why=why)
    if given[0] == "expanded":
        return Estimate.of(value, spread / _coverage(table), dof=dof, why=why)
    part = _with_halfwidth(table, value, spread, _spread_of(dimension), dof)
    return Estimate(parts=(part,), why=why)


def _refuse_strays(table: Mapping[object, object], given: list[str]) -> None:
    """A key that means nothing without its partner would be a silent mistake."""
    partners = {"coverage": "expanded", "shape": "halfwidth", "inner": "halfwidth", "inexact": "halfwidth"}
    for key, partner in partners.items():
        if key in table and partner not in given:
            raise QuantityError(f"{key} without {partner}", "both or neither", f"add {partner}, or drop {key}")
    for key in ("dof", "reliability"):
        if key in table and not given:
            raise QuantityError(f"{key} of an exact value", "an uncertainty beside it", f"drop {key}")


def _length(raw: object, dimension: Dimension, key: str) -> float:
    if not isinstance(raw, str):
        raise QuantityError(f"{key} = {shown(raw)}", f'a text such as "{dimension.example}"', "give the unit")
    return parse_quantity(raw, dimension).value


def _positive(raw: object, key: str, least: float) -> float:
    if isinstance(raw, bool) or not isinstance(raw, int | float) or not least <= raw <= _LARGEST:
        expected = f"a number from {least:g} to {_LARGEST:g}"
        raise QuantityError(f"{key} = {shown(raw)}", expected, "write it without quotation marks")
    return float(raw)


def _coverage(table: Mapping[object, object]) -> float:
    if "coverage" not in table:
        raise QuantityError(
            "expanded without coverage", "the coverage factor k", "add coverage = 2, or what the certificate says"
        )
    return _positive(table["coverage"], "coverage", 1.0)


def _dof(table: Mapping[object, object]) -> float:
    if "dof" in table and "reliability" in table:
        raise QuantityError("dof and reliability", "one of them", "drop one: reliability is turned into dof")
    if "dof" in table:
        return _positive(table["dof"], "dof", 1.0)
    if "reliability" in table:
        raw = table["reliability"]
        if isinstance(raw, bool) or not isinstance(raw, int | float) or not 0.0 < raw <= _LEAST_RELIABLE:
            raise QuantityError(f"reliability = {shown(raw)}", "a fraction above 0, at most 0.7", "write 0.25 for 25 %")
        return dof_from_reliability(float(raw))
    return math.inf


_LEAST_RELIABLE = 0.7  # Above it, eq. (G.3) gives less than one degree of freedom.


def _with_halfwidth(
    table: Mapping[object, object], value: float, halfwidth: float, spread_in: Dimension, dof: float
) -> Part:
    names = [s.value for s in (Shape.RECTANGULAR, Shape.TRIANGULAR, Shape.ARCSINE, Shape.TRAPEZOID)]
    name = table.get("shape", Shape.RECTANGULAR.value)
    if name not in names:
        raise QuantityError(f"shape = {shown(name)}", "one of " + ", ".join(names), "leave it out for rectangular")
    shape = Shape(name)
    inner = 0.0
    if "inexact" in table:
        return _with_inexact_limits(table, value, halfwidth, spread_in, dof)
    if (shape is Shape.TRAPEZOID) != ("inner" in table):
        raise QuantityError(f"shape = {name!r}", "inner with a trapezoid, and only there", "add or drop inner")
    if shape is Shape.TRAPEZOID:
        inner = _length(table["inner"], spread_in, "inner")
        if not 0.0 <= inner <= halfwidth:
            raise QuantityError(
                f"inner = {shown(table['inner'])}", "from zero to halfwidth", "inner is the half-width of the top"
            )
    return _bounded(value, halfwidth, shape, inner, dof)


def _with_inexact_limits(
    table: Mapping[object, object], value: float, halfwidth: float, spread_in: Dimension, dof: float
) -> Part:
    inexact = _length(table["inexact"], spread_in, "inexact")
    if not 0.0 <= inexact <= halfwidth:
        mend = "inexact is by how much the limits themselves may be off"
        raise QuantityError(f"inexact = {shown(table['inexact'])}", "from zero to halfwidth", mend)
    if "shape" in table or "inner" in table or dof != math.inf:
        found = "inexact with shape, inner, dof or reliability"
        raise QuantityError(found, "inexact alone", "inexact limits have a shape of their own; drop the other")
    return _bounded(value, halfwidth, Shape.CURVILINEAR, inexact, dof)
