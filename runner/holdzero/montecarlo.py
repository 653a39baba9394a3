"""Monte Carlo propagation of distributions through the same terms (JCGM 101:2008).

Trials are drawn in blocks and only what a result needs is kept, so that memory stays flat at any
number of trials. The generator is handed in: the same seed gives the same numbers. Where an input
has two degrees of freedom or fewer, no standard deviation exists, and none is stated.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from holdzero.distribution import Distribution, MonteCarlo
from holdzero.estimate import Part, Shape
from holdzero.model import Input, ModelError, Term, inputs_of

__all__ = [
    "BLOCK",
    "MOST_TRIALS",
    "adaptive",
    "draw",
    "draws_of",
    "first_order_validated",
    "heavy_tails_of",
    "simulate",
    "tolerance_of",
    "values_of",
]

Array = NDArray[np.float64]

BLOCK = 2**16
"""Trials that are drawn at once: two dozen arrays of it fit a processor's cache."""

_VARIANCE_ABOVE = 2.0  # degrees of freedom above which Student's t has a variance: JCGM 101:2008, 6.4.9.4


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


def draws_of(inputs: Mapping[str, Input], generator: np.random.Generator, size: int) -> dict[str, Array | float]:
    """`size` draws of each input, by name, in its unit; a number where it is exact."""
    drawn: dict[str, Array | float] = {}
    for name, item in inputs.items():
        estimate = item.estimate
        if not float(estimate.standard_uncertainty):
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


def heavy_tails_of(terms: Sequence[Term]) -> dict[str, float]:
    """Inputs that move the value and have no standard deviation: Student's t of two degrees of freedom or fewer.

    Args:
        terms: summands of the value [um each].

    Returns:
        The fewest degrees of freedom of each such input [1], by name. One that moves no term, however large, is not
        among them: it leaves the value's standard deviation as it is.

    Raises:
        ModelError: inputs clash.

    Source: JCGM 101:2008, 6.4.9.4.
    """
    inputs = inputs_of(terms)
    few = {
        name: min((float(part.dof) for part in item.estimate.parts if _is_heavy(part)), default=math.inf)
        for name, item in inputs.items()
    }
    return {name: dof for name, dof in few.items() if math.isfinite(dof) and _moves(name, terms, inputs)}


def _is_heavy(part: Part) -> bool:
    few = float(part.dof) <= _VARIANCE_ABOVE
    return part.shape is Shape.NORMAL and few and float(part.standard_uncertainty) > 0.0


def _moves(name: str, terms: Sequence[Term], inputs: Mapping[str, Input]) -> bool:
    """Whether an input moves the value, all others being off their estimates: their zeros would hide a product."""
    at = {
        other: float(item.estimate.value) + float(item.estimate.standard_uncertainty) for other, item in inputs.items()
    }
    standard = float(inputs[name].estimate.standard_uncertainty)
    values = set()
    for steps in (0.0, 1.0, 2.0):  # three: an even function has equal values at two
        moved = {**at, name: at[name] + steps * standard}
        values.add(sum(float(term.function(*(moved[item.name] for item in term.inputs))) for term in terms))
    return len(values) > 1


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
    return distribution.result(coverage, heavy_tails=heavy_tails_of(terms))


_PER_STEP = 10_000  # JCGM 101:2008, 7.9.4 b): M = max(J, 10⁴), J ≥ 100/(1 − p)
MOST_TRIALS = 10_000_000
_USUAL_TRIALS = 1_000_000  # JCGM 101:2008, 7.2: often enough for an interval of 95 %, to one or two digits


def adaptive(
    terms: Sequence[Term],
    generator: np.random.Generator,
    coverage: float,
    limits_um: tuple[float | None, float | None] = (None, None),
    *,
    digits: int = 2,
) -> MonteCarlo:
    """As many trials as the result needs to be stable in `digits` significant digits of its uncertainty.

    Where an input has no standard deviation, nor has the result: there is nothing that could become stable, and
    nothing to tell how many digits count. Then a million trials are made, and the result is not `stable`.

    Args:
        terms: summands of the value [um each].
        generator: source of the draws.
        coverage: coverage probability of the intervals [1].
        limits_um: lower and upper limit [um].
        digits: significant digits of the standard uncertainty [1].

    Returns:
        As `simulate`; not `stable` where ten million trials did not suffice, or the procedure can't be used.

    Raises:
        ModelError: inputs clash, or a value is no number.

    Source: JCGM 101:2008, 7.9; 6.4.9.4.
    """
    if heavy_tails_of(terms):
        return replace(simulate(terms, generator, _USUAL_TRIALS, coverage, limits_um), stable=False)
    inputs, whole = inputs_of(terms), Distribution(limits_um)
    size = max(math.ceil(100.0 / (1.0 - coverage)), _PER_STEP)
    steps: list[tuple[float, float, float, float]] = []
    while whole.count + size <= MOST_TRIALS:
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
    value_um: float, standard_uncertainty_um: float, expanded_um: float, result: MonteCarlo, *, digits: int = 2
) -> tuple[bool, float, float]:
    """Whether first-order propagation was good enough.

    Args:
        value_um: by first order [um].
        standard_uncertainty_um: its standard uncertainty [um]; it takes the place of the simulation's where that has
            none.
        expanded_um: its expanded uncertainty [um], for the coverage of `result`.
        result: of the simulation.
        digits: significant digits that count [1].

    Returns:
        Whether both ends agree within δ, and by how much they differ [um].

    Source: JCGM 101:2008, 8.1.3, eq. (23), (24).
    """
    low = abs(value_um - expanded_um - result.shortest_um[0])
    high = abs(value_um + expanded_um - result.shortest_um[1])
    simulated = result.standard_uncertainty_um
    standard = standard_uncertainty_um if simulated is None else simulated
    if standard == 0.0:
        return low == high == 0.0, low, high
    delta = tolerance_of(standard, digits)
    return low <= delta and high <= delta, low, high
