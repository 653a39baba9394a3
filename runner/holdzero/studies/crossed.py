"""Crossed gauge study by analysis of variance: parts × inspectors × trials, equally many in each cell.

Readings are in um and stand for any unit that parts are read in; squares are in its square.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holdzero.studies.intervals import Interval, deviation_interval
from holdzero.studies.layout import StudyError, check_tolerance, crossed_readings

__all__ = ["SPREAD", "Component", "CrossedStudy", "Line", "crossed_study", "distinct_categories"]

POOLING_SIGNIFICANCE = 0.25
"""Above this p of the interaction [1] it is pooled: high, so that few interactions are missed.

Source: pooling after a preliminary test biases what follows: Bancroft, Ann. Math. Statist. 15 (1944) 190 (from
memory); a level of 25 % for such a test: Bozivich, Bancroft and Hartley, Ann. Math. Statist. 27 (1956) 1017 (from
memory). To take it whatever the degrees of freedom is a choice of ours.
"""

SPREAD = 6.0
"""Standard deviations [1] set against a tolerance: AIAG Measurement Systems Analysis, 4th ed. (from memory)."""

_CATEGORIES = 1.41  # √2 as the manual prints it
_ROUNDING = 8.0 * float(np.finfo(np.float64).eps)


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A line of the table of the analysis of variance.

    Attributes:
        name: inspectors, parts, interaction, repeatability, pooled or total.
        sum_of_squares_um2: [um²].
        dof: degrees of freedom [1].
        mean_square_um2: [um²].
        f: mean square over that of the line it is tested against [1]; None where there is no test.
        p: probability of an F as large without the effect [1]; None where there is no test.
        against: name of the line that it is tested against; empty where there is no test.
    """

    name: str
    sum_of_squares_um2: float
    dof: float
    mean_square_um2: float
    f: float | None = None
    p: float | None = None
    against: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """A part of the variation.

    Attributes:
        name: what it stands for.
        estimate_um2: variance as estimated, which may be below zero [um²].
        variance_um2: the same, 0 where the estimate is below zero [um²].
        contribution: share of the total variance [1].
        share_of_total: standard deviation over that of the total [1].
        share_of_tolerance: 6 standard deviations over the tolerance [1]; None without a tolerance.
    """

    name: str
    estimate_um2: float
    variance_um2: float
    contribution: float
    share_of_total: float
    share_of_tolerance: float | None

    @property
    def standard_um(self) -> float:
        """Standard deviation [um]."""
        return math.sqrt(self.variance_um2)

    @property
    def set_to_zero(self) -> bool:
        """Whether the estimate was below zero."""
        return self.estimate_um2 < 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossedStudy:
    """What a crossed gauge study found.

    Attributes:
        table: lines of the analysis of variance.
        pooled: whether the interaction was pooled with the repeatability.
        pooling_significance: above which p of the interaction it is [1].
        repeatability: one inspector, one part, again and again.
        inspectors: what inspectors differ by on average.
        interaction: what inspectors differ by from part to part; 0 if pooled.
        reproducibility: inspectors and interaction together.
        gauge: repeatability and reproducibility together.
        parts: what the parts differ by.
        total: all together.
        category_ratio: 1.41 · parts / gauge before it is truncated [1]; infinite for a gauge without scatter.
        categories: number of distinct categories [1], truncated; None for a gauge without scatter.
        repeatability_interval: of its standard deviation [um].
        gauge_interval: of its standard deviation [um], approximate; None where a component was set to zero.
        notes: what was decided on the way, in words.
    """

    table: tuple[Line, ...]
    pooled: bool
    pooling_significance: float
    repeatability: Component
    inspectors: Component
    interaction: Component
    reproducibility: Component
    gauge: Component
    parts: Component
    total: Component
    category_ratio: float
    categories: int | None
    repeatability_interval: Interval
    gauge_interval: Interval | None
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Model:
    """Mean squares of the model that was chosen, and the size of the study."""

    inspectors: Line
    parts: Line
    interaction: Line
    error: Line
    pooled: bool
    shape: tuple[int, int, int]


