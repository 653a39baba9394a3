"""Thermal check: the size at the bench's temperatures becomes the size at 20 °C (ISO 1).

Temperatures come from temperature steps where the routine has them, else from its settings;
expansion coefficients from the settings, else from the table of materials.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from pydantic import Field

from holdzero.hooks import (
    CharacteristicView,
    Check,
    Estimate,
    ExpansionEstimate,
    Finding,
    Input,
    Level,
    Number,
    RunView,
    Settings,
    Temperature,
    TemperatureDifference,
    TemperatureDifferenceEstimate,
    TemperatureEstimate,
    TemperatureTaken,
    Term,
    exceeds,
    hookimpl,
    mean,
    pooled_standard_deviation,
    reference_deviation,
    shown,
)
from holdzero_plugins.checks import _tables

REFERENCE_TEMPERATURE_DEGC = 20.0  # ISO 1:2022, standard reference temperature
_FINEST_K = 1e-3  # no thermometer at a bench shows finer steps (common practice, no source)


class ThermalSettings(Settings):
    """`[checks.thermal]`."""

    part_temperature: TemperatureEstimate | None = Field(None, description="Of the part, where no step measures it.")
    reference_temperature: TemperatureEstimate | None = Field(
        None, description="Of the reference, where no step measures it."
    )
    difference: TemperatureDifferenceEstimate | None = Field(
        None,
        description="Part less reference, where one of the two temperatures is not known by itself; where both are "
        "measured, its uncertainty is added to theirs.",
    )
    part_expansion: ExpansionEstimate | None = Field(None, description="Of the part, in place of the table's.")
    reference_expansion: ExpansionEstimate | None = Field(
        None, description="Of the reference, in place of the table's."
    )
    expansion_difference: ExpansionEstimate | None = Field(
        None, description="Part less reference, where it is better known than the two."
    )
    lowest: Temperature | None = Field(None, description="No temperature may be lower.")
    highest: Temperature | None = Field(None, description="No temperature may be higher.")
    largest_difference: TemperatureDifference | None = Field(
        None, description="Part and reference may not differ by more."
    )


@dataclass(frozen=True, slots=True)
class _Known:
    """Inputs by name, and what follows from them: a number from the numbers of the inputs."""

    inputs: tuple[Input, ...]
    number: Callable[[Mapping[str, Number]], Number]


def _from_settings(name: str, estimate: Estimate, unit: str) -> _Known:
    item = Input(name=name, estimate=estimate, unit=unit, evaluation="B", why=estimate.why or "stated in the routine")
    return _Known((item,), lambda at: at[name])


def _measured(run: RunView, of: str) -> _Known | None:
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
    read = Input(name=name, estimate=estimate, unit="degC", evaluation="A", why=why)
    if run.thermometer is None:
        return _Known((read,), lambda at: at[name])
    error = Input(
        name="error of the thermometer",
        estimate=run.thermometer.error,
        unit="K",
        evaluation="B",
        why=run.thermometer.error.why or f"thermometer {run.thermometer.id or run.thermometer.name}".strip(),
    )
    return _Known((read, error), lambda at: at[name] - at[error.name])


def _temperatures(settings: ThermalSettings, run: RunView) -> tuple[_Known, _Known] | None:
    """Part's temperature less 20 °C [K], and part less reference [K]; None where they can't be known."""
    part = _measured(run, "part") or (
        _from_settings("temperature of the part", settings.part_temperature, "degC")
        if settings.part_temperature
        else None
    )
    reference = _measured(run, "reference") or (
        _from_settings("temperature of the reference", settings.reference_temperature, "degC")
        if settings.reference_temperature
        else None
    )
    difference = (
        _from_settings("temperature, part less reference", settings.difference, "K") if settings.difference else None
    )
    if part is not None and reference is not None:
        at_part, at_reference = part.number, reference.number
        names = {item.name for item in part.inputs}
        both = (*part.inputs, *(item for item in reference.inputs if item.name not in names))
        apart = _Known(both, lambda at: at_part(at) - at_reference(at))
        return _above_20(part), apart if difference is None else _widened(apart, difference)
    if difference is None:
        return None
    if part is not None:
        return _above_20(part), difference
    if reference is not None:
        at_reference, at_difference = reference.number, difference.number
        inputs = (*reference.inputs, *difference.inputs)
        return _above_20(_Known(inputs, lambda at: at_reference(at) + at_difference(at))), difference
    return None


def _widened(apart: _Known, difference: _Known) -> _Known:
    """A measured difference with the uncertainty that the routine states for it: gradients, the thermometer's steps."""
    stated = difference.inputs[0]
    parts = tuple(replace(part, value=0.0) for part in stated.estimate.parts)
    spread = replace(stated, name=f"{stated.name}, as stated", estimate=replace(stated.estimate, parts=parts))
    number = apart.number
    return _Known((*apart.inputs, spread), lambda at: number(at) + at[spread.name])


