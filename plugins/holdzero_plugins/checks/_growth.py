"""How much part, reference and check standard have grown since 20 °C, as far as a routine and its run tell.

Temperatures come from temperature steps where the routine has them, else from `[checks.thermal]`; expansions from
there, else from the table of materials. All checks that compare lengths take their growth from here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from pydantic import ValidationError

from holdzero.hooks import (
    REFERENCE_TEMPERATURE_DEGC,
    Estimate,
    Input,
    Number,
    RunView,
    TemperatureTaken,
    mean,
    pooled_standard_deviation,
    shown_difference_um,
    thermal_correction_um,
)
from holdzero_plugins.checks._soaked import as_soaked, both_measured, left_of
from holdzero_plugins.checks._thermal_settings import ThermalSettings


def thermal_settings(run: RunView) -> ThermalSettings | None:
    """`[checks.thermal]` as another check reads it; None where the routine refers nothing to 20 °C."""
    table = run.routine.checks.get("thermal")
    try:
        return None if table is None else ThermalSettings.model_validate(table)
    except ValidationError:
        return None  # the table of somebody else's check of that name


# --- what is known ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Known:
    """Inputs by name, and what follows from them: a number from the numbers of the inputs."""

    inputs: tuple[Input, ...]
    number: Callable[[Mapping[str, Number]], Number]

    @property
    def estimate(self) -> Number:
        """The number at the estimates of the inputs."""
        return self.number({item.name: item.estimate.value for item in self.inputs})


def joined(function: Callable[..., Number], *known: Known) -> Known:
    """What follows from several that are known; inputs of one name are one."""
    # By name, as the model goes by it: an input whose estimate is an array has no hash.
    inputs = {item.name: item for one in known for item in one.inputs}
    numbers = tuple(one.number for one in known)
    return Known(tuple(inputs.values()), lambda at: function(*(number(at) for number in numbers)))


def stated(name: str, estimate: Estimate, unit: str) -> Known:
    """What a routine states."""
    item = Input(name=name, estimate=estimate, unit=unit, evaluation="B", why=estimate.why or "stated in the routine")
    return Known((item,), lambda at: at[name])


def _sum(one: Number, other: Number) -> Number:
    return one + other


def _less(one: Number, other: Number) -> Number:
    return one - other


def _times(one: Number, other: Number) -> Number:
    return one * other


# --- temperatures -----------------------------------------------------------------------------


def _temperature(settings: ThermalSettings, run: RunView, of: str) -> Known | None:
    """Of the part or the reference [degC]."""
    measured = _measured(run, of)
    if measured is not None:
        return measured
    told = settings.part_temperature if of == "part" else settings.reference_temperature
    return None if told is None else stated(f"temperature of the {of}", told, "degC")


def _measured(run: RunView, of: str) -> Known | None:
    """A temperature from its steps: mean of the readings, less the error of the thermometer."""
    taken = [t for t in run.temperatures if t.slot.of == of]
    if not taken:
        return None
    values = [t.value_degC for t in taken]
    s, dof = pooled_standard_deviation([values])
    standard = s / len(values) ** 0.5
    why = f"mean of {len(values)} temperature steps"
    estimate = Estimate.of(mean(values), standard, dof=dof) if dof else Estimate.exact(mean(values))
    name = f"temperature of the {of}"
    known = Known((Input(name=name, estimate=estimate, unit="degC", evaluation="A", why=why),), lambda at: at[name])
    for error, share in _errors(run, taken):
        known = joined(partial(_less_a_share, share), known, _itself(error))
    return known


def _errors(run: RunView, taken: Sequence[TemperatureTaken]) -> Iterable[tuple[Input, float]]:
    """The errors in the mean of a body's temperatures, each with the share of the readings that it is in.

    That of the thermometer in use is one for all bodies, so that it falls out of a difference. A logger may have a
    sensor for each: an error of its own for each body, as large as the largest of its rows.
    """
    logged = [t.error for t in taken if t.error is not None]
    if logged:
        of = taken[0].slot.of
        error = max(logged, key=lambda one: float(np.max(one.standard_uncertainty)))
        why = error.why or "stated by the logger's file"
        item = Input(name=f"error of the logger, {of}", estimate=error, unit="K", evaluation="B", why=why)
        yield item, len(logged) / len(taken)
    if run.thermometer is not None and len(logged) < len(taken):
        why = run.thermometer.error.why or f"thermometer {run.thermometer.id or run.thermometer.name}".strip()
        error = run.thermometer.error
        item = Input(name="error of the thermometer", estimate=error, unit="K", evaluation="B", why=why)
        yield item, 1.0 - len(logged) / len(taken)


def _itself(item: Input) -> Known:
    return Known((item,), lambda at: at[item.name])


def _less_a_share(share: float, number: Number, error: Number) -> Number:
    return number - share * error


def _widened(apart: Known, difference: Known) -> Known:
    """A measured difference with the uncertainty that the routine states for it: gradients, the thermometer's steps."""
    told = difference.inputs[0]
    parts = tuple(replace(part, value=0.0) for part in told.estimate.parts)
    name = f"{told.name}, as stated"
    spread = replace(told, name=name, estimate=replace(told.estimate, parts=parts))
    return joined(_sum, apart, Known((spread,), lambda at: at[name]))


def above_20(known: Known) -> Known:
    """A temperature less 20 °C [K]."""
    return Known(known.inputs, lambda at: known.number(at) - REFERENCE_TEMPERATURE_DEGC)


# --- expansions -------------------------------------------------------------------------------


