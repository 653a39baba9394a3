"""Statistics of readings against numpy and scipy, and against lists of all cases."""

from __future__ import annotations

import math
from itertools import combinations, groupby

import numpy as np
import pytest
from scipy import integrate, stats
from scipy.special import ndtr

from holdzero.statistics import (
    expected_range,
    f_quantile,
    mean,
    pooled_standard_deviation,
    runs_statistic,
    slope_statistic,
    stack,
)

RUNS = np.array([1.0, 2.0, 4.0])  # one number a run


class TestSideBySide:
    def test_readings_stand_on_the_last_axis_and_a_float_stands_for_all_runs(self) -> None:
        assert stack([1.0, 2.0]).tolist() == [1.0, 2.0]
        assert stack([RUNS, 7.0]).tolist() == [[1.0, 7.0], [2.0, 7.0], [4.0, 7.0]]
        assert stack([7.0, RUNS]).tolist() == [[7.0, 1.0], [7.0, 2.0], [7.0, 4.0]]
        assert stack([RUNS, RUNS]).shape == (3, 2)


class TestMean:
    def test_of_one_is_that_one(self) -> None:
        assert mean([0.1]) == 0.1
        assert mean([RUNS]) is RUNS

    def test_keeps_digits_beside_large_numbers(self) -> None:
        assert mean([1e16, 3.0, -1e16]) == 1.0

    def test_of_many_runs_is_that_of_each(self) -> None:
        assert np.asarray(mean([RUNS, 2.0 * RUNS, 3.0])).tolist() == [2.0, 3.0, 5.0]
        assert np.asarray(mean([3.0, RUNS])).tolist() == [2.0, 2.5, 3.5]


class TestPooledScatter:
    @pytest.mark.parametrize("groups", [[[1.0, 3.0]], [[1.0, 2.0, 4.0], [7.0], [10.0, 11.5]], [[5.0], [1.0, 1.0, 2.5]]])
    def test_is_that_of_the_variances_weighed_by_their_degrees_of_freedom(self, groups: list[list[float]]) -> None:
        # JCGM 100:2008, 4.2.4
        several = [group for group in groups if len(group) > 1]
        dof = sum(len(group) - 1 for group in several)
        variance = sum((len(group) - 1) * np.var(group, ddof=1) for group in several) / dof
        s, found = pooled_standard_deviation(groups)
        assert s == pytest.approx(math.sqrt(variance))
        assert found == dof
        assert isinstance(s, float)

    @pytest.mark.parametrize("groups", [[], [[1.0], [2.0]]])
    def test_is_none_without_repeats(self, groups: list[list[float]]) -> None:
        assert pooled_standard_deviation(groups) == (0.0, 0.0)

    def test_of_many_runs_is_that_of_each(self) -> None:
        s, dof = pooled_standard_deviation([[RUNS, 2.0 * RUNS], [RUNS, 0.0, 1.0]])
        each = [pooled_standard_deviation([[x, 2.0 * x], [x, 0.0, 1.0]])[0] for x in (1.0, 2.0, 4.0)]
        assert (np.asarray(s).tolist(), dof) == (pytest.approx(each), 3.0)


class TestQuantilesOfF:
    @pytest.mark.parametrize("probability", [0.05, 0.95, 0.99])
    @pytest.mark.parametrize(("dof", "other"), [(1.0, 1.0), (2.0, 10.0), (10.0, 2.0), (3.0, math.inf)])
    def test_are_those_of_scipy(self, probability: float, dof: float, other: float) -> None:
        known = stats.chi2.ppf(probability, dof) / dof if math.isinf(other) else stats.f.ppf(probability, dof, other)
        assert f_quantile(probability, dof, other) == pytest.approx(known, rel=1e-9)


class TestRange:
    @pytest.mark.parametrize("count", [2, 3, 10, 50])
    def test_is_the_highest_less_the_lowest(self, count: int) -> None:
        def highest(x: float) -> float:
            density = math.exp(-x * x / 2.0) / math.sqrt(2.0 * math.pi)
            return float(x * count * density * ndtr(x) ** (count - 1))

        assert expected_range(count) == pytest.approx(2.0 * integrate.quad(highest, -9.0, 9.0)[0], abs=1e-8)


def fitted(x: list[float], y: list[float], groups: list[int]) -> tuple[float, float]:
    """Slope and t by least squares with a column for each group."""
    labels = sorted(set(groups))
    design = np.column_stack([x, *([float(group == label) for group in groups] for label in labels)])
    best, *_ = np.linalg.lstsq(design, np.array(y), rcond=None)
    left = np.array(y) - design @ best
    error = math.sqrt(float(left @ left) / (len(x) - len(labels) - 1) * np.linalg.inv(design.T @ design)[0, 0])
    return float(best[0]), float(best[0]) / error


