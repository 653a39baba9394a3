"""Clean: wipe and look, with the caution that a solvent needs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import Field

from holdzero.hooks import Settings, StepKind, hookimpl

_CAUTION = (
    "Cleaning solvent is flammable: no flame, no sparks, ventilate, gloves on; follow its safety sheet and local rules."
)


class CleanSettings(Settings):
    """`do = "clean"`."""

    what: str = Field("plate, reference and part", description="What is cleaned.")
    solvent: bool = Field(True, strict=True, description="Whether a solvent is used; its caution is shown then.")
    say: str = Field("", description="What the inspector is told, in place of the usual words.")
    caution: str = Field("", description="What can hurt besides the solvent; shown before the step.")


def steps(settings: CleanSettings) -> Sequence[Mapping[str, Any]]:
    """One preparing step that checks know as `clean`."""
    cloth = "a lint-free cloth and solvent" if settings.solvent else "a dry lint-free cloth"
    usual = (
        f"Wipe {settings.what} with {cloth}. Look along the surface for lint, burrs, rust and ink. "
        "Hold everything with gloves or tongs from here on."
    )
    caution = " ".join(word for word in (_CAUTION if settings.solvent else "", settings.caution) if word)
    return [{"do": "prepare", "name": "clean", "say": settings.say or usual, "caution": caution}]


@hookimpl
def holdzero_steps() -> Sequence[StepKind]:
    """The cleaning step."""
    return [StepKind(name="clean", title="wipe and look, with its caution", settings=CleanSettings, steps=steps)]
