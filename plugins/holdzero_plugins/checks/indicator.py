"""Indicator check: what the dial and its stand add to a difference, beyond scatter and resolution.

`[checks.indicator]` has these keys; all may be left out:

- `hysteresis`: half-width of what a difference may be off by the direction of approach, carried as
  uncertainty; `approach = "same"` says that every reading was approached from one side, and then it
  is noted and not carried;
- `table`: errors of the indicator from its certificate, `{ at = "20 um", error = "+0.1 um" }` each,
  in rising order; between two points the error is on the straight line, beyond the ends it is not
  known. The difference of the errors at reading and zero is taken out, and `table_error` (an
  estimate about zero) is the uncertainty of such a difference;
- `tilt`: angle between plunger and measured length, an estimate about zero, all of it in one plane.
  The plunger travels further than the length changes: true travel = travel shown · cos(tilt);
- `deflection`: how far the stand gives way per newton; `force_change`: by how much the contact force
  on the part differs from that on the reference, an estimate about zero. A known change between the
  comparator's force and a reading's own counts too.

What `comparator.error` holds must not be stated here once more. The resolution is no part of this
check: repeatability carries it, as the floor of the scatter.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from typing import Annotated, Literal, Self, TypeAlias, assert_never

import numpy as np
from numpy.typing import NDArray
from pydantic import BeforeValidator, Field, WithJsonSchema, model_validator

from holdzero.hooks import (
    AngleError,
    CharacteristicView,
    Check,
    ComplianceEstimate,
    Estimate,
    Finding,
    ForceEstimate,
    Input,
    Length,
    LengthError,
    Level,
    Number,
    Reading,
    RunView,
    Settings,
    Shape,
    Size,
    SlotKind,
    Term,
    exceeds,
    hookimpl,
    refuse,
)
from holdzero_plugins.checks import _tables


def _about_zero(raw: object) -> object:
    """A change of force may leave its value out; it is then zero."""
    if isinstance(raw, list):
        return [_about_zero(item) for item in raw]
    return {"value": "0 N", **raw} if isinstance(raw, Mapping) else raw


ForceError: TypeAlias = Annotated[
    ForceEstimate, BeforeValidator(_about_zero), WithJsonSchema({"title": "estimate of a force, about zero"})
]


class ErrorPoint(Settings):
    """A row of `table`."""

    at: Length = Field(description="What the indicator shows.")
    error: Length = Field(description="Shown less true.")


class IndicatorSettings(Settings):
    """`[checks.indicator]`."""

    hysteresis: Size | None = Field(None, description="Half-width of a difference's error by direction of approach.")
    approach: Literal["same", "either"] = Field("either", description="From which side readings are approached.")
    table: tuple[ErrorPoint, ...] = Field((), description="Errors of the indicator, in rising order of `at`.")
    table_error: LengthError | None = Field(None, description="Error of a difference of two errors of the table.")
    tilt: AngleError | None = Field(None, description="Angle between plunger and measured length.")
    deflection: ComplianceEstimate | None = Field(None, description="How far the stand gives way per newton.")
    force_change: ForceError | None = Field(None, description="Contact force on the part less that on the reference.")

    @model_validator(mode="after")
    def _table_can_be_read(self) -> Self:
        if len(self.table) == 1:
            raise refuse("a table of one point", "two points or more", "add the other end of the range")
        if any(after.at <= before.at for before, after in pairwise(self.table)):
            raise refuse("a table out of order", "points in rising order, each once", "sort them, drop doubles")
        if self.table_error is not None and not self.table:
            raise refuse("table_error without table", "both or neither", "add table, or drop table_error")
        return self

    @model_validator(mode="after")
    def _change_has_a_stand(self) -> Self:
        if self.force_change is not None and self.deflection is None:
            raise refuse("force_change without deflection", "both, or deflection alone", "add deflection")
        return self


def _input(name: str, estimate: Estimate, unit: str) -> Input:
    why = estimate.why or "stated in the routine"
    return Input(name=name, estimate=estimate, unit=unit, evaluation="B", why=why)


# --- table of errors --------------------------------------------------------------------------


def _error_um(settings: IndicatorSettings, shown_um: Number) -> Number:
    """Error at what the indicator shows [um], on straight lines between the points of the table."""
    at, errors = [point.at for point in settings.table], [point.error for point in settings.table]
    error: Number = np.interp(shown_um, at, errors)
    return error


def shown_um(settings: IndicatorSettings, should_um: Number) -> Number:
    """What an indicator with the errors of its table shows where it should show so much from its zero [um].

    It shows s where s − e(s) is the way from where it is set to zero: linear between the points, as it is taken out.
    """
    if not settings.table:
        return should_um
    way = should_um - _error_um(settings, 0.0)
    true = [point.at - point.error for point in settings.table]
    return way + np.interp(way, true, [point.error for point in settings.table])


def _outside(settings: IndicatorSettings, run: RunView, shown_um: Number) -> NDArray[np.bool_]:
    below = exceeds(settings.table[0].at, shown_um, run.resolution_um)
    return np.logical_or(below, exceeds(shown_um, settings.table[-1].at, run.resolution_um))


def _by_table(settings: IndicatorSettings, run: RunView, c: CharacteristicView) -> Iterable[Term]:
    """Errors of the table at the readings, less those at their zeros [um].

    Source: the indicator's certificate; linear between its points (common practice, no source).
    """
    total: Number = 0.0
    for reading, weight in zip(c.readings, c.weights, strict=True):
        error = _error_um(settings, reading.value_um) - _error_um(settings, run.zero_um(reading.zero))
        total = total + weight * error
    why = f"{len(settings.table)} points, on straight lines between them; at each reading less at its zero"
    known = Estimate.exact(total, why)
    inputs = (
        _input(f"error by the table, {c.name}", known, "um"),
        _input("error of the table", settings.table_error or Estimate.exact(0.0, "taken as exact"), "um"),
    )
    yield Term(
        name="error of the indicator by its table",
        inputs=inputs,
        function=lambda error, own: -error - own,
        words=f"by its table the indicator shows {run.length(total, sign=True)} too much for this difference: subtract",
        source="the indicator's certificate, linear between its points",
    )


# --- tilt -------------------------------------------------------------------------------------


def _fourth_cumulant(shape: Shape, standard: float, halfwidth: float, inner: float) -> float:
    """Fourth central moment less 3 standard⁴, in the fourth power of their unit; it is additive.

    Source: moments of the distributions of JCGM 101:2008, Table 1 (worked out).
    """
    match shape:
        case Shape.EXACT | Shape.NORMAL:
            return 0.0
        case Shape.RECTANGULAR:
            return -6.0 / 5.0 * standard**4
        case Shape.TRIANGULAR:
            return -3.0 / 5.0 * standard**4
        case Shape.ARCSINE:
            return -3.0 / 2.0 * standard**4
        case Shape.TRAPEZOID:
            # The sum of two rectangular ones, of half-widths (a ± inner)/2.
            wide, narrow = (halfwidth + inner) / 2.0, (halfwidth - inner) / 2.0
            return -2.0 / 15.0 * (wide**4 + narrow**4)
        case Shape.CURVILINEAR:
            # A half-width that is itself rectangular, a ± inner: E x⁴ = E w⁴/5.
            fourth = halfwidth**4 + 2.0 * halfwidth**2 * inner**2 + inner**4 / 5.0
            return fourth / 5.0 - 3.0 * standard**4
        case _:
            assert_never(shape)


def cosine_loss(tilt: Estimate) -> Estimate:
    """What a tilted plunger shows too much, as a share of its travel: 1 − cos θ ≈ θ²/2.

    Args:
        tilt: angle θ between plunger and measured length [rad], all of it in one plane.

    Returns:
        The share [1]: it is never negative, so that its expectation is not zero where θ's is.

    Source: JCGM 100:2008, F.2.4.4 (from memory): for a normal θ of standard deviation σ about
    zero expectation σ²/2 and variance σ⁴/2; a rectangular one of half-width a gives a²/6 and a⁴/45
    the same way.

    >>> round(1e6 * cosine_loss(Estimate.within(0.0, 0.03)).value, 6)
    150.0
    """
    center, u = float(tilt.value), float(tilt.standard_uncertainty)
    fourth = sum(
        _fourth_cumulant(part.shape, float(part.standard_uncertainty), part.halfwidth, part.inner)
        for part in tilt.parts
    )
    # Var θ² = κ₄ + 2σ⁴ + 4μ²σ² for a symmetric θ
    variance = (fourth + 2.0 * u**4 + 4.0 * center**2 * u**2) / 4.0
    why = tilt.why or "1 − cos(tilt), from its expectation and variance"
    # G.4.2: a standard uncertainty that goes as σ² has a quarter of σ's degrees of freedom.
    return Estimate.of((center**2 + u**2) / 2.0, variance**0.5, dof=tilt.dof / 4.0, why=why)


def _by_tilt(tilt: Estimate, run: RunView, c: CharacteristicView) -> Iterable[Term]:
    """The cosine error of the difference read [um].

    Source: JCGM 100:2008, F.2.4.4 (from memory).
    """
    read: Number = 0.0
    for reading, weight in zip(c.readings, c.weights, strict=True):
        read = read + weight * run.difference_um(reading)
    loss = _input("cosine loss", cosine_loss(tilt), "1")
    yield Term(
        name="tilt of the plunger",
        inputs=(loss,),
        function=lambda share: -read * share,
        words=f"a tilted plunger travels further than the length changes: the {run.length(read, sign=True)} that was "
        "read is shortened",
        source="JCGM 100:2008, F.2.4.4",
    )


# --- stand ------------------------------------------------------------------------------------


def _known_change(run: RunView, c: CharacteristicView) -> Number:
    """Σ weight · (force of the reading − force of its zero) [N], as far as the routine states them."""
    base = run.comparator.force if run.comparator else None
    total: Number = 0.0
    for reading, weight in zip(c.readings, c.weights, strict=True):
        if base is not None and reading.slot.force_N is not None and reading.slot.force_N != base:
            total = total + weight * (reading.slot.force_N - base)
    return total


def _by_stand(deflection: Estimate, change: Estimate | None, run: RunView, c: CharacteristicView) -> Iterable[Term]:
    """The stand gives way: a larger force on the part lifts the indicator, and the part reads short [um].

    Source: Hooke's law; the sign follows from the force that acts on tip and stand.
    """
    known, common = _known_change(run, c), c.common_weight
    if not np.any(known) and (change is None or not common):
        return
    inputs = (
        _input("deflection of the stand", deflection, "um/N"),
        _input("change of the contact force", change or Estimate.exact(0.0, "none but what the routine says"), "N"),
    )
    yield Term(
        name="deflection of the stand",
        inputs=inputs,
        function=lambda per_newton, extra: per_newton * (known + common * extra),
        words="a larger force on the part than at the zero lifts the indicator, and the part reads short: add",
        source="Hooke's law",
    )


# --- the check --------------------------------------------------------------------------------


def corrections(settings: IndicatorSettings, run: RunView, characteristic: CharacteristicView) -> Iterable[Term]:
    """What indicator and stand add to a difference [um].

    Source: see each term; the half-width of hysteresis is rectangular by JCGM 100:2008, 4.3.7.
    """
    if settings.hysteresis is not None and settings.approach == "either":
        item = _input("hysteresis of the indicator", Estimate.within(0.0, settings.hysteresis), "um")
        yield Term(
            name="hysteresis of the indicator",
            inputs=(item,),
            function=lambda error: -error,
            words="readings may be approached from either side: carried, nothing to correct",
            source="JCGM 100:2008, 4.3.7",
        )
    if settings.table:
        yield from _by_table(settings, run, characteristic)
    if settings.tilt is not None:
        yield from _by_tilt(settings.tilt, run, characteristic)
    if settings.deflection is not None:
        yield from _by_stand(settings.deflection, settings.force_change, run, characteristic)


def _range(settings: IndicatorSettings, run: RunView) -> str:
    ends = (settings.table[0].at, settings.table[-1].at)
    return " to ".join(run.length(end, 3, sign=True) for end in ends)


def watch(settings: IndicatorSettings, run: RunView) -> Iterable[Finding]:
    """Tell at once when the indicator shows what its table does not reach."""
    last: Reading | None = run.readings[-1] if run.readings else None
    if not settings.table or last is None or last.kind not in (SlotKind.ZERO, SlotKind.READ):
        return
    yield Finding(
        level=Level.STOP,
        code=f"indicator/table/{last.seq}",
        text=f"The indicator shows {run.length(last.value_um, 3, sign=True)}; its table reaches from "
        f"{_range(settings, run)}. Wrong place on the dial? Strike this reading out and set the dial nearer to the "
        "middle; or go on, and what needs it is undecided.",
        holds=_outside(settings, run, last.value_um),
    )


def judge(
    settings: IndicatorSettings, run: RunView, characteristics: Sequence[CharacteristicView]
) -> Iterable[Finding]:
    """Readings beyond the table make their characteristic undecided; what is not carried is noted."""
    if settings.table:
        for c in characteristics:
            zeros = [zero for number in c.zero_weights() for zero in run.zeros(number)]
            for reading in (*c.readings, *zeros):
                yield Finding(
                    level=Level.STOP,
                    code="indicator/table",
                    text=f"{c.name}: the indicator showed {run.length(reading.value_um, 3, sign=True)}; its table "
                    f"reaches from {_range(settings, run)}.",
                    characteristic=c.name,
                    data={"read_um": float(np.mean(reading.value_um))},
                    holds=_outside(settings, run, reading.value_um),
                )
    if settings.hysteresis is not None and settings.approach == "same":
        size = run.length(settings.hysteresis)
        text = f"Hysteresis of {size} is not carried: every reading was approached from the same side."
        yield Finding(level=Level.NOTE, code="indicator/hysteresis", text=text)
    yield from _idle_stand(settings, run, characteristics)


def _idle_stand(
    settings: IndicatorSettings, run: RunView, characteristics: Sequence[CharacteristicView]
) -> Iterable[Finding]:
    if settings.deflection is None or settings.force_change is not None:
        return
    if not any(np.any(_known_change(run, c)) for c in characteristics):
        text = "The stand's deflection is stated and no change of force: nothing is carried for it. State force_change."
        yield Finding(level=Level.DOUBT, code="indicator/deflection", text=text)


@hookimpl
def holdzero_checks() -> Sequence[Check]:
    """The indicator check."""
    return [
        Check(
            name="indicator",
            title="hysteresis, errors by table, tilt, and the stand's deflection",
            settings=IndicatorSettings,
            watch=watch,
            terms=corrections,
            judge=judge,
            shows=shown_um,
            validate=_tables.indicator,
            arrays=True,
        )
    ]
