"""The process that makes the parts, as a routine states it: a mean and a spread, or a list of sizes."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from holdzero.process import GammaProcess, ListedProcess, NormalProcess, ProductionProcess
from holdzero.routine.fields import Length, Model, Size, refuse

__all__ = ["Process"]

_MOST = 10_000
_Count = Annotated[float, Field(strict=True, ge=0.0, le=1e9, allow_inf_nan=False)]


class Process(Model):
    """How the true sizes of the parts lie before they are measured, for the global risks and for `rehearse`."""

    shape: Literal["normal", "gamma"] = Field(
        "normal", description="`normal`; or `gamma`, for what can't be below a lowest value (form, run-out)."
    )
    value: Length | None = Field(None, description="Mean of the parts, with `standard`; or `values`.")
    standard: Size | None = Field(None, description="Standard deviation of the parts.")
    lowest: Length | None = Field(
        None, description='With `shape = "gamma"`: no part lies below it; zero where left out.'
    )
    values: tuple[Length, ...] | None = Field(
        None,
        min_length=1,
        max_length=_MOST,
        description="In place of `value`: sizes of parts, as a list. There are no others.",
    )
    counts: tuple[_Count, ...] | None = Field(
        None, description="How many parts have each of `values`, or what share; one each where left out."
    )
    why: str = Field("", description="Where it comes from.")

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        if self.values is not None:
            self._listed(self.values)
        else:
            self._with_a_spread()
        return self

    def _listed(self, values: tuple[float, ...]) -> None:
        others = ("shape", "value", "standard", "lowest")
        beside = [key for key in others if key in self.model_fields_set]
        if beside:
            raise refuse(f"values with {', '.join(beside)}", "values, or value and standard", "keep one of the two")
        if self.counts is not None and len(self.counts) != len(values):
            found = f"{len(self.counts)} counts for {len(values)} values"
            raise refuse(found, "as many counts as values", "give each value its count, in the same order")
        if self.counts is not None and not any(self.counts):
            raise refuse("no count above zero", "a count above zero", "say how many parts have each value")

    def _with_a_spread(self) -> None:
        if self.counts is not None:
            raise refuse("counts without values", "values beside them", "add values, or drop counts")
        for key in ("value", "standard"):
            if getattr(self, key) is None:
                mend = f'add {key} = "1.5 um", or list the sizes of parts: values = ["0.3 um", "0.8 um"]'
                raise refuse(f"no {key}", "the mean and the standard deviation of the parts", mend)
        if self.shape == "normal" and self.lowest is not None:
            raise refuse("lowest with shape = 'normal'", 'lowest with shape = "gamma"', "drop lowest, or add the shape")
        if self.shape == "gamma" and (self.value or 0.0) <= (self.lowest or 0.0):
            found = f"a mean of {self.value or 0.0:g} um, the lowest part at {self.lowest or 0.0:g} um"
            raise refuse(found, "a mean above the lowest part", "check both, and their signs")

    @property
    def distribution(self) -> ProductionProcess:
        """How the true sizes lie [um]."""
        if self.values is not None:
            return ListedProcess(values_um=self.values, counts=self.counts or (1.0,) * len(self.values))
        mean_um, standard_um = self.value or 0.0, self.standard or 0.0
        if self.shape == "gamma":
            return GammaProcess(lowest_um=self.lowest or 0.0, mean_um=mean_um, standard_um=standard_um)
        return NormalProcess(mean_um=mean_um, standard_um=standard_um)
