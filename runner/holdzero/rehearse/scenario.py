"""A bench as it really is, written down: the part, and what goes on while it is measured.

A file of TOML, read and refused like a routine. What it leaves out is as the routine states it.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import (
    AfterValidator,
    BeforeValidator,
    Field,
    ValidationError,
    ValidationInfo,
    field_validator,
    model_validator,
)

from holdzero.errors import FileFaultsError, QuantityError
from holdzero.quantity import Dimension, parse_number, parse_quantity, shown
from holdzero.routine.fields import Format, Length, Model, Size, Temperature, TemperatureDifference, Text, Time, refuse
from holdzero.routine.load import faults_of, read_toml
from holdzero.routine.resolve import Origins

__all__ = [
    "Approach",
    "Dust",
    "Film",
    "Hands",
    "Part",
    "Scenario",
    "Settling",
    "Slips",
    "Swing",
    "Turns",
    "WarmReference",
    "WarmStand",
    "Written",
    "load_scenario",
    "true_value",
]

_COLDEST_DEGC = -273.15  # SI Brochure, 9th edition, 2.3.1: absolute zero on the Celsius scale
_ABOVE_ZERO, _CHECK_DEGREE = "a temperature above absolute zero, −273.15 °C", "check sign, number and unit"


def _share(raw: object) -> object:
    if isinstance(raw, bool) or not isinstance(raw, int | float):
        raise refuse(shown(raw), "a share between 0 and 1, for example 0.02", "write a number, without quotation marks")
    if not 0.0 <= raw <= 1.0:
        raise refuse(shown(raw), "a share between 0 and 1, for example 0.02", "0.02 is two of a hundred, 1 is all")
    return raw


def _whole(raw: object) -> object:
    if isinstance(raw, bool) or not isinstance(raw, int) or raw < 0:
        raise refuse(shown(raw), "a whole number from 0 on, for example 7", "write digits, without quotation marks")
    return raw


def _yes_or_no(raw: object) -> object:
    if not isinstance(raw, bool):
        raise refuse(shown(raw), "true or false", "write it without quotation marks")
    return raw


def _several(raw: object) -> object:
    if not isinstance(raw, list):
        raise refuse(shown(raw), 'names in square brackets, for example ["a", "b"]', "put it in square brackets")
    return raw


def _possible(degree: float) -> float:
    if degree < _COLDEST_DEGC:
        raise refuse(f"{degree:g} °C", _ABOVE_ZERO, _CHECK_DEGREE)
    return degree


def _no_less_than_nothing(height: float) -> float:
    if height < 0.0:
        raise refuse(f"{height:g} um", "a length from 0 on", "drop the sign: it only ever lifts")
    return height


Share = Annotated[float, BeforeValidator(_share), Field(ge=0.0, le=1.0)]
Height = Annotated[Length, AfterValidator(_no_less_than_nothing)]


class Part(Model):
    """`[part]`: what lies under the tip."""

    more: Length | None = Field(
        None, description="How much more the characteristic is than in the middle of its limits."
    )
    places: dict[str, Length] = Field(
        default_factory=dict,
        description="How much higher a place lies than all that, by its name; a block of a comparison than its value.",
    )


class WarmReference(Model):
    """`[hands.reference]`: heat of hands in the reference."""

    warms: Length = Field(
        0.0, description="How much longer the reference is right after it was cleaned, before the first reading of all."
    )
    touch: Length = Field(0.0, description="How much longer each time that it is put under the tip, at zero or return.")
    fades_in: Time = Field(description="Time in which this falls to 37 %.")
    warmer: TemperatureDifference | None = Field(
        None, description="How much warmer a thermometer on it then shows it; nothing where left out."
    )


class WarmStand(Model):
    """`[hands.stand]`: heat of hands in stand and anvil."""

    warms: Length = Field(
        0.0,
        description="How much more the dial shows, whatever lies under the tip, right after stand and anvil were "
        "cleaned, before the first reading of all. Less (−) where it is the column that grows.",
    )
    touch: Length = Field(0.0, description="The same each time that something else is put under the tip.")
    fades_in: Time = Field(description="Time in which this falls to 37 %; of a stand half an hour to an hour.")


class Hands(Model):
    """`[hands]`: heat of hands, which fades."""

    warms: Length = Field(0.0, description="How much longer the part is right after it was cleaned and laid down.")
    touch: Length = Field(0.0, description="How much longer each time that it is put under the tip again.")
    fades_in: Time | None = Field(None, description="Time in which this falls to 37 %; needed where there is any.")
    warmer: TemperatureDifference | None = Field(
        None, description="How much warmer a thermometer on the part then shows it; nothing where left out."
    )
    share: dict[str, Share] = Field(
        default_factory=dict,
        description="How much of it is at a place, by its name, where it is not all: a gradient.",
    )
    evens_out_in: Time | None = Field(
        None,
        description="Time in which what the places differ by falls to 37 %, as heat spreads within the part; they keep "
        "their share where left out. Steel: 10 s for 35 mm from warm to cold, 80 s for 100 mm.",
    )
    reference: WarmReference | None = Field(None, description="Heat of hands in the reference.")
    stand: WarmStand | None = Field(None, description="Heat of hands in stand and anvil.")

    @model_validator(mode="after")
    def _fades(self) -> Self:
        if self.fades_in is None and (self.warms or self.touch or self.warmer is not None):
            raise refuse("heat of the part without fades_in", "the time in which it fades", 'add fades_in = "15 min"')
        if self.evens_out_in is not None and not self.share:
            mend = "leave it out, or say by share how much of the heat is at which place"
            raise refuse("evens_out_in without share", "places that differ", mend)
        return self


class Dust(Model):
    """`[dust]`: something between part and plate now and then."""

    chance: Share = Field(description="How often, of all readings of the part.")
    size: Size = Field(description="How much higher the part then stands, at most.")
    least: Height = Field(0.0, description="The same, at least.")
    reference: Share = Field(0.0, description="How often, of all readings of the reference: of a zero, or a return.")

    @field_validator("least")
    @classmethod
    def _no_more_than_most(cls, least: float, info: ValidationInfo) -> float:
        size = info.data.get("size")
        if size is not None and least > size:
            raise refuse(f"{least:g} um", f"no more than size, {size:g} um", "size is the most that dust lifts")
        return least


class Film(Model):
    """`[film]`: ink, grease or a coating under the tip."""

    thickness: Size = Field(description="How much higher the place lies where the tip only just touches.")
    gives: Height = Field(0.0, description="How much of that gives way at the comparator's contact force; with it.")
    at: Annotated[list[str], BeforeValidator(_several)] = Field(
        min_length=1, description="Names of the places that it is on."
    )
    wipes_off: Annotated[bool, BeforeValidator(_yes_or_no)] = Field(
        True, description="Whether it is gone when the part is cleaned once more."
    )

    @field_validator("gives")
    @classmethod
    def _no_more_than_there_is(cls, gives: float, info: ValidationInfo) -> float:
        thickness = info.data.get("thickness")
        if thickness is not None and gives > thickness:
            raise refuse(
                f"{gives:g} um", f"no more than its thickness, {thickness:g} um", f"write {thickness:g} um or less"
            )
        return gives


class Approach(Model):
    """`[approach]`: the tip comes from the other side now and then."""

    chance: Share = Field(description="How often, of all readings.")
    backlash: Length = Field(description="How much more the dial then shows.")


class Swing(Model):
    """`[swing]`: the stand breathes with the air of the room."""

    size: Size = Field(description="How much more the dial shows where it shows most.")
    every: Time = Field(description="From one time to the next.")


class Settling(Model):
    """`[settling]`: a stand that comes to rest, after a draught or the sun."""

    by: Length = Field(description="How much more the dial shows in the end.")
    fades_in: Time = Field(description="Time in which what is still to come falls to 37 %.")
    after: Time | None = Field(None, description="When it begins, since the run began; at once where left out.")


class Turns(Model):
    """`[turns]`: the dial is read a whole turn off."""

    chance: Share = Field(description="How often, of all readings.")


class Slips(Model):
    """`[slips]`: slips of who writes the reading down."""

    sign: Share = Field(0.0, description="How often the sign is turned round.")
    point: Share = Field(0.0, description="How often the decimal point stands one place off.")
    unit: Literal["mm"] | None = Field(
        None,
        description="Unit that the display was left in and nobody writes down: its numbers are taken for the "
        "comparator's own unit, until the zero is given up.",
    )

    @field_validator("point")
    @classmethod
    def _no_more_than_all(cls, point: float, info: ValidationInfo) -> float:
        sign = info.data.get("sign")
        if sign is not None and sign + point > 1.0:
            mend = f"with sign = {sign:g} write {1.0 - sign:g} or less"
            raise refuse(f"{point:g}", "sign and point no more than 1 together", mend)
        return point


class Scenario(Model):
    """What goes on at a virtual bench.

    Attributes:
        format: of the file.
        title: in a few words.
        hidden: what was wrong, told at the end of a run.
        written_for: the part that its words are written for, as a routine names it; empty for any.
        scatter: standard deviation of a single reading [um].
        reference_error: by how much the reference is longer than its certificate says [um].
        reference_error_until: when the right one is taken in its place; None for never.
        drift: by how much the dial shows more after an hour [um].
        wander: standard deviation of where a zero is an hour later [um].
        every: time from one answer to the next [s].
        seed: of all draws of a single run.
    """

    format: Format = Field(description="Format of the file; this is format 1.")
    title: Text = Field(description="What goes on, in a few words.")
    hidden: str = Field("", description="What was wrong; told at the end of a run.")
    written_for: str = Field(
        "",
        description="The part that these words are for, as `part` of its routine; with another the bench says so.",
    )
    scatter: Size | None = Field(None, description="Standard deviation of a single reading.")
    reference_error: Length | None = Field(
        None, description="By how much the reference is longer than its certificate says; drawn where left out."
    )
    reference_error_until: Literal["zero given up"] | None = Field(
        None, description="When whoever sits there takes the right reference in its place; never where left out."
    )
    drift: Length = Field(0.0, description="By how much the dial shows more an hour later.")
    wander: Size | None = Field(
        None, description="Standard deviation of where a zero that goes to and fro at random is an hour later."
    )
    every: Time | None = Field(
        None, description="Time from one answer to the next, handling and all; ten seconds where left out."
    )
    seed: Annotated[int, BeforeValidator(_whole)] = Field(0, description="Of all draws of a single run.")
    true: dict[str, str] = Field(
        default_factory=dict,
        description="What an input of the routine's model is in truth, by the name that `budget` gives it; with its "
        "unit. Drawn where left out.",
    )
    temperatures: dict[str, Annotated[Temperature, AfterValidator(_possible)]] = Field(
        default_factory=dict, description="What a thermometer shows, by what it hangs on; 20 °C where left out."
    )
    part: Part = Field(default_factory=Part, description="What lies under the tip.")
    hands: Hands | None = Field(None, description="Heat of hands.")
    dust: Dust | None = Field(None, description="Dust now and then.")
    film: Film | None = Field(None, description="Ink, grease or a coating.")
    approach: Approach | None = Field(None, description="Backlash, where the tip comes from the other side.")
    swing: Swing | None = Field(None, description="A stand that breathes with the air of the room.")
    settling: Settling | None = Field(None, description="A stand that comes to rest.")
    turns: Turns | None = Field(None, description="A turn of the dial too many or too few.")
    slips: Slips | None = Field(None, description="Slips in writing down.")

    @field_validator("reference_error_until")
    @classmethod
    def _until_of_an_error(cls, until: str | None, info: ValidationInfo) -> str | None:
        if until is not None and info.data.get("reference_error") is None:
            mend = 'add reference_error, for example "-2 um", or drop this'
            raise refuse(shown(until), "an error of the reference that ends then", mend)
        return until


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """A scenario with the file that it stands in.

    Attributes:
        scenario: as read.
        digest: of the file's text.
        origins: where each key was written.
    """

    scenario: Scenario
    digest: str
    origins: Origins


def true_value(text: str, unit: str) -> float:
    """A true value as a number in the unit of its input.

    Args:
        text: as written, with its unit.
        unit: of the input.

    Raises:
        QuantityError: it is no such quantity.
    """
    dimension = next((dimension for dimension in Dimension if dimension.unit == unit), None)
    if dimension is not None:
        value = parse_quantity(text, dimension).value
        if dimension is Dimension.TEMPERATURE and value < _COLDEST_DEGC:
            raise QuantityError(repr(text), _ABOVE_ZERO, _CHECK_DEGREE)
        return value
    number, _, own = text.strip().partition(" ")
    if own.strip() != ("" if unit == "1" else unit):
        raise QuantityError(repr(text), f"a number in {unit}", f'write it as "1.5 {unit}"')
    return parse_number(number)


def load_scenario(path: Path) -> Written:
    """A scenario as written.

    Raises:
        FileFaultsError: with every fault found: file, line, key, what was found, expected, and how to mend it.
    """
    text = read_toml(path)
    origins = Origins(text)
    try:
        scenario = Scenario.model_validate(text.data)
    except ValidationError as error:
        raise FileFaultsError(faults_of(error, text.data, origins, Scenario)) from None
    digest = f"sha256:{hashlib.sha256(path.read_bytes()).hexdigest()}"
    return Written(scenario=scenario, digest=digest, origins=origins)
