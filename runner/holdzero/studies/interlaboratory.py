"""Repeatability and reproducibility of one level, measured by several laboratories, benches or shops.

Everything is in the unit of the readings.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from holdzero.charts.constants import range_quantile
from holdzero.statistics import pooled_standard_deviation
from holdzero.studies.layout import StudyError

__all__ = [
    "Consistency",
    "PrecisionOfLevel",
    "consistency",
    "consistency_limits",
    "critical_difference",
    "critical_range",
    "precision_of_level",
    "repeatability_limit",
    "reproducibility_limit",
]

_LIMIT = 2.8
"""1.96 √2 as ISO 5725-6, 4.1 rounds it (from memory; its use in published tables was seen)."""

_PROBABILITY = 0.95  # of critical ranges: ISO 5725-6 (from memory)


@dataclass(frozen=True, slots=True, kw_only=True)
class PrecisionOfLevel:
    """Precision at one level, in the unit of the readings.

    Attributes:
        laboratories: number [1].
        readings: number over all laboratories [1].
        mean: m, of all readings [unit of the readings].
        repeatability: s_r [unit of the readings].
        between_laboratories: s_L [unit of the readings].
        reproducibility: s_R [unit of the readings].
        repeatability_dof: degrees of freedom of s_r [1].
        between_variance: s_L² as estimated, which may be below zero [unit of the readings, squared].
    """

    laboratories: int
    readings: int
    mean: float
    repeatability: float
    between_laboratories: float
    reproducibility: float
    repeatability_dof: float
    between_variance: float

    @property
    def set_to_zero(self) -> bool:
        """Whether the estimate between laboratories was below zero, and s_L is 0 for it."""
        return self.between_variance < 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Consistency:
    """How a laboratory stands among the others.

    Attributes:
        h: its mean against the others' means, in their standard deviations [1]; 0 if all are equal.
        k: its standard deviation over the root mean square of all [1]; 0 if none scatters, None for a
            single reading.
    """

    h: float
    k: float | None


def _checked(laboratories: Sequence[Sequence[float]]) -> None:
    if len(laboratories) < 2:  # noqa: PLR2004  with one there is no difference between them
        raise StudyError(f"an interlaboratory study needs two laboratories or more; there are {len(laboratories)}")
    for place, readings in enumerate(laboratories, start=1):
        if len(readings) == 0:
            raise StudyError(f"laboratory {place} has no reading; leave it out")
        if not all(math.isfinite(reading) for reading in readings):
            raise StudyError(f"laboratory {place} has a reading that is no number; leave it out or read again")
    if all(len(readings) == 1 for readings in laboratories):
        raise StudyError("no laboratory has two readings: the repeatability can't be seen")


def precision_of_level(laboratories: Sequence[Sequence[float]]) -> PrecisionOfLevel:
    """Repeatability and reproducibility of one level; laboratories may have read unequally often.

    Args:
        laboratories: readings of each [any unit], two laboratories or more.

    Returns:
        Mean and standard deviations; s_L is 0 where its variance comes out below zero.

    Raises:
        StudyError: there are too few readings, or one is no number.

    Source: ISO 5725-2:1994, 7.4 (formulas from memory; they give the published results of its
    example B.1 and of ASTM E691).

    >>> result = precision_of_level([[1.0, 3.0], [5.0, 7.0]])
    >>> round(result.repeatability**2, 3), round(result.reproducibility**2, 3)
    (2.0, 9.0)
    """
    _checked(laboratories)
    counts = np.array([len(readings) for readings in laboratories], dtype=float)
    # About a value near the readings: a large offset would cost the means their digits.
    offset = float(laboratories[0][0])
    means = np.array([math.fsum(y - offset for y in readings) / len(readings) for readings in laboratories])
    pooled, dof = pooled_standard_deviation(laboratories)
    within = float(pooled)
    total, free = float(counts.sum()), float(len(laboratories) - 1)
    mean = float((counts * means).sum() / total)
    between_squares = float((counts * np.square(means - mean)).sum() / free)  # s_d²
    effective = float((total - np.square(counts).sum() / total) / free)  # n̄
    variance = (between_squares - within**2) / effective
    kept = max(0.0, variance)
    return PrecisionOfLevel(
        laboratories=len(laboratories),
        readings=int(total),
        mean=offset + mean,
        repeatability=within,
        between_laboratories=math.sqrt(kept),
        reproducibility=math.sqrt(within**2 + kept),
        repeatability_dof=dof,
        between_variance=variance,
    )


def repeatability_limit(repeatability: float) -> float:
    """Difference that two readings of one laboratory keep within, 95 times of 100.

    Args:
        repeatability: s_r [any unit].

    Returns:
        r = 2.8 s_r [same unit].

    Source: ISO 5725-6, 4.1 (from memory).

    >>> repeatability_limit(0.5)
    1.4
    """
    return _LIMIT * repeatability


def reproducibility_limit(reproducibility: float) -> float:
    """Difference that two readings of two laboratories keep within, 95 times of 100.

    Args:
        reproducibility: s_R [any unit].

    Returns:
        R = 2.8 s_R [same unit].

    Source: ISO 5725-6, 4.1 (from memory).

    >>> reproducibility_limit(0.5)
    1.4
    """
    return _LIMIT * reproducibility


def critical_range(repeatability: float, count: int, *, probability: float = _PROBABILITY) -> float:
    """Range that readings of one laboratory keep within.

    Args:
        repeatability: s_r [any unit].
        count: number of readings [1], two or more.
        probability: [1].

    Returns:
        CR = f(n) s_r [same unit], f(n) being the quantile of the range of n normal readings.

    Raises:
        StudyError: there are fewer than two readings.

    Source: ISO 5725-6, critical range and table of f(n) (from memory); f(n) is worked out, not rounded
    to one decimal as in the table.

    >>> round(critical_range(1.0, 4), 1)
    3.6
    """
    if count < 2:  # noqa: PLR2004  one reading has no range
        raise StudyError(f"{count} readings have no range; take two or more")
    return range_quantile(probability, count) * repeatability


def critical_difference(repeatability: float, first: int, second: int) -> float:
    """Difference that two means of one laboratory keep within, 95 times of 100.

    Args:
        repeatability: s_r [any unit].
        first: readings in one mean [1].
        second: readings in the other [1].

    Returns:
        CD = 2.8 s_r √(1/(2 n1) + 1/(2 n2)) [same unit].

    Raises:
        StudyError: a mean has no reading.

    Source: ISO 5725-6, two means in one laboratory (from memory).

    >>> critical_difference(0.5, 1, 1)
    1.4
    """
    if min(first, second) < 1:
        raise StudyError("a mean needs one reading or more")
    return _LIMIT * repeatability * math.sqrt(0.5 / first + 0.5 / second)


def consistency(laboratories: Sequence[Sequence[float]]) -> tuple[Consistency, ...]:
    """Mandel's h and k: which laboratory stands apart, by its mean or by its scatter.

    Args:
        laboratories: readings of each [any unit], two laboratories or more.

    Returns:
        h and k [1] of each laboratory.

    Raises:
        StudyError: there are too few readings, or one is no number.

    Source: ISO 5725-2:1994, 7.3.1 (formulas from memory); ASTM E691 defines the same for equally many
    readings (from memory). The deviation in h is that from the mean of the means; with unequally many
    readings this is not the mean of all readings.

    >>> [round(one.h, 3) for one in consistency([[1.0, 3.0], [5.0, 7.0]])]
    [-0.707, 0.707]
    """
    _checked(laboratories)
    means = [math.fsum(readings) / len(readings) for readings in laboratories]
    centre = math.fsum(means) / len(means)
    spread, _ = pooled_standard_deviation([means])
    deviations = [float(pooled_standard_deviation([readings])[0]) for readings in laboratories if len(readings) > 1]
    typical = math.sqrt(math.fsum(s * s for s in deviations) / len(deviations))
    scatters = iter(deviations)

    def of(readings: Sequence[float], mean: float) -> Consistency:
        h = (mean - centre) / float(spread) if spread else 0.0
        if len(readings) == 1:
            return Consistency(h=h, k=None)
        own = next(scatters)
        return Consistency(h=h, k=own / typical if typical else 0.0)

    return tuple(of(readings, mean) for readings, mean in zip(laboratories, means, strict=True))


def consistency_limits(laboratories: int, readings: int, significance: float) -> tuple[float, float]:
    """Critical values of Mandel's h and k.

    Args:
        laboratories: number [1], three or more.
        readings: of each laboratory [1], two or more.
        significance: [1]; two-sided for h, one-sided for k.

    Returns:
        Critical |h| and k [1].

    Raises:
        StudyError: there are too few laboratories or readings.

    Source: h = (p − 1) t/√(p (t² + p − 2)) with Student's t, k = √(p/(1 + (p − 1)/F)) with
    F(n − 1, (p − 1)(n − 1)) (formulas from memory; they give the values of ISO 5725-2:1994, tables 6
    and 7, as remembered).

    >>> [round(limit, 2) for limit in consistency_limits(3, 2, 0.01)]
    [1.15, 1.71]
    """
    from scipy.special import fdtri

    from holdzero.model import student_quantile

    p = laboratories
    if p < 3 or readings < 2:  # noqa: PLR2004  two means are always equally far from their mean
        raise StudyError("critical values of h and k need three laboratories and two readings each, or more")
    t = float(student_quantile(1.0 - significance / 2.0, float(p - 2)))
    f = float(fdtri(readings - 1.0, (p - 1.0) * (readings - 1.0), 1.0 - significance))
    return (p - 1.0) * t / math.sqrt(p * (t * t + p - 2.0)), math.sqrt(p / (1.0 + (p - 1.0) / f))
