"""The measurement model: a measured value is a sum of terms, a term is a function of named inputs.

Two terms that name the same input share it; that is how correlation is carried. This module knows
nothing of steps, readings or checks. A number may be a float or an array whose leading axis is
the runs of a rehearsal; both go the same way.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from holdzero.errors import HoldzeroError
from holdzero.estimate import Estimate
from holdzero.quantity import Number

__all__ = [
    "STEP",
    "Contribution",
    "Input",
    "ModelError",
    "Number",
    "Propagated",
    "Term",
    "combined",
    "inputs_of",
    "propagate",
    "student_cdf",
    "student_quantile",
    "student_quantiles",
    "truncated",
]


# Part of a standard uncertainty over which a derivative is taken: a power of two, small enough for
# the curvature of any physical term and large enough for double precision.
STEP = 0.125


class ModelError(HoldzeroError):
    """Terms that can't stand in one model: two different inputs of one name, or no finite number."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Input:
    """An input quantity of the measurement (GUM 4.1.2).

    Attributes:
        name: what it is, unique in a model: terms that use the same name share the quantity.
        estimate: value and uncertainty, in `unit`.
        unit: inside unit, for the budget.
        evaluation: type A (statistics of readings) or B (any other means), GUM 3.3.4.
        why: where the estimate comes from, for the budget.
    """

    name: str
    estimate: Estimate
    unit: str
    evaluation: Literal["A", "B"]
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """One summand of a measured value.

    Attributes:
        name: what the correction or effect is.
        inputs: the quantities that it depends on.
        function: takes one number for each input, in that order, and gives micrometres. It must
            accept arrays.
        words: what it does and why with its sign, for a person who checks the result.
        source: where its formula comes from.
        linear_in: name of an exact input that the function is linear in, where there is one: of many runs second
            derivatives are taken where that is what it is in the mean.
    """

    name: str
    inputs: tuple[Input, ...]
    function: Callable[..., Number]
    words: str = ""
    source: str = ""
    linear_in: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """One row of an uncertainty budget.

    Attributes:
        input: the input quantity.
        of: names of the inputs that it comes from: its own, or those of a pair of second order.
        sensitivity: ∂(value)/∂(input) [um per unit of the input].
        contribution_um: |sensitivity| times standard uncertainty [um]; negative where a pair takes its square away
            from the variance.
    """

    input: Input
    of: tuple[str, ...]
    sensitivity: Number
    contribution_um: Number

    @property
    def is_pair(self) -> bool:
        """Whether it is of second order."""
        return self.of != (self.input.name,)


@dataclass(frozen=True, slots=True, kw_only=True)
class Propagated:
    """A value with its uncertainty.

    Attributes:
        value_um: sum of the terms at the estimates [um].
        standard_uncertainty_um: combined standard uncertainty u_c [um].
        first_order_um: what it is by first order alone [um].
        dof: effective degrees of freedom [1]; infinite where nothing limits them.
        contributions: one for each input, and for each pair of second order; largest first.
        corrections_um: value of each term [um], by name, in the order given.
    """

    value_um: Number
    standard_uncertainty_um: Number
    first_order_um: Number
    dof: Number
    contributions: tuple[Contribution, ...]
    corrections_um: dict[str, Number]


def inputs_of(terms: Iterable[Term]) -> dict[str, Input]:
    """The inputs of all terms by name, each once.

    Raises:
        ModelError: one name stands for two different quantities.
    """
    merged: dict[str, Input] = {}
    for term in terms:
        for item in term.inputs:
            known = merged.setdefault(item.name, item)
            if known is not item and known != item:
                raise ModelError(f"two different inputs are called {item.name!r} (one is in the term {term.name!r})")
    return merged


