"""Charts of a check standard: what they say, and what they refuse."""

from __future__ import annotations

import math
from typing import Any

import pytest

from holdzero.charts import (
    DEFAULT_RULES,
    RULES,
    ChartError,
    Control,
    Limits,
    baseline,
    chart_constants,
    ewma,
    ewma_deviation,
    moving_range_baseline,
    precision_baseline,
    range_probability,
    range_quantile,
    state,
)
from holdzero.charts.rules import ewma_beyond

LIMITS = Limits(centre=10.0, standard_deviation=1.0, number=25)


class TestABenchInControl:
    def test_says_so_with_the_size_of_its_baseline(self) -> None:
        watch = state([10.5, 9.0, 10.2], LIMITS)
        assert watch.control is Control.IN_CONTROL
        assert watch.sentences == ("no rule fired over 3 values (baseline of 25)",)
        assert not watch.at_newest

    def test_may_touch_a_limit(self) -> None:
        # beyond means farther than: 13 is the upper action limit itself
        assert state([13.0], LIMITS).control is Control.IN_CONTROL


class TestABenchOutOfControl:
    def test_names_rules_and_points_newest_first(self) -> None:
        watch = state([14.0, 10.0, 9.5, 9.4, 9.6, 9.5, 9.4, 9.6, 9.5, 9.4], LIMITS)
        assert watch.control is Control.OUT_OF_CONTROL
        assert [(signal.rule.name, signal.points) for signal in watch.signals] == [
            ("side-7", (9, 8)),
            ("action", (0,)),
        ]
        assert watch.sentences == (
            "points 10 to 9 of 10: 7 points in a row on one side of the centre",
            "point 1 of 10: a point beyond an action limit (3 s)",
        )
        assert watch.at_newest

    def test_may_have_recovered_at_the_newest_value(self) -> None:
        watch = state([14.0, 10.0], LIMITS)
        assert watch.control is Control.OUT_OF_CONTROL
        assert not watch.at_newest

    def test_is_seen_on_both_sides(self) -> None:
        for values in ([12.1, 10.0, 12.1], [7.9, 10.0, 7.9]):
            (signal,) = state(values, LIMITS).signals
            assert (signal.rule.name, signal.points) == ("2-of-3", (2,))

    def test_is_not_seen_where_points_lie_on_different_sides(self) -> None:
        assert state([12.1, 10.0, 7.9], LIMITS).control is Control.IN_CONTROL

    def test_shows_a_trend_of_seven_points_and_not_of_six(self) -> None:
        rising = [9.1, 9.3, 9.5, 9.9, 10.2, 10.4]
        assert state(rising, LIMITS).control is Control.IN_CONTROL
        (signal,) = state([*rising, 10.6], LIMITS).signals
        assert (signal.rule.name, signal.points) == ("trend-7", (6,))


class TestWithoutValues:
    def test_nothing_is_known(self) -> None:
        watch = state([], LIMITS, RULES)
        assert watch.control is Control.UNKNOWN
        assert watch.sentences == ("no value yet: nothing is known of the bench",)


class TestABaselineWithoutScatter:
    def test_puts_every_other_value_out(self) -> None:
        limits = baseline([5.0, 5.0, 5.0])
        assert limits.standard_deviation == 0.0
        assert limits.beyond_action([5.0, 5.001, 5.0, 4.9]).tolist() == [1, 3]
        watch = state([5.0, 5.001, 5.0], limits, RULES)
        assert {signal.rule.name for signal in watch.signals} == {"action", "ewma"}


class TestTheRuleOfTheMovingAverage:
    def test_is_stricter_at_first_with_exact_limits(self) -> None:
        # One value 4 s out: average 0.8; limits 3 · √(0.2/1.8) = 1.0 after many values, 3 · 0.2 = 0.6 after one.
        (point,) = ewma_beyond(0.2, 3.0)(LIMITS.standardised([14.0]))
        (exact,) = ewma_beyond(0.2, 3.0, exact=True)(LIMITS.standardised([14.0]))
        assert (bool(point), bool(exact)) == (False, True)

    def test_has_limits_that_grow_as_the_average_comes_to_scatter(self) -> None:
        distances = [3.0, 3.0, 3.0]  # averages 0.6, 1.08, 1.464; exact limits 0.6, 0.768, 0.859
        out = ewma_beyond(0.2, 3.0, exact=True)(LIMITS.standardised([10.0 + distance for distance in distances]))
        assert out.tolist()[1:] == [True, True]
        quiet = ewma_beyond(0.2, 3.0, exact=True)(LIMITS.standardised([12.9, 10.7, 10.0]))
        assert quiet.tolist() == [False, False, False]  # averages 0.58, 0.604, 0.4832


