"""Intervals for a standard deviation."""

from __future__ import annotations

import math
from dataclasses import dataclass

from holdzero.studies.layout import StudyError

__all__ = ["Interval", "deviation_interval"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """Where a standard deviation lies.

    Attributes:
        lower_um: [um].
        upper_um: [um].
        dof: degrees of freedom that it was made with [1].
        coverage_probability: [1].
    """

    lower_um: float
    upper_um: float
    dof: float
    coverage_probability: float


def deviation_interval(standard_um: float, dof: float, coverage_probability: float) -> Interval:
    """Confidence interval of a standard deviation of normal readings, equal tails.

    Args:
        standard_um: as estimated [um].
        dof: its degrees of freedom [1].
        coverage_probability: [1].

    Returns:
        From s √(ν/χ²(upper tail)) to s √(ν/χ²(lower tail)) [um].

    Raises:
        StudyError: the coverage is not above 0 and below 1.

    Source: "Some Additional Notes on ANOVA-Based Gauge R&R Estimation", notes to Vardeman and Jobe, p. 1 (seen):
    exact for the repeatability, approximate with effective degrees of freedom.

    >>> interval = deviation_interval(1.0, 9.0, 0.95)
    >>> round(interval.lower_um, 4), round(interval.upper_um, 4)
    (0.6878, 1.8256)
    """
    from scipy.special import chdtri

    if not 0.0 < coverage_probability < 1.0:
        raise StudyError(f"the coverage is {coverage_probability}; it must be above 0 and below 1")
    tail = (1.0 - coverage_probability) / 2.0  # chdtri takes the probability above the quantile
    lower, upper = float(chdtri(dof, tail)), float(chdtri(dof, 1.0 - tail))
    return Interval(
        lower_um=standard_um * math.sqrt(dof / lower),
        upper_um=standard_um * math.sqrt(dof / upper),
        dof=dof,
        coverage_probability=coverage_probability,
    )
