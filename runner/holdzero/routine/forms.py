"""What a value looks like as it is written in a routine, as JSON Schema: quantities, estimates, days, names.

The same language as `quantity.py` and `estimate.py` read, said as patterns and closed tables; what only arithmetic
can tell (which of two is larger) is not in it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from enum import Enum
from functools import cache
from typing import Any, TypeAlias

from holdzero.estimate import Shape
from holdzero.quantity import LARGEST, Dimension

__all__ = ["DAY", "FORMS", "NAME", "PLACES", "TEXT", "JsonSchema", "Sign", "estimate", "quantity", "slug"]

JsonSchema: TypeAlias = dict[str, Any]
"""A schema, or a keyword's part of one, as plain data."""


class Sign(Enum):
    """Which numbers a quantity may have."""

    ANY = ""
    ABOVE = " above zero"
    SPREAD = ", zero or more"


# Patterns keep to what every dialect of regular expressions has: no look-ahead, no class whose members differ from
# one to the other. Blanks are named one by one: those around a text are the ones that Python's `strip` drops.
_AROUND = r"\t-\r\u001c-\u0020\u0085\u00a0\u1680\u2000-\u200a\u2028\u2029\u202f\u205f\u3000"
_INSIDE = r"[\t-\r\u0020\u00a0\u2009\u202f]*"
_MINUS = r"[\-\u2212\u2013]"
_SIGN = r"[+\-\u2212\u2013]?"
_EXPONENT = rf"(?:[eE]{_SIGN}[0-9]{{1,2}})?"
_ANY = r"(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)"
_ABOVE = r"(?:0*[1-9][0-9]*(?:[.,][0-9]*)?|0*[.,]0*[1-9][0-9]*)"
_ZERO = r"(?:0+(?:[.,]0*)?|[.,]0+)"
_NUMBERS = {
    Sign.ANY: f"{_SIGN}{_INSIDE}{_ANY}",
    Sign.ABOVE: rf"\+?{_INSIDE}{_ABOVE}",
    Sign.SPREAD: rf"(?:\+?{_INSIDE}{_ANY}|{_MINUS}{_INSIDE}{_ZERO})",
}

TEXT: JsonSchema = {
    "title": "text",
    "type": "string",
    "minLength": 1,
    "maxLength": 2000,
    "pattern": f"[^{_AROUND}]",
}
NAME: JsonSchema = {
    "type": "string",
    "minLength": 1,
    "maxLength": 200,
    "pattern": f"^[^{_AROUND}](?:.*[^{_AROUND}])?$",
}
DAY: JsonSchema = {
    "title": "date",
    "type": "string",
    "pattern": "^[0-9]{4}-(?:0[1-9]|1[0-2])-(?:0[1-9]|[12][0-9]|3[01])$",
    "examples": ["2027-05-31"],
}
PLACES: JsonSchema = {
    "title": "text, or list",
    "type": ["string", "array"],
    "pattern": TEXT["pattern"],
    "items": TEXT,
    "minItems": 1,
    "uniqueItems": True,
}


def _pattern(dimension: Dimension, sign: Sign) -> str:
    """Of a number and a unit. A unit that begins with a digit needs a blank before it, or the digit is the number's."""
    units = [re.escape(unit) for unit in dimension.spellings]
    behind = [f"[{_AROUND}]*(?:{'|'.join(unit for unit in units if not unit[0].isdigit())})"]
    if digits := [unit for unit in units if unit[0].isdigit()]:
        behind.append(f"[{_AROUND}]+(?:{'|'.join(digits)})")
    return f"^[{_AROUND}]*{_NUMBERS[sign]}{_EXPONENT}(?:{'|'.join(behind)})[{_AROUND}]*$"


@cache
def quantity(dimension: Dimension, sign: Sign = Sign.ANY) -> JsonSchema:
    """A number with its unit, in quotation marks."""
    return {
        "title": dimension.title + sign.value,
        "description": f"A number and its unit, one of {', '.join(dimension.spellings)}.",
        "type": "string",
        "pattern": _pattern(dimension, sign),
        "examples": [dimension.example],
    }


_SPREADS = ("standard", "expanded", "halfwidth")
_SHAPES = [shape.value for shape in (Shape.RECTANGULAR, Shape.TRIANGULAR, Shape.ARCSINE, Shape.TRAPEZOID)]


