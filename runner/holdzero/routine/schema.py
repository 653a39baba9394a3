"""The routine file as typed models: what each key means, in which unit it is kept.

These models know the file and nothing of its text, its place on disk or the run.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator
from enum import StrEnum
from typing import Annotated, Any, Literal, Self, TypeAlias

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Discriminator,
    Field,
    StringConstraints,
    Tag,
    WithJsonSchema,
    model_validator,
)
from pydantic_core import PydanticCustomError

from holdzero.decide import DecisionRule, Rule
from holdzero.errors import QuantityError
from holdzero.quantity import Dimension, Estimate, parse_estimate, parse_quantity, shown

__all__ = [
    "AngleError",
    "Bracket",
    "Characteristic",
    "Check",
    "CheckStandard",
    "Comparator",
    "Compare",
    "ComplianceEstimate",
    "Day",
    "Decision",
    "ExpansionEstimate",
    "Force",
    "ForceEstimate",
    "Format",
    "Header",
    "Length",
    "LengthError",
    "LengthEstimate",
    "Measure",
    "Model",
    "Name",
    "PartMaterial",
    "Positive",
    "Prepare",
    "Read",
    "Reference",
    "Repeat",
    "RequiredComparator",
    "RequiredReference",
    "RequiredThermometer",
    "Return",
    "Routine",
    "Selection",
    "Size",
    "Soak",
    "Step",
    "Temperature",
    "TemperatureDifference",
    "TemperatureDifferenceEstimate",
    "TemperatureError",
    "TemperatureEstimate",
    "TemperatureStep",
    "Term",
    "Text",
    "Thermometer",
    "Time",
    "Tip",
    "Zero",
    "refuse",
    "walk",
]


def refuse(found: str, expected: str, mend: str) -> PydanticCustomError:
    """The error that a validator raises so that its three parts reach the author whole."""
    return PydanticCustomError("holdzero", "{found}", {"found": found, "expected": expected, "mend": mend})


def _quantity(dimension: Dimension, *, positive: bool = False) -> BeforeValidator:
    def read(raw: object) -> float:
        if not isinstance(raw, str):
            expected = f'{dimension.one} such as "{dimension.example}"'
            raise refuse(shown(raw), expected, "write it with its unit, in quotation marks")
        try:
            value = parse_quantity(raw, dimension).value
        except QuantityError as error:
            raise refuse(error.found, error.expected, error.mend) from None
        if positive and value <= 0.0:
            raise refuse(shown(raw), f"{dimension.one} above zero", "check sign and number")
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

Format: TypeAlias = Annotated[Literal[1], BeforeValidator(_format)]
Day: TypeAlias = Annotated[dt.date, BeforeValidator(_day)]
Name: TypeAlias = Annotated[str, StringConstraints(min_length=1, max_length=200), AfterValidator(_name)]


def _kind(dimension: Dimension, words: str) -> WithJsonSchema:
    """What a value is, for key tables and editors."""
    if words.startswith("estimate"):
        anyway = {"type": "object", "description": "value with standard, expanded or halfwidth"}
        forms = [{"type": "string"}, anyway, {"type": "array"}]
        return WithJsonSchema({"title": words, "anyOf": forms, "examples": [dimension.example]})
    return WithJsonSchema({"title": words, "type": "string", "examples": [dimension.example]})


Text: TypeAlias = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=2000)]
Positive: TypeAlias = Annotated[int, Field(strict=True, ge=1, le=1000)]
Length: TypeAlias = Annotated[float, _quantity(Dimension.LENGTH), _kind(Dimension.LENGTH, "length")]
Size: TypeAlias = Annotated[
    float, _quantity(Dimension.LENGTH, positive=True), _kind(Dimension.LENGTH, "length above zero")
]
Force: TypeAlias = Annotated[
    float, _quantity(Dimension.FORCE, positive=True), _kind(Dimension.FORCE, "force above zero")
]
Time: TypeAlias = Annotated[float, _quantity(Dimension.TIME, positive=True), _kind(Dimension.TIME, "time above zero")]
Temperature: TypeAlias = Annotated[float, _quantity(Dimension.TEMPERATURE), _kind(Dimension.TEMPERATURE, "temperature")]
TemperatureDifference: TypeAlias = Annotated[
    float,
    _quantity(Dimension.DIFFERENCE, positive=True),
    _kind(Dimension.DIFFERENCE, "temperature difference above zero"),
]
LengthEstimate: TypeAlias = Annotated[
    Estimate, _estimate(Dimension.LENGTH), _kind(Dimension.LENGTH, "estimate of a length")
]
LengthError: TypeAlias = Annotated[
    Estimate, _estimate(Dimension.LENGTH, about_zero=True), _kind(Dimension.LENGTH, "estimate of a length, about zero")
]
TemperatureError: TypeAlias = Annotated[
    Estimate,
    _estimate(Dimension.DIFFERENCE, about_zero=True),
    _kind(Dimension.DIFFERENCE, "estimate of a temperature difference, about zero"),
]
AngleError: TypeAlias = Annotated[
    Estimate, _estimate(Dimension.ANGLE, about_zero=True), _kind(Dimension.ANGLE, "estimate of an angle, about zero")
]
ComplianceEstimate: TypeAlias = Annotated[
    Estimate, _estimate(Dimension.COMPLIANCE), _kind(Dimension.COMPLIANCE, "estimate of a compliance")
]
ForceEstimate: TypeAlias = Annotated[
    Estimate, _estimate(Dimension.FORCE), _kind(Dimension.FORCE, "estimate of a force")
]
TemperatureEstimate: TypeAlias = Annotated[
    Estimate, _estimate(Dimension.TEMPERATURE), _kind(Dimension.TEMPERATURE, "estimate of a temperature")
]
TemperatureDifferenceEstimate: TypeAlias = Annotated[
    Estimate, _estimate(Dimension.DIFFERENCE), _kind(Dimension.DIFFERENCE, "estimate of a temperature difference")
]
ExpansionEstimate: TypeAlias = Annotated[
    Estimate, _estimate(Dimension.EXPANSION), _kind(Dimension.EXPANSION, "estimate of an expansion coefficient")
]


class Model(BaseModel):
    """A table of the routine: frozen, and closed to keys that it does not know."""

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)


class Header(Model):
    """What the routine is for."""

    title: Text = Field(description="What is measured, in a few words.")
    part: Text = Field(description="Part number.")
    revision: str = Field("", description="Revision of the routine or drawing.")
    units: Literal["mm", "in"] = Field("mm", description="How lengths are shown: `mm` or `in`.")


class Reference(Model):
    """The known block that the zero is taken on, whole."""

    id: str = Field("", description="Its identifier in the register.")
    name: str = Field("", description="Name, as marked on the block or its case.")
    size: Size = Field(description="Nominal size.")
    deviation: LengthEstimate = Field(description="Certified deviation from the nominal size.")
    material: str = Field("", description="Material, for its expansion.")
    certificate: str = Field("", description="Number of its certificate.")
    due: Day | None = Field(None, description="Day on which its next calibration is due.")


class RequiredReference(Model):
    """What a reference of the register must be."""

    size: Size = Field(description="Nominal size.")
    material: str = Field("", description="Material that it must have.")
    largest_expanded: Size | None = Field(None, description="Largest expanded uncertainty (k = 2) of its deviation.")


class CheckStandard(Reference):
    """A second known block, well away in size from the reference."""

    limit: Size = Field(description="How far a reading on it may lie from its certified value.")


class PartMaterial(Model):
    """The part to be measured."""

    material: str = Field("", description="Material, for its expansion.")


class Tip(Model):
    """The contact point of the comparator."""

    material: str = Field("", description="Material of the tip.")
    radius: Size | None = Field(None, description="Radius of the tip.")


class Comparator(Model):
    """The indicator on its stand, whole."""

    id: str = Field("", description="Its identifier in the register.")
    name: str = Field("", description="Name, as marked on the instrument.")
    resolution: Size = Field(description="Smallest difference that is read off it.")
    unit: str = Field("", description="Unit of a bare number; as in `resolution` where left out.")
    division: Size | None = Field(None, description="What one scale division is worth.")
    travel: Size | None = Field(None, description="Largest reading, to either side of zero.")
    turn: Size | None = Field(None, description="One revolution, if the dial can go round.")
    force: Force | None = Field(None, description="Contact force.")
    tip: Tip | None = Field(None, description="Contact point.")
    error: LengthError = Field(Estimate.exact(0.0), description="Error of a difference that it shows.")
    certificate: str = Field("", description="Number of its certificate.")
    due: Day | None = Field(None, description="Day on which its next calibration is due.")

    @model_validator(mode="before")
    @classmethod
    def _unit_of_resolution(cls, raw: Any) -> Any:
        if isinstance(raw, dict) and raw.get("unit", "") == "" and isinstance(raw.get("resolution"), str):
            try:
                unit = parse_quantity(raw["resolution"], Dimension.LENGTH).unit
            except QuantityError:
                return raw
            return {**raw, "unit": unit}
        return raw

    @model_validator(mode="after")
    def _unit_is_a_length(self) -> Self:
        if self.unit not in (*Dimension.LENGTH.spellings, "div"):
            raise refuse(f"unit = {self.unit!r}", "a unit of length, or div", "for example um")
        if self.unit == "div" and self.division is None:
            raise refuse("unit = 'div'", "division beside it", 'add division = "1 um"')
        return self


class RequiredComparator(Model):
    """What a comparator of the register must be."""

    largest_resolution: Size = Field(description="Coarsest resolution that will do.")
    smallest_travel: Size | None = Field(None, description="Least travel that will do.")


class Thermometer(Model):
    """The thermometer, whole."""

    id: str = Field("", description="Its identifier in the register.")
    name: str = Field("", description="Name, as marked on the instrument.")
    error: TemperatureError = Field(description="Error of a temperature that it shows.")
    certificate: str = Field("", description="Number of its certificate.")
    due: Day | None = Field(None, description="Day on which its next calibration is due.")


class RequiredThermometer(Model):
    """What a thermometer of the register must be."""

    largest_expanded: TemperatureDifference = Field(description="Largest expanded uncertainty (k = 2) of its error.")


class Decision(Model):
    """How the verdict is made."""

    rule: Rule = Field(Rule.GUARDED, description="`simple`, `guarded` or `probability`.")
    guard: float | None = Field(
        None, strict=True, ge=0.0, le=5.0, description="Guard band in multiples of U; ISO 14253-1:2017 where left out."
    )
    conformance: float = Field(0.95, strict=True, gt=0.5, lt=1.0, description="Probability that a pass must reach.")
    coverage_probability: float = Field(0.9545, strict=True, gt=0.5, lt=1.0, description="Coverage probability of U.")

    process: LengthEstimate | None = Field(
        None, description="How the parts of the process lie (value and standard), for the global risks."
    )

    @property
    def numbers(self) -> DecisionRule:
        """The rule as the decision takes it."""
        return DecisionRule(
            rule=self.rule,
            guard=self.guard,
            conformance=self.conformance,
            coverage_probability=self.coverage_probability,
        )


class Bracket(Model):
    """When a zero still counts."""

    limit: Size | None = Field(
        None,
        description="How far the return may lie from the zero. Left out: the resolution, or a tenth of the "
        "narrowest tolerance where that is more (common practice, no source).",
    )
    longest_absence: Time = Field(
        1800.0, description="How long the bench may be left before a fresh zero is asked for. Left out: 30 min."
    )


class Measure(StrEnum):
    """What a characteristic is, made of the readings at its places."""

    SIZE = "size"
    VARIATION = "variation"
    STEP = "step"


class Selection(StrEnum):
    """Which size counts where a size is read at several places."""

    MEAN = "mean"
    LARGEST = "largest"
    SMALLEST = "smallest"


def _listed(raw: object) -> object:
    return [raw] if isinstance(raw, str) else raw


Places: TypeAlias = Annotated[tuple[Text, ...], BeforeValidator(_listed), Field(min_length=1)]


class Characteristic(Model):
    """One thing that is asked of the part."""

    measure: Measure = Field(description="`size`, `variation` or `step`.")
    at: Places = Field(description="Places that are read; for a step the raised (covered) ones.")
    base: Places | None = Field(
        None,
        alias="from",
        description="For a step: the places that it rises from (bare). For a size: the places where the "
        "reference itself is read, in place of the zero.",
    )
    beside: Places | None = Field(
        None,
        alias="with",
        description="Beside `from`: further places of the same comparison, which a design of the readings needs; "
        "by themselves they do not count.",
    )
    of: Selection = Field(Selection.MEAN, description="For a size at several places: `mean`, `largest` or `smallest`.")
    force: Force | None = Field(None, description="Use the readings that were taken at this contact force.")
    nominal: Size | None = Field(None, description="For a size: nominal; value and limits are deviations from it.")
    lower: Length | None = Field(None, description="Lower limit.")
    upper: Length | None = Field(None, description="Upper limit.")

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.lower is not None and self.upper is not None and self.lower > self.upper:
            raise refuse("lower above upper", "lower ≤ upper", "exchange them, or check a sign")
        if self.measure is Measure.STEP and self.base is None:
            raise refuse("measure = 'step'", "from, the places that it rises from", "add from")
        if self.measure is Measure.VARIATION and self.base is not None:
            raise refuse("measure = 'variation'", "from with a step, or with a size", "drop from")
        if self.measure is not Measure.SIZE and (self.nominal is not None or self.of is not Selection.MEAN):
            raise refuse(f"measure = {self.measure.value!r}", "nominal and of only with a size", "drop them")
        if self.beside is not None and self.base is None:
            raise refuse("with, and no from", "with beside from", "name the places of the reference in from")
        if len(set(self.places)) != len(self.places):
            raise refuse(", ".join(self.places), "each place once", "drop the double")
        if self.measure is Measure.VARIATION and len(self.at) == 1:
            raise refuse("one place", "two places or more for a variation", "name the other places in at")
        return self

    @property
    def places(self) -> tuple[str, ...]:
        """All places that it needs."""
        return (*self.at, *(self.base or ()), *(self.beside or ()))


class Term(Model):
    """Anything else that the engineer knows of, the same for all characteristics or for some."""

    name: Text = Field(description="What it is.")
    value: Length = Field(description="Correction, added to the measured value.")
    standard: Any = Field(None, description="Standard uncertainty; or `expanded` or `halfwidth`.")
    expanded: Any = Field(None, description="Expanded uncertainty, with `coverage`.")
    coverage: Any = Field(None, description="Coverage factor of `expanded`.")
    halfwidth: Any = Field(None, description="Half the width of the range, with `shape`.")
    shape: Any = Field(None, description="`rectangular`, `triangular`, `arcsine` or `trapezoid`.")
    inner: Any = Field(None, description="Half the width of the top of a trapezoid.")
    inexact: Any = Field(None, description="By how much the ends of the range may be off themselves.")
    dof: Any = Field(None, description="Degrees of freedom; or `reliability`.")
    reliability: Any = Field(None, description="Relative uncertainty of the uncertainty.")
    why: str = Field("", description="Where it comes from.")
    characteristics: tuple[Text, ...] | None = Field(None, description="Which ones it applies to; all if left out.")
    estimate: Estimate = Field(Estimate.exact(0.0), init=False, exclude=True)

    @model_validator(mode="before")
    @classmethod
    def _read_estimate(cls, raw: Any) -> Any:
        if not isinstance(raw, dict):
            return raw
        if "estimate" in raw:
            raise refuse("the key estimate", "value and one of standard, expanded, halfwidth", "drop it")
        own = cls.model_fields.keys() - {"name", "characteristics"}
        table = {key: item for key, item in raw.items() if key in own}
        try:
            estimate = parse_estimate(table, Dimension.LENGTH)
        except QuantityError as error:
            raise refuse(error.found, error.expected, error.mend) from None
        return {**raw, "estimate": estimate}


class Step(Model):
    """What every step can have."""

    say: str = Field("", description="What the inspector is told, in place of the usual words.")
    caution: str = Field("", description="What can hurt; shown before the step.")


class Prepare(Step):
    """Something to do, then confirm."""

    do: Literal["prepare"]
    say: Text = Field(description="What to do.")


class Soak(Step):
    """Wait until everything has one temperature."""

    do: Literal["soak"]
    at_least: Time = Field(description="How long.")


class TemperatureStep(Step):
    """Read a thermometer."""

    do: Literal["temperature"]
    of: Literal["part", "reference", "air"] = Field(description="What is measured: `part`, `reference` or `air`.")


class Zero(Step):
    """Set the dial on the reference, then read what it shows."""

    do: Literal["zero"]
    times: Positive = Field(1, description="How often the tip is lifted and lowered, and read.")


class Check(Step):
    """Read the check standard."""

    do: Literal["check"]
    times: Positive = Field(1, description="How often it is read.")


class Read(Step):
    """Read the part at a place."""

    do: Literal["read"]
    at: Text = Field(description="The place.")
    times: Positive = Field(1, description="How often it is read.")
    force: Force | None = Field(None, description="Contact force of this reading, where it is not the comparator's.")


class Return(Step):
    """Read the reference again without touching the dial."""

    do: Literal["return"]
    times: Positive = Field(1, description="How often it is read.")


class Compare(Step):
    """All is read: evaluate and decide."""

    do: Literal["compare"]


class Repeat(Step):
    """Steps to be done several times, or once for each part of a batch."""

    do: Literal["repeat"]
    times: Positive | None = Field(None, description="How many rounds.")
    over: Literal["parts"] | None = Field(None, description="`parts`: one round for each serial of a batch.")
    steps: tuple[AnyStep, ...] = Field(min_length=1, description="What is done in each round.")

    @model_validator(mode="after")
    def _one_of_two(self) -> Self:
        if (self.times is None) == (self.over is None):
            found = "times and over" if self.times else "neither times nor over"
            raise refuse(found, "one of them", 'write times = 3, or over = "parts"')
        return self


AnyStep: TypeAlias = Annotated[
    "Prepare | Soak | TemperatureStep | Zero | Check | Read | Repeat | Return | Compare", Field(discriminator="do")
]


def _prompts(steps: tuple[AnyStep, ...]) -> int:
    """How many answers the steps ask for; a batch counts as two parts."""
    count = 0
    for step in steps:
        if isinstance(step, Repeat):
            count += (step.times or 2) * _prompts(step.steps)
        else:
            count += step.times if isinstance(step, Zero | Check | Read | Return) else 1
    return count


def _not_endless(steps: tuple[AnyStep, ...]) -> tuple[AnyStep, ...]:
    # More than a day's work, at ten seconds an answer: repeats within repeats that were not meant.
    if (count := _prompts(steps)) > _MOST_PROMPTS:
        raise refuse(f"steps that ask {count} times", f"at most {_MOST_PROMPTS} times", "look at times of the repeats")
    return steps


_MOST_PROMPTS = 10_000


def _required_if(*, any_of: frozenset[str] = frozenset(), only: frozenset[str] = frozenset()) -> Discriminator:
    """A table states what is required where it has keys that only a requirement has, or no others."""

    def form(raw: object) -> str:
        if not isinstance(raw, dict):
            return "required" if type(raw).__name__.startswith("Required") else "whole"
        return "required" if any_of & raw.keys() or raw.keys() <= only else "whole"

    return Discriminator(form)


class Routine(Model):
    """A whole routine, resolved: no parameters and no fragments left."""

    format: Format = Field(description="Format of this file.")
    routine: Header
    reference: Annotated[
        Annotated[Reference, Tag("whole")] | Annotated[RequiredReference, Tag("required")],
        _required_if(only=frozenset({"size", "material", "largest_expanded"})),
    ]
    check_standard: CheckStandard | None = None
    part: PartMaterial = PartMaterial()
    comparator: Annotated[
        Annotated[Comparator, Tag("whole")] | Annotated[RequiredComparator, Tag("required")],
        _required_if(any_of=frozenset({"largest_resolution", "smallest_travel"})),
    ]
    thermometer: (
        Annotated[
            Annotated[Thermometer, Tag("whole")] | Annotated[RequiredThermometer, Tag("required")],
            _required_if(any_of=frozenset({"largest_expanded"})),
        ]
        | None
    ) = None
    decision: Decision = Decision()
    bracket: Bracket = Bracket()
    characteristics: dict[Name, Characteristic] = Field(min_length=1)
    checks: dict[str, dict[str, Any]] = Field(default_factory=dict)
    terms: tuple[Term, ...] = ()
    steps: Annotated[tuple[AnyStep, ...], AfterValidator(_not_endless)] = Field(min_length=1)

    @model_validator(mode="after")
    def _terms_are_named(self) -> Self:
        names = [term.name for term in self.terms]
        if len(set(names)) != len(names):
            raise refuse(", ".join(names), "each term's name once", "rename one")
        for term in self.terms:
            for name in term.characteristics or ():
                if name not in self.characteristics:
                    raise refuse(f"terms: {name!r}", "one of " + ", ".join(self.characteristics), "check the spelling")
        return self


def walk(steps: tuple[AnyStep, ...]) -> Iterator[AnyStep]:
    """All steps in the order of the file, those inside a repeat once."""
    for step in steps:
        yield step
        if isinstance(step, Repeat):
            yield from walk(step.steps)


Repeat.model_rebuild()
Routine.model_rebuild()
