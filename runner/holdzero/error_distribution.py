"""What U covers where pairs of inputs count, by simulation.

Pairs of second order are products, and a product of two errors is far from normal: U = k·u may then cover less, or
more, than k promises. Where that is so the conformance probability is that of the simulated errors.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from holdzero.estimate import Estimate
from holdzero.model import Contribution, Input, Number, Propagated, Term, inputs_of, student_quantile
from holdzero.montecarlo import BLOCK, draws_of, values_of

__all__ = ["ErrorDistribution", "simulated_errors"]

Array = NDArray[np.float64]

# Below this share of the variance, pairs of normal inputs move the coverage of k·u by less than 0.7 %, whatever the
# coverage (tests/runner/test_error_distribution.py): nothing need be simulated to know it.
_COUNTS = 0.01

# By how much pairs may move the coverage of U before it is said, and a simulation decides.
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

        def below(limit_um: float, side: Literal["left", "right"]) -> Number:
            z = (limit_um - value_um) / standard_uncertainty_um
            return np.asarray(np.searchsorted(self.errors, z, side=side), dtype=np.float64)

        last = float(self.trials) if upper_um is None else below(upper_um, "right")
        first = 0.0 if lower_um is None else below(lower_um, "left")
        share: NDArray[np.float64] = np.maximum(np.asarray(last - first), 0.0) / self.trials
        return share if share.ndim else float(share)


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
        The errors; None where the pairs do not move what U covers.

    Source: JCGM 101:2008, 7.2.2 (trials: 10⁴ times 1/(1 − p)), 7.3 to 7.5.
    """
    pairs = [row for row in propagated.contributions if row.is_pair]
    variance = float(np.mean(np.square(propagated.standard_uncertainty_um)))
    share = sum(float(np.mean(np.square(row.contribution_um))) for row in pairs)
    if not pairs or share < _COUNTS * variance:
        return None
    generator = np.random.default_rng([seed, *name.encode()])
    drawn = _drawn(terms, propagated, pairs, generator, math.ceil(1e4 / (1.0 - coverage)))
    first, u = float(np.mean(np.square(propagated.first_order_um))) ** 0.5, variance**0.5
    # With the other inputs normal, so that it is the pairs that move it and not a heavy tail or a limit elsewhere.
    factor = student_quantile(0.5 + coverage / 2.0, math.inf)
    moved = _share(drawn.bent + drawn.normal, factor * u) - _share(drawn.straight + drawn.normal, factor * first)
    if abs(moved) <= _MOVED:
        return None
    errors = drawn.bent + drawn.others
    errors.sort()
    largest = max(pairs, key=lambda row: float(np.mean(np.abs(row.contribution_um))))
    reached = _share(errors, float(np.mean(coverage_factor)) * u)
    return ErrorDistribution(errors=errors / u, coverage=reached, seed=seed, pair=largest.input.name)


@dataclass(frozen=True, slots=True)
class _Drawn:
    """Errors [um] of the inputs that stand in pairs, with (`bent`) and without second order, and of the others."""

    bent: Array
    straight: Array
    others: Array
    normal: Array


def _drawn(
    terms: Sequence[Term],
    propagated: Propagated,
    pairs: Sequence[Contribution],
    generator: np.random.Generator,
    trials: int,
) -> _Drawn:
    inputs = {name: _of_one(item) for name, item in inputs_of(terms).items()}
    rows = [row for row in propagated.contributions if not row.is_pair]
    slopes = {row.input.name: float(np.mean(row.sensitivity)) for row in rows}
    paired = {name for row in pairs for name in row.of}
    spread = math.hypot(*(float(np.mean(row.contribution_um)) for row in rows if row.input.name not in paired))
    many = np.ndim(propagated.value_um) or np.ndim(propagated.standard_uncertainty_um)
    made = _Drawn(*(np.empty(trials) for _ in range(4)))
    for start in range(0, trials, BLOCK):
        part = slice(start, min(start + BLOCK, trials))
        size = part.stop - part.start
        drawn = draws_of(inputs, generator, size)
        off = {name: drawn[name] - float(item.estimate.value) for name, item in inputs.items()}
        made.straight[part] = sum((slopes[name] * off[name] for name in paired), start=0.0)
        made.others[part] = sum((slopes[name] * error for name, error in off.items() if name not in paired), start=0.0)
        made.normal[part] = spread * generator.standard_normal(size)
        if many:
            made.bent[part] = made.straight[part] + sum((_curved(row, off) for row in pairs), start=0.0)
        else:
            made.bent[part] = values_of(terms, drawn, size) - float(propagated.value_um) - made.others[part]
    return made


def _share(errors: Array, within: float) -> float:
    return float(np.count_nonzero(np.abs(errors) <= within)) / errors.size


def _curved(row: Contribution, off: Mapping[str, Array | float]) -> Array | float:
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
        replace(
            part, value=_mean(part.value), standard_uncertainty=_mean(part.standard_uncertainty), dof=_mean(part.dof)
        )
        for part in item.estimate.parts
    )
    return replace(item, estimate=Estimate(parts=parts, why=item.estimate.why))


def _mean(number: Number) -> float:
    return float(np.mean(number))
