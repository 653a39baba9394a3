"""Charts where a number is just what it may be, or just not; and patterns against a list of the places they end at."""

from __future__ import annotations

import math

import numpy as np
import pytest

from holdzero.charts import (
    DEFAULT_RULES,
    RULES,
    ChartError,
    Control,
    Limits,
    baseline,
    chart_constants,
    d2_star,
    ewma,
    ewma_deviation,
    precision_baseline,
    range_probability,
    range_quantile,
    state,
)
from holdzero.charts.rules import (
    alternating,
    away_from_centre,
    beyond,
    ewma_beyond,
    near_centre,
    one_side,
    several_beyond,
    trend,
)

UNIT = Limits(centre=0.0, standard_deviation=1.0, number=20)


def ends(pattern: object, row: list[float]) -> list[int]:
    """Points that complete a pattern, counted from 1."""
    assert callable(pattern)
    return [int(at) + 1 for at in np.flatnonzero(pattern(np.array(row, dtype=float)))]


class TestPatterns:
    """Each ends where its words say, and one point less is none."""

    @pytest.mark.parametrize(
        ("row", "found"),
        [
            ([1, 2, 1, 2], [4]),
            ([2, 1, 2, 1, 2], [4, 5]),
            ([1, 2, 1], []),
            ([1, 2, 1, 1, 2, 1], []),  # a point that stays breaks it
            ([1, 2, 3, 2, 3, 2], [5, 6]),  # 2 3 2 3: from the second point on
            ([1, 3, 2, 4, 3, 2, 1], [4, 5]),
            ([], []),
            ([1], []),
            ([1, 2], []),
        ],
    )
    def test_four_that_go_up_and_down_by_turns(self, row: list[float], found: list[int]) -> None:
        assert ends(alternating(4), row) == found

    @pytest.mark.parametrize(
        ("row", "found"),
        [([1, 2, 3], [3]), ([3, 2, 1, 0], [3, 4]), ([1, 2, 2, 3], []), ([1, 2, 1, 2], []), ([1, 2], []), ([], [])],
    )
    def test_three_that_rise_or_fall(self, row: list[float], found: list[int]) -> None:
        assert ends(trend(3), row) == found

    @pytest.mark.parametrize(
        ("row", "found"),
        [([0.1, 0.1], [2]), ([-0.1, -0.1, -0.1], [2, 3]), ([0.1, 0.0, 0.1], []), ([0.1, -0.1], []), ([0.0, 0.0], [])],
    )
    def test_two_on_a_side(self, row: list[float], found: list[int]) -> None:
        assert ends(one_side(2), row) == found

    @pytest.mark.parametrize(
        ("row", "found"),
        [
            ([2.1, 0, 2.1], [3]),
            ([2.1, 2.1], [2]),  # at the start fewer points are enough
            ([2.1, 0, 0, 2.1], []),  # four points apart
            ([2.1, 0, 2.1, 0], [3]),  # it ends at a point that is out itself
            ([2.1, -2.1, 0], []),
            ([-2.1, 0, -2.1], [3]),
            ([2.0, 2.0], []),  # on a limit is within it
            ([-2.0, -2.0], []),
        ],
    )
    def test_two_of_three_beyond_on_a_side(self, row: list[float], found: list[int]) -> None:
        assert ends(several_beyond(2, 3, 2.0), row) == found

    @pytest.mark.parametrize(("row", "found"), [([0.9, -0.9], [2]), ([0.9, 1.0], []), ([0.0, 0.0, 1.1, 0.0], [2])])
    def test_two_near_the_centre(self, row: list[float], found: list[int]) -> None:
        assert ends(near_centre(2), row) == found

    @pytest.mark.parametrize(("row", "found"), [([1.1, -1.1], [2]), ([1.1, 1.0], []), ([1.1, 0.5, 1.1], [])])
    def test_two_away_from_the_centre(self, row: list[float], found: list[int]) -> None:
        assert ends(away_from_centre(2), row) == found

    def test_beyond_is_farther_than_by_more_than_rounding_leaves(self) -> None:
        # what is closer to 3 than a millionth of a standard deviation is on it
        assert ends(beyond(3.0), [3.0, 3.0000009, 3.0000015, -3.0000015, -3.0]) == [3, 4]

    @pytest.mark.parametrize(
        ("name", "row", "found"),
        [
            ("action", [3.1, 2.9], [1]),
            ("side-7", [0.1] * 8, [7, 8]),
            ("side-8", [0.1] * 8, [8]),
            ("side-9", [0.1] * 9, [9]),
            ("trend-6", [0, 1, 2, 3, 4, 5, 6], [6, 7]),
            ("trend-7", [0, 1, 2, 3, 4, 5, 6], [7]),
            ("2-of-3", [2.1, 0, 2.1, 0, 0, 2.1], [3]),
            ("4-of-5", [1.1, 1.1, 0, 1.1, 1.1], [5]),
            ("4-of-5", [1.1, 1.1, 0, 0, 1.1, 1.1], []),
            ("4-of-5", [1.0] * 6, []),
            ("alternating-14", [0, 1] * 7 + [1], [14]),
            ("near-15", [0.9] * 15, [15]),
            ("away-8", [1.1, -1.1] * 4, [8]),
        ],
    )
    def test_the_rules_that_have_names(self, name: str, row: list[float], found: list[int]) -> None:
        (rule,) = [rule for rule in RULES if rule.name == name]
        assert ends(rule.completes, row) == found