def propagate(terms: Sequence[Term]) -> Propagated:
    """First-order propagation of uncertainty through the sum of `terms`.

    Sensitivities are central differences over an eighth of a standard uncertainty to either side:
    exact for terms up to second degree in each input; beyond, the error is a 64th of what a
    difference over the whole standard uncertainty would take in of the third derivative.

    Args:
        terms: summands of the value [um each].

    Returns:
        Value [um], combined standard uncertainty [um], effective degrees of freedom [1], budget.

    Raises:
        ModelError: inputs or names of terms clash, or a term gives no finite number.

    Source: JCGM 100:2008, 5.1.2 eq. (10); 5.1.3 note 2; G.4.1 eq. (G.2b).
    """
    inputs = inputs_of(terms)
    at: dict[str, Number] = {name: item.estimate.value for name, item in inputs.items()}
    corrections = {term.name: _finite(term, at) for term in terms}
    if len(corrections) < len(terms):
        names = [term.name for term in terms]
        raise ModelError(f"two terms are called {next(name for name in names if names.count(name) > 1)!r}")
    slopes: dict[str, Number] = dict.fromkeys(inputs, 0.0)
    of_first = {name: np.ravel(number)[0] if np.ndim(number) else number for name, number in at.items()}
    for term in terms:
        for item in term.inputs:
            slopes[item.name] = slopes[item.name] + _slope(term, item, at, of_first)
    rows = [_row(item, slopes[name]) for name, item in inputs.items()]
    return _propagated(_total(list(corrections.values())), corrections, rows, ())


def combined(first: Propagated, pairs: Sequence[Contribution]) -> Propagated:
    """First order together with the rows of pairs.

    Args:
        first: by first order.
        pairs: rows of second order.

    Returns:
        The same value with both in its uncertainty [um].

    Source: JCGM 100:2008, 5.1.2 note.
    """
    return _propagated(first.value_um, first.corrections_um, first.contributions, pairs) if pairs else first


def _propagated(
    value_um: Number, corrections_um: dict[str, Number], own: Sequence[Contribution], pairs: Sequence[Contribution]
) -> Propagated:
    first = _total([row.contribution_um**2 for row in own])
    more = _total([row.contribution_um * np.abs(row.contribution_um) for row in pairs])
    variance: Number = np.maximum(first + more, 0.0) if pairs else first
    spread = _total([_fourth(row.contribution_um) / row.input.estimate.dof for row in own if _limits(row)])
    rows = sorted((*own, *pairs), key=lambda row: -float(np.mean(np.abs(row.contribution_um))))
    return Propagated(
        value_um=value_um,
        standard_uncertainty_um=variance**0.5,
        first_order_um=first**0.5,
        dof=_ratio(variance**2, spread),
        contributions=tuple(rows),
        corrections_um=corrections_um,
    )


def _limits(row: Contribution) -> bool:
    """Whether it takes degrees of freedom; what has infinitely many adds nothing to the sum."""
    return bool(np.any(np.isfinite(row.input.estimate.dof)))


def _fourth(number: Number) -> Number:
    """Fourth power, by squares: as a power each entry of an array takes twenty times as long."""
    square = number * number
    return square * square


def _total(numbers: Sequence[Number]) -> Number:
    """The sum; what is one number for all runs first, so that arrays are added as seldom as can be."""
    total: Number = 0.0
    for number in sorted(numbers, key=np.ndim):
        total = total + number
    return total


def _ratio(square: Number, spread: Number) -> Number:
    """ν_eff, infinite where no input has finite degrees of freedom."""
    if isinstance(square, np.ndarray) or isinstance(spread, np.ndarray):
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio: NDArray[np.float64] = np.asarray(square / np.asarray(spread))
        none = np.isnan(ratio)  # no uncertainty at all
        return np.where(none, np.inf, ratio) if np.any(none) else ratio
    return square / spread if spread > 0.0 else float("inf")


def _all_finite(number: Number) -> bool:
    """Whether it is a number in every run; a float goes without an array being made of it."""
    return math.isfinite(number) if isinstance(number, float) else bool(np.all(np.isfinite(number)))


def _finite(term: Term, at: dict[str, Number]) -> Number:
    number = term.function(*(at[item.name] for item in term.inputs))
    if not _all_finite(number):
        raise ModelError(f"the term {term.name!r} gives {number!r}")
    return number


