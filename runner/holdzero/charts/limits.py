"""Limits of a control chart from a baseline: single values, moving averages, standard deviations.

They hold for values in any unit, as long as baseline and values have the same.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holdzero.errors import HoldzeroError
from holdzero.limit import exceeds
from holdzero.statistics import expected_range, mean, pooled_standard_deviation

__all__ = [
    "ChartError",
    "Limits",
    "Precision",
    "baseline",
    "ewma",
    "ewma_deviation",
    "moving_range_baseline",
    "numbers_of",
    "precision_baseline",
]

_WARNING = 2.0  # standard deviations: ISO 7870-2 (from memory)
_ACTION = 3.0  # standard deviations: NIST/SEMATECH e-Handbook, 2.3.5.2


class ChartError(HoldzeroError):
    """The values can't be charted; the message says why and what to do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Centre and scatter of a baseline of single values.

    Attributes:
        centre: where the values lie [unit of the values].
        standard_deviation: of a single value [unit of the values].
        number: values in the baseline [1].
    """

    centre: float
    standard_deviation: float
    number: int

    def at(self, k: float) -> tuple[float, float]:
        """Lower and upper limit k standard deviations from the centre [unit of the values]."""
        return self.centre - k * self.standard_deviation, self.centre + k * self.standard_deviation

    @property
    def warning(self) -> tuple[float, float]:
        """Warning limits, ±2 s [unit of the values]."""
        return self.at(_WARNING)

    @property
    def action(self) -> tuple[float, float]:
        """Action limits, ±3 s [unit of the values]."""
        return self.at(_ACTION)

    def standardised(self, values: ArrayLike) -> NDArray[np.float64]:
        """Distances from the centre in standard deviations [1].

        A baseline without scatter puts every other value infinitely far away.
        """
        distances = numbers_of(values) - self.centre
        if self.standard_deviation > 0.0:
            return np.asarray(distances / self.standard_deviation)
        return np.where(distances == 0.0, 0.0, np.copysign(np.inf, distances))

    def beyond_action(self, values: ArrayLike) -> NDArray[np.intp]:
        """Indices of the values beyond an action limit."""
        return np.flatnonzero(exceeds(np.abs(self.standardised(values)), _ACTION))

    def beyond_warning(self, values: ArrayLike) -> NDArray[np.intp]:
        """Indices of the values beyond a warning limit."""
        return np.flatnonzero(exceeds(np.abs(self.standardised(values)), _WARNING))


def numbers_of(values: ArrayLike) -> NDArray[np.float64]:
    """Values as one row of finite numbers, in their unit.

    Raises:
        ChartError: they are no row, or one is not finite.
    """
    row = np.asarray(values, dtype=np.float64)
    if row.ndim != 1:
        raise ChartError(f"a chart takes one row of values; these have {row.ndim} dimensions")
    bad = np.flatnonzero(~np.isfinite(row))
    if bad.size:
        raise ChartError(f"value {bad[0] + 1} is {row[bad[0]]}, which is no number; leave it out or read again")
    return row


def baseline(values: ArrayLike) -> Limits:
    """Centre and scatter from values of a time when all was well.

    Args:
        values: of the check standard, in order of time [any unit], two or more.

    Returns:
        Limits with the mean as centre and the standard deviation (n − 1) of all values.

    Raises:
        ChartError: fewer than two values, or one that is no number.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 2.3.5.2 (centre and s of the historical
    data; seen in part).

    >>> baseline([1.0, 2.0, 3.0]).action
    (-1.0, 5.0)
    """
    row = _two_or_more(values)
    s, _ = pooled_standard_deviation([row.tolist()])
    return Limits(centre=float(mean(row.tolist())), standard_deviation=float(s), number=int(row.size))


def moving_range_baseline(values: ArrayLike) -> Limits:
    """Centre and scatter from a baseline that may have moved slowly: s from neighbours.

    Args:
        values: in order of time [any unit], two or more.

    Returns:
        Limits with s = mean moving range / d2(2); the action limits are then ± E2 mean moving ranges.

    Raises:
        ChartError: fewer than two values, or one that is no number.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (its result seen second-hand).

    >>> round(moving_range_baseline([1.0, 2.0, 3.0]).standard_deviation, 3)
    0.886
    """
    row = _two_or_more(values)
    moving = float(np.abs(np.diff(row)).mean())
    return Limits(centre=float(mean(row.tolist())), standard_deviation=moving / expected_range(2), number=int(row.size))


def _two_or_more(values: ArrayLike) -> NDArray[np.float64]:
    row = numbers_of(values)
    if row.size < 2:  # noqa: PLR2004  one value has no scatter
        raise ChartError(f"a baseline of {row.size} values has no scatter; take two or more, better many more")
    return row


def ewma(values: ArrayLike, weight: float, start: float) -> NDArray[np.float64]:
    """Exponentially weighted moving average: it sees small shifts that last.

    Args:
        values: in order of time [any unit].
        weight: λ of the newest value [1], above 0 and up to 1; 0.2 to 0.3 is usual (Hunter 1986, as
            the e-Handbook quotes it).
        start: the average before the first value, commonly the centre [unit of the values].

    Returns:
        The average after each value [unit of the values].

    Raises:
        ChartError: the weight is out of its range, or a value is no number.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4 and 2.3.5.2:
    EWMA_t = λ Y_t + (1 − λ) EWMA_(t − 1).

    >>> ewma([52.0, 47.0], 0.5, 50.0)
    array([51., 49.])
    """
    _check_weight(weight)
    row = numbers_of(values).tolist()
    # Written as a step towards the value: a value at the average then leaves it where it is, to the last digit.
    return np.array(list(accumulate(row, lambda z, y: z + weight * (y - z), initial=float(start)))[1:])


def ewma_deviation(weight: float, *, after: int | None = None) -> float:
    """Standard deviation of an exponentially weighted moving average.

    Args:
        weight: λ [1], above 0 and up to 1.
        after: number of values that went into it since the start [1]; None for its limit after many.
            Early averages scatter less: with a number, limits are narrower at first and exact.

    Returns:
        In standard deviations of a single value [1]; limits stand k times this from the centre.

    Raises:
        ChartError: the weight is out of its range.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4: √(λ/(2 − λ)) for many values;
    for t values times √(1 − (1 − λ)^(2t)) (this factor from memory; it is the sum of the weights'
    squares).

    >>> round(ewma_deviation(0.3), 4), round(ewma_deviation(0.3, after=1), 4)
    (0.4201, 0.3)
    """
    _check_weight(weight)
    square = weight / (2.0 - weight)
    if after is not None:
        square *= 1.0 - (1.0 - weight) ** (2 * after)
    return math.sqrt(square)


def _check_weight(weight: float) -> None:
    if not 0.0 < weight <= 1.0:
        raise ChartError(f"the weight of a moving average is {weight}; it must be above 0 and up to 1")


@dataclass(frozen=True, slots=True, kw_only=True)
class Precision:
    """Pooled standard deviation of a baseline, against which later ones are judged.

    Attributes:
        pooled_standard_deviation: [unit of the values].
        dof: its degrees of freedom [1].
        significance: chance that a standard deviation of a sound bench is beyond its limit [1].
    """

    pooled_standard_deviation: float
    dof: float
    significance: float

    def limit(self, dof: float) -> float:
        """Upper limit of a standard deviation with so many degrees of freedom [unit of the values].

        Source: NIST/SEMATECH e-Handbook of Statistical Methods, 2.3.5.1: s_p √F(1 − α; ν1, ν2) (seen).
        """
        from scipy.special import fdtri

        return self.pooled_standard_deviation * math.sqrt(float(fdtri(dof, self.dof, 1.0 - self.significance)))

    def beyond(self, standard_deviations: ArrayLike, dof: float) -> NDArray[np.intp]:
        """Indices of the standard deviations [unit of the values] beyond their limit."""
        return np.flatnonzero(exceeds(numbers_of(standard_deviations), self.limit(dof)))


def precision_baseline(
    standard_deviations: ArrayLike, dofs: float | Sequence[float], *, significance: float = 0.01
) -> Precision:
    """Pool standard deviations of a time when all was well.

    Args:
        standard_deviations: one a run [any unit].
        dofs: degrees of freedom of each [1], or one number for all; above zero.
        significance: α of the one-sided limit [1].

    Returns:
        The pooled standard deviation and what its limits need.

    Raises:
        ChartError: there is none, or one is no standard deviation.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 2.3.5.1 (limit at 1 %; seen);
    s_p² = Σ ν_i s_i² / Σ ν_i, 2.4.4 (seen).

    >>> precision_baseline([3.0, 4.0], 2.0).pooled_standard_deviation
    3.53...
    """
    row = numbers_of(standard_deviations)
    if row.size == 0:
        raise ChartError("there is no standard deviation to pool")
    try:
        each = np.broadcast_to(np.asarray(dofs, dtype=np.float64), row.shape)
    except ValueError:
        raise ChartError(
            f"{row.size} standard deviations have {np.size(dofs)} degrees of freedom; give one each, or one for all"
        ) from None
    if np.any(row < 0.0) or not np.all(each > 0.0) or not np.all(np.isfinite(each)):
        raise ChartError("a standard deviation is below zero, or its degrees of freedom are not above zero")
    if not 0.0 < significance < 1.0:
        raise ChartError(f"the significance is {significance}; it must be above 0 and below 1")
    dof = float(each.sum())
    pooled = math.sqrt(math.fsum(each * np.square(row)) / dof)
    return Precision(pooled_standard_deviation=pooled, dof=dof, significance=significance)