class TestTheMovingAverage:
    """e-Handbook 6.3.2.4: limits at k·√(λ/(2 − λ)), of the t-th average times √(1 − (1 − λ)^(2t)) (from memory)."""

    @pytest.mark.parametrize("exact", [False, True])
    @pytest.mark.parametrize("weight", [0.2, 0.3, 1.0])
    def test_is_out_just_beyond_its_limit(self, weight: float, exact: bool) -> None:
        pattern = ewma_beyond(weight, 3.0, exact=exact)
        for number in (1, 2, 5):
            # zeros, and then one point that takes the average to its limit
            limit = 3.0 * ewma_deviation(weight, after=number if exact else None)
            zeros = [0.0] * (number - 1)
            for side in (1.0, -1.0):
                assert ends(pattern, [*zeros, side * 1.001 * limit / weight]) == [number]
                assert ends(pattern, [*zeros, side * 0.999 * limit / weight]) == []

    def test_remembers_a_point_that_is_infinitely_far_out(self) -> None:
        assert ends(ewma_beyond(0.2, 3.0), [0.0, math.inf, 0.0]) == [2, 3]
        assert ends(ewma_beyond(0.2, 3.0), [0.0, -math.inf]) == [2]

    def test_may_have_weight_one_and_begins_at_its_start(self) -> None:
        assert ewma([4.0], 1.0, 0.0).tolist() == [4.0]
        assert ewma([4.0], 0.25, 8.0).tolist() == [7.0]
        assert ewma_deviation(1.0) == 1.0


class TestSeveralRules:
    def test_stand_with_the_newest_point_first_and_neighbours_together(self) -> None:
        row = [4.0, 0.0, 0.0, 4.0, 4.0, 4.0, 0.0, 4.0, 0.0]
        watch = state(row, UNIT, DEFAULT_RULES[:4])
        assert [(signal.rule.name, signal.points) for signal in watch.signals] == [
            ("action", (7, 5, 4, 3, 0)),
            ("2-of-3", (7, 5, 4)),
        ]
        assert watch.sentences[0].startswith("points 8, 6 to 4, 1 of 9: a point beyond an action limit")
        assert (watch.number, watch.at_newest, watch.control) == (9, False, Control.OUT_OF_CONTROL)

    def test_one_point_is_one(self) -> None:
        assert state([4.0], UNIT).sentences == ("point 1 of 1: a point beyond an action limit (3 s)",)
        assert state([4.0], UNIT).at_newest


class TestLimits:
    def test_without_scatter_the_centre_is_at_zero_and_all_else_infinitely_far(self) -> None:
        limits = baseline([5.0, 5.0])
        assert limits.standardised([5.0, 5.1, 4.9]).tolist() == [0.0, math.inf, -math.inf]

    def test_a_value_on_a_limit_is_within_it(self) -> None:
        assert UNIT.beyond_warning([2.0, -2.0, 2.1, -2.1]).tolist() == [2, 3]
        assert UNIT.beyond_action([3.0, -3.0, 3.1, -3.1]).tolist() == [2, 3]

    def test_of_two_values_are_enough(self) -> None:
        # s of two values is their difference over √2
        limits = baseline([1.0, 3.0])
        assert (limits.centre, limits.number) == (2.0, 2)
        assert limits.standard_deviation == pytest.approx(math.sqrt(2.0))


