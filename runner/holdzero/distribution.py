"""The distribution of simulated values as they come, and what a result needs of it (JCGM 101:2008, 7.5 to 7.7).

It knows nothing of how the values are drawn.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from holdzero.quantity import Number

__all__ = ["EXACT", "Distribution", "MonteCarlo"]

Array: TypeAlias = NDArray[np.float64]

EXACT = 2**21  # values that are kept one by one; beyond it they are counted in fine bins
_BINS = 2**18
_IN_TAIL = 1e-3  # share of the values beyond each end between which the bins are chosen


@dataclass(frozen=True, slots=True, kw_only=True)
class MonteCarlo:
    """What a simulation gives (JCGM 101:2008, 5.11, 7.6, 7.7).

    Attributes:
        value_um: mean of the trials [um]; their median where an input has no mean.
        standard_uncertainty_um: their standard deviation [um]; None where an input has none.
        shortest_um: shortest coverage interval [um].
        symmetric_um: probabilistically symmetric coverage interval [um].
        coverage: coverage probability of both [1].
        trials: how many were made [1].
        conformance_probability: share of the trials within the limits [1]; None without limits.
        share_within: gives the share of the trials [1] within other limits [um].
        stable: whether the adaptive procedure came to its end; true for a fixed number of trials.
        heavy_tails: inputs that have no standard deviation, by name, and their degrees of freedom [1].
    """

    value_um: float
    standard_uncertainty_um: float | None
    shortest_um: tuple[float, float]
    symmetric_um: tuple[float, float]
    coverage: float
    trials: int
    conformance_probability: float | None
    share_within: Callable[[Number | None, Number | None], Number] = field(repr=False, compare=False)
    stable: bool = True
    heavy_tails: Mapping[str, float] = field(default_factory=dict)

    @property
    def value_is(self) -> Literal["mean", "median"]:
        """What `value_um` is: mean or median. Student's t has a mean from more than one degree of freedom on."""
        return "median" if min(self.heavy_tails.values(), default=math.inf) <= _MEAN_ABOVE else "mean"


_MEAN_ABOVE = 1.0  # degrees of freedom above which Student's t has a mean: JCGM 101:2008, 6.4.9.4


