"""Statistics of readings: means, pooled scatter, trends. Last axis: readings.

A leading axis, where there is one, is the runs of a rehearsal. It knows numbers and nothing of
where they come from.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from functools import cache

import numpy as np
from numpy.typing import NDArray

from holdzero.model import Number

__all__ = [
    "expected_range",
    "f_quantile",
    "mean",
    "pooled_standard_deviation",
    "runs_statistic",
    "slope_statistic",
    "stack",
]


def stack(numbers: Sequence[Number]) -> NDArray[np.float64]:
    """Numbers side by side on a last axis, in their unit; a float stands for all runs."""
    if all(isinstance(number, float) for number in numbers):
        return np.array(numbers, dtype=float)  # a run at the bench: nothing to broadcast
    # The runs lie side by side in memory: sums over readings then go over whole rows, which is several times faster.
    rows = np.empty((len(numbers), *np.broadcast_shapes(*map(np.shape, numbers))))
    for index, number in enumerate(numbers):
        rows[index] = number
    return rows.transpose(*range(1, rows.ndim), 0)


def f_quantile(probability: float, dof: float, other_dof: float) -> float:
    """Quantile of the F distribution.

    Args:
        probability: of a smaller ratio of two variances [1].
        dof: degrees of freedom of the variance above the line [1].
        other_dof: of the one below it [1]; infinite where it is known.

    Returns:
        The ratio [1].

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.9 (F-test of two variances).
    """
    if math.isinf(other_dof):
        from scipy.special import chdtri

        return float(chdtri(dof, 1.0 - probability)) / dof
    from scipy.special import fdtri

    return float(fdtri(dof, other_dof, probability))


def mean(numbers: Sequence[Number]) -> Number:
    """Arithmetic mean [unit of the numbers] (GUM 4.2.1, eq. 3)."""
    first, *others = numbers
    if not others:
        return first
    if all(np.ndim(number) == 0 for number in numbers):
        return math.fsum(numbers) / len(numbers)
    return sum(others, start=first) / len(numbers)


def pooled_standard_deviation(groups: Iterable[Sequence[Number]]) -> tuple[Number, float]:
    """Standard deviation of a single reading, pooled over groups that each have their own mean.

    Args:
        groups: readings [any unit]; a group of one adds nothing.

    Returns:
        Pooled s [same unit] and its degrees of freedom [1]; s is 0 where there are none.

    Source: JCGM 100:2008, 4.2.2 eq. (4), 4.2.4; the sum of squares is taken about the mean (two
    passes), which keeps its digits where readings have a large offset.

    >>> pooled_standard_deviation([[1.0, 3.0], [10.0, 10.0, 13.0]])
    (1.63..., 3.0)
    """
    squares: Number = 0.0
    dof = 0
    for group in groups:
        if len(group) < 2:  # noqa: PLR2004  one reading has no scatter
            continue
        residuals = stack(group)
        residuals -= residuals.mean(axis=-1, keepdims=True)
        squares = squares + np.square(residuals, out=residuals).sum(axis=-1)
        dof += len(group) - 1
    if dof == 0:
        return 0.0, 0.0
    s = np.sqrt(squares / dof)
    return (s if np.ndim(s) else float(s)), float(dof)


@cache
def expected_range(count: int) -> float:
    """Mean range of independent readings that scatter alike about one value.

    Args:
        count: number of readings [1], two or more.

    Returns:
        Range in standard deviations [1]: the constant d₂ of range charts.

    Source: ISO 7870-2, constants for control limits (d₂; from memory), integrated from the normal
    distribution.

    >>> round(expected_range(3), 3)
    1.693
    """
    from scipy.special import ndtr

    x = np.linspace(-8.0, 8.0, 1601)
    below = ndtr(x)
    return float(np.trapezoid(1.0 - below**count - (1.0 - below) ** count, x))


def slope_statistic(
    x: NDArray[np.float64], y: NDArray[np.float64], groups: Sequence[int], *, matters: float = 0.0
) -> tuple[Number, Number, float]:
    """Common slope of y against x within groups, as a multiple of its standard error.

    Args:
        x: order or time [any unit], last axis.
        y: readings [any unit], last axis.
        groups: for each reading, the group whose own mean is taken out.
        matters: slope that is too small to be tested [unit of y per unit of x]: of many runs at once, t is 0 there.

    Returns:
        Slope [unit of y per unit of x], t = slope / standard error [1] (infinite for an exact
        line, 0 where there is no slope), degrees of freedom [1].

    Source: least squares with a mean for each group, e.g. NIST/SEMATECH e-Handbook, 4.1.4.1.
    """
    dof = float(len(groups) - len(set(groups)) - 1)
    x_centred = _centred(x, groups)
    spread = np.square(x_centred).sum(axis=-1)
    if dof < 1.0 or not np.all(spread):
        return 0.0, 0.0, 0.0
    if y.ndim == 1 or x.ndim > 1 or not matters:
        return *_slope_of(x_centred, _centred(y, groups), spread, dof), dof
    # A quick look first: where x is centred in each group, the means of y drop out.
    slope = np.zeros(len(y))
    for part, row in zip(x_centred, y.T, strict=True):
        if part:
            slope += part / spread * row
    t, tested = np.zeros_like(slope), np.abs(slope) > matters * (1.0 - _HAIR)
    slope[tested], t[tested] = _slope_of(x_centred, _centred(y[tested], groups), spread, dof)
    return slope, t, dof


def runs_statistic(values: NDArray[np.float64]) -> tuple[float, int]:
    """How the number of runs of one sign differs from that of a random order, in standard deviations.

    Args:
        values: in order [any unit], one axis; what is zero counts as above.

    Returns:
        z [1], below zero where there are fewer runs than by chance, and 0 where the runs tell nothing; number of runs.

    Source: Wald and Wolfowitz, Ann. Math. Statist. 11 (1940) 147, with its large-sample mean and variance as in
    NIST/SEMATECH e-Handbook, 1.3.5.13 (from memory).

    >>> runs_statistic(np.array([1.0, 2.0, -1.0, -2.0, 3.0]))[1]
    3
    """
    above = np.asarray(values) >= 0.0
    count, ups = above.size, int(above.sum())
    runs = 1 + int(np.count_nonzero(above[1:] != above[:-1])) if count else 0
    if min(ups, count - ups) < _FEWEST_OF_A_SIGN:
        return 0.0, runs
    expected = 2.0 * ups * (count - ups) / count + 1.0
    return (runs - expected) / math.sqrt((expected - 1.0) * (expected - 2.0) / (count - 1.0)), runs


_FEWEST_OF_A_SIGN = 5  # below, the normal distribution is no guide (common practice, no source)
_HAIR = 1e-9  # the quick look rounds in another way


def _centred(values: NDArray[np.float64], groups: Sequence[int]) -> NDArray[np.float64]:
    """Values less the mean of their group, last axis."""
    rows = np.moveaxis(np.array(values, dtype=float), -1, 0)
    labels = np.asarray(groups)
    for label in set(groups):
        rows[labels == label] -= rows[labels == label].mean(axis=0)
    return np.moveaxis(rows, 0, -1)


def _slope_of(
    x_centred: NDArray[np.float64], y_centred: NDArray[np.float64], spread: Number, dof: float
) -> tuple[Number, Number]:
    """Least-squares slope and its t."""
    slope = (x_centred * y_centred).sum(axis=-1) / spread
    left = np.square(y_centred - slope[..., None] * x_centred).sum(axis=-1)
    error = np.sqrt(left / dof / spread)
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.where(error > 0.0, slope / error, np.where(slope == 0.0, 0.0, np.copysign(np.inf, slope)))
    return slope, t
