"""The routine file as typed models: what each key means, in which unit it is kept.

These models know the file and nothing of its text, its place on disk or the run.
"""

from __future__ import annotations

import math
from enum import StrEnum
from typing import Annotated, Any, Literal, Self, TypeAlias

from pydantic import (
    AfterValidator,
    BeforeValidator,
    Discriminator,
    Field,
    Tag,
    WithJsonSchema,
    field_validator,
    model_validator,
)

from holdzero.decide import DecisionRule, GivenBand, Rule
from holdzero.errors import QuantityError
from holdzero.estimate import Estimate, parse_estimate
from holdzero.limit import exceeds
from holdzero.quantity import Dimension, parse_quantity, shown
from holdzero.routine.fields import (
    AngleError,
    ComplianceEstimate,
    Day,
    ExpansionEstimate,
    Force,
    ForceEstimate,
    ForceOrNone,
    Format,
    Length,
    LengthError,
    LengthEstimate,
    Model,
    Name,
    Positive,
    Size,
    Temperature,
    TemperatureDifference,
    TemperatureDifferenceEstimate,
    TemperatureError,
    TemperatureEstimate,
    Text,
    Time,
    refuse,
    words,
)
from holdzero.routine.forms import PLACES
from holdzero.routine.process import Process
from holdzero.routine.steps import (
    AnswerKind,
    AnyStep,
    Ask,
    Check,
    Compare,
    Prepare,
    Read,
    Repeat,
    Return,
    Soak,
    Step,
    TemperatureStep,
    Zero,
    not_endless,
    walk,
)

