"""Crossed gauge study by averages and ranges: by hand in the shop; it does not see an interaction."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from holdzero.charts.constants import chart_constants, d2_star
from holdzero.studies.crossed import SPREAD, distinct_categories
from holdzero.studies.layout import StudyError, check_tolerance, crossed_readings

__all__ = ["Factors", "RangeStudy", "Share", "range_factors", "range_study"]

_MANY = 15  # ranges: the table of d2* ends here, and beyond it the manual takes d2 (table seen, rule from memory)


@dataclass(frozen=True, slots=True, kw_only=True)
class Factors:
    """Reciprocals of d2 and d2*, which turn ranges into standard deviations [1].

    Attributes:
        k1: for the mean range of the trials.
        k2: for the range of the inspectors' means.
        k3: for the range of the parts' means.
        d4: upper limit of a range, in mean ranges.
    """

    k1: float
    k2: float
    k3: float
    d4: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """A part of the variation.

    Attributes:
        standard_um: standard deviation [um].
        share_of_total: over that of the total [1]; shares do not add up to 1.
        share_of_tolerance: 6 standard deviations over the tolerance [1]; None without a tolerance.
    """

    standard_um: float
    share_of_total: float
    share_of_tolerance: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeStudy:
    """What a gauge study by averages and ranges found.

    Attributes:
        factors: what ranges were turned into standard deviations with.
        inspector_ranges_um: mean range of each inspector [um].
        mean_range_um: mean of all ranges [um].
        difference_of_inspectors_um: largest less smallest mean of an inspector [um].
        range_of_parts_um: largest less smallest mean of a part [um].
        range_limit_um: D4 · mean range [um].
        beyond_limit: part and inspector, as indices, of each range beyond the limit: find the cause
            and read these again before the result is used.
        repeatability: equipment variation.
        reproducibility: variation of the inspectors.
        gauge: both together.
        parts: variation of the parts.
        total: all together.
        category_ratio: 1.41 · parts / gauge before it is truncated [1]; infinite for a gauge without scatter.
        categories: number of distinct categories [1], truncated; None for a gauge without scatter.
        notes: what was decided on the way, in words.
    """

    factors: Factors
    inspector_ranges_um: tuple[float, ...]
    mean_range_um: float
    difference_of_inspectors_um: float
    range_of_parts_um: float
    range_limit_um: float
    beyond_limit: tuple[tuple[int, int], ...]
    repeatability: Share
    reproducibility: Share
    gauge: Share
    parts: Share
    total: Share
    category_ratio: float
    categories: int | None
    notes: tuple[str, ...]


def range_factors(parts: int, inspectors: int, trials: int) -> Factors:
    """Factors for a study of this size.

    Args:
        parts: number of parts [1], two or more.
        inspectors: number of inspectors [1], two or more.
        trials: readings in a cell [1], two or more.

    Returns:
        K1, K2, K3 and D4 [1], not rounded.

    Source: AIAG Measurement Systems Analysis, 4th ed., III-B: K = 1/d2*, with one range for K2 and K3
    and d2 for the many ranges of K1 (values seen); the manual prints four decimals, and D4 as 2.58
    for three trials where the constant is 2.5746.

    >>> factors = range_factors(10, 3, 3)
    >>> round(factors.k1, 4), round(factors.k2, 4), round(factors.k3, 4)
    (0.5908, 0.5231, 0.3146)
    """
    groups = parts * inspectors
    of_trials = chart_constants(trials)
    return Factors(
        k1=1.0 / (of_trials.d2 if groups > _MANY else d2_star(trials, groups)),
        k2=1.0 / d2_star(inspectors, 1),
        k3=1.0 / d2_star(parts, 1),
        d4=of_trials.upper_d4,
    )


def range_study(readings_um: ArrayLike, *, tolerance_um: float | None = None) -> RangeStudy:
    """Analyse a crossed gauge study by averages and ranges.

    Args:
        readings_um: [um], axes: part, inspector, trial; two or more of each.
        tolerance_um: width of the tolerance that the parts must keep [um]; None if there is none.

    Returns:
        Ranges, standard deviations and shares. A variance of the inspectors that comes out below zero
        is set to 0, and the notes say so.

    Raises:
        StudyError: readings are missing, cells are unequal, nothing varies, or the tolerance is no width.

    Source: AIAG Measurement Systems Analysis, 4th ed., III-B, average and range method (formulas and
    example seen second-hand).

    >>> study = range_study([[[1.0, 2.0], [2.0, 3.0]], [[7.0, 6.0], [8.0, 7.0]]])
    >>> study.mean_range_um, study.difference_of_inspectors_um, study.range_of_parts_um
    (1.0, 1.0, 5.0)
    """
    readings = crossed_readings(readings_um)
    check_tolerance(tolerance_um)
    parts, _, trials = readings.shape
    factors = range_factors(*readings.shape)
    ranges = np.ptp(readings, axis=2)
    mean_range = float(ranges.mean())
    between = float(np.ptp(readings.mean(axis=(0, 2))))
    of_parts = float(np.ptp(readings.mean(axis=(1, 2))))
    limit = factors.d4 * mean_range
    repeatability = factors.k1 * mean_range
    inspectors = (factors.k2 * between) ** 2 - repeatability**2 / (parts * trials)
    shares = _shares(repeatability, math.sqrt(max(0.0, inspectors)), factors.k3 * of_parts, tolerance_um)
    ratio = distinct_categories(shares["parts"].standard_um, shares["gauge"].standard_um)
    beyond = tuple((int(part), int(inspector)) for part, inspector in np.argwhere(ranges > limit))
    return RangeStudy(
        factors=factors,
        inspector_ranges_um=tuple(ranges.mean(axis=0).tolist()),
        mean_range_um=mean_range,
        difference_of_inspectors_um=between,
        range_of_parts_um=of_parts,
        range_limit_um=limit,
        beyond_limit=beyond,
        category_ratio=ratio,
        categories=int(ratio) if math.isfinite(ratio) else None,
        notes=_notes(inspectors, beyond),
        **shares,
    )


def _shares(repeatability: float, reproducibility: float, parts: float, tolerance_um: float | None) -> dict[str, Share]:
    gauge = math.hypot(repeatability, reproducibility)
    total = math.hypot(gauge, parts)
    if total == 0.0:
        raise StudyError("neither ranges nor means vary, only single cells: use the analysis of variance")
    standards = {
        "repeatability": repeatability,
        "reproducibility": reproducibility,
        "gauge": gauge,
        "parts": parts,
        "total": total,
    }
    return {
        name: Share(
            standard_um=standard,
            share_of_total=standard / total,
            share_of_tolerance=None if tolerance_um is None else SPREAD * standard / tolerance_um,
        )
        for name, standard in standards.items()
    }


def _notes(inspectors: float, beyond: tuple[tuple[int, int], ...]) -> tuple[str, ...]:
    zeroed = ("variance of the inspectors came out below zero and is set to 0",) if inspectors < 0.0 else ()
    ranges = tuple(f"range of part {part + 1} by inspector {one + 1} is beyond its limit" for part, one in beyond)
    return zeroed + ranges
