"""Monte Carlo propagation of distributions through the same terms (JCGM 101:2008).

Trials are drawn in blocks and only what a result needs is kept, so that memory stays flat at any
number of trials. The generator is handed in: the same seed gives the same numbers.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holdzero.estimate import Part, Shape
from holdzero.model import Input, ModelError, Term, inputs_of

__all__ = [
    "BLOCK",
    "Distribution",
    "MonteCarlo",
    "adaptive",
    "draw",
    "draws_of",
    "first_order_validated",
    "simulate",
    "tolerance_of",
    "values_of",
]

Array = NDArray[np.float64]

BLOCK = 2**16
"""Trials that are drawn at once: two dozen arrays of it fit a processor's cache."""

_EXACT = 2**21  # values that are kept one by one; beyond it they are counted in fine bins
_BINS = 2**18


@dataclass(frozen=True, slots=True, kw_only=True)
class MonteCarlo:
    """What a simulation gives (JCGM 101:2008, 5.11, 7.6, 7.7).

    Attributes:
        value_um: mean of the trials [um].
        standard_uncertainty_um: their standard deviation [um].
        shortest_um: shortest coverage interval [um].
        symmetric_um: probabilistically symmetric coverage interval [um].
        coverage: coverage probability of both [1].
        trials: how many were made [1].
        conformance_probability: share of the trials within the limits [1]; None without limits.
        stable: whether the adaptive procedure came to its end; true for a fixed number of trials.
    """

    value_um: float
    standard_uncertainty_um: float
    shortest_um: tuple[float, float]
    symmetric_um: tuple[float, float]
    coverage: float
    trials: int
    conformance_probability: float | None
    stable: bool = True


def draw(part: Part, generator: np.random.Generator, size: int) -> Array:  # noqa: PLR0911  one arm a shape
    """Draws from the distribution of one part of an estimate.

    Args:
        part: what is known of the quantity.
        generator: source of the draws.
        size: how many.

    Returns:
        Draws [unit of the part], shape (size,).

    Source: JCGM 101:2008, 6.4.2 (rectangular), 6.4.3 (curvilinear trapezoid for inexact limits),
    6.4.4 (trapezoid), 6.4.5 (triangular), 6.4.6 (arcsine), 6.4.7 (normal), 6.4.9 (scaled and
    shifted t). A rectangular part whose uncertainty is reliable to a fraction q has limits that are
    inexact by q times the half-width, as in 9.5.2.9.
    """
    value, half = float(part.value), part.halfwidth
    match part.shape:
        case Shape.EXACT:
            return np.full(size, value)
        case Shape.NORMAL:
            standard = float(part.standard_uncertainty)
            if math.isfinite(part.dof):
                return value + standard * generator.standard_t(part.dof, size)
            return value + standard * generator.standard_normal(size)
        case Shape.RECTANGULAR:
            if math.isfinite(part.dof):
                return _curvilinear(value, half, half / math.sqrt(2.0 * float(part.dof)), generator, size)
            return generator.uniform(value - half, value + half, size)
        case Shape.CURVILINEAR:
            return _curvilinear(value, half, part.inner, generator, size)
        case Shape.TRIANGULAR:
            return value + half * (generator.random(size) - generator.random(size))
        case Shape.TRAPEZOID:
            wide, narrow = half + part.inner, half - part.inner
            return value + wide * (generator.random(size) - 0.5) + narrow * (generator.random(size) - 0.5)
        case Shape.ARCSINE:
            return value + half * np.sin(2.0 * np.pi * generator.random(size))