def crossed_study(
    readings_um: ArrayLike,
    *,
    tolerance_um: float | None = None,
    pooling_significance: float = POOLING_SIGNIFICANCE,
    coverage_probability: float = 0.95,
) -> CrossedStudy:
    """Analyse a crossed gauge study: every inspector reads every part equally often.

    Args:
        readings_um: [um], axes: part, inspector, trial; two or more of each.
        tolerance_um: width of the tolerance that the parts must keep [um]; None if there is none.
        pooling_significance: the interaction is pooled with the repeatability if its p is above this
            [1]; 1 never pools.
        coverage_probability: of the intervals [1].

    Returns:
        Table, components, shares and intervals. A component that comes out below zero is set to 0,
        and the notes say so.

    Raises:
        StudyError: readings are missing, cells are unequal, nothing varies, or the tolerance, the
            level for pooling or the coverage is no such number.

    Source: AIAG Measurement Systems Analysis, 4th ed., III-B, analysis of variance (formulas from
    memory; its example agrees). Expected mean squares of the two-way random model.

    >>> study = crossed_study([[[1.0, 2.0], [2.0, 3.0]], [[7.0, 6.0], [8.0, 7.0]]])
    >>> study.pooled, round(study.gauge.standard_um, 3)
    (True, 0.894)
    """
    readings = crossed_readings(readings_um)
    check_tolerance(tolerance_um)
    if not 0.0 <= pooling_significance <= 1.0:
        raise StudyError(f"the level for pooling is {pooling_significance}; it must be from 0 to 1")
    *effects, total = _sums_of_squares(readings)
    if total == 0.0:
        raise StudyError("readings differ by no more than rounding: there is nothing to analyse")
    model, table = _model(readings, effects, total, pooling_significance)
    estimates = _estimates(model)
    components = _components(estimates, tolerance_um)
    ratio = distinct_categories(components["parts"].standard_um, components["gauge"].standard_um)
    return CrossedStudy(
        table=table,
        pooled=model.pooled,
        pooling_significance=pooling_significance,
        category_ratio=ratio,
        categories=int(ratio) if math.isfinite(ratio) else None,
        repeatability_interval=deviation_interval(
            components["repeatability"].standard_um, model.error.dof, coverage_probability
        ),
        gauge_interval=_gauge_interval(model, components, coverage_probability),
        notes=_notes(model, components, pooling_significance),
        **components,
    )


def distinct_categories(parts_um: float, gauge_um: float) -> float:
    """How many classes of parts a gauge tells apart, before truncation.

    Args:
        parts_um: standard deviation of the parts [um].
        gauge_um: standard deviation of the gauge [um].

    Returns:
        1.41 · parts / gauge [1]; infinite for a gauge without scatter.

    Source: AIAG Measurement Systems Analysis, 4th ed. (from memory; its examples agree).

    >>> distinct_categories(2.0, 1.0)
    2.82
    """
    return _CATEGORIES * parts_um / gauge_um if gauge_um > 0.0 else math.inf


def _sums_of_squares(readings: NDArray[np.float64]) -> tuple[float, float, float, float, float]:
    """Sums of squares: inspectors, parts, interaction, repeatability, total; about the means, in two passes."""
    parts, inspectors, trials = readings.shape
    centred = readings - readings.mean()
    centred -= centred.mean()  # what rounding left of a large offset
    by_part, by_inspector, by_cell = centred.mean(axis=(1, 2)), centred.mean(axis=(0, 2)), centred.mean(axis=2)
    crossed = by_cell - by_part[:, None] - by_inspector[None, :]
    # Equal readings leave a few last digits behind, which are no scatter.
    rounding = readings.size * (_ROUNDING * float(np.abs(readings).max())) ** 2
    squares = (
        parts * trials * float(np.square(by_inspector).sum()),
        inspectors * trials * float(np.square(by_part).sum()),
        trials * float(np.square(crossed).sum()),
        float(np.square(centred - by_cell[:, :, None]).sum()),
        float(np.square(centred).sum()),
    )
    first, second, third, fourth, total = (0.0 if square <= rounding else square for square in squares)
    return first, second, third, fourth, total


def _line(name: str, square: float, dof: float, against: Line | None = None) -> Line:
    """A line with its test: F against another line, where there is one and it scatters."""
    from scipy.special import fdtrc

    mean_square = square / dof
    if against is None or (against.mean_square_um2 == 0.0 and mean_square == 0.0):
        return Line(name=name, sum_of_squares_um2=square, dof=dof, mean_square_um2=mean_square)
    f = mean_square / against.mean_square_um2 if against.mean_square_um2 > 0.0 else math.inf
    p = float(fdtrc(dof, against.dof, f)) if math.isfinite(f) else 0.0
    return Line(
        name=name, sum_of_squares_um2=square, dof=dof, mean_square_um2=mean_square, f=f, p=p, against=against.name
    )


