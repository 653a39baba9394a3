"""The kinds of values that a routine's keys can have: quantities, estimates, days, names.

Each reads a text at the unit border and says in three parts what is wrong with it.
"""

from __future__ import annotations

import datetime as dt
import re
from enum import StrEnum
from typing import Annotated, Literal, TypeAlias

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints, WithJsonSchema
from pydantic_core import PydanticCustomError

from holdzero.errors import QuantityError
from holdzero.estimate import Estimate, parse_estimate
from holdzero.quantity import Dimension, parse_quantity, shown
from holdzero.routine import forms

__all__ = [
    "AngleError",
    "ComplianceEstimate",
    "Day",
    "ExpansionEstimate",
    "Force",
    "ForceEstimate",
    "ForceOrNone",
    "Format",
    "Length",
    "LengthError",
    "LengthEstimate",
    "Model",
    "Name",
    "Positive",
    "Size",
    "Temperature",
    "TemperatureDifference",
    "TemperatureDifferenceEstimate",
    "TemperatureError",
    "TemperatureEstimate",
    "Text",
    "Time",
    "refuse",
    "words",
]


def refuse(found: str, expected: str, mend: str) -> PydanticCustomError:
    """The error that a validator raises so that its three parts reach the author whole."""
    return PydanticCustomError("holdzero", "{found}", {"found": found, "expected": expected, "mend": mend})


def _quantity(dimension: Dimension, sign: forms.Sign = forms.Sign.ANY) -> BeforeValidator:
    def read(raw: object) -> float:
        if not isinstance(raw, str):
            expected = f'{dimension.one} such as "{dimension.example}"'
            raise refuse(shown(raw), expected, "write it with its unit, in quotation marks")
        try:
            value = parse_quantity(raw, dimension).value
        except QuantityError as error:
            raise refuse(error.found, error.expected, error.mend) from None
        if (sign is forms.Sign.ABOVE and value <= 0.0) or (sign is forms.Sign.SPREAD and value < 0.0):
            raise refuse(shown(raw), dimension.one + sign.value, "check sign and number")
        return value

    return BeforeValidator(read)


def _estimate(dimension: Dimension, *, about_zero: bool = False) -> BeforeValidator:
    def read(raw: object) -> Estimate:
        try:
            return parse_estimate(raw, dimension, about_zero=about_zero)
        except QuantityError as error:
            raise refuse(error.found, error.expected, error.mend) from None

    return BeforeValidator(read)


def _format(raw: object) -> object:
    # True and 1.0 equal 1, and are no format.
    if type(raw) is not int or raw != 1:
        raise refuse(shown(raw), "format = 1", "this version of holdzero reads format 1")
    return raw


def _day(raw: object) -> object:
    # A number or a text of digits would be taken as seconds since 1970.
    if raw is None or type(raw) is dt.date or (isinstance(raw, str) and _DAY.fullmatch(raw)):
        return raw
    raise refuse(shown(raw), "a day such as 2027-05-31", "write year, month and day, without a time")


def _name(raw: str) -> str:
    if raw != raw.strip() or not raw.isprintable():
        raise refuse(shown(raw), "a name without blanks around it", "drop blanks and invisible signs")
    return raw


_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")

Format: TypeAlias = Annotated[Literal[1], BeforeValidator(_format, json_schema_input_type=Literal[1])]
Day: TypeAlias = Annotated[dt.date, BeforeValidator(_day), WithJsonSchema(forms.DAY)]
Name: TypeAlias = Annotated[
    str, StringConstraints(min_length=1, max_length=200), AfterValidator(_name), WithJsonSchema(forms.NAME)
]


def _kind(words: str) -> WithJsonSchema:
    """What a value is, for key tables and editors."""
    return WithJsonSchema(forms.FORMS[words])


def words(title: str, core: type[StrEnum]) -> WithJsonSchema:
    """A word of the core's own or a plugin's name, for key tables and editors."""
    return WithJsonSchema({"title": title, "type": "string", "examples": list(core)})


Text: TypeAlias = Annotated[
    str, StringConstraints(strip_whitespace=True, min_length=1, max_length=2000), WithJsonSchema(forms.TEXT)
]
Positive: TypeAlias = Annotated[int, Field(strict=True, ge=1, le=1000)]
Length: TypeAlias = Annotated[float, _quantity(Dimension.LENGTH), _kind("length")]
Size: TypeAlias = Annotated[float, _quantity(Dimension.LENGTH, forms.Sign.ABOVE), _kind("length above zero")]
Force: TypeAlias = Annotated[float, _quantity(Dimension.FORCE, forms.Sign.ABOVE), _kind("force above zero")]
ForceOrNone: TypeAlias = Annotated[float, _quantity(Dimension.FORCE, forms.Sign.SPREAD), _kind("force, zero or more")]
Time: TypeAlias = Annotated[float, _quantity(Dimension.TIME, forms.Sign.ABOVE), _kind("time above zero")]
Temperature: TypeAlias = Annotated[float, _quantity(Dimension.TEMPERATURE), _kind("temperature")]
TemperatureDifference: TypeAlias = Annotated[
    float,
    _quantity(Dimension.DIFFERENCE, forms.Sign.ABOVE),
    _kind("temperature difference above zero"),
]
LengthEstimate: TypeAlias = Annotated[Estimate, _estimate(Dimension.LENGTH), _kind("estimate of a length")]
LengthError: TypeAlias = Annotated[
    Estimate, _estimate(Dimension.LENGTH, about_zero=True), _kind("estimate of a length, about zero")
]
TemperatureError: TypeAlias = Annotated[
    Estimate,
    _estimate(Dimension.DIFFERENCE, about_zero=True),
    _kind("estimate of a temperature difference, about zero"),
]
AngleError: TypeAlias = Annotated[
    Estimate, _estimate(Dimension.ANGLE, about_zero=True), _kind("estimate of an angle, about zero")
]
ComplianceEstimate: TypeAlias = Annotated[Estimate, _estimate(Dimension.COMPLIANCE), _kind("estimate of a compliance")]
ForceEstimate: TypeAlias = Annotated[Estimate, _estimate(Dimension.FORCE), _kind("estimate of a force")]
TemperatureEstimate: TypeAlias = Annotated[
    Estimate, _estimate(Dimension.TEMPERATURE), _kind("estimate of a temperature")
]
TemperatureDifferenceEstimate: TypeAlias = Annotated[
    Estimate, _estimate(Dimension.DIFFERENCE), _kind("estimate of a temperature difference")
]
ExpansionEstimate: TypeAlias = Annotated[
    Estimate, _estimate(Dimension.EXPANSION), _kind("estimate of an expansion coefficient")
]


class Model(BaseModel):
    """A table of the routine: frozen, and closed to keys that it does not know."""

    # Built when it is first used: most checks of a start are not named by the routine that is run.
    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True, defer_build=True)
