"""The steps of a routine as typed models, and how to walk through them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Literal, Self, TypeAlias

from pydantic import Field, model_validator

from holdzero.quantity import Dimension
from holdzero.routine.fields import Force, Length, Model, Positive, TemperatureDifference, Text, Time, refuse
from holdzero.routine.locate import KeyPath

__all__ = [
    "AnswerKind",
    "AnyStep",
    "Ask",
    "Check",
    "Compare",
    "Prepare",
    "Read",
    "Repeat",
    "Return",
    "Soak",
    "Step",
    "Steps",
    "TemperatureStep",
    "Zero",
    "not_endless",
    "numbered",
    "prompts_of",
    "walk",
]


class Step(Model):
    """What every step can have."""

    say: str = Field("", description="What the inspector is told, in place of the usual words.")
    caution: str = Field("", description="What can hurt; shown before the step.")
    # A record says which plugin's kind of step was turned into this one; nobody writes it.
    kind: str = Field("", exclude=True)


class Prepare(Step):
    """Something to do, then confirm."""

    do: Literal["prepare"]
    say: Text = Field(description="What to do.")
    name: str = Field("", description="By what a check knows the step; left out where none needs to.")


# What an answer can be besides words: a number, or a quantity by its dimension.
AnswerKind: TypeAlias = Literal[
    "text", "number", "length", "temperature", "temperature difference", "force", "time", "angle"
]


class Ask(Step):
    """Ask for something that no reading tells: words, a number, a quantity, one of several."""

    do: Literal["ask"]
    name: Text = Field(description="What is asked for; a check knows the answer by it.")
    answer: AnswerKind = Field("text", description="What can be answered; a quantity is kept in its inside unit.")
    unit: str = Field("", description="Unit of a bare quantity; or what a `number` counts, for the prompt alone.")
    choices: tuple[Text, ...] = Field((), description="The words that can be answered; any where left out.")

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.choices and self.answer != "text":
            raise refuse(f"choices with answer = {self.answer!r}", "choices with a text", "drop one of them")
        if len({choice.lower() for choice in self.choices}) != len(self.choices):
            raise refuse(", ".join(self.choices), "each choice once", "drop the double")
        dimension = self.dimension
        if self.unit and dimension is not None and self.unit not in dimension.spellings:
            raise refuse(f"unit = {self.unit!r}", "one of " + ", ".join(dimension.spellings), "choose one of these")
        if self.unit and self.answer == "text":
            raise refuse("unit with a text", "unit with a number or quantity", "drop it, or say what answer it is")
        return self

    @property
    def dimension(self) -> Dimension | None:
        """Dimension of the answer; None for words and bare numbers."""
        return next((dimension for dimension in Dimension if dimension.title == self.answer), None)


class Soak(Step):
    """Wait until everything has one temperature."""

    do: Literal["soak"]
    at_least: Time = Field(description="How long, where nothing is watched that shows that less is enough.")
    within: Length | None = Field(
        None,
        description="What may still be to come of the reading when the soak ends. Where the reading is watched, the "
        "soak ends as soon as that is so, and not before; before its time only when it was watched for as long as a "
        "part of this size may take to cool in still air.",
    )
    within_temperature: TemperatureDifference | None = Field(
        None, description="The same for temperatures, where thermometers are watched."
    )

    @model_validator(mode="after")
    def _above_zero(self) -> Self:
        for key, limit in (("within", self.within), ("within_temperature", self.within_temperature)):
            if limit is not None and limit <= 0.0:
                raise refuse(f"{key} = {limit:g}", "more than zero", "say how much may still be to come")
        return self


class TemperatureStep(Step):
    """Read a thermometer."""

    do: Literal["temperature"]
    of: Literal["part", "reference", "plate", "air"] = Field(
        description="What is measured: `part`, `reference`, the `plate` that they stand on, or `air`."
    )


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
    caution: str = Field("", description="What can hurt; shown before the first step of each round.")
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
    "Prepare | Ask | Soak | TemperatureStep | Zero | Check | Read | Repeat | Return | Compare",
    Field(discriminator="do"),
]


class Steps(Model):
    """Steps and nothing else, as a fragment has them."""

    steps: tuple[AnyStep, ...] = Field(min_length=1)


def prompts_of(steps: tuple[AnyStep, ...]) -> int:
    """How many answers the steps ask for; a batch counts as two parts."""
    count = 0
    for step in steps:
        if isinstance(step, Repeat):
            count += (step.times or 2) * prompts_of(step.steps)
        else:
            count += step.times if isinstance(step, Zero | Check | Read | Return) else 1
    return count


def not_endless(steps: tuple[AnyStep, ...]) -> tuple[AnyStep, ...]:
    """The steps, if a person could ever come to their end."""
    # More than a day's work, at ten seconds an answer: repeats within repeats that were not meant.
    if (count := prompts_of(steps)) > _MOST_PROMPTS:
        raise refuse(f"steps that ask {count} times", f"at most {_MOST_PROMPTS} times", "look at times of the repeats")
    return steps


_MOST_PROMPTS = 10_000


def numbered(steps: tuple[AnyStep, ...], path: KeyPath = ("steps",)) -> Iterator[tuple[KeyPath, AnyStep]]:
    """All steps in the order of the file with their paths, those inside a repeat once."""
    for index, step in enumerate(steps):
        here: KeyPath = (*path, index)
        yield here, step
        if isinstance(step, Repeat):
            yield from numbered(step.steps, (*here, "steps"))


def walk(steps: tuple[AnyStep, ...]) -> Iterator[AnyStep]:
    """All steps in the order of the file, those inside a repeat once."""
    for _, step in numbered(steps):
        yield step
