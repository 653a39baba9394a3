"""Errors of products and squares beside straight inputs, against draws of the same laws made here."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import norm

from holdzero.error_distribution import ErrorDistribution, simulated_errors
from holdzero.estimate import Estimate
from holdzero.model import Input, Number, Term, propagate
from holdzero.second_order import with_second_order

COVERAGE = 0.95


def known(name: str, standard: Number, value: Number = 0.0) -> Input:
    return Input(name=name, estimate=Estimate.of(value, standard), unit="um", evaluation="B")


def errors_of(term: Term) -> ErrorDistribution:
    propagated = with_second_order([term], propagate([term]))
    k = float(norm.ppf(0.5 + COVERAGE / 2.0))
    found = simulated_errors([term], propagated, coverage_factor=k, coverage=COVERAGE, seed=1, name="t")
    assert found is not None
    return found


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_a_square_of_many_runs_has_the_errors_of_one(side: float) -> None:
    many, one = (
        errors_of(
            Term(name="t", inputs=(known("x", 0.1, value), known("y", 0.7)), function=lambda a, b: a + side * b * b)
        )
        for value in (np.array([1.0, 2.0]), 1.0)
    )
    # of one run the mean of the square is in it as the model has it; of many, as its row has
    assert np.allclose(many.errors, one.errors)
    assert side * (many.errors[-1] + many.errors[0]) > 0.0


def test_the_largest_pair_is_named() -> None:
    inputs = (known("x", 1.0), known("y", 1.0), known("z", 0.5))
    found = errors_of(Term(name="t", inputs=inputs, function=lambda x, y, z: x * y + 0.5 * x * z))
    assert found.pair == "x × y"


def test_what_stands_in_no_pair_is_added_to_them() -> None:
    # a rectangle to one side of zero in its slope: errors of −x lie as draws of −x do
    x, y, z = known("x", 0.3), known("y", 1.0), known("z", 1.0)
    found = errors_of(Term(name="t", inputs=(x, y, z), function=lambda a, b, c: -a + b * c))
    rng, n = np.random.default_rng(2), 400_000
    a, b, c = 0.3 * rng.standard_normal(n), *rng.standard_normal((2, n))
    u = math.sqrt(0.09 + 1.0)
    for quantile in (0.025, 0.5, 0.975):
        assert np.quantile(found.errors, quantile) == pytest.approx(np.quantile((b * c - a) / u, quantile), abs=0.03)
