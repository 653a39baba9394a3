"""What is known of a quantity: `Estimate`, and how a routine writes it.

The border of `quantity.py` reads the numbers; here they become values with uncertainties.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np

from holdzero.errors import QuantityError
from holdzero.quantity import LARGEST, Dimension, Number, parse_quantity, shown

__all__ = ["KEYS", "Estimate", "Part", "Shape", "dof_from_reliability", "parse_estimate"]


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


KEYS = (
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
    unknown = [str(key) for key in table if key not in KEYS]
    if unknown:
        raise QuantityError(f"the key {shown(unknown[0])}", "an estimate", "its keys are: " + ", ".join(KEYS))
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
    if isinstance(raw, bool) or not isinstance(raw, int | float) or not least <= raw <= LARGEST:
        expected = f"a number from {least:g} to {LARGEST:g}"
        raise QuantityError(f"{key} = {shown(raw)}", expected, "write it without quotation marks")
    return float(raw)


def _coverage(table: Mapping[object, object]) -> float:
    if "coverage" not in table:
        raise QuantityError(
            "expanded without coverage", "the coverage factor k", "add coverage = 2, or what the certificate says"
        )
    raw = table["coverage"]
    if isinstance(raw, float) and 0.0 < raw < 1.0:
        found, mend = f"coverage = {shown(raw)}", "a probability? Write the factor that goes with it: 2 for 95 %"
        raise QuantityError(found, "a number from 1: the coverage factor k", mend)
    return _positive(raw, "coverage", 1.0)


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