class TestLimits:
    def test_show_which_points_are_out(self) -> None:
        row = [10.0, 12.5, 7.5, 13.5]
        assert LIMITS.beyond_warning(row).tolist() == [1, 2, 3]
        assert LIMITS.beyond_action(row).tolist() == [3]

    def test_of_precision_grow_with_few_degrees_of_freedom(self) -> None:
        precision = precision_baseline([1.0, 1.0, 1.0], [2.0, 4.0, 4.0])
        assert (precision.pooled_standard_deviation, precision.dof) == (1.0, 10.0)
        # F(0.99; 1, 10) = 10.04 and F(0.99; 10, 10) = 4.85, tables of F (from memory)
        assert precision.limit(1.0) == pytest.approx(math.sqrt(10.04), abs=0.002)
        assert precision.limit(10.0) == pytest.approx(math.sqrt(4.85), abs=0.002)
        assert precision.beyond([3.1, 3.2], 1.0).tolist() == [1]


class TestTheDistributionOfTheRange:
    def test_of_two_is_that_of_a_difference(self) -> None:
        # |x − y| of two normal readings: P = 2 Φ(w/√2) − 1 = erf(w/2)
        for width in (0.1, 1.0, 2.772, 6.0):
            assert range_probability(width, 2) == pytest.approx(math.erf(width / 2.0), abs=1e-13)

    def test_has_a_quantile_that_is_its_inverse(self) -> None:
        assert range_probability(range_quantile(0.99, 7), 7) == pytest.approx(0.99, abs=1e-12)

    def test_of_two_has_known_moments(self) -> None:
        # d2 = 2/√π and E[W²] = 2, so d3² = 2 − 4/π
        assert chart_constants(2).d2 == pytest.approx(2.0 / math.sqrt(math.pi), abs=1e-10)
        assert chart_constants(2).d3 == pytest.approx(math.sqrt(2.0 - 4.0 / math.pi), abs=1e-10)


class TestRules:
    def test_have_names_of_their_own(self) -> None:
        assert len({rule.name for rule in RULES}) == len(RULES)
        assert [rule.name for rule in DEFAULT_RULES] == ["action", "side-7", "trend-7", "2-of-3", "4-of-5"]


class TestRefusals:
    @pytest.mark.parametrize("values", [[], [1.0]])
    def test_a_baseline_needs_two_values(self, values: list[float]) -> None:
        for make in (baseline, moving_range_baseline):
            with pytest.raises(ChartError, match="has no scatter"):
                make(values)

    @pytest.mark.parametrize("bad", [math.nan, math.inf])
    def test_a_value_that_is_no_number_is_named(self, bad: float) -> None:
        with pytest.raises(ChartError, match="value 2 is"):
            state([10.0, bad], LIMITS)

    def test_a_table_of_values_is_no_row(self) -> None:
        with pytest.raises(ChartError, match="2 dimensions"):
            baseline([[1.0, 2.0], [3.0, 4.0]])

    def test_no_rule_would_find_nothing(self) -> None:
        with pytest.raises(ChartError, match="no run rule"):
            state([10.0], LIMITS, [])

    @pytest.mark.parametrize("weight", [0.0, -0.1, 1.1, math.nan])
    def test_a_weight_out_of_its_range(self, weight: float) -> None:
        with pytest.raises(ChartError, match="weight"):
            ewma([1.0], weight, 0.0)
        with pytest.raises(ChartError, match="weight"):
            ewma_deviation(weight)

    @pytest.mark.parametrize(
        ("scatters", "dofs", "match"),
        [
            ([], 3.0, "no standard deviation"),
            ([1.0, 2.0], [3.0], None),
            ([1.0, 2.0, 3.0], [3.0, 3.0], "give one each"),
            ([-1.0], 3.0, "below zero"),
            ([1.0], 0.0, "not above zero"),
        ],
    )
    def test_scatter_that_cant_be_pooled(self, scatters: list[float], dofs: Any, match: str | None) -> None:
        if match is None:  # one number in a list stands for all
            assert precision_baseline(scatters, dofs).dof == 6.0
            return
        with pytest.raises(ChartError, match=match):
            precision_baseline(scatters, dofs)

    def test_a_significance_that_is_none(self) -> None:
        with pytest.raises(ChartError, match="significance"):
            precision_baseline([1.0], 3.0, significance=1.0)

    def test_a_group_of_one_has_no_constants(self) -> None:
        with pytest.raises(ChartError, match="no range"):
            chart_constants(1)
