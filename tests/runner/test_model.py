"""The measurement model: terms, shared inputs, first-order propagation."""

from __future__ import annotations

import math
from random import Random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdzero.estimate import Estimate
from holdzero.model import Input, ModelError, Term, propagate


def known(name: str, value: float, standard: float, dof: float = math.inf) -> Input:
    return Input(name=name, estimate=Estimate.of(value, standard, dof=dof), unit="um", evaluation="B")


class TestSharedInputs:
    def test_ten_items_that_share_a_standard_add_linearly(self) -> None:
        # GUM 5.2.2 note 1: ten resistors of u = 0.1 from one standard, in series: 1, not 0.32
        standard = known("standard", 0.0, 0.1)
        terms = [Term(name=f"item {n}", inputs=(standard,), function=lambda s: s) for n in range(10)]
        assert propagate(terms).standard_uncertainty_um == pytest.approx(1.0)

    def test_ten_items_of_their_own_add_in_quadrature(self) -> None:
        # GUM 5.2.2 note 1: wrongly taken as independent it would be 0.32
        terms = [Term(name=f"{n}", inputs=(known(f"{n}", 0.0, 0.1),), function=lambda s: s) for n in range(10)]
        assert propagate(terms).standard_uncertainty_um == pytest.approx(0.32, abs=0.005)

    def test_what_is_common_to_both_sides_cancels(self) -> None:
        zero = known("zero", 0.3, 0.2)
        terms = [
            Term(name="reading", inputs=(zero,), function=lambda z: 5.0 - z),
            Term(name="return", inputs=(zero,), function=lambda z: z - 4.0),
        ]
        result = propagate(terms)
        assert result.value_um == pytest.approx(1.0)
        assert result.standard_uncertainty_um == pytest.approx(0.0, abs=1e-12)

    def test_one_name_for_two_quantities_is_refused(self) -> None:
        terms = [
            Term(name="a", inputs=(known("x", 0.0, 0.1),), function=lambda x: x),
            Term(name="b", inputs=(known("x", 0.0, 0.2),), function=lambda x: x),
        ]
        with pytest.raises(ModelError, match="two different inputs are called 'x'"):
            propagate(terms)


class TestPropagation:
    def test_a_product_has_exact_sensitivities(self) -> None:
        x, y = known("x", 3.0, 0.1), known("y", -2.0, 0.4)
        result = propagate([Term(name="product", inputs=(x, y), function=lambda a, b: a * b)])
        slopes = {row.input.name: row.sensitivity for row in result.contributions}
        assert slopes == {"x": pytest.approx(-2.0), "y": pytest.approx(3.0)}

    def test_an_exact_input_contributes_nothing_and_has_a_sensitivity(self) -> None:
        exact = Input(name="x", estimate=Estimate.exact(2.0), unit="um", evaluation="A")
        (row,) = propagate([Term(name="t", inputs=(exact,), function=lambda x: 3.0 * x)]).contributions
        assert row.contribution_um == 0.0
        assert row.sensitivity == pytest.approx(3.0)

    def test_effective_degrees_of_freedom_follow_welch_satterthwaite(self) -> None:
        # GUM G.4.1, eq. (G.2b), by hand: 2²/(1/4 + 1/9) for two equal parts with 4 and 9
        terms = [
            Term(name="a", inputs=(known("a", 0.0, 1.0, 4.0),), function=lambda x: x),
            Term(name="b", inputs=(known("b", 0.0, 1.0, 9.0),), function=lambda x: x),
        ]
        assert propagate(terms).dof == pytest.approx(4.0 / (1 / 4 + 1 / 9))

    def test_without_finite_degrees_of_freedom_they_are_infinite(self) -> None:
        assert propagate([Term(name="a", inputs=(known("a", 0.0, 1.0),), function=lambda x: x)]).dof == math.inf

    def test_a_term_that_is_no_number_is_refused(self) -> None:
        with pytest.raises(ModelError, match="the term 'bad'"):
            propagate([Term(name="bad", inputs=(known("a", 0.0, 1.0),), function=lambda _: math.nan)])

    def test_arrays_go_the_same_way_as_floats(self) -> None:
        values = np.array([1.0, 2.0, 3.0])
        many = Input(name="x", estimate=Estimate.of(values, 0.1 * values, dof=5.0), unit="um", evaluation="A")
        together = propagate([Term(name="square", inputs=(many,), function=lambda x: x * x)])
        for index, value in enumerate(values):
            one = Input(name="x", estimate=Estimate.of(value, 0.1 * value, dof=5.0), unit="um", evaluation="A")
            alone = propagate([Term(name="square", inputs=(one,), function=lambda x: x * x)])
            assert np.asarray(together.value_um)[index] == pytest.approx(alone.value_um)
            assert np.asarray(together.standard_uncertainty_um)[index] == pytest.approx(alone.standard_uncertainty_um)
            assert np.asarray(together.dof)[index] == pytest.approx(alone.dof)


sizes = st.floats(-1e3, 1e3)
spreads = st.floats(0.0, 10.0)


class TestLaws:
    @given(st.lists(st.tuples(sizes, spreads), min_size=1, max_size=6), st.randoms())
    def test_the_order_of_terms_does_not_matter(self, rows: list[tuple[float, float]], random: Random) -> None:
        terms = [
            Term(name=f"{n}", inputs=(known(f"{n}", value, spread, n + 1.0),), function=lambda x: 2.0 * x)
            for n, (value, spread) in enumerate(rows)
        ]
        shuffled = list(terms)
        random.shuffle(shuffled)
        one, other = propagate(terms), propagate(shuffled)
        assert one.value_um == pytest.approx(other.value_um, rel=1e-12, abs=1e-9)
        assert one.standard_uncertainty_um == pytest.approx(other.standard_uncertainty_um, rel=1e-12)

    @given(st.lists(st.tuples(sizes, spreads), min_size=1, max_size=6), st.floats(0.01, 100.0))
    def test_the_unit_does_not_matter(self, rows: list[tuple[float, float]], factor: float) -> None:
        def terms(scale: float) -> list[Term]:
            return [
                Term(name=f"{n}", inputs=(known(f"{n}", v * scale, u * scale, 3.0),), function=lambda x: x)
                for n, (v, u) in enumerate(rows)
            ]

        one, other = propagate(terms(1.0)), propagate(terms(factor))
        # The sensitivity is a difference of floats: below a millionth of a nanometre it is rounding.
        expected = factor * float(one.standard_uncertainty_um)
        assert other.standard_uncertainty_um == pytest.approx(expected, rel=1e-9, abs=1e-9 * factor)