class TestPooledPrecision:
    @pytest.mark.parametrize("scatters", [[0.0, 1.0], [0.0]])
    def test_a_scatter_may_be_zero(self, scatters: list[float]) -> None:
        assert precision_baseline(scatters, 2.0).dof == 2.0 * len(scatters)

    def test_degrees_of_freedom_weigh_it(self) -> None:
        # √((1·4² + 3·2²)/4), and a degree of freedom of one or less is one too
        assert precision_baseline([4.0, 2.0], [1.0, 3.0]).pooled_standard_deviation == pytest.approx(math.sqrt(7.0))
        assert precision_baseline([1.0], 0.5).dof == 0.5

    @pytest.mark.parametrize(
        ("scatters", "dofs"), [([1.0, -1.0], 2.0), ([1.0, 1.0], [2.0, 0.0]), ([1.0, 1.0], [2.0, math.inf])]
    )
    def test_one_that_is_none_among_others_is_refused(self, scatters: list[float], dofs: float | list[float]) -> None:
        with pytest.raises(ChartError, match="below zero"):
            precision_baseline(scatters, dofs)

    @pytest.mark.parametrize("significance", [0.0, 1.0, -0.1, 1.1, math.nan])
    def test_a_significance_lies_between_0_and_1(self, significance: float) -> None:
        with pytest.raises(ChartError, match="significance"):
            precision_baseline([1.0], 3.0, significance=significance)

    def test_its_limit_is_at_1_percent_unless_it_is_said(self) -> None:
        # F(0.99; 10, 10) = 4.85, tables of F (from memory)
        assert precision_baseline([1.0], 10.0).limit(10.0) == pytest.approx(math.sqrt(4.85), abs=0.002)


class TestConstants:
    def test_of_the_range_are_those_of_its_distribution(self) -> None:
        """E[W] = ∫ P(W > w) dw and E[W²] = 2 ∫ w·P(W > w) dw, by another rule of integration."""
        from scipy.integrate import quad

        for count in (2, 7):
            first = quad(lambda w, n=count: 1.0 - range_probability(w, n), 0.0, 12.0, epsrel=1e-9)[0]
            square = quad(lambda w, n=count: 2.0 * w * (1.0 - range_probability(w, n)), 0.0, 12.0, epsrel=1e-9)[0]
            constants = chart_constants(count)
            assert constants.d2 == pytest.approx(first, rel=1e-9)
            assert constants.d3 == pytest.approx(math.sqrt(square - first**2), rel=1e-8)

    def test_a_range_is_never_more_likely_than_certain(self) -> None:
        assert [range_probability(width, 5) for width in (0.0, 40.0)] == [0.0, 1.0]

    @pytest.mark.parametrize("probability", [0.001, 0.5, 0.999, 1.0 - 1e-9])
    def test_the_quantile_is_found_from_end_to_end(self, probability: float) -> None:
        for count in (2, 20):
            assert range_probability(range_quantile(probability, count), count) == pytest.approx(probability, abs=1e-11)

    # Duncan, Quality Control and Industrial Statistics, table D3 (from memory)
    @pytest.mark.parametrize(
        ("count", "groups", "value"), [(2, 1, "1.41"), (3, 1, "1.91"), (5, 1, "2.48"), (2, 10, "1.16")]
    )
    def test_of_few_groups(self, count: int, groups: int, value: str) -> None:
        assert f"{d2_star(count, groups):.2f}" == value

    # E2 = 3/d2: of two readings 2.66, as 3/1.128 in the e-Handbook, 6.3.2.2 (seen second-hand); the others worked out
    @pytest.mark.parametrize(("count", "value"), [(2, "2.66"), (3, "1.77"), (5, "1.29")])
    def test_of_single_values(self, count: int, value: str) -> None:
        assert f"{chart_constants(count).e2:.2f}" == value
