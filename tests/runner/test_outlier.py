"""How far a reading may lie from its repeats: against tables of normal and Student distribution, and counted."""

from __future__ import annotations

import itertools
import math
import random
import statistics

import numpy as np
import pytest
from scipy import integrate

from holdzero.outlier import FALSE_ALARMS, distance_from_repeats, false_alarm_rate, outlier_limits

STEPS = 100  # to the standard deviation: so fine that a dial is as good as none


def middle_rate(count: int, distance: float, dof: float = math.inf, scatter: int = STEPS) -> float:
    """The rate for a distance in standard deviations; it is between those of the whole steps before and behind it."""
    steps = distance * scatter + 0.5
    low, high = (false_alarm_rate(count, whole, float(scatter), dof) for whole in (math.floor(steps), math.ceil(steps)))
    return low + (steps - math.floor(steps)) * (high - low)


def density(x: float) -> float:
    return math.exp(-x * x / 2.0) / math.sqrt(2.0 * math.pi)


def below(x: float) -> float:
    return 0.5 * math.erfc(-x / math.sqrt(2.0))


class TestAgainstTables:
    """Two readings differ by √2 times as much as one scatters: the tables of a single number tell their rate."""

    # JCGM 100:2008, Table G.2, ν = ∞: 1.645 at 90 %, 1.960 at 95 %, 2.576 at 99 % (from memory)
    @pytest.mark.parametrize(("quantile", "rate"), [(1.645, 0.10), (1.960, 0.05), (2.576, 0.01)])
    def test_two_readings_of_a_known_scatter(self, quantile: float, rate: float) -> None:
        assert middle_rate(2, math.sqrt(2.0) * quantile) == pytest.approx(rate, rel=0.002)

    # JCGM 100:2008, Table G.2, 99 %: 3.71 for ν = 6, 3.17 for 10, 2.85 for 20 (from memory)
    @pytest.mark.parametrize(("dof", "quantile"), [(6, 3.71), (10, 3.17), (20, 2.85)])
    def test_two_readings_of_a_scatter_that_is_an_estimate(self, dof: int, quantile: float) -> None:
        # three digits of t are good to a hundredth of the rate
        assert middle_rate(2, math.sqrt(2.0) * quantile, dof, 20) == pytest.approx(0.01, rel=0.012)


class TestWorkedOut:
    """Nothing published: worked out in other ways."""

    @pytest.mark.parametrize("distance", [2.0, 3.0, 4.0])
    def test_three_readings(self, distance: float) -> None:
        # the highest one lies so far above both others, or the lowest below: 2 · 3 ∫ φ(x) Φ(x − d)² dx
        rate, _ = integrate.quad(lambda x: 6.0 * density(x) * below(x - distance) ** 2, -9.0, 9.0)
        assert middle_rate(3, distance) == pytest.approx(rate, rel=0.002)

    @pytest.mark.parametrize("distance", [3.0, 4.0])
    def test_four_readings(self, distance: float) -> None:
        # two of the three others at least lie so far below the highest one, and the third below it
        def chance(x: float) -> float:
            far = below(x - distance)
            return 8.0 * density(x) * (far**3 + 3.0 * far**2 * (below(x) - far))

        assert middle_rate(4, distance) == pytest.approx(integrate.quad(chance, -9.0, 9.0)[0], rel=0.002)

    @pytest.mark.parametrize("count", [2, 3])
    @pytest.mark.parametrize("scatter", [0.3, 0.5, 0.9])
    @pytest.mark.parametrize("steps", [1, 2, 3])
    def test_readings_of_a_coarse_dial_are_counted_one_by_one(self, count: int, scatter: float, steps: int) -> None:
        def chances(position: float) -> list[float]:
            edges = [below((edge - 0.5 - position) / scatter) for edge in range(-8, 10)]
            return [upper - lower for lower, upper in itertools.pairwise(edges)]

        def rate(position: float) -> float:
            chance = chances(position)
            far = 0.0
            for shown in itertools.product(range(len(chance)), repeat=count):
                ordered = sorted(shown)
                middle = ordered[(count - 1) // 2]
                # the highest and the lowest are added up, so that both at once counts twice
                far += math.prod(chance[k] for k in shown) * (ordered[-1] - middle >= steps)
                far += math.prod(chance[k] for k in shown) * (count > 2 and middle - ordered[0] >= steps)
            return far

        found = false_alarm_rate(count, steps, scatter)
        assert found == pytest.approx(min(1.0, max(rate(k / 16) for k in range(9))), rel=0.01)

    def test_on_the_edge_between_two_counts_one_step_tells_nothing(self) -> None:
        # by hand: each reading shows either count by the toss of a coin; two differ in 1 of 2 cases, three in 6 of 8
        assert false_alarm_rate(2, 1, 0.01) == pytest.approx(0.5)
        assert false_alarm_rate(3, 1, 0.01) == pytest.approx(0.75)
        assert outlier_limits([3, 3, 3], 0.01, math.inf, 1.0, own=False).least == {2: 2.0, 3: 2.0}

    def test_the_distance_is_from_the_middle_one_of_the_others_or_the_nearer_of_two(self) -> None:
        chance = random.Random(5)  # noqa: S311  no secret
        for count in (2, 3, 4, 5, 6, 7):
            readings = [chance.randint(0, 6) / 2.0 for _ in range(count)]
            expected = []
            for index, reading in enumerate(readings):
                others = readings[:index] + readings[index + 1 :]
                ends = statistics.median_low(others), statistics.median_high(others)
                expected.append(0.0 if ends[0] <= reading <= ends[1] else min((reading - e for e in ends), key=abs))
            assert distance_from_repeats(np.array(readings)).tolist() == expected
            assert distance_from_repeats(np.array([readings, readings[::-1]])).tolist() == [expected, expected[::-1]]


class TestLimits:
    @pytest.mark.parametrize("dial", [0.05, 0.1, 0.5, 1.0, 2.0, 5.0])
    @pytest.mark.parametrize("counts", [[2], [3], [3, 3, 3], [2, 5, 9], [4] * 12])
    def test_the_rate_is_within_what_is_allowed_and_one_step_less_is_not(self, dial: float, counts: list[int]) -> None:
        limits = outlier_limits(counts, 1.0, math.inf, dial, own=False)
        assert 0.0 <= limits.rate <= FALSE_ALARMS
        if dial < 0.5:
            return  # so fine that a step more is on the safe side
        for size in limits.least:
            lower = {**limits.least, size: limits.least[size] - dial}
            rate = sum(
                false_alarm_rate(look, round(float(lower[look]) / dial), 1.0 / dial) if lower[look] > 0.0 else 1.0
                for count in counts
                for look in range(2, count + 1)
            )
            assert rate > FALSE_ALARMS

    def test_more_looks_need_more_distance(self) -> None:
        few, many = (outlier_limits([3] * count, 1.0, math.inf, 0.01, own=False).least[3] for count in (1, 20))
        assert few < many

    def test_many_runs_at_once_are_each_as_by_itself(self) -> None:
        scatter = np.array([0.0, 0.1, 0.4, 3.0])
        together = outlier_limits([3, 3], scatter, 7.0, 0.5, own=True).least[3]
        alone = [outlier_limits([3, 3], float(s), 7.0, 0.5, own=True).least[3] for s in scatter]
        assert np.asarray(together).tolist() == [float(number) for number in alone]

    def test_a_scatter_of_too_few_degrees_of_freedom_gives_no_limit(self) -> None:
        with pytest.raises(ValueError, match="2 degrees of freedom"):
            outlier_limits([3], 1.0, 2.0, 0.1, own=True)