class Distribution:
    """Values of the output as they come: exact while they are few, in fine bins beyond that.

    Args:
        limits_um: lower and upper limit [um], to count what conforms; None for one that is missing.
    """

    def __init__(self, limits_um: tuple[float | None, float | None] = (None, None)) -> None:
        self.count = 0
        self._limits = limits_um
        self._mean = 0.0
        self._squares = 0.0
        self._conforming = 0
        self._kept: list[Array] = []
        self._ordered: tuple[Array, Array] | None = None
        self._edges: Array | None = None
        self._bins = np.zeros(_BINS, dtype=np.int64)
        self._outside: list[Array] = []

    def add(self, values: Array) -> None:
        """Take in a block of values [um]; mean and squares by pairwise updating (Chan et al.)."""
        size = values.size
        mean = float(values.mean())
        squares = float(np.square(values - mean).sum())
        total = self.count + size
        gap = mean - self._mean
        self._squares += squares + gap * gap * self.count * size / total
        self._mean += gap * size / total
        self.count = total
        self._ordered = None
        lower, upper = self._limits
        if lower is not None or upper is not None:
            inside = np.ones(size, dtype=bool) if lower is None else values >= lower
            self._conforming += int(np.count_nonzero(inside if upper is None else inside & (values <= upper)))
        if self._edges is None:
            self._kept.append(values)
            if total > EXACT:
                self._to_bins()
        else:
            self._into_bins(values)

    def _to_bins(self) -> None:
        kept, self._kept = np.concatenate(self._kept), []
        # Not from end to end: the ends of a t distribution of few degrees of freedom lie so far out that the bins
        # would be wider than what is looked for. What is beyond them is kept value by value.
        low, high = (float(end) for end in np.quantile(kept, (_IN_TAIL, 1.0 - _IN_TAIL)))
        margin = 0.5 * (high - low) or 1.0
        self._edges = np.linspace(low - margin, high + margin, _BINS + 1)
        self._into_bins(kept)

    def _into_bins(self, values: Array) -> None:
        edges = self._edges
        if edges is None:
            return
        step = (edges[-1] - edges[0]) / _BINS
        place = np.floor((values - edges[0]) / step).astype(np.int64)
        within = (place >= 0) & (place < _BINS)
        self._bins += np.bincount(place[within], minlength=_BINS)
        if not within.all():
            self._outside.append(values[~within])

    @property
    def mean_um(self) -> float:
        """Mean of the values [um] (JCGM 101:2008, 7.6, eq. 16)."""
        return self._mean

    @property
    def standard_um(self) -> float:
        """Standard deviation of the values [um] (JCGM 101:2008, 7.6, eq. 17)."""
        return math.sqrt(self._squares / (self.count - 1)) if self.count > 1 else 0.0

    @property
    def median_um(self) -> float:
        """The value that half of the values lie up to [um]."""
        values, ranks = self.ordered()
        return float(values[np.searchsorted(ranks, 0.5 * self.count)])

    @property
    def conformance_probability(self) -> float | None:
        """Share of the values within the limits [1]; None without limits."""
        return None if self._limits == (None, None) else self._conforming / self.count

    def share_within(self, lower_um: Number | None, upper_um: Number | None) -> Number:
        """Share of the values within any limits [1]; of values in bins to the width of one."""
        values, ranks = self.ordered()
        ends = np.concatenate([[0.0], ranks])
        first = 0.0 if lower_um is None else ends[np.searchsorted(values, lower_um, side="left")]
        last = float(self.count) if upper_um is None else ends[np.searchsorted(values, upper_um, side="right")]
        share = np.asarray(np.maximum(last - first, 0.0) / self.count)
        return share if share.ndim else float(share)

    def ordered(self) -> tuple[Array, Array]:
        """Values in order [um], and how many values lie up to and including each."""
        if self._ordered is None:
            self._ordered = self._sorted()
        return self._ordered

    def _sorted(self) -> tuple[Array, Array]:
        if self._edges is None:
            values = np.sort(np.concatenate(self._kept))
            return values, np.arange(1, values.size + 1, dtype=float)
        centres = 0.5 * (self._edges[:-1] + self._edges[1:])
        filled = self._bins > 0
        outside = np.sort(np.concatenate(self._outside)) if self._outside else np.zeros(0)
        values = np.concatenate([centres[filled], outside])
        weights = np.concatenate([self._bins[filled].astype(float), np.ones(outside.size)])
        order = np.argsort(values, kind="stable")
        return values[order], np.cumsum(weights[order])

    def intervals_um(self, coverage: float) -> tuple[tuple[float, float], tuple[float, float]]:
        """Shortest and probabilistically symmetric coverage interval [um] (JCGM 101:2008, 7.7)."""
        values, ranks = self.ordered()
        within = math.floor(coverage * self.count + 0.5)
        if within >= self.count or values.size < 2:  # noqa: PLR2004  two ends
            whole = (float(values[0]), float(values[-1]))
            return whole, whole
        if self._edges is None:
            return _exact_intervals(values, within)
        first = np.concatenate([[0.0], ranks[:-1]])
        last = np.searchsorted(ranks, first + within, side="left")
        fits = last < values.size
        widths = values[last[fits]] - values[np.flatnonzero(fits)]
        start = int(widths.argmin())
        shortest = (float(values[start]), float(values[last[start]]))
        low = np.searchsorted(ranks, (self.count - within) / 2.0, side="left")
        high = np.searchsorted(ranks, (self.count - within) / 2.0 + within, side="left")
        return shortest, (float(values[low]), float(values[high]))

    def result(
        self, coverage: float, *, stable: bool = True, heavy_tails: Mapping[str, float] | None = None
    ) -> MonteCarlo:
        """All of it, for one coverage probability [1]; without what inputs of heavy tails leave undefined."""
        shortest, symmetric = self.intervals_um(coverage)
        made = MonteCarlo(
            value_um=self.mean_um,
            standard_uncertainty_um=None if heavy_tails else self.standard_um,
            shortest_um=shortest,
            symmetric_um=symmetric,
            coverage=coverage,
            trials=self.count,
            conformance_probability=self.conformance_probability,
            share_within=self.share_within,
            stable=stable,
            heavy_tails=heavy_tails or {},
        )
        return made if made.value_is == "mean" else replace(made, value_um=self.median_um)


def _exact_intervals(values: Array, within: int) -> tuple[tuple[float, float], tuple[float, float]]:
    """The same where every value is kept: an interval of `within` values more than one."""
    start = int((values[within:] - values[:-within]).argmin())
    low = (values.size - within + 1) // 2 - 1  # r of JCGM 101:2008, 7.7.2 (clause from memory), counted from 0
    return (
        (float(values[start]), float(values[start + within])),
        (float(values[low]), float(values[low + within])),
    )