def _model(
    readings: NDArray[np.float64], squares: list[float], total: float, significance: float
) -> tuple[_Model, tuple[Line, ...]]:
    """Keep the interaction or pool it, and test parts and inspectors against what remains."""
    parts, inspectors, trials = readings.shape
    of_inspectors, of_parts, of_interaction, of_error = squares
    dof, crossed_dof = float(parts * inspectors * (trials - 1)), float((parts - 1) * (inspectors - 1))
    repeatability = _line("repeatability", of_error, dof)
    interaction = _line("interaction", of_interaction, crossed_dof, repeatability)
    # Without a test neither scatters: there is nothing to keep apart.
    pooled = interaction.p is None or interaction.p > significance
    error = _line("pooled", of_error + of_interaction, dof + crossed_dof) if pooled else repeatability
    against = error if pooled else interaction
    by_inspector = _line("inspectors", of_inspectors, float(inspectors - 1), against)
    by_part = _line("parts", of_parts, float(parts - 1), against)
    model = _Model(
        inspectors=by_inspector,
        parts=by_part,
        interaction=interaction,
        error=error,
        pooled=pooled,
        shape=(parts, inspectors, trials),
    )
    lines = [by_inspector, by_part, interaction, repeatability, *([error] if pooled else [])]
    return model, (*lines, _line("total", total, float(readings.size - 1)))


def _estimates(model: _Model) -> dict[str, float]:
    """Variance components [um²] from mean squares, not yet set to zero."""
    parts, inspectors, trials = model.shape
    error = model.error.mean_square_um2
    against = error if model.pooled else model.interaction.mean_square_um2
    return {
        "repeatability": error,
        "inspectors": (model.inspectors.mean_square_um2 - against) / (parts * trials),
        "interaction": 0.0 if model.pooled else (against - error) / trials,
        "parts": (model.parts.mean_square_um2 - against) / (inspectors * trials),
    }


def _components(estimates: dict[str, float], tolerance_um: float | None) -> dict[str, Component]:
    kept = {name: max(0.0, estimate) for name, estimate in estimates.items()}
    sums = {"reproducibility": kept["inspectors"] + kept["interaction"]}
    sums["gauge"] = kept["repeatability"] + sums["reproducibility"]
    sums["total"] = sums["gauge"] + kept["parts"]
    total = sums["total"]

    def component(name: str, estimate: float) -> Component:
        variance = max(0.0, estimate)
        return Component(
            name=name,
            estimate_um2=estimate,
            variance_um2=variance,
            contribution=variance / total,
            share_of_total=math.sqrt(variance / total),
            share_of_tolerance=None if tolerance_um is None else SPREAD * math.sqrt(variance) / tolerance_um,
        )

    return {name: component(name, estimate) for name, estimate in {**estimates, **sums}.items()}


def _gauge_interval(model: _Model, components: dict[str, Component], coverage: float) -> Interval | None:
    """Interval of the gauge's standard deviation, with effective degrees of freedom.

    Source: "Some Additional Notes on ANOVA-Based Gauge R&R Estimation", notes to Vardeman and Jobe, p. 2 (seen);
    Welch and Satterthwaite as in JCGM 100:2008, G.4.1. The variance is a sum of mean squares only while no component
    was set to zero.
    """
    if components["inspectors"].set_to_zero or components["interaction"].set_to_zero:
        return None
    parts, _, trials = model.shape
    size = float(parts * trials)
    terms = [(model.inspectors, 1.0 / size)]
    if model.pooled:
        terms.append((model.error, 1.0 - 1.0 / size))
    else:
        terms += [(model.interaction, (parts - 1.0) / size), (model.error, 1.0 - 1.0 / trials)]
    spread = sum((share * line.mean_square_um2) ** 2 / line.dof for line, share in terms)
    gauge = components["gauge"]
    if spread == 0.0:
        return None
    return deviation_interval(gauge.standard_um, gauge.variance_um2**2 / spread, coverage)


def _notes(model: _Model, components: dict[str, Component], significance: float) -> tuple[str, ...]:
    p = model.interaction.p
    if p is None:
        pooling = "neither repeatability nor interaction scatters: the interaction is pooled"
    elif model.pooled:
        pooling = f"interaction pooled with repeatability: p = {p:.4g} is above {significance:g}"
    else:
        pooling = f"interaction kept: p = {p:.4g} is not above {significance:g}"
    below = [item.name for item in components.values() if item.set_to_zero]
    zeroed = (f"variance of {name} came out below zero and is set to 0" for name in below)
    return pooling, *zeroed