__all__ = [
    "AngleError",
    "AnswerKind",
    "AnyStep",
    "Approval",
    "Ask",
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
    "Process",
    "Read",
    "Reference",
    "ReferencePlace",
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


class Approval(Model):
    """Who answers for the routine, and for which text of it."""

    by: Text = Field(description="Who approved it.")
    on: Day = Field(description="On which day.")
    digest: Text = Field(description="Of the text that was approved; `holdzero approve` writes it.")
    note: str = Field("", description="What was looked at, or why it changed.")


class Header(Model):
    """What the routine is for."""

    title: Text = Field(description="What is measured, in a few words.")
    part: Text = Field(description="Part number.")
    revision: str = Field("", description="Revision of the routine or drawing.")
    author: str = Field("", description="Who wrote it.")
    second_person: bool = Field(False, description="A second person must review each record of it.")
    blind: bool = Field(
        False, description="No limits and no earlier readings are shown beside the entry, so that they sway nobody."
    )
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


class ReferencePlace(Model):
    """A place of the part itself, or of its plate, instead of a block: no size is measured from it."""

    place: Text = Field(description="Where the tip stands for the zero and for the return, for example `bare`.")


class CheckStandard(Reference):
    """A second known block, well away in size from the reference."""

    limit: Size = Field(description="How far a reading on it may lie from its certified value.")


class PartMaterial(Model):
    """The part to be measured."""

    material: str = Field("", description="Material, for its expansion.")
    section: tuple[Size, Size] | None = Field(
        None,
        description="Width and depth across its size, for how fast it cools; of a gauge block where left out.",
    )

    @field_validator("section", mode="before")
    @classmethod
    def _two_sizes(cls, raw: object) -> object:
        if raw is None or (isinstance(raw, (list, tuple)) and len(raw) == 2):  # noqa: PLR2004  width and depth
            return raw
        raise refuse(shown(raw), 'two lengths such as ["35 mm", "9 mm"]', "write width and depth, each with its unit")


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


class Measure(StrEnum):
    """What a characteristic is, made of the readings at its places."""

    SIZE = "size"
    VARIATION = "variation"
    STEP = "step"


def _core_or_named(core: type[Rule | Measure]) -> BeforeValidator:
    """A word of the core's own, or the name of what a plugin declares."""

    def read(raw: object) -> object:
        if not isinstance(raw, str) or not raw.isidentifier():
            words = ", ".join(core)
            raise refuse(shown(raw), f"one of {words}, or the name of a plugin's", "check the spelling")
        return core(raw) if raw in set(core) else raw

    return BeforeValidator(read)


class Decision(Model):
    """How the verdict is made."""

    rule: Annotated[Rule | str, _core_or_named(Rule), words("rule", Rule)] = Field(
        Rule.GUARDED, description="`simple`, `guarded` or `probability`; or a rule that a plugin declares."
    )
    settings: dict[str, Any] = Field(
        default_factory=dict, description="Settings of a rule that a plugin declares; see there."
    )
    guard: float | None = Field(
        None, strict=True, ge=0.0, le=5.0, description="Guard band in multiples of U; ISO 14253-1:2017 where left out."
    )
    conformance: float = Field(0.95, strict=True, gt=0.5, lt=1.0, description="Probability that a pass must reach.")
    coverage_probability: float = Field(0.9545, strict=True, gt=0.5, lt=1.0, description="Coverage probability of U.")

    order: Literal[1, 2] = Field(
        2,
        description="2: u has the terms of second order (JCGM 100, 5.1.2 note). 1 leaves them out; needs `order_why`.",
    )
    order_why: str = Field("", description="Why first order is enough here, with `order = 1` alone; goes on record.")

    process: Process | None = Field(None, description="How the parts lie before they are measured, for the risks.")

    @model_validator(mode="after")
    def _settings_have_a_rule(self) -> Self:
        if self.settings and isinstance(self.rule, Rule):
            raise refuse("settings", f"none with rule = {self.rule.value!r}", "drop them, or name a plugin's rule")
        return self

    @model_validator(mode="after")
    def _first_order_has_a_reason(self) -> Self:
        if (self.order == 1) != bool(self.order_why.strip()):
            if self.order == 1:
                raise refuse("order", "1 without a reason", 'say why in order_why = "…", or leave both out for order 2')
            raise refuse("order_why", "a reason without order = 1", "add order = 1, or drop order_why")
        return self

    def numbers(self, given: GivenBand | None) -> DecisionRule:
        """The rule as the decision takes it.

        Args:
            given: the rule where it is not the core's own.
        """
        return DecisionRule(
            rule=self.rule if isinstance(self.rule, Rule) else given or _nothing(self.rule),
            guard=self.guard,
            conformance=self.conformance,
            coverage_probability=self.coverage_probability,
        )


_TENTH, _STEPS = 0.1, 4.0  # of the travel, of the resolution; see Routine.zero_within_um


class Bracket(Model):
    """When a zero still counts."""

    limit: Size | None = Field(
        None,
        description="How far the return may lie from the zero. Left out: the resolution, or a tenth of the "
        "narrowest tolerance where that is more (common practice, no source).",
    )
    zero_within: Size | None = Field(
        None,
        description="How far from zero the dial may stand on the reference without a question. Left out: a tenth of "
        "the travel, or four steps of the resolution where that is more (common practice, no source). Give it where "
        "the dial is set to another number on purpose.",
    )
    longest_absence: Time = Field(
        1800.0,
        description="How long nobody may be at the bench before a fresh zero is asked for: a pause, a break, a machine "
        "that slept, a prompt without an answer (5 min at least). Left out: 30 min (common practice, no source).",
    )


class Selection(StrEnum):
    """Which place counts where a size or a step is read at several places."""

    MEAN = "mean"
    LARGEST = "largest"
    SMALLEST = "smallest"


def _nothing(name: str) -> GivenBand:
    """In place of a rule that is not there: nothing is decided."""
    return GivenBand(name=name, guard=lambda _: math.inf, sentence=f"The rule {name} is not there: nothing is decided.")


def _listed(raw: object) -> object:
    return [raw] if isinstance(raw, str) else raw


Places: TypeAlias = Annotated[tuple[Text, ...], BeforeValidator(_listed), Field(min_length=1), WithJsonSchema(PLACES)]


class Characteristic(Model):
    """One thing that is asked of the part."""

    measure: Annotated[Measure | str, _core_or_named(Measure), words("measure", Measure)] = Field(
        description="`size`, `variation` or `step`; or a measure that a plugin declares."
    )
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
    of: Selection = Field(
        Selection.MEAN,
        description="For a size or a step at several places: `mean`, `largest` or `smallest`; of a step each counts "
        "from the mean of the places in `from`.",
    )
    force: ForceOrNone | None = Field(
        None,
        description="Use the readings that were taken at this contact force. `0 N`, for a step: the thickness at no "
        "force, which `[checks.film]` tells from the readings at three forces or more.",
    )
    nominal: Size | None = Field(None, description="For a size: nominal; value and limits are deviations from it.")
    lower: Length | None = Field(None, description="Lower limit.")
    upper: Length | None = Field(None, description="Upper limit.")
    process: Process | None = Field(None, description="As in `[decision]`, of this characteristic alone.")

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.lower is not None and self.upper is not None and exceeds(self.lower, self.upper):
            raise refuse("lower above upper", "lower ≤ upper", "exchange them, or check a sign")
        if self.measure is Measure.STEP and self.base is None:
            raise refuse("measure = 'step'", "from, the places that it rises from", "add from")
        if self.measure is Measure.VARIATION and self.base is not None:
            raise refuse("measure = 'variation'", "from with a step, or with a size", "drop from")
        if self.measure in (Measure.STEP, Measure.VARIATION) and self.nominal is not None:
            raise refuse(f"measure = '{self.measure}'", "nominal only with a size", "drop nominal")
        if self.measure is Measure.VARIATION and self.of is not Selection.MEAN:
            raise refuse("measure = 'variation'", "of only with a size or a step", "drop of")
        if self.beside is not None and self.base is None:
            raise refuse("with, and no from", "with beside from", "name the places of the reference in from")
        if len(set(self.places)) != len(self.places):
            raise refuse(", ".join(self.places), "each place once", "drop the double")
        if self.measure is Measure.VARIATION and len(self.at) == 1:
            raise refuse("one place", "two places or more for a variation", "name the other places in at")
        return self

    @property
    def at_no_force(self) -> bool:
        """Whether it is asked for at no contact force, at which nothing can be read."""
        return self.force == 0.0

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


def _required_if(*, any_of: frozenset[str] = frozenset(), only: frozenset[str] = frozenset()) -> Discriminator:
    """A table states what is required where it has keys that only a requirement has, or no others."""

    def form(raw: object) -> str:
        if not isinstance(raw, dict):
            return "required" if type(raw).__name__.startswith("Required") else "whole"
        return "required" if any_of & raw.keys() or raw.keys() <= only else "whole"

    return Discriminator(form)


def _reference_form() -> Discriminator:
    """Beside these two forms, a reference may be a place of the part."""
    block = _required_if(only=frozenset(RequiredReference.model_fields)).discriminator

    def form(raw: object) -> str:
        on_the_part = isinstance(raw, ReferencePlace) or (isinstance(raw, dict) and "place" in raw)
        return "of the part" if on_the_part else str(block(raw)) if callable(block) else "whole"

    return Discriminator(form)


# What the core and the built-in checks call their inputs: two inputs of one name would be taken for one.
_OWN_NAMES = (
    "deviation of the reference",
    "difference read",
    "error of the comparator",
    "error of the thermometer",
    "repeatability",
    "drift of zero",
    "temperature",
    "expansion",
)


class Routine(Model):
    """A whole routine, resolved: no parameters and no fragments left."""

    format: Format = Field(description="Format of this file.")
    routine: Header
    approval: Approval | None = None
    reference: Annotated[
        Annotated[Reference, Tag("whole")]
        | Annotated[RequiredReference, Tag("required")]
        | Annotated[ReferencePlace, Tag("of the part")],
        _reference_form(),
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
    steps: Annotated[tuple[AnyStep, ...], AfterValidator(not_endless)] = Field(min_length=1)

    def process_of(self, characteristic: Characteristic) -> Process | None:
        """How the parts lie in a characteristic: as it says itself, or as all say; None where nothing is said."""
        return characteristic.process or self.decision.process

    @property
    def takes_batches(self) -> bool:
        """Whether several parts can be measured after one zero."""
        return any(isinstance(step, Repeat) and step.over is not None for step in walk(self.steps))

    @property
    def zero_place(self) -> str | None:
        """The place of the part, or of its plate, that the zero is taken on; None where that is a block."""
        return self.reference.place if isinstance(self.reference, ReferencePlace) else None

    def bracket_limit_um(self, resolution_um: float) -> float:
        """How far a return may lie from its zero [um].

        Where the routine does not say it: the resolution, or a tenth of the narrowest tolerance
        where that is more. Common practice, no source.

        Args:
            resolution_um: of the comparator in use [um]; 0 while none is chosen.
        """
        if self.bracket.limit is not None:
            return self.bracket.limit
        widths = [
            spec.upper - (spec.lower if spec.lower is not None else 0.0)
            for spec in self.characteristics.values()
            if spec.upper is not None
        ]
        return max(resolution_um, 0.1 * min(widths)) if widths else resolution_um

    def zero_within_um(self, comparator: Comparator | None) -> float | None:
        """How far from zero the dial may stand on the reference without a question [um]; None where nothing says it.

        Where the routine does not say it: a tenth of the travel, or four steps of the resolution where that is
        more. Common practice, no source: far from zero the errors of the scale count, and travel is lost.

        Args:
            comparator: the one in use; None while none is chosen.
        """
        if self.bracket.zero_within is not None:
            return self.bracket.zero_within
        if comparator is None or comparator.travel is None:
            return None
        return max(_TENTH * comparator.travel, _STEPS * comparator.resolution)

    @model_validator(mode="after")
    def _a_size_has_a_block(self) -> Self:
        if self.zero_place is None:
            return self
        mend = "take a block as reference: size and deviation in place of place"
        for name, spec in self.characteristics.items():
            if spec.measure is Measure.SIZE:
                raise refuse(
                    f"the size {name} from a zero on place {self.zero_place}", "a reference of known size", mend
                )
        if self.check_standard is not None:
            raise refuse("a check standard beside a zero on the part", "a reference of known size", mend)
        return self

    @model_validator(mode="after")
    def _terms_are_named(self) -> Self:
        names = [term.name for term in self.terms]
        for name in names:
            if name.startswith(_OWN_NAMES):
                raise refuse(f"terms: {name!r}", "a name that is not one of the tool's own", "call it otherwise")
        if len(set(names)) != len(names):
            raise refuse(", ".join(names), "each term's name once", "rename one")
        for term in self.terms:
            for name in term.characteristics or ():
                if name not in self.characteristics:
                    raise refuse(f"terms: {name!r}", "one of " + ", ".join(self.characteristics), "check the spelling")
        return self
