"""Whether U covers what it says where pairs of inputs count, and by simulation what it covers.

Pairs of second order are products, and a product of two errors is far from normal: U = k·u may then cover less, or
more, than k promises. Where that is so the conformance probability is that of the simulated errors.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from holdzero.estimate import Estimate
from holdzero.model import Contribution, Input, Number, Propagated, Term, inputs_of
from holdzero.montecarlo import BLOCK, draws_of, values_of

__all__ = ["ErrorDistribution", "simulated_errors"]

Array = NDArray[np.float64]

# Below this share of the variance, pairs of normal inputs move the coverage of k·u by less than 0.7 %, whatever the
# coverage (tests/runner/test_error_distribution.py): nothing need be simulated to know it.
_COUNTS = 0.01

# By how much the coverage of U may be off before it is said, and a simulation decides.
_MOVED = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorDistribution:
    """Simulated errors of a value, in its standard uncertainties.

    Attributes:
        errors: true value less measured value, over u, in order [1], shape (trials,).
        coverage: share of them within ±k [1].
        seed: of the draws.
        pair: the pair of inputs that counts most.
    """

    errors: Array
    coverage: float
    seed: int
    pair: str

    @property
    def trials(self) -> int:
        """How many were drawn."""
        return self.errors.size

    def conformance_probability(
        self, value_um: Number, standard_uncertainty_um: Number, lower_um: float | None, upper_um: float | None
    ) -> Number:
        """Share of the possible true values within the limits [1].

        Args:
            value_um: measured value [um].
            standard_uncertainty_um: its standard uncertainty [um], above zero.
            lower_um: lower limit [um]; None if there is none.
            upper_um: upper limit [um]; None if there is none.

        Source: JCGM 106:2012, 7.1; JCGM 101:2008, 7.5 (distribution function of the ordered trials).
        """

        def below(limit_um: float, side: str) -> Number:
            return np.searchsorted(self.errors, (limit_um - value_um) / standard_uncertainty_um, side=side)  # type: ignore[call-overload]

        last = self.trials if upper_um is None else below(upper_um, "right")
        first = 0 if lower_um is None else below(lower_um, "left")
        return np.maximum(last - first, 0) / self.trials


def simulated_errors(
    terms: Sequence[Term], propagated: Propagated, *, coverage_factor: Number, coverage: float, seed: int, name: str
) -> ErrorDistribution | None:
    """Errors by simulation, where the pairs of second order move the coverage of U by more than 1 %.

    Of many runs there is one distribution, at the means of their estimates, from slopes and second derivatives: in
    units of u it is alike in all of them.

    Args:
        terms: summands of the value [um each].
        propagated: what first and second order make of them.
        coverage_factor: k [1].
        coverage: stated coverage probability of k·u [1].
        seed: of the draws.
        name: of the characteristic: each has draws of its own.

    Returns:
        The errors; None where U covers what it says, or where it is not because of the pairs that it does not.

    Source: JCGM 101:2008, 7.2.2 (trials: 10⁴ times 1/(1 − p)), 7.3 to 7.5.
    """
    pairs = [row for row in propagated.contributions if row.is_pair]
    variance = float(np.mean(np.square(propagated.standard_uncertainty_um)))
    share = sum(float(np.mean(np.square(row.contribution_um))) for row in pairs)
    if not pairs or share < _COUNTS * variance:
        return None
    generator = np.random.default_rng([seed, *name.encode()])
    trials = math.ceil(1e4 / (1.0 - coverage))
    inputs = {input_name: _of_one(item) for input_name, item in inputs_of(terms).items()}
    slopes = {row.input.name: float(np.mean(row.sensitivity)) for row in propagated.contributions}
    many = np.ndim(propagated.value_um) or np.ndim(propagated.standard_uncertainty_um)
    linear, whole = np.empty(trials), np.empty(trials)
    for start in range(0, trials, BLOCK):
        part = slice(start, min(start + BLOCK, trials))
        drawn = draws_of(inputs, generator, part.stop - part.start)
        off = {input_name: drawn[input_name] - float(item.estimate.value) for input_name, item in inputs.items()}
        linear[part] = sum((slopes[input_name] * error for input_name, error in off.items()), start=0.0)
        if many:
            whole[part] = linear[part] + sum((_curved(row, off) for row in pairs), start=0.0)
        else:
            whole[part] = values_of(terms, drawn, part.stop - part.start) - float(propagated.value_um)
    k, u = float(np.mean(coverage_factor)), variance**0.5
    reached = _share(whole, k * u)
    alone = _share(linear, k * float(np.mean(np.square(propagated.first_order_um))) ** 0.5)
    if abs(reached - coverage) <= _MOVED or abs(reached - alone) <= _MOVED:
        return None
    whole.sort()
    largest = max(pairs, key=lambda row: float(np.mean(np.abs(row.contribution_um))))
    return ErrorDistribution(errors=whole / u, coverage=reached, seed=seed, pair=largest.input.name)


def _share(errors: Array, within: float) -> float:
    return float(np.count_nonzero(np.abs(errors) <= within)) / errors.size


def _curved(row: Contribution, off: dict[str, Array]) -> Array:
    """What a pair adds to a value: ∂²/∂i∂j·δi·δj, or ½·∂²/∂i²·δi², whose row has 1/√2 of the derivative."""
    slope = float(np.mean(row.sensitivity))
    if len(row.of) == 1:
        error = off[row.of[0]]
        return slope / math.sqrt(2.0) * error * error
    one, other = row.of
    return slope * off[one] * off[other]


def _of_one(item: Input) -> Input:
    """An input of many runs as that of one: the mean of what differs from run to run."""
    parts = tuple(
        replace(part, value=_mean(part.value), standard_uncertainty=_mean(part.standard_uncertainty), dof=_mean(part.dof))
        for part in item.estimate.parts
    )
    return replace(item, estimate=Estimate(parts=parts, why=item.estimate.why))


def _mean(number: Number) -> float:
    return float(np.mean(number))
