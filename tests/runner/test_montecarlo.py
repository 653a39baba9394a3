"""Simulations: what is drawn, how many trials are made, and when it is enough, worked out beside them with numpy."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from holdzero import montecarlo
from holdzero.distribution import Distribution
from holdzero.estimate import Estimate, Part, Shape
from holdzero.model import Input, ModelError, Term
from holdzero.montecarlo import (
    BLOCK,
    adaptive,
    draw,
    draws_of,
    first_order_validated,
    heavy_tails_of,
    simulate,
    tolerance_of,
    values_of,
)


def known(name: str, estimate: Estimate) -> Input:
    return Input(name=name, estimate=estimate, unit="um", evaluation="B")


def term(function: Callable[..., Any], *inputs: Input) -> Term:
    return Term(name="t", inputs=inputs, function=function)


NORMAL = term(lambda x: x, known("x", Estimate.of(3.0, 2.0)))


def rng() -> np.random.Generator:
    return np.random.default_rng(20)


class TestDraws:
    """JCGM 101:2008, 6.4: how far each shape reaches and what its moments are, of 40,000 draws about 5."""

    SIZE = 40_000

    @pytest.mark.parametrize(
        ("part", "reach", "variance"),
        [
            (Part(value=5.0, standard_uncertainty=1.0, shape=Shape.RECTANGULAR, halfwidth=3.0), 3.0, 3.0),
            (Part(value=5.0, standard_uncertainty=1.0, shape=Shape.TRIANGULAR, halfwidth=3.0), 3.0, 1.5),
            (Part(value=5.0, standard_uncertainty=1.0, shape=Shape.ARCSINE, halfwidth=3.0), 3.0, 4.5),
            # 6.4.4.2: half-width 3, of its top 1: (9 + 1)/6
            (
                Part(value=5.0, standard_uncertainty=1.0, shape=Shape.TRAPEZOID, halfwidth=3.0, inner=1.0),
                3.0,
                10.0 / 6.0,
            ),
            # 6.4.3.3: half-width 3, inexact by 1: (3² + 1²/3)/3
            (
                Part(value=5.0, standard_uncertainty=1.0, shape=Shape.CURVILINEAR, halfwidth=3.0, inner=1.0),
                4.0,
                3.0 + 1.0 / 9.0,
            ),
            # reliable to q = 1/√(2·8) = 1/4 of the half-width
            (
                Part(value=5.0, standard_uncertainty=1.0, shape=Shape.RECTANGULAR, halfwidth=3.0, dof=8.0),
                3.75,
                3.0 + 0.5625 / 9.0,
            ),
        ],
        ids=lambda item: item.shape.value if isinstance(item, Part) else "",
    )
    def test_have_the_reach_and_the_variance_of_their_shape(self, part: Part, reach: float, variance: float) -> None:
        draws = draw(part, rng(), self.SIZE) - 5.0
        s = math.sqrt(variance)
        assert draws.mean() == pytest.approx(0.0, abs=5.0 * s / math.sqrt(self.SIZE))
        assert draws.std() == pytest.approx(s, rel=5.0 / math.sqrt(self.SIZE))
        # beyond the reach there is nothing, and it is come near on either side
        assert 0.9 * reach < draws.max() <= reach
        assert -reach <= draws.min() < -0.9 * reach

    def test_of_a_normal_one_are_scaled_and_shifted(self) -> None:
        normal, student = rng().standard_normal(5), rng().standard_t(7.0, 5)
        assert draw(Part(value=3.0, standard_uncertainty=2.0), rng(), 5) == pytest.approx(3.0 + 2.0 * normal)
        assert draw(Part(value=3.0, standard_uncertainty=2.0, dof=7.0), rng(), 5) == pytest.approx(3.0 + 2.0 * student)

    def test_of_parts_add_up_and_what_is_exact_is_a_number(self) -> None:
        parts = (Part(value=3.0, standard_uncertainty=2.0), Part(value=1.0, standard_uncertainty=0.5))
        inputs = {"x": known("x", Estimate(parts=parts)), "c": known("c", Estimate.exact(7.0))}
        drawn = draws_of(inputs, rng(), 4)
        one = rng()
        expected = 4.0 + 2.0 * one.standard_normal(4) + 0.5 * one.standard_normal(4)
        assert drawn["x"] == pytest.approx(expected)
        assert drawn["c"] == 7.0

    def test_go_through_the_sum_of_the_terms(self) -> None:
        x, y = known("x", Estimate.of(0.0, 1.0)), known("y", Estimate.of(0.0, 1.0))
        terms = [term(lambda a, b: a * b, x, y), term(lambda b: -2.0 * b, y)]
        drawn = {"x": np.array([1.0, 2.0]), "y": np.array([3.0, 5.0])}
        assert values_of(terms, drawn, 2).tolist() == [-3.0, 0.0]
        with pytest.raises(ModelError, match="no number"):
            values_of(terms, {"x": np.array([1.0, math.inf]), "y": 1.0}, 2)


class TestASeed:
    """What it gave once it gives again, so that a record can be made anew."""

    @pytest.mark.parametrize(
        ("part", "drawn"),
        [
            (
                Part(value=5.0, standard_uncertainty=1.0, shape=Shape.TRIANGULAR, halfwidth=3.0),
                lambda random: 5.0 + 3.0 * (random(4) - random(4)),
            ),
            (
                Part(value=5.0, standard_uncertainty=1.0, shape=Shape.TRAPEZOID, halfwidth=3.0, inner=1.0),
                lambda random: 5.0 + 4.0 * (random(4) - 0.5) + 2.0 * (random(4) - 0.5),
            ),
            (
                Part(value=5.0, standard_uncertainty=1.0, shape=Shape.CURVILINEAR, halfwidth=3.0, inner=1.0),
                lambda random: 5.0 + (3.0 + 1.0 - 2.0 * random(4)) * (2.0 * random(4) - 1.0),
            ),
            (
                Part(value=5.0, standard_uncertainty=1.0, shape=Shape.ARCSINE, halfwidth=3.0),
                lambda random: 5.0 + 3.0 * np.sin(2.0 * math.pi * random(4)),
            ),
        ],
    )
    def test_draws_in_one_order(self, part: Part, drawn: Callable[..., Any]) -> None:
        assert draw(part, rng(), 4) == pytest.approx(drawn(rng().random))

    def test_draws_65536_of_one_input_and_then_of_the_next(self) -> None:
        x, y = known("x", Estimate.of(0.0, 1.0)), known("y", Estimate.of(0.0, 2.0))
        result = simulate([term(lambda a, b: a * b, x, y)], rng(), 65_546, 0.95)
        random = rng().standard_normal
        values = np.concatenate([random(size) * 2.0 * random(size) for size in (65_536, 10)])
        assert result.value_um == pytest.approx(values.mean(), rel=1e-9)


class TestAFixedNumberOfTrials:
    @pytest.mark.parametrize("trials", [1, 1000, BLOCK, BLOCK + 1, 2 * BLOCK + 3])
    def test_is_what_is_made(self, trials: int) -> None:
        assert simulate([NORMAL], rng(), trials, 0.95).trials == trials


class TestTheAdaptiveProcedure:
    """JCGM 101:2008, 7.9.4, step by step."""

    @staticmethod
    def trials_by_hand(coverage: float, digits: int, most: int = 10_000_000) -> int:
        random, size = rng(), max(math.ceil(100.0 / (1.0 - coverage)), 10_000)
        every: list[np.ndarray] = []
        rows = []
        while (len(every) + 1) * size <= most:
            every.append(3.0 + 2.0 * random.standard_normal(size))
            part = Distribution()
            part.add(every[-1])
            rows.append([every[-1].mean(), every[-1].std(ddof=1), *part.intervals_um(coverage)[0]])
            if len(rows) > 1:
                scatter = np.array(rows).std(axis=0, ddof=1) / math.sqrt(len(rows))
                if np.all(2.0 * scatter <= tolerance_of(float(np.concatenate(every).std(ddof=1)), digits)):
                    break
        return size * len(every)

    @pytest.mark.parametrize(("coverage", "digits"), [(0.9, 1), (0.95, 2), (0.995, 1), (0.998, 1)])
    def test_ends_as_soon_as_its_digits_are_stable(self, coverage: float, digits: int) -> None:
        result = adaptive([NORMAL], rng(), coverage, digits=digits)
        assert (result.trials, result.stable) == (self.trials_by_hand(coverage, digits), True)

    def test_is_of_two_digits_unless_it_is_said(self) -> None:
        assert adaptive([NORMAL], rng(), 0.95).trials == self.trials_by_hand(0.95, 2)

    @pytest.mark.parametrize(("most", "made"), [(29_999, 20_000), (30_000, 30_000), (30_001, 30_000)])
    def test_makes_no_more_than_the_most(self, monkeypatch: pytest.MonkeyPatch, most: int, made: int) -> None:
        monkeypatch.setattr(montecarlo, "MOST_TRIALS", most)
        result = adaptive([NORMAL], rng(), 0.95, digits=4)
        assert (result.trials, result.stable) == (made, False)

    @pytest.mark.parametrize(("coverage", "step"), [(0.95, 10_000), (0.99, 10_000), (0.995, 20_000)])
    def test_of_what_has_no_uncertainty_ends_after_two_steps(self, coverage: float, step: int) -> None:
        # 7.9.4 b): M = max(J, 10⁴), J ≥ 100/(1 − p)
        result = adaptive([term(lambda x: x, known("x", Estimate.exact(3.0)))], rng(), coverage)
        assert result.trials == pytest.approx(2 * step, abs=2)
        assert (result.value_um, result.standard_uncertainty_um, result.stable) == (3.0, 0.0, True)

    def test_counts_what_conforms(self) -> None:
        result = adaptive([NORMAL], rng(), 0.95, (3.0, None), digits=1)
        assert result.conformance_probability == pytest.approx(0.5, abs=0.02)


class TestHeavyTails:
    """JCGM 101:2008, 6.4.9.4: no standard deviation at two degrees of freedom or fewer."""

    @pytest.mark.parametrize(
        ("dofs", "fewest"), [((2.0,), 2.0), ((2.001,), None), ((1.5, 1.0, 30.0), 1.0), ((30.0, 2.0), 2.0)]
    )
    def test_the_fewest_of_its_parts_count(self, dofs: tuple[float, ...], fewest: float | None) -> None:
        parts = tuple(Part(value=0.0, standard_uncertainty=1.0, dof=dof) for dof in dofs)
        found = heavy_tails_of([term(lambda x: x, known("x", Estimate(parts=parts)))])
        assert found == ({} if fewest is None else {"x": fewest})

    def test_of_nothing_at_all_is_none(self) -> None:
        part = Part(value=0.0, standard_uncertainty=0.0, dof=1.0)
        assert heavy_tails_of([term(lambda x: x, known("x", Estimate(parts=(part,))))]) == {}

    @pytest.mark.parametrize(
        "function",
        [
            lambda x, y: x * y,  # about zero each
            lambda x, y: x + (y - 1.0) ** 2,  # even about the first place that is tried
            lambda x, y: x + (y - 2.0) ** 2,
            lambda x, y: x + abs(y - 2.5),  # alike at the second and third
            lambda x, y: x + abs(y - 1.5),  # and at the first and second
        ],
    )
    def test_an_input_that_moves_the_value_anywhere_counts(self, function: Callable[..., Any]) -> None:
        x, y = known("x", Estimate.of(0.0, 1.0)), known("y", Estimate.of(0.0, 1.0, dof=2.0))
        assert heavy_tails_of([term(function, x, y)]) == {"y": 2.0}

    def test_a_part_of_nothing_beside_another_is_none(self) -> None:
        parts = (Part(value=0.0, standard_uncertainty=0.0, dof=1.0), Part(value=0.0, standard_uncertainty=1.0))
        assert heavy_tails_of([term(lambda x: x, known("x", Estimate(parts=parts)))]) == {}

    def test_it_is_looked_for_where_the_input_may_well_be(self) -> None:
        # two standard uncertainties off, and nowhere else
        y = known("y", Estimate.of(0.0, 0.5, dof=2.0))
        assert heavy_tails_of([term(lambda a: float(0.75 < a < 1.25), y)]) == {"y": 2.0}

    def test_two_terms_that_cancel_leave_nothing(self) -> None:
        y = known("y", Estimate.of(0.0, 1.0, dof=2.0))
        assert heavy_tails_of([term(lambda a: a, y), term(lambda a: -a, y)]) == {}


class TestTolerance:
    # JCGM 101:2008, 7.9.2: u = c·10^l with so many digits, δ = ½·10^l
    @pytest.mark.parametrize(
        ("u", "digits", "delta"),
        [
            (1.0, 2, 0.05),
            (9.94, 2, 0.05),
            (9.96, 2, 0.5),
            (99.4, 2, 0.5),
            (0.1, 1, 0.05),
            (0.96, 1, 0.5),
            (35.0, 3, 0.05),
        ],
    )
    def test_is_half_of_the_last_digit_that_counts(self, u: float, digits: int, delta: float) -> None:
        assert tolerance_of(u, digits) == delta

    def test_is_of_two_digits_unless_it_is_said(self) -> None:
        assert tolerance_of(35.0) == 0.5


class TestFirstOrder:
    """JCGM 101:2008, 8.1.3: y ± U against the ends of the shortest interval."""

    @pytest.mark.parametrize(
        ("value", "expanded", "agrees"),
        [
            (0.0, 20.0, True),
            (0.0, 20.5, True),
            (0.0, 20.6, False),
            (0.5, 20.0, True),
            (0.6, 20.0, False),
            (0.5, 20.25, False),
            (0.5, 19.75, False),
        ],
    )
    def test_both_ends_have_to_agree_within_half_a_digit(self, value: float, expanded: float, agrees: bool) -> None:
        # ends at ±20, u of 10: half of the second digit is 0.5
        result = self.simulated([-20.0, 20.0, 0.0], 10.0)
        ok, low, high = first_order_validated(value, 10.0, expanded, result)
        assert ok is agrees
        assert (low, high) == pytest.approx((abs(value - expanded + 20.0), abs(value + expanded - 20.0)))

    @pytest.mark.parametrize(("value", "expanded", "agrees"), [(3.0, 0.0, True), (3.0, 1e-9, False), (3.1, 0.0, False)])
    def test_without_uncertainty_they_have_to_be_the_same(self, value: float, expanded: float, agrees: bool) -> None:
        result = self.simulated([3.0, 3.0, 3.0], 0.0)
        assert first_order_validated(value, 0.0, expanded, result)[0] is agrees

    @staticmethod
    def simulated(values: list[float], u: float) -> Any:
        from dataclasses import replace

        whole = Distribution()
        whole.add(np.array(values))
        return replace(whole.result(1.0), standard_uncertainty_um=u)
