"""Clean: wipe and look, with the cautions that a solvent and burrs need."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Self

from pydantic import Field, model_validator

from holdzero.hooks import Settings, StepKind, hookimpl, refuse

_SOLVENT = (
    "Cleaning solvent is flammable and harms skin, eyes and lungs: no flame, spark or hot lamp; fresh air, gloves, "
    "glasses; used cloths into a closed metal bin."
)
_EDGES = "Burrs cut: look, do not feel. Safety sheets and local rules come before this text."


class CleanSettings(Settings):
    """`do = "clean"`."""

    what: str = Field("plate, reference and part", description="What is cleaned.")
    solvent: bool = Field(True, strict=True, description="Whether a solvent is used; its caution is shown then.")
    say: str = Field("", description="What the inspector is told, in place of the usual words.")
    caution: str = Field("", description="What can hurt besides solvent and burrs; shown before the step.")

    @model_validator(mode="after")
    def _says_what(self) -> Self:
        if self.say and "what" in self.model_fields_set:
            raise refuse("what beside say", "one of them: say takes the place of the words that name it", "drop one")
        return self


def steps(settings: CleanSettings) -> Sequence[Mapping[str, Any]]:
    """One preparing step that checks know as `clean`."""
    cloth = "a lint-free cloth and solvent" if settings.solvent else "a dry lint-free cloth"
    usual = (
        f"Wipe {settings.what} with {cloth}. Look along the surface for lint, burrs, rust and ink. "
        "Hold everything with gloves or tongs from here on."
    )
    caution = " ".join(word for word in (_SOLVENT if settings.solvent else "", _EDGES, settings.caution) if word)
    return [{"do": "prepare", "name": "clean", "say": settings.say or usual, "caution": caution}]


@hookimpl
def holdzero_steps() -> Sequence[StepKind]:
    """The cleaning step."""
    return [StepKind(name="clean", title="wipe and look, with its cautions", settings=CleanSettings, steps=steps)]