def _curvilinear(value: float, half: float, inexact: float, generator: np.random.Generator, size: int) -> Array:
    """JCGM 101:2008, 6.4.3.3: limits that are themselves rectangular, the lower and upper one in step."""
    width = half + inexact * (1.0 - 2.0 * generator.random(size))
    return value + width * (2.0 * generator.random(size) - 1.0)


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
        self._edges: Array | None = None
        self._bins: NDArray[np.int64] = np.zeros(0, dtype=np.int64)
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
        lower, upper = self._limits
        if lower is not None or upper is not None:
            inside = np.ones(size, dtype=bool) if lower is None else values >= lower
            self._conforming += int(np.count_nonzero(inside if upper is None else inside & (values <= upper)))
        if self._edges is None:
            self._kept.append(values)
            if total > _EXACT:
                self._to_bins()
        else:
            self._into_bins(values)

    def _to_bins(self) -> None:
        kept = np.concatenate(self._kept)
        low, high = float(kept.min()), float(kept.max())
        # The tails of later blocks reach a little further; what is beyond is kept value by value.
        margin = 0.5 * (high - low) or 1.0
        self._edges = np.linspace(low - margin, high + margin, _BINS + 1)
        self._bins = np.zeros(_BINS, dtype=np.int64)
        self._kept = []
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
    def conformance_probability(self) -> float | None:
        """Share of the values within the limits [1]; None without limits."""
        return None if self._limits == (None, None) else self._conforming / self.count

    def ordered(self) -> tuple[Array, Array]:
        """Values in order [um], and how many values lie up to and including each."""
        if self._edges is None:
            values = np.sort(np.concatenate(self._kept)) if len(self._kept) != 1 else np.sort(self._kept[0])
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
        symmetric = (float(values[low]), float(values[min(int(high), values.size - 1)]))
        return shortest, symmetric

    def result(self, coverage: float, *, stable: bool = True) -> MonteCarlo:
        """All of it, for one coverage probability [1]."""
        shortest, symmetric = self.intervals_um(coverage)
        return MonteCarlo(
            value_um=self.mean_um,
            standard_uncertainty_um=self.standard_um,
            shortest_um=shortest,
            symmetric_um=symmetric,
            coverage=coverage,
            trials=self.count,
            conformance_probability=self.conformance_probability,
            stable=stable,
        )


def _exact_intervals(values: Array, within: int) -> tuple[tuple[float, float], tuple[float, float]]:
    """The same where every value is kept: an interval of `within` values more than one."""
    start = int((values[within:] - values[:-within]).argmin())
    low = (values.size - within) // 2
    return (
        (float(values[start]), float(values[start + within])),
        (float(values[low]), float(values[min(low + within, values.size - 1)])),
    )


def draws_of(inputs: Mapping[str, Input], generator: np.random.Generator, size: int) -> dict[str, Array | float]:
    """`size` draws of each input, by name, in its unit; a number where it is exact."""
    drawn: dict[str, Array | float] = {}
    for name, item in inputs.items():
        estimate = item.estimate
        if not np.any(estimate.standard_uncertainty):
            drawn[name] = float(estimate.value)
            continue
        first, *rest = estimate.parts
        total = draw(first, generator, size)
        for part in rest:
            total += draw(part, generator, size)
        drawn[name] = total
    return drawn


def values_of(terms: Sequence[Term], drawn: Mapping[str, Array | float], size: int) -> Array:
    """Values of the model for draws of its inputs [um], shape (size,).

    Raises:
        ModelError: a value is no number.
    """
    values: Array = np.zeros(size)
    for term in terms:
        values += term.function(*(drawn[item.name] for item in term.inputs))
    if not np.isfinite(values).all():
        raise ModelError("a term gives a value that is no number in some trials")
    return values


def _block(terms: Sequence[Term], inputs: dict[str, Input], generator: np.random.Generator, size: int) -> Array:
    return values_of(terms, draws_of(inputs, generator, size), size)