def _above_20(known: _Known) -> _Known:
    number = known.number
    return _Known(known.inputs, lambda at: number(at) - REFERENCE_TEMPERATURE_DEGC)


def _expansion(run: RunView, name: str, stated: Estimate | None, material: str) -> _Known | None:
    if stated is not None:
        return _from_settings(name, stated, "1/K")
    row = run.materials.get(material)
    if row is None or row.expansion is None:
        return None
    why = f"{material}: {row.expansion.why}"
    item = Input(name=name, estimate=row.expansion, unit="1/K", evaluation="B", why=why)
    return _Known((item,), lambda at: at[name])


def _expansions(settings: ThermalSettings, run: RunView) -> tuple[_Known, _Known] | None:
    """Reference's expansion [1/K], and part less reference [1/K]; None where they can't be known."""
    material = run.reference.material if run.reference else ""
    reference = _expansion(run, "expansion of the reference", settings.reference_expansion, material)
    if reference is None:
        return None
    if settings.expansion_difference is not None:
        return reference, _from_settings("expansion, part less reference", settings.expansion_difference, "1/K")
    part = _expansion(run, "expansion of the part", settings.part_expansion, run.routine.part.material)
    if part is None:
        return None
    at_part, at_reference = part.number, reference.number
    return reference, _Known((*part.inputs, *reference.inputs), lambda at: at_part(at) - at_reference(at))


def correction(settings: ThermalSettings, run: RunView, characteristic: CharacteristicView) -> Iterable[Term]:
    """Correction of a size to 20 °C [um]; a variation or a step within one part needs none.

    Source: JCGM 100:2008, H.1, eq. (H.3): −l_S(δα·θ + α_S·δθ).
    """
    temperatures, expansions = _temperatures(settings, run), _expansions(settings, run)
    if not characteristic.common_weight or run.reference is None or temperatures is None or expansions is None:
        return
    (theta, delta_theta), (alpha, delta_alpha) = temperatures, expansions
    deviation, size = reference_deviation(run.reference), run.reference.size
    # By name, as the model goes by it: an input whose estimate is an array has no hash.
    all_inputs = (deviation, *theta.inputs, *delta_theta.inputs, *alpha.inputs, *delta_alpha.inputs)
    inputs = tuple({item.name: item for item in all_inputs}.values())
    names = tuple(item.name for item in inputs)

    def function(*numbers: Number) -> Number:
        at = dict(zip(names, numbers, strict=True))
        length = size + at[deviation.name]
        # JCGM 100:2008, H.1.2, eq. (H.3)
        return -length * (delta_alpha.number(at) * theta.number(at) + alpha.number(at) * delta_theta.number(at))

    at_estimates = {item.name: item.estimate.value for item in inputs}
    yield Term(
        name="correction to 20 degC",
        inputs=inputs,
        function=function,
        words=_in_words(theta.number(at_estimates), delta_theta.number(at_estimates), delta_alpha.number(at_estimates)),
        source="ISO 1; JCGM 100:2008, H.1.2, eq. (H.3): −l_S·(δα·θ + α_S·δθ)",
    )


def _in_words(theta: Number, delta_theta: Number, delta_alpha: Number) -> str:
    """Why the correction has its sign, for a run at the bench."""
    if any(np.ndim(number) for number in (theta, delta_theta, delta_alpha)):
        return ""
    parts = []
    if delta_theta:
        warmer, length, mend = ("warmer", "long", "subtract") if delta_theta > 0.0 else ("colder", "short", "add")
        gap = shown(np.abs(delta_theta))
        parts.append(f"the part is {gap} K {warmer} than the reference, so it reads {length}: {mend}")
    if theta and delta_alpha:
        grows = "more" if delta_alpha > 0.0 else "less"
        side, mend = "above" if theta > 0.0 else "below", "subtract" if theta * delta_alpha > 0.0 else "add"
        parts.append(
            f"the part expands {grows} than the reference and is {shown(np.abs(theta))} K {side} 20 °C: {mend}"
        )
    return "; ".join(parts) or "part and reference have one temperature and one expansion: nothing to correct"