def expansion_of(run: RunView, what: str, told: Estimate | None, material: str) -> Known | None:
    """Of one body [1/K]: what the routine states, else what its material has; None where neither is known."""
    name = f"expansion of the {what}"
    if told is not None:
        return stated(name, told, "1/K")
    row = run.materials.get(material)
    if row is None or row.expansion is None:
        return None
    why = f"{material}: {row.expansion.why}"
    return Known((Input(name=name, estimate=row.expansion, unit="1/K", evaluation="B", why=why),), lambda at: at[name])


# --- together ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Bodies:
    """Part and reference, each as far as it is known.

    Attributes:
        above_K: θ, the part's temperature less 20 °C [K].
        warmer_K: δθ, part less reference [K].
        reference_above_K: θ_ref, the reference's temperature less 20 °C [K].
        expansion: α of the part [1/K].
        reference_expansion: α_ref [1/K].
    """

    above_K: Known | None  # noqa: N815  the unit's own capital
    warmer_K: Known | None  # noqa: N815  the unit's own capital
    reference_above_K: Known | None  # noqa: N815  the unit's own capital
    expansion: Known | None
    reference_expansion: Known | None

    @property
    def expands_more(self) -> Known | None:
        """δα, part less reference [1/K]."""
        if self.expansion is None or self.reference_expansion is None:
            return None
        return joined(_less, self.expansion, self.reference_expansion)

    @property
    def growth(self) -> Known | None:
        """α·θ of the part [1]."""
        return growth(self.expansion, self.above_K)

    @property
    def reference_growth(self) -> Known | None:
        """α_ref·θ_ref of the reference [1]."""
        return growth(self.reference_expansion, self.reference_above_K)


def growth(expansion: Known | None, above: Known | None) -> Known | None:
    """By how much a body has grown since 20 °C [1], from its expansion [1/K] and temperature less 20 °C [K].

    Source: ISO 1; JCGM 100:2008, H.1.2, linear expansion.
    """
    return None if expansion is None or above is None else joined(_times, above, expansion)


def bodies_of(settings: ThermalSettings, run: RunView) -> Bodies:
    """What is known of part and reference."""
    above, warmer, reference_above = _temperatures(settings, run)
    reference_material = run.reference.material if run.reference else ""
    reference = expansion_of(run, "reference", settings.reference_expansion, reference_material)
    return Bodies(
        above_K=above,
        warmer_K=warmer,
        reference_above_K=reference_above,
        expansion=_of_the_part(settings, run, reference),
        reference_expansion=reference,
    )


@dataclass(frozen=True, slots=True)
class Bench:
    """The length model at the estimates of a run, for a check that needs no uncertainty.

    Attributes:
        reference_um: certified length of the reference at 20 °C [um].
        growth: α·θ of the part [1].
        reference_growth: the same of the reference [1].
        known: whether they are known; where not, everything is taken as it is at the bench.
    """

    reference_um: Number
    growth: Number = 0.0
    reference_growth: Number = 0.0
    known: bool = False

    def length_um(self, difference_um: Number) -> Number:
        """Length at 20 °C of what reads this much more than the reference [um]."""
        correction = thermal_correction_um(difference_um, self.growth, self.reference_um, self.reference_growth)
        return self.reference_um + difference_um + correction

    def shows_um(self, length_um: Number) -> Number:
        """How much more than the reference a length at 20 °C reads [um]."""
        return shown_difference_um(length_um, self.growth, self.reference_um, self.reference_growth)


def bench_of(run: RunView) -> Bench | None:
    """The length model of a run; without `[checks.thermal]`, or where growth is not known, nothing has grown.

    None while no reference is chosen.
    """
    if run.reference is None:
        return None
    reference_um, thermal = run.reference.size + run.reference.deviation.value, thermal_settings(run)
    bodies = None if thermal is None else bodies_of(thermal, run)
    if bodies is None or bodies.growth is None or bodies.reference_growth is None:
        return Bench(reference_um)
    return Bench(reference_um, bodies.growth.estimate, bodies.reference_growth.estimate, known=True)


def _temperatures(settings: ThermalSettings, run: RunView) -> tuple[Known | None, Known | None, Known | None]:
    """θ, δθ and θ_ref [K]. What two of them and the third come from is the same: δθ = θ − θ_ref."""
    part, reference = (_temperature(settings, run, of) for of in ("part", "reference"))
    told = settings.difference if both_measured(run) else as_soaked(settings, run)
    difference = None if told is None else stated("temperature, part less reference", told, "K")
    left = left_of(settings, run)
    if difference is not None and left is not None:
        after = stated("temperature, part less reference, left by the soak", left.estimate, "K")
        difference = joined(_sum, difference, after)
    if part is not None and reference is not None:
        apart = joined(_less, part, reference)
        difference = apart if difference is None else _widened(apart, difference)
    elif part is None and reference is not None and difference is not None:
        part = joined(_sum, reference, difference)
    above = None if part is None else above_20(part)
    if above is not None and difference is not None:
        return above, difference, joined(_less, above, difference)
    return above, None, None if reference is None else above_20(reference)


def _of_the_part(settings: ThermalSettings, run: RunView, reference: Known | None) -> Known | None:
    """α = α_ref + δα where the difference is known, else the part's own."""
    if settings.expansion_difference is not None and reference is not None:
        more = stated("expansion, part less reference", settings.expansion_difference, "1/K")
        return joined(_sum, reference, more)
    return expansion_of(run, "part", settings.part_expansion, run.routine.part.material)
