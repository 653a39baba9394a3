"""The model for many runs at once: each run as it is alone; and Student's t against scipy.stats."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from holdzero.estimate import Estimate
from holdzero.model import (
    Contribution,
    Input,
    ModelError,
    Propagated,
    Term,
    combined,
    inputs_of,
    propagate,
    student_cdf,
    student_quantile,
    student_quantiles,
    truncated,
)
from holdzero.propagation import worked_out

DOFS = np.array([1.0, 2.0, 3.0, 9.0, 30.0, 4095.0, 4096.0, 4097.0, 1e6, math.inf, 2.5, 1.5, 9.0])


def known(name: str, value: object, standard: object, dof: object = math.inf) -> Input:
    estimate = Estimate.of(value, standard, dof=dof)  # type: ignore[arg-type]
    return Input(name=name, estimate=estimate, unit="um", evaluation="B")


class TestStudentsT:
    @pytest.mark.parametrize("probability", [0.025, 0.5, 0.9, 0.97725])
    def test_quantiles_of_many_are_those_of_each(self, probability: float) -> None:
        expected = [float(stats.norm.ppf(probability) if math.isinf(d) else stats.t.ppf(probability, d)) for d in DOFS]
        assert student_quantiles(DOFS)(probability) == pytest.approx(expected, rel=1e-9, abs=1e-12)
        assert [student_quantile(probability, float(d)) for d in DOFS] == pytest.approx(expected, rel=1e-9, abs=1e-12)
        in_rows = student_quantile(probability, DOFS[:12].reshape(3, 4))
        assert np.asarray(in_rows).ravel() == pytest.approx(expected[:12], rel=1e-9, abs=1e-12)

    @pytest.mark.parametrize("t", [-3.0, 0.0, 0.4, 2.0])
    def test_probabilities_of_many_are_those_of_each(self, t: float) -> None:
        expected = [float(stats.norm.cdf(t) if math.isinf(d) else stats.t.cdf(t, d)) for d in DOFS]
        assert student_cdf(t, DOFS) == pytest.approx(expected, rel=1e-9)
        alone = [student_cdf(t, float(d)) for d in DOFS]
        assert alone == pytest.approx(expected, rel=1e-9)
        assert all(type(one) is float for one in alone)
        assert student_cdf(np.array([t, -t]), 9.0) == pytest.approx(stats.t.cdf([t, -t], 9.0), rel=1e-9)

    def test_degrees_of_freedom_are_truncated_to_one_at_least(self) -> None:
        # JCGM 100:2008, G.4.1 note 1; a whole number stays one though floats lose a hair of it.
        assert [truncated(d) for d in (0.2, 1.0, 1.99, 16.7, 3.0 * (1.0 - 2e-16), math.inf)] == [
            1,
            1,
            1,
            16,
            3,
            math.inf,
        ]
        assert truncated(np.array([0.5, 7.9, math.inf])) == pytest.approx([1.0, 7.0, math.inf])
        assert truncated(2.0 - 1e-9) == 1.0


class TestInputs:
    def test_of_one_name_are_one_where_they_are_alike(self) -> None:
        one, same = known("x", 1.0, 0.5), known("x", 1.0, 0.5)
        terms = [Term(name=name, inputs=(of,), function=lambda x: x) for name, of in (("a", one), ("b", same))]
        assert inputs_of(terms) == {"x": one}
        # Both terms move with it: 1 + 1.
        assert propagate(terms).standard_uncertainty_um == pytest.approx(1.0)

    def test_terms_of_one_name_are_refused_by_that_name(self) -> None:
        terms = [Term(name=name, inputs=(known("x", 0.0, 1.0),), function=lambda x: x) for name in ("a", "b", "b")]
        with pytest.raises(ModelError, match="two terms are called 'b'"):
            propagate(terms)

    def test_that_no_slope_can_be_had_of_are_refused(self) -> None:
        def step(x: float) -> float:
            return 0.0 if x == 0.0 else math.inf

        with pytest.raises(ModelError, match="'wall' has no finite slope in 'x'"):
            propagate([Term(name="wall", inputs=(known("x", 0.0, 1.0),), function=step)])


class TestSlopes:
    def test_are_differences_over_an_eighth_of_the_standard_uncertainty(self) -> None:
        # Of x³ at 0 a difference over ±h gives h²: (0.125·2)² = 0.0625.
        (row,) = propagate([Term(name="cube", inputs=(known("x", 0.0, 2.0),), function=lambda x: x**3)]).contributions
        assert row.sensitivity == pytest.approx(0.0625)
        assert row.contribution_um == pytest.approx(0.125)

    @pytest.mark.parametrize("value", [0.0, 5.0, -1e6])
    def test_of_exact_inputs_are_those_of_the_function(self, value: float) -> None:
        exact = Input(name="x", estimate=Estimate.exact(value), unit="um", evaluation="A")
        (row,) = propagate([Term(name="t", inputs=(exact,), function=lambda x: 3.0 * x)]).contributions
        assert row.sensitivity == pytest.approx(3.0)
        assert row.contribution_um == 0.0

    def test_of_an_exact_input_are_taken_close_by(self) -> None:
        # A thousandth of the value, and a millionth where that is zero: of x³ at 1 the difference gives 3 + h².
        exact = Input(name="x", estimate=Estimate.exact(1.0), unit="um", evaluation="A")
        (row,) = propagate([Term(name="t", inputs=(exact,), function=lambda x: x**3)]).contributions
        assert row.sensitivity == pytest.approx(3.0, abs=2e-6)
        nought = Input(name="x", estimate=Estimate.exact(0.0), unit="um", evaluation="A")
        (row,) = propagate([Term(name="t", inputs=(nought,), function=lambda x: x**3)]).contributions
        assert row.sensitivity == pytest.approx(0.0, abs=2e-12)

    def test_of_runs_with_and_without_uncertainty_stand_side_by_side(self) -> None:
        some = known("x", np.array([1.0, 2.0, 3.0]), np.array([0.1, 0.0, 0.2]))
        (row,) = propagate([Term(name="t", inputs=(some,), function=lambda x: x * x)]).contributions
        assert row.sensitivity == pytest.approx([2.0, 4.0, 6.0])
        assert row.contribution_um == pytest.approx([0.2, 0.0, 1.2])


class TestTheWhole:
    def test_of_each_run_is_that_of_the_run_alone(self) -> None:
        values, spreads = np.array([1.0, -2.0, 3.0, 0.5]), np.array([0.1, 0.0, 0.7, 0.0])
        dofs = np.array([4.0, 4.0, math.inf, 7.0])

        def whole(value: object, spread: object, dof: object, other: object) -> Propagated:
            x, y = known("x", value, spread, dof), known("y", 0.2, other, 9.0)
            terms = [
                Term(name="product", inputs=(x, y), function=lambda a, b: a * b),
                Term(name="rest", inputs=(y,), function=lambda b: 2.0 * b),
            ]
            return worked_out(terms, 1).propagated

        for other in (0.3, 0.0):
            many = whole(values, spreads, dofs, other)
            for at in range(4):
                one = whole(float(values[at]), float(spreads[at]), float(dofs[at]), other)
                for name in ("value_um", "standard_uncertainty_um", "first_order_um", "dof"):
                    got = np.broadcast_to(getattr(many, name), (4,))[at]
                    assert got == pytest.approx(getattr(one, name), abs=1e-12), (name, at)

    def test_is_of_many_where_any_of_its_numbers_is(self) -> None:
        x = known("x", 1.0, np.array([0.1, 0.2]))
        made = worked_out([Term(name="t", inputs=(x,), function=lambda a: a)], 1)
        assert made.of_many
        assert made.second is None
        assert worked_out([Term(name="t", inputs=(x,), function=lambda a: a)], 2).second is not None
        alone = worked_out([Term(name="t", inputs=(known("x", 1.0, 0.1),), function=lambda a: a)], 1)
        assert not alone.of_many
        assert alone.second is not None

    def test_has_its_largest_rows_first(self) -> None:
        terms = [
            Term(name=name, inputs=(known(name, 0.0, u),), function=lambda x: -x)
            for name, u in (("a", 1.0), ("b", 3.0), ("c", 2.0))
        ]
        rows = propagate(terms).contributions
        assert [(row.input.name, row.contribution_um) for row in rows] == [("b", 3.0), ("c", 2.0), ("a", 1.0)]
        assert [row.is_pair for row in rows] == [False, False, False]

    def test_takes_pairs_of_either_sign_into_its_variance(self) -> None:
        # JCGM 100:2008, 5.1.2 note: a pair adds its square, or takes it away; never below nothing.
        first = propagate([Term(name="t", inputs=(known("x", 0.0, 2.0, 5.0),), function=lambda x: x)])
        of_first = first.contributions[0].input

        def pair(um: float) -> Contribution:
            return Contribution(input=of_first, of=("x", "x"), sensitivity=0.0, contribution_um=um)

        assert combined(first, ()) is first
        more = combined(first, [pair(1.5)])
        assert more.standard_uncertainty_um == pytest.approx(2.5)
        assert more.first_order_um == pytest.approx(2.0)
        # ν_eff by eq. (G.2b) with the whole variance: 6.25²/(2⁴/5)
        assert more.dof == pytest.approx(6.25**2 / (16.0 / 5.0))
        assert combined(first, [pair(-1.2)]).standard_uncertainty_um == pytest.approx(1.6)
        assert combined(first, [pair(-3.0)]).standard_uncertainty_um == 0.0
        assert [row.is_pair for row in more.contributions] == [False, True]

    def test_has_degrees_of_freedom_without_end_where_nothing_is_uncertain(self) -> None:
        exact = known("x", np.array([1.0, 2.0]), np.array([0.0, 0.5]), 4.0)
        assert propagate([Term(name="t", inputs=(exact,), function=lambda x: x)]).dof == pytest.approx([math.inf, 4.0])

    def test_has_degrees_of_freedom_of_each_run_where_nothing_else_differs(self) -> None:
        same = known("x", 1.0, 0.5, np.array([4.0, math.inf, 9.0]))
        assert propagate([Term(name="t", inputs=(same,), function=lambda x: x)]).dof == pytest.approx(
            [4.0, math.inf, 9.0]
        )
        free = known("x", np.array([1.0, 2.0]), np.array([0.5, 0.25]))
        assert np.all(np.isinf(propagate([Term(name="t", inputs=(free,), function=lambda x: x)]).dof))

    def test_is_refused_where_a_single_run_has_no_number(self) -> None:
        some = known("x", np.array([1.0, 2.0]), np.array([0.5, 0.5]))
        with pytest.raises(ModelError, match="the term 'root'"):
            propagate([Term(name="root", inputs=(some,), function=lambda x: np.where(x > 1.5, np.nan, x))])
