"""Derivatives beyond the slope, against functions whose derivatives are known."""

from __future__ import annotations

import pytest

from holdzero.estimate import Estimate
from holdzero.model import Input, Propagated, Term, propagate
from holdzero.second_order import bias_um, with_second_order


def known(name: str, value: float, standard: float) -> Input:
    return Input(name=name, estimate=Estimate.of(value, standard), unit="um", evaluation="B")


def second_order(terms: list[Term]) -> Propagated:
    return with_second_order(terms, propagate(terms))


def test_a_linear_model_has_none() -> None:
    x, y = known("x", 1.0, 0.3), known("y", 2.0, 0.4)
    result = second_order([Term(name="t", inputs=(x, y), function=lambda a, b: 3 * a - 2 * b)])
    assert result.standard_uncertainty_um == pytest.approx(((3 * 0.3) ** 2 + (2 * 0.4) ** 2) ** 0.5)
    assert result.standard_uncertainty_um == result.first_order_um


def test_a_product_about_zero_has_nothing_but_second_order() -> None:
    # GUM 5.1.2 note: two mixed derivatives of 1, each ½·1²·u²u² — together u(x)·u(y)
    x, y = known("x", 0.0, 0.3), known("y", 0.0, 0.4)
    result = second_order([Term(name="t", inputs=(x, y), function=lambda a, b: a * b)])
    assert result.standard_uncertainty_um == pytest.approx(0.12)
    assert result.contributions[0].of == ("x", "y")
    assert result.contributions[0].contribution_um == pytest.approx(0.12)


def test_a_square_of_a_normal_input_has_its_known_variance_and_bias() -> None:
    # var(x²) = 2u⁴ for a normal x about 0; its mean is u²
    terms = [Term(name="t", inputs=(known("x", 0.0, 0.5),), function=lambda a: a * a)]
    result = second_order(terms)
    assert result.standard_uncertainty_um == pytest.approx(2**0.5 * 0.25)
    assert bias_um(terms) == pytest.approx(0.25)


def test_a_cube_uses_its_third_derivative() -> None:
    # f = x³ at 1: f' = 3, f'' = 6, f''' = 6: u²·9 + u⁴(½·36 + 3·6)
    u = 0.1
    result = second_order([Term(name="t", inputs=(known("x", 1.0, u),), function=lambda a: a**3)])
    # the slope is off by a 64th of u²·f'''/6, as `propagate` says: 3 + u²/64
    slope = 3 + u**2 / 64
    assert result.standard_uncertainty_um**2 == pytest.approx(slope**2 * u**2 + 18 * u**4 + slope * 6 * u**4)


def test_a_mixed_third_derivative_counts() -> None:
    # f = x·y² at (1, 1): f_x = 1, f_y = 2, f_xx = 0, f_yy = 2, f_xy = 2, f_xyy = 2, f_yxx = 0, f_xxx = f_yyy = 0
    u, v = 0.1, 0.2
    x, y = known("x", 1.0, u), known("y", 1.0, v)
    result = second_order([Term(name="t", inputs=(x, y), function=lambda a, b: a * b * b)])
    first = u**2 + 4 * v**2
    second = 0.5 * 4 * v**4 + 2 * (0.5 * 4) * u**2 * v**2 + 1 * 2 * u**2 * v**2
    assert result.standard_uncertainty_um**2 == pytest.approx(first + second)


def test_inputs_that_two_terms_share_are_put_together() -> None:
    x, y = known("x", 0.0, 0.3), known("y", 0.0, 0.4)
    terms = [
        Term(name="one", inputs=(x, y), function=lambda a, b: a * b),
        Term(name="other", inputs=(y, x), function=lambda b, a: -a * b),
    ]
    assert second_order(terms).standard_uncertainty_um == pytest.approx(0.0, abs=1e-12)


class TestAccuracyOfTheDerivatives:
    """The stated error: a 64th of the next term."""

    def test_a_slope_of_a_curve(self) -> None:
        # f = 1/x at 8 with u = 0.577: f' = −1/64; f'''·u²/6 relative to f' is u²/x²
        (row,) = propagate([Term(name="t", inputs=(known("x", 8.0, 0.577),), function=lambda a: 1 / a)]).contributions
        assert row.sensitivity == pytest.approx(-1 / 64, rel=1.01 * (0.577 / 8) ** 2 / 64)

    def test_a_mixed_derivative_of_a_curve(self) -> None:
        x, y = known("x", 0.0, 0.1), known("y", 8.0, 0.577)
        result = second_order([Term(name="t", inputs=(x, y), function=lambda a, b: a / b)])
        exact = ((0.1 / 8) ** 2 + 0.1**2 * 0.577**2 / 8**4 + 2 * 0.1**2 * 0.577**2 / 8**4) ** 0.5
        assert result.standard_uncertainty_um == pytest.approx(exact, rel=1e-5)