class TestSlope:
    X = (0.0, 1.0, 3.0, 4.0, 6.0, 7.0)
    Y = (1.0, 1.5, 2.0, -5.0, -4.5, -3.0)

    @pytest.mark.parametrize(
        "groups", [[0] * 6, [0, 0, 0, 1, 1, 1], [0, 1, 0, 1, 0, 1], [0, 0, 1, 1, 2, 2], [1, 0, 0, 0, 0, 2]]
    )
    def test_is_that_of_least_squares_with_a_mean_for_each_group(self, groups: list[int]) -> None:
        slope, t, dof = slope_statistic(np.array(self.X), np.array(self.Y), groups)
        assert dof == 6 - len(set(groups)) - 1
        assert (slope, t) == pytest.approx(fitted(list(self.X), list(self.Y), groups))

    def test_takes_one_degree_of_freedom_at_least(self) -> None:
        x, y = np.array([0.0, 1.0, 2.0]), np.array([0.0, 1.0, 1.0])
        assert slope_statistic(x, y, [0, 0, 0])[2] == 1.0
        assert slope_statistic(x, y, [0, 0, 1]) == (0.0, 0.0, 0.0)

    def test_is_none_where_nothing_moves_on(self) -> None:
        assert slope_statistic(np.array([1.0] * 4), np.array([1.0, 2.0, 3.0, 4.0]), [0] * 4) == (0.0, 0.0, 0.0)

    def test_is_none_in_all_runs_where_one_has_nothing_that_moves_on(self) -> None:
        x = np.array([[0.0, 1.0, 2.0, 3.0], [1.0] * 4])
        assert slope_statistic(x, np.array([[0.0, 1.0, 2.0, 4.0]] * 2), [0] * 4) == (0.0, 0.0, 0.0)

    @pytest.mark.parametrize(("rise", "t"), [(2.0, math.inf), (-2.0, -math.inf), (0.0, 0.0)])
    def test_of_an_exact_line_is_beyond_doubt(self, rise: float, t: float) -> None:
        x = np.array([0.0, 1.0, 2.0, 3.0])
        slope, found, _ = slope_statistic(x, rise * x, [0] * 4)
        assert (slope, found) == (rise, t)

    def test_of_many_runs_is_that_of_each_and_only_what_matters_is_tested(self) -> None:
        x = np.arange(4.0)
        rows = np.array([[0.0, 1.1, 2.0, 3.1], [0.0, 0.1, 0.0, 0.1], [0.0, -2.0, -4.2, -6.0], [5.0, 6.0, 7.5, 7.5]])
        each = [tuple(map(float, slope_statistic(x, row, [0] * 4)[:2])) for row in rows]
        slopes, ts, dof = slope_statistic(x, rows, [0] * 4)
        assert dof == 2.0
        assert np.asarray(slopes) == pytest.approx([slope for slope, _ in each])
        assert np.asarray(ts) == pytest.approx([t for _, t in each])
        slopes, ts, _ = slope_statistic(x, rows, [0] * 4, matters=0.9)
        assert np.asarray(slopes) == pytest.approx([slope for slope, _ in each])
        assert np.asarray(ts) == pytest.approx([each[0][1], 0.0, each[2][1], each[3][1]])

    def test_that_is_just_what_matters_is_tested(self) -> None:
        x = np.arange(4.0)
        rows = np.array([[0.0, 1.0, 2.0, 3.0], [0.0, -1.0, -2.0, -3.0], [0.0, 0.999, 1.998, 2.997]])
        _, ts, _ = slope_statistic(x, rows, [0] * 4, matters=1.0)
        assert [bool(t) for t in np.asarray(ts)] == [True, True, False]

    def test_with_times_of_its_own_for_each_run(self) -> None:
        x = np.array([self.X, [2.0 * at for at in self.X]])
        y = np.array([self.Y, self.Y])
        slopes, ts, _ = slope_statistic(x, y, [0] * 6, matters=100.0)
        slope, t = fitted(list(self.X), list(self.Y), [0] * 6)
        assert np.asarray(slopes) == pytest.approx([slope, slope / 2.0])
        assert np.asarray(ts) == pytest.approx([t, t])


class TestRunsOfASign:
    @pytest.mark.parametrize(("ups", "downs"), [(5, 5), (5, 6), (7, 5)])
    def test_lie_as_far_off_as_among_all_orders(self, ups: int, downs: int) -> None:
        # every order of so many signs: mean and standard deviation of their runs
        orders = [
            [1.0 if place in chosen else -1.0 for place in range(ups + downs)]
            for chosen in combinations(range(ups + downs), ups)
        ]
        counts = [len(list(groupby(order))) for order in orders]
        for order, count in list(zip(orders, counts, strict=True))[:: len(orders) // 7]:
            z, runs = runs_statistic(np.array(order))
            assert runs == count
            assert z == pytest.approx((count - np.mean(counts)) / np.std(counts))

    @pytest.mark.parametrize("values", [[1.0] * 4 + [-1.0] * 9, [-1.0] * 4 + [1.0] * 9, [1.0] * 20])
    def test_tell_nothing_where_there_are_fewer_than_five_of_a_sign(self, values: list[float]) -> None:
        assert runs_statistic(np.array(values))[0] == 0.0

    def test_of_nothing_are_none_and_zero_counts_as_above(self) -> None:
        assert runs_statistic(np.array([])) == (0.0, 0)
        assert runs_statistic(np.array([0.0, 1.0, -1.0]))[1] == 2
        assert runs_statistic(np.array([-1.0])) == (0.0, 1)