def _limits(settings: ThermalSettings, taken: Sequence[TemperatureTaken]) -> Iterable[Finding]:
    for item in taken:
        for limit, side, sign in ((settings.lowest, "below", -1.0), (settings.highest, "above", 1.0)):
            if limit is None:
                continue
            yield Finding(
                level=Level.STOP,
                code=f"thermal/{side}",
                text=f"The {item.slot.of} has {shown(item.value_degC, 4)} degC, {side} the limit of {limit:.4g} degC.",
                data={"temperature_degC": float(np.mean(item.value_degC)), "limit_degC": limit},
                holds=exceeds(sign * item.value_degC, sign * limit, _FINEST_K),
            )


def _seen_in_the_soak(settings: ThermalSettings, run: RunView) -> Iterable[Finding]:
    """What thermometers showed at the end of the last soak, where the routine counts on another difference.

    Source of the allowance: thermometers that nobody states may differ by some tenths of a kelvin (common practice,
    no source).
    """
    outlooks = run.soaks[-1].outlooks if run.soaks else ()
    seen = next((outlook for outlook in outlooks if outlook.of == _BETWEEN), None)
    if seen is None or settings.difference is None:
        return
    own = float(run.thermometer.error.standard_uncertainty) if run.thermometer is not None else _UNSTATED_K
    stated, u = float(settings.difference.value), float(settings.difference.standard_uncertainty)
    side = "warmer" if seen.now > stated else "colder"
    later = [reading for reading in run.readings if reading.seq > run.soaks[-1].seq]
    then = (
        f"The first reading came {(later[0].time_s - run.soaks[-1].time_s) / 60.0:.0f} min after it."
        if later
        else "Were they left long enough? Wait until the two agree, before the zero."
    )
    yield Finding(
        level=Level.DOUBT,
        code="thermal/soak",
        text=f"At the end of the soak the part was {shown(abs(seen.now))} K {side} than the reference; the routine "
        f"counts on {shown(stated)} K, with a standard uncertainty of {shown(u)} K. {then}",
        data={"difference_K": seen.now, "stated_K": stated},
        holds=abs(seen.now - stated) > _FAR * (u**2 + 2.0 * own**2) ** 0.5,
    )


_BETWEEN = "part less reference"
_UNSTATED_K, _FAR = 0.1, 3.0


def watch(settings: ThermalSettings, run: RunView) -> Iterable[Finding]:
    """Tell at once when a temperature is outside the routine's limits, or not what it counts on after a soak."""
    yield from _limits(settings, run.temperatures)
    if run.soaks and not any(reading.seq > run.soaks[-1].seq for reading in run.readings):
        yield from _seen_in_the_soak(settings, run)


def judge(settings: ThermalSettings, run: RunView, characteristics: Sequence[CharacteristicView]) -> Iterable[Finding]:
    """Limits of the environment; and a size whose temperatures or expansions nobody knows is undecided."""
    yield from _limits(settings, run.temperatures)
    yield from _seen_in_the_soak(settings, run)
    if run.temperatures and run.thermometer is None:
        text = "Temperatures were measured with a thermometer that the routine does not state: they count as exact."
        yield Finding(level=Level.DOUBT, code="thermal/thermometer", text=text)
    temperatures = _temperatures(settings, run)
    if temperatures is not None and settings.largest_difference is not None:
        known = temperatures[1]
        difference = known.number({item.name: item.estimate.value for item in known.inputs})
        yield Finding(
            level=Level.STOP,
            code="thermal/difference",
            text=f"Part and reference differ by {shown(difference)} K; at most {settings.largest_difference:.2g} K is "
            "allowed. Let them soak longer.",
            holds=exceeds(np.abs(difference), settings.largest_difference, _FINEST_K),
        )
    if not any(c.common_weight for c in characteristics):
        return
    if temperatures is None:
        text = (
            "The temperatures are not known: measure part and reference, or state part_temperature and difference in "
            "[checks.thermal]."
        )
        yield Finding(level=Level.STOP, code="thermal/temperature", text=text)
    if _expansions(settings, run) is None:
        materials = [name for name, row in run.materials.items() if row.expansion is not None]
        names = f"part {run.routine.part.material or 'not stated'}, reference "
        names += run.reference.material or "not stated" if run.reference else "not chosen"
        text = (
            f"The expansion is not known ({names}): use a material that is known ({', '.join(materials)}), "
            "or state it in [checks.thermal]."
        )
        yield Finding(level=Level.STOP, code="thermal/expansion", text=text)


@hookimpl
def holdzero_checks() -> Sequence[Check]:
    """The thermal check."""
    return [
        Check(
            name="thermal",
            title="correction to 20 degC, and limits of temperature",
            settings=ThermalSettings,
            watch=watch,
            terms=correction,
            judge=judge,
            validate=_tables.thermal,
            arrays=True,
        )
    ]
