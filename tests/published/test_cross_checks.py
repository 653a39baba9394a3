"""The same models worked out by general open libraries: GTC, uncertainties and SciPy, in tests only."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from holdzero.estimate import Estimate
from holdzero.model import Input, Term, propagate, student_cdf, student_quantile


def known(name: str, value: float, standard: float, dof: float) -> Input:
    return Input(name=name, estimate=Estimate.of(value, standard, dof=dof), unit="um", evaluation="B")


values = st.floats(-50.0, 50.0)
spreads = st.floats(1e-3, 2.0)
dofs = st.integers(1, 60)
inputs = st.tuples(values, spreads, dofs)


@given(inputs, inputs, inputs)
@settings(max_examples=60)
def test_gtc_agrees_on_uncertainty_and_degrees_of_freedom(
    a: tuple[float, float, int], b: tuple[float, float, int], c: tuple[float, float, int]
) -> None:
    import GTC

    x, y, z = (GTC.ureal(*item) for item in (a, b, c))
    theirs = x * y - 3 * z + x
    ours = propagate(
        [
            Term(name="p", inputs=(known("x", *a), known("y", *b)), function=lambda m, n: m * n),
            Term(name="q", inputs=(known("z", *c), known("x", *a)), function=lambda m, n: -3 * m + n),
        ]
    )
    assert ours.value_um == pytest.approx(theirs.x, rel=1e-9, abs=1e-9)
    assert ours.standard_uncertainty_um == pytest.approx(theirs.u, rel=1e-9)
    assert ours.dof == pytest.approx(theirs.df, rel=1e-6)


@given(inputs, inputs)
@settings(max_examples=60)
def test_uncertainties_agrees_on_a_shared_input(a: tuple[float, float, int], b: tuple[float, float, int]) -> None:
    import uncertainties

    x, y = uncertainties.ufloat(a[0], a[1]), uncertainties.ufloat(b[0], b[1])
    theirs = x * x - x * y
    ours = propagate(
        [
            Term(name="p", inputs=(known("x", *a),), function=lambda m: m * m),
            Term(name="q", inputs=(known("x", *a), known("y", *b)), function=lambda m, n: -m * n),
        ]
    )
    assert ours.value_um == pytest.approx(theirs.nominal_value, rel=1e-9, abs=1e-9)
    assert ours.standard_uncertainty_um == pytest.approx(theirs.std_dev, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("dof", [1.0, 2.0, 9.0, 16.0, 351.0, math.inf])
@pytest.mark.parametrize("probability", [0.6, 0.95, 0.97725, 0.995, 0.9999])
def test_scipy_agrees_on_students_t(dof: float, probability: float) -> None:
    from scipy import stats

    quantile = float(stats.t.ppf(probability, dof)) if math.isfinite(dof) else float(stats.norm.ppf(probability))
    assert student_quantile(probability, dof) == pytest.approx(quantile, rel=1e-9)
    assert student_cdf(quantile, dof) == pytest.approx(probability, rel=1e-9)