def _slope(term: Term, item: Input, at: dict[str, Number], of_first: dict[str, Number]) -> Number:
    step: Number = item.estimate.standard_uncertainty * STEP
    if not np.ndim(step) and not step:
        # It contributes nothing in any run, so that of many runs the first is enough.
        at = of_first
    if not np.all(step):
        # An exact input has no uncertainty to step by; any step will do, its contribution is zero.
        step = np.where(step, step, np.abs(at[item.name]) * 2.0**-10 + 2.0**-20)
    above = term.function(*(at[i.name] + step if i is item else at[i.name] for i in term.inputs))
    below = term.function(*(at[i.name] - step if i is item else at[i.name] for i in term.inputs))
    slope: Number = (above - below) / (2.0 * step)
    if not _all_finite(slope):
        raise ModelError(f"the term {term.name!r} has no finite slope in {item.name!r}")
    return slope


def _row(item: Input, slope: Number) -> Contribution:
    size: Number = np.abs(slope)
    standard = item.estimate.standard_uncertainty
    part: Number = size * standard if np.ndim(standard) or standard else 0.0
    return Contribution(input=item, of=(item.name,), sensitivity=slope, contribution_um=part)


def student_quantile(probability: float, dof: Number) -> Number:
    """Quantile of Student's t.

    Args:
        probability: of a value below the quantile [1].
        dof: degrees of freedom, above zero [1]; infinite for the normal distribution.

    Returns:
        The quantile [1].

    Source: JCGM 100:2008, G.3.2 and Table G.2.
    """
    return student_quantiles(dof)(probability)


def student_quantiles(dof: Number) -> Callable[[float], Number]:
    """Quantiles of Student's t for several probabilities: of many runs the degrees of freedom are sorted once.

    Args:
        dof: degrees of freedom, above zero [1]; infinite for the normal distribution.

    Returns:
        What gives the quantile [1] of a probability [1].

    Source: JCGM 100:2008, G.3.2 and Table G.2.
    """
    from scipy.special import ndtri, stdtrit

    if not np.ndim(dof):
        return lambda probability: float(stdtrit(dof, probability) if np.isfinite(dof) else ndtri(probability))
    # Of many runs few have degrees of freedom of their own, and a quantile is dear. The last place of the table is
    # for infinitely many.
    dof = np.asarray(dof)
    index = np.fmin(dof, _TABLE).astype(np.intp)
    each = np.flatnonzero(np.bincount(index.ravel(), minlength=_TABLE + 1)[:_TABLE])
    others = np.flatnonzero(np.isfinite(dof) & ((index != dof) | (dof >= _TABLE)))
    rest, places = np.unique(dof.ravel()[others], return_inverse=True)

    def quantile(probability: float) -> Number:
        table = np.full(_TABLE + 1, ndtri(probability))
        table[each] = stdtrit(each, probability)
        quantiles = np.asarray(np.take(table, index))
        quantiles.ravel()[others] = stdtrit(rest, probability)[places]
        return quantiles

    return quantile


_TABLE = 4096  # whole degrees of freedom below it are looked up; one more place is for infinitely many


def student_cdf(t: Number, dof: Number) -> Number:
    """Distribution function of Student's t.

    Args:
        t: standardised value [1].
        dof: degrees of freedom [1]; infinite for the normal distribution.

    Returns:
        Probability of a value up to t [1].

    Source: JCGM 100:2008, G.3.1 eq. (G.1).
    """
    from scipy.special import ndtr, stdtr

    if not np.ndim(dof):
        probability = np.asarray(stdtr(dof, t) if np.isfinite(dof) else ndtr(t))
    else:
        finite = np.isfinite(dof)
        probability = np.where(finite, stdtr(np.where(finite, dof, 1.0), t), ndtr(t))
    return probability if probability.ndim else float(probability)


def truncated(dof: Number) -> Number:
    """Degrees of freedom for the look-up of a quantile: the next lower integer, at least 1.

    Args:
        dof: effective degrees of freedom [1].

    Returns:
        Whole degrees of freedom [1].

    Source: JCGM 100:2008, G.4.1 note 1, G.6.4.

    >>> truncated(16.7)
    16.0
    """
    # A ratio of floats may fall a hair short of the whole number that it stands for.
    whole = np.maximum(np.floor(dof * (1.0 + 1e-12)), 1.0)
    return whole if whole.ndim else float(whole)
