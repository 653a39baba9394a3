"""Constants of control charts, from the distribution of the range and of s of normal readings.

They are integrated and not copied from a table: tables are rounded, and some are truncated.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from holdzero.charts.limits import ChartError
from holdzero.statistics import expected_range

__all__ = ["ChartConstants", "chart_constants", "d2_star", "range_probability", "range_quantile"]

_REACH = 8.5  # standard deviations; beyond it a normal distribution has nothing left in double precision
_NODES = 240  # of a Gauss-Legendre rule over that reach; more change no digit of a double but the last two
_SIGMAS = 3.0  # action limits stand at three standard deviations: ISO 7870-2 (from memory)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartConstants:
    """What turns a mean range or a mean s of groups of `count` readings into limits [1].

    Attributes:
        count: readings in a group.
        c4: mean of s in standard deviations.
        d2: mean of the range in standard deviations.
        d3: standard deviation of the range in standard deviations.
        a: half-width of the limits of a mean, in standard deviations of a reading.
        a2: the same in mean ranges.
        a3: the same in mean s.
        b3: lower limit of s, in mean s.
        b4: upper limit of s, in mean s.
        b5: lower limit of s, in standard deviations.
        b6: upper limit of s, in standard deviations.
        lower_d1: D1, lower limit of the range, in standard deviations.
        upper_d2: D2, upper limit of the range, in standard deviations.
        lower_d3: D3, lower limit of the range, in mean ranges.
        upper_d4: D4, upper limit of the range, in mean ranges.
        e2: half-width of the limits of a single value, in mean ranges.
    """

    count: int
    c4: float
    d2: float
    d3: float
    a: float
    a2: float
    a3: float
    b3: float
    b4: float
    b5: float
    b6: float
    lower_d1: float
    upper_d2: float
    lower_d3: float
    upper_d4: float
    e2: float


@cache
def _rule() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    return _REACH * nodes, _REACH * weights


def range_probability(width: float, count: int) -> float:
    """Probability that the range of normal readings is at most `width`.

    Args:
        width: range [standard deviations of a reading].
        count: number of readings [1], two or more.

    Returns:
        Probability [1].

    Source: P(W ≤ w) = n ∫ φ(x) [Φ(x + w) − Φ(x)]^(n − 1) dx, the distribution of the range of normal
    readings: David and Nagaraja, Order Statistics, 3rd ed., 2.3 (from memory); integrated by Gauss-Legendre.

    >>> round(range_probability(2.772, 2), 4)
    0.95
    """
    from scipy.special import ndtr

    x, weights = _rule()
    density = np.exp(-0.5 * x * x) / math.sqrt(2.0 * math.pi)
    inside = ndtr(x + width) - ndtr(x)
    return float(min(1.0, count * np.sum(weights * density * inside ** (count - 1))))


@cache
def range_quantile(probability: float, count: int) -> float:
    """Range that normal readings do not exceed with a probability.

    Args:
        probability: of a range up to the quantile [1], above 0 and below 1.
        count: number of readings [1], two or more.

    Returns:
        Range [standard deviations of a reading].

    Source: the inverse of `range_probability`; it is the studentized range for infinite degrees of
    freedom.

    >>> round(range_quantile(0.95, 3), 3)
    3.314
    """
    from scipy.optimize import brentq

    return float(brentq(lambda width: range_probability(width, count) - probability, 0.0, 2.0 * _REACH))


@cache
def _range_deviation(count: int) -> float:
    """d3: from E[W²] = 2 ∫ w P(W > w) dw, which is E[W²] for any W that is not negative."""
    nodes, weights = _rule()
    widths = nodes + _REACH
    beyond = np.array([1.0 - range_probability(float(width), count) for width in widths])
    square = 2.0 * float(np.sum(weights * widths * beyond))
    return math.sqrt(square - expected_range(count) ** 2)


@cache
def chart_constants(count: int) -> ChartConstants:
    """Constants of control charts for groups of so many readings.

    Args:
        count: readings in a group [1], two or more.

    Returns:
        The constants [1].

    Raises:
        ChartError: fewer than two readings have no range.

    Source: ISO 7870-2, table of constants (from memory); A2 = 3/(d2 √n), A3 = 3/(c4 √n),
    B3, B4 = 1 ∓ 3 √(1 − c4²)/c4, D3, D4 = 1 ∓ 3 d3/d2, E2 = 3/d2. The values of n from 2 to 25 stand in
    Montgomery, Introduction to Statistical Quality Control, appendix VI (seen).

    >>> round(chart_constants(2).e2, 2)
    2.66
    """
    if count < 2:  # noqa: PLR2004  one reading has no range
        raise ChartError(f"a group of {count} readings has no range; take groups of two or more")
    c4 = math.sqrt(2.0 / (count - 1)) * math.exp(math.lgamma(count / 2.0) - math.lgamma((count - 1) / 2.0))
    d2, d3 = expected_range(count), _range_deviation(count)
    of_s = _SIGMAS * math.sqrt(1.0 - c4 * c4)
    of_range = _SIGMAS * d3
    return ChartConstants(
        count=count,
        c4=c4,
        d2=d2,
        d3=d3,
        a=_SIGMAS / math.sqrt(count),
        a2=_SIGMAS / (d2 * math.sqrt(count)),
        a3=_SIGMAS / (c4 * math.sqrt(count)),
        b3=max(0.0, 1.0 - of_s / c4),
        b4=1.0 + of_s / c4,
        b5=max(0.0, c4 - of_s),
        b6=c4 + of_s,
        lower_d1=max(0.0, d2 - of_range),
        upper_d2=d2 + of_range,
        lower_d3=max(0.0, 1.0 - of_range / d2),
        upper_d4=1.0 + of_range / d2,
        e2=_SIGMAS / d2,
    )


def d2_star(count: int, groups: int) -> float:
    """What a mean range of few groups is divided by, so that its square is right on average.

    Args:
        count: readings in a group [1], two or more.
        groups: number of ranges in the mean [1], one or more.

    Returns:
        d2* = √(d2² + d3²/g) [1], the root mean square of a mean range in standard deviations.

    Source: Duncan, Quality Control and Industrial Statistics, table D3 (from memory); the formula gives
    its values 1.41, 1.91, 2.48, 3.18 and 1.150.

    >>> round(d2_star(3, 1), 2)
    1.91
    """
    constants = chart_constants(count)
    return math.sqrt(constants.d2**2 + constants.d3**2 / groups)