def simulate(
    terms: Sequence[Term],
    generator: np.random.Generator,
    trials: int,
    coverage: float,
    limits_um: tuple[float | None, float | None] = (None, None),
) -> MonteCarlo:
    """A fixed number of trials.

    Args:
        terms: summands of the value [um each].
        generator: source of the draws.
        trials: how many [1].
        coverage: coverage probability of the intervals [1].
        limits_um: lower and upper limit [um], for the conformance probability.

    Returns:
        Mean, standard deviation and intervals [um].

    Raises:
        ModelError: inputs clash, or a value is no number.

    Source: JCGM 101:2008, 7.2 to 7.7.
    """
    inputs, distribution = inputs_of(terms), Distribution(limits_um)
    for start in range(0, trials, BLOCK):
        distribution.add(_block(terms, inputs, generator, min(BLOCK, trials - start)))
    return distribution.result(coverage)


_PER_STEP = 10_000  # JCGM 101:2008, 7.9.4 b): M = max(J, 10⁴), J ≥ 100/(1 − p)
_MOST_TRIALS = 10_000_000


def adaptive(
    terms: Sequence[Term],
    generator: np.random.Generator,
    coverage: float,
    limits_um: tuple[float | None, float | None] = (None, None),
    *,
    digits: int = 2,
) -> MonteCarlo:
    """As many trials as the result needs to be stable in `digits` significant digits of its uncertainty.

    Args:
        terms: summands of the value [um each].
        generator: source of the draws.
        coverage: coverage probability of the intervals [1].
        limits_um: lower and upper limit [um].
        digits: significant digits of the standard uncertainty [1].

    Returns:
        As `simulate`; not `stable` where ten million trials did not suffice.

    Raises:
        ModelError: inputs clash, or a value is no number.

    Source: JCGM 101:2008, 7.9.
    """
    inputs, whole = inputs_of(terms), Distribution(limits_um)
    size = max(math.ceil(100.0 / (1.0 - coverage)), _PER_STEP)
    steps: list[tuple[float, float, float, float]] = []
    while whole.count + size <= _MOST_TRIALS:
        part = Distribution(limits_um)
        block = _block(terms, inputs, generator, size)
        part.add(block)
        whole.add(block)
        ends = part.intervals_um(coverage)[0]
        steps.append((part.mean_um, part.standard_um, *ends))
        if len(steps) > 1 and whole.standard_um == 0.0:
            return whole.result(coverage)
        if len(steps) > 1:
            scatter = np.std(np.array(steps), axis=0, ddof=1) / math.sqrt(len(steps))
            if np.all(2.0 * scatter <= tolerance_of(whole.standard_um, digits)):
                return whole.result(coverage)
    return whole.result(coverage, stable=False)


def tolerance_of(standard_uncertainty_um: float, digits: int = 2) -> float:
    """Numerical tolerance δ of a standard uncertainty: half a unit of its last significant digit.

    Args:
        standard_uncertainty_um: above zero [um].
        digits: significant digits that count [1].

    Returns:
        δ [um].

    Source: JCGM 101:2008, 7.9.2.

    >>> tolerance_of(0.00035), tolerance_of(2.0, 1)
    (5e-06, 0.5)
    """
    exponent = math.floor(math.log10(standard_uncertainty_um)) - digits + 1
    if round(standard_uncertainty_um / 10.0**exponent) >= 10**digits:
        exponent += 1
    return float(f"5e{exponent - 1}")


def first_order_validated(
    value_um: float, expanded_um: float, result: MonteCarlo, *, digits: int = 2
) -> tuple[bool, float, float]:
    """Whether first-order propagation was good enough.

    Args:
        value_um: by first order [um].
        expanded_um: its expanded uncertainty [um], for the coverage of `result`.
        result: of the simulation.
        digits: significant digits that count [1].

    Returns:
        Whether both ends agree within δ, and by how much they differ [um].

    Source: JCGM 101:2008, 8.1.3, eq. (23), (24).
    """
    low = abs(value_um - expanded_um - result.shortest_um[0])
    high = abs(value_um + expanded_um - result.shortest_um[1])
    if result.standard_uncertainty_um == 0.0:
        return low == high == 0.0, low, high
    delta = tolerance_of(result.standard_uncertainty_um, digits)
    return low <= delta and high <= delta, low, high
