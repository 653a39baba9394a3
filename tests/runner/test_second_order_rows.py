"""Terms of second order of polynomials: all their derivatives are known, and differences are exact for them."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from holdzero.estimate import Estimate
from holdzero.model import Input, Number, Propagated, Term, propagate
from holdzero.second_order import bias_um, with_second_order


def known(name: str, value: Number, standard: Number, unit: str = "um", evaluation: Any = "B") -> Input:
    return Input(name=name, estimate=Estimate.of(value, standard), unit=unit, evaluation=evaluation)


def second_order(*terms: Term) -> Propagated:
    return with_second_order(terms, propagate(terms))


def added(result: Propagated) -> dict[tuple[str, ...], float]:
    """What each pair adds to the variance, by its sign."""
    rows = [row for row in result.contributions if row.is_pair]
    return {row.of: float(row.contribution_um) * abs(float(row.contribution_um)) for row in rows}


X, Y, Z = known("x", 0.0, 0.5), known("y", 0.0, 0.25), known("z", 0.0, 2.0)
U, V, W = 0.5, 0.25, 2.0


class TestRows:
    """JCGM 100:2008, 5.1.2 note: ½·f_ij² + f_i·f_ijj over all i, j, times u_i²·u_j²; both orders in one row."""

    @pytest.mark.parametrize(
        ("function", "rows"),
        [
            # the mixed derivative is 3
            (lambda x, y, z: 3.0 * x * y + z, {("x", "y"): 9.0 * U**2 * V**2}),
            # the curve along x is 4
            (lambda x, y, z: 2.0 * x**2 + y + z, {("x",): 0.5 * 16.0 * U**4}),
            # f_x = 1, f_xyy = 4
            (lambda x, y, z: x + 2.0 * x * y**2 + z, {("x", "y"): 4.0 * U**2 * V**2}),
            # f_y = 1, f_yxx = 4
            (lambda x, y, z: y + 2.0 * y * x**2 + z, {("x", "y"): 4.0 * U**2 * V**2}),
            # f_x = 1, f_xyy = −4: it takes something away
            (lambda x, y, z: x - 2.0 * x * y**2 + z, {("x", "y"): -4.0 * U**2 * V**2}),
            # f_z = 5, f_zxx = 2, f_xz = 3, f_y = 1, f_yz = −1
            (
                lambda x, y, z: 5.0 * z + z * x**2 + 3.0 * x * z + y - y * z,
                {("x", "z"): (9.0 + 5.0 * 2.0) * U**2 * W**2, ("y", "z"): V**2 * W**2},
            ),
        ],
    )
    def test_of_a_pair_hold_what_it_adds_to_the_variance(
        self, function: Callable[..., Any], rows: dict[tuple[str, ...], float]
    ) -> None:
        term = Term(name="t", inputs=(X, Y, Z), function=function)
        result, first = second_order(term), propagate([term])
        assert added(result) == pytest.approx(rows)
        assert result.standard_uncertainty_um**2 == pytest.approx(first.standard_uncertainty_um**2 + sum(rows.values()))

    def test_of_a_cube_hold_its_slope_times_its_third_derivative(self) -> None:
        # f = 2·x + x³ at 0: f' is 2, and over an eighth of u by (u/8)² more; f''' = 6
        result = second_order(Term(name="t", inputs=(X,), function=lambda x: 2.0 * x + x**3))
        assert added(result) == pytest.approx({("x",): (2.0 + (U / 8.0) ** 2) * 6.0 * U**4})

    def test_of_a_fourth_power_hold_its_curve_without_error(self) -> None:
        # of x⁴ at 1 the second derivative is 12, the third 24, and the slope over an eighth of u is 4 + 4·(u/8)²
        result = second_order(Term(name="t", inputs=(known("x", 1.0, U),), function=lambda x: x**4))
        slope = 4.0 + 4.0 * (U / 8.0) ** 2
        assert added(result) == pytest.approx({("x",): (0.5 * 144.0 + slope * 24.0) * U**4}, rel=1e-9)

    @pytest.mark.parametrize("curve", [3.0, -3.0])
    def test_have_a_product_of_deviations_as_their_input(self, curve: float) -> None:
        term = Term(name="t", inputs=(X, Y), function=lambda x, y: curve * x * y + x)
        (row,) = [row for row in second_order(term).contributions if row.is_pair]
        assert (row.input.name, row.of, row.input.evaluation) == ("x × y", ("x", "y"), "B")
        assert row.input.estimate.value == 0.0
        assert row.input.estimate.standard_uncertainty == pytest.approx(U * V)
        assert row.sensitivity == pytest.approx(curve)  # the derivative
        assert row.contribution_um == pytest.approx(3.0 * U * V)
        assert isinstance(row.sensitivity, float)
        assert isinstance(row.contribution_um, float)

    def test_of_a_square_are_named_after_it(self) -> None:
        (row,) = [
            row
            for row in second_order(Term(name="t", inputs=(X,), function=lambda x: x + x * x)).contributions
            if row.is_pair
        ]
        assert (row.input.name, row.of) == ("x, squared", ("x",))
        assert row.sensitivity == pytest.approx(math.sqrt(2.0))  # half the derivative, times √2

    @pytest.mark.parametrize(
        ("units", "unit"), [(("degC", "1/K"), "1"), (("1/K", "K"), "1"), (("um", "degC"), "um·K"), (("K", "K"), "K·K")]
    )
    def test_have_the_unit_of_the_product(self, units: tuple[str, str], unit: str) -> None:
        x, y = known("x", 0.0, 1.0, units[0]), known("y", 0.0, 1.0, units[1])
        (row,) = [
            row
            for row in second_order(Term(name="t", inputs=(x, y), function=lambda a, b: a * b)).contributions
            if row.is_pair
        ]
        assert row.input.unit == unit

    @pytest.mark.parametrize(("kinds", "kind"), [("AA", "A"), ("AB", "B"), ("BA", "B"), ("BB", "B")])
    def test_are_of_type_a_where_both_are(self, kinds: str, kind: str) -> None:
        x, y = known("x", 0.0, 1.0, evaluation=kinds[0]), known("y", 0.0, 1.0, evaluation=kinds[1])
        result = second_order(Term(name="t", inputs=(x, y), function=lambda a, b: a * b + a + b))
        assert [row.input.evaluation for row in result.contributions if row.is_pair] == [kind]

    @pytest.mark.parametrize("scale", [1e-3, 1.0, 1e6])
    @pytest.mark.parametrize(("curve", "told"), [(2e-5, True), (2e-6, False)])
    def test_stand_there_only_where_they_are_more_than_rounding(self, scale: float, curve: float, told: bool) -> None:
        # shares of the variance: 4e-10 is told, 4e-12 is not
        inputs = known("x", 0.0, scale), known("y", 0.0, scale), known("z", 0.0, scale)
        result = second_order(Term(name="t", inputs=inputs, function=lambda x, y, z: z + curve / scale * x * y))
        assert bool(added(result)) is told

    def test_of_what_moves_nothing_there_are_none(self) -> None:
        result = second_order(Term(name="t", inputs=(X, Y), function=lambda x, y: 0.0 * x * y))
        assert (added(result), result.standard_uncertainty_um) == ({}, 0.0)

    def test_of_what_is_exact_there_are_none(self) -> None:
        exact = Input(name="c", estimate=Estimate.exact(2.0), unit="um", evaluation="B")
        result = second_order(Term(name="t", inputs=(X, exact), function=lambda x, c: c * x * x + c * c))
        assert list(added(result)) == [("x",)]
        plain = Term(name="t", inputs=(exact,), function=lambda c: c)
        assert bias_um([plain]) == 0.0


class TestBias:
    def test_is_half_of_all_curves_and_none_of_pairs(self) -> None:
        # JCGM 100:2008, F.2.4.4 note 2: ½·Σ f_ii·u_i²
        one = Term(name="one", inputs=(X, Y), function=lambda x, y: 3.0 * x**2 + 5.0 * x * y)
        other = Term(name="other", inputs=(Y,), function=lambda y: -2.0 * y**2)
        assert bias_um([one, other]) == pytest.approx(3.0 * U**2 - 2.0 * V**2)


class TestManyRuns:
    """Each is as by itself."""

    VALUES = np.array([-1.0, 0.0, 2.0])
    SCATTERS = np.array([0.1, 0.4, 0.2])

    @staticmethod
    def terms(value: Number, standard: Number) -> list[Term]:
        x, y = known("x", value, standard), known("y", 1.0, 0.3)
        return [Term(name="t", inputs=(x, y), function=lambda a, b: a * b + 0.5 * a**2 * b + 0.2 * a**3)]

    def test_each_is_as_by_itself(self) -> None:
        terms = self.terms(self.VALUES, self.SCATTERS)
        many, biases = second_order(*terms), bias_um(terms)
        for run, (value, standard) in enumerate(zip(self.VALUES, self.SCATTERS, strict=True)):
            alone = self.terms(float(value), float(standard))
            one = second_order(*alone)
            assert np.asarray(many.standard_uncertainty_um)[run] == pytest.approx(one.standard_uncertainty_um, rel=1e-9)
            assert np.asarray(biases)[run] == pytest.approx(bias_um(alone))

    def test_a_pair_counts_that_matters_in_one_of_them(self) -> None:
        x, y = known("x", 0.0, np.array([1e-9, 1.0])), known("y", 0.0, 1.0)
        z = known("z", 0.0, 1.0)
        result = second_order(Term(name="t", inputs=(x, y, z), function=lambda a, b, c: a * b + c))
        assert np.asarray(result.standard_uncertainty_um).tolist() == pytest.approx([1.0, math.sqrt(2.0)])

    def test_a_pair_counts_that_is_small_beside_another_run_alone(self) -> None:
        x, y, z = known("x", 0.0, 1.0), known("y", 0.0, 1.0), known("z", 0.0, np.array([1e-4, 1.0]))
        result = second_order(Term(name="t", inputs=(x, y, z), function=lambda a, b, c: 1e-6 * a * b + c))
        expected = [math.sqrt(1e-8 + 1e-12), math.sqrt(1.0 + 1e-12)]
        assert np.asarray(result.standard_uncertainty_um) == pytest.approx(expected, rel=1e-9)

    def test_a_pair_counts_where_an_input_is_exact_in_another(self) -> None:
        x, y, z = known("x", 0.0, np.array([0.0, 1.0])), known("y", 0.0, 1.0), known("z", 0.0, 1.0)
        result = second_order(Term(name="t", inputs=(x, y, z), function=lambda a, b, c: a * b + c))
        assert np.asarray(result.standard_uncertainty_um) == pytest.approx([1.0, math.sqrt(2.0)])
        (row,) = [row for row in result.contributions if row.is_pair]
        assert np.asarray(row.sensitivity) == pytest.approx([0.0, 1.0])