def _keys(dimension: Dimension, *, about_zero: bool) -> JsonSchema:
    """The keys of an estimate's table, what each means and can be."""
    spread = quantity(_spread_of(dimension), Sign.SPREAD)
    number = {"type": "number", "minimum": 1, "maximum": LARGEST}
    value = "The value itself; zero where left out." if about_zero else "The value itself."
    keys: dict[str, tuple[JsonSchema, str]] = {
        "value": (quantity(dimension), value),
        "standard": (spread, "Standard uncertainty; or `expanded` or `halfwidth`."),
        "expanded": (spread, "Expanded uncertainty, with `coverage`."),
        "coverage": (number, "Coverage factor of `expanded`."),
        "halfwidth": (spread, "Half the width of the range, with `shape`."),
        "shape": ({"type": "string", "enum": _SHAPES}, "How it lies in the range; `rectangular` where left out."),
        "inner": (spread, "Half the width of the top of a trapezoid."),
        "inexact": (spread, "By how much the ends of the range may be off themselves."),
        "dof": (number, "Degrees of freedom; or `reliability`."),
        "reliability": (
            {"type": "number", "exclusiveMinimum": 0, "maximum": 0.7},
            "Relative uncertainty of the uncertainty, for example 0.25.",
        ),
        "why": ({"type": "string"}, "Where it comes from."),
    }
    return {key: {**form, "description": words} for key, (form, words) in keys.items()}


def _spread_of(dimension: Dimension) -> Dimension:
    return Dimension.DIFFERENCE if dimension is Dimension.TEMPERATURE else dimension


def _without(*keys: str) -> JsonSchema:
    return {"properties": dict.fromkeys(keys, False)}


def _beside_a_spread(*without: str) -> JsonSchema:
    return {"anyOf": [{"required": [key]} for key in _SPREADS], **_without(*without)}


def _table(dimension: Dimension, *, about_zero: bool) -> JsonSchema:
    """A table of an estimate, closed; which keys need each other, and which can't stand together."""
    return {
        "properties": _keys(dimension, about_zero=about_zero),
        **({} if about_zero else {"required": ["value"]}),
        "additionalProperties": False,
        "dependentRequired": {
            "expanded": ["coverage"],
            "coverage": ["expanded"],
            "shape": ["halfwidth"],
            "inner": ["halfwidth", "shape"],
            "inexact": ["halfwidth"],
        },
        "dependentSchemas": {
            "standard": _without("expanded", "halfwidth"),
            "expanded": _without("halfwidth"),
            "inner": {"properties": {"shape": {"enum": [Shape.TRAPEZOID.value]}}},
            "inexact": _without("shape", "inner", "dof", "reliability"),
            "dof": _beside_a_spread("reliability"),
            "reliability": _beside_a_spread(),
        },
        "if": {"properties": {"shape": {"const": Shape.TRAPEZOID.value}}, "required": ["shape"]},
        "then": {"required": ["inner"]},
    }


def _summand(dimension: Dimension, *, about_zero: bool) -> JsonSchema:
    """A quantity that is exact, or a table."""
    return {
        "title": "summand, " + _titled(dimension, about_zero=about_zero),
        "type": ["string", "object"],
        "pattern": quantity(dimension)["pattern"],
        **_table(dimension, about_zero=about_zero),
    }


def _titled(dimension: Dimension, *, about_zero: bool) -> str:
    return f"estimate of {dimension.one}" + (", about zero" if about_zero else "")


def estimate(dimension: Dimension, *, about_zero: bool = False) -> JsonSchema:
    """A quantity, a table that says how well it is known, or a list of these.

    Its keywords for texts, tables and lists stand side by side, since each looks at its own kind of value alone: so
    a refusal names the key that is wrong, and not that none of three forms fits.
    """
    first, spread = _summand(dimension, about_zero=about_zero), _spread_of(dimension)
    rest = _summand(spread, about_zero=about_zero)
    items = {"items": first} if spread is dimension else {"prefixItems": [first], "items": rest}
    return {
        **first,
        "title": _titled(dimension, about_zero=about_zero),
        "description": "A quantity that is exact; a table of value and uncertainty; or a list of these, their sum.",
        "type": ["string", "object", "array"],
        "minItems": 1,
        **items,
        "examples": [dimension.example],
    }


def slug(title: str) -> str:
    """A title as the name of a definition."""
    return re.sub(r"[^a-z0-9]+", "_", title.lower())


def _of(dimension: Dimension) -> Iterator[JsonSchema]:
    yield from (quantity(dimension, sign) for sign in Sign)
    for about_zero in (False, True):
        yield _summand(dimension, about_zero=about_zero)
        yield estimate(dimension, about_zero=about_zero)


FORMS: dict[str, JsonSchema] = {
    form["title"]: form for form in (TEXT, DAY, PLACES, *(form for dimension in Dimension for form in _of(dimension)))
}
"""All that have a name of their own, by their titles."""
