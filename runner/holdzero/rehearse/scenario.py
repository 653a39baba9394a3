"""A bench as it really is, written down: the part, and what goes on while it is measured.

A file of TOML, read and refused like a routine. What it leaves out is as the routine states it.
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, ValidationError

from holdzero.errors import FileFaultsError
from holdzero.routine.fields import Length, Model, Size, Text, Time
from holdzero.routine.load import faults_of, read_toml
from holdzero.routine.resolve import Origins

__all__ = ["Dust", "Hands", "Part", "Scenario", "Slips", "Turns", "load_scenario"]

Chance = Annotated[float, Field(ge=0.0, le=1.0)]


class Part(Model):
    """`[part]`: what lies under the tip."""

    more: Length | None = Field(
        None, description="How much more the characteristic is than in the middle of its limits."
    )
    places: dict[str, Length] = Field(
        default_factory=dict, description="How much higher a place lies than all that, by its name."
    )


class Hands(Model):
    """`[hands]`: heat of hands, which fades."""

    warms: Length = Field(description="How much longer the part is right after it was cleaned and laid down.")
    touch: Length = Field(0.0, description="How much longer each time that it is put under the tip again.")
    fades_in: Time = Field(description="Time in which this falls to 37 %.")


class Dust(Model):
    """`[dust]`: something between part and plate now and then."""

    chance: Chance = Field(description="How often, of all readings of the part.")
    size: Length = Field(description="How much higher the part then stands, at most.")


class Turns(Model):
    """`[turns]`: the dial is read a whole turn off."""

    chance: Chance = Field(description="How often, of all readings.")


class Slips(Model):
    """`[slips]`: slips of who writes the reading down."""

    sign: Chance = Field(0.0, description="How often the sign is turned round.")
    point: Chance = Field(0.0, description="How often the decimal point stands one place off.")


class Scenario(Model):
    """What goes on at a virtual bench.

    Attributes:
        format: of the file.
        title: in a few words.
        hidden: what was wrong, told at the end of a run.
        scatter: standard deviation of a single reading [um].
        reference_error: by how much the reference is longer than its certificate says [um].
        drift: by how much the dial shows more after an hour [um].
        seed: of all draws of a single run.
    """

    format: Literal[1]
    title: Text = Field(description="What goes on, in a few words.")
    hidden: str = Field("", description="What was wrong; told at the end of a run.")
    scatter: Size | None = Field(None, description="Standard deviation of a single reading.")
    reference_error: Length | None = Field(
        None, description="By how much the reference is longer than its certificate says; drawn where left out."
    )
    drift: Length = Field(0.0, description="By how much the dial shows more an hour later.")
    seed: int = Field(0, ge=0, description="Of all draws of a single run.")
    part: Part = Field(default_factory=Part, description="What lies under the tip.")
    hands: Hands | None = Field(None, description="Heat of hands.")
    dust: Dust | None = Field(None, description="Dust now and then.")
    turns: Turns | None = Field(None, description="A turn of the dial too many or too few.")
    slips: Slips | None = Field(None, description="Slips in writing down.")


def load_scenario(path: Path) -> tuple[Scenario, str]:
    """A scenario and the digest of its text.

    Raises:
        FileFaultsError: with every fault found: file, line, key, what was found, expected, and how to mend it.
    """
    text = read_toml(path)
    try:
        scenario = Scenario.model_validate(text.data)
    except ValidationError as error:
        raise FileFaultsError(faults_of(error, text.data, Origins(text), Scenario)) from None
    return scenario, f"sha256:{hashlib.sha256(path.read_bytes()).hexdigest()}"
