"""From what distance on a reading is too far: the looks that share the false alarms, coarse dials, scatters that are
estimates. Worked out in other ways, beforehand; nothing published."""

from __future__ import annotations

import math
from collections import Counter
from math import comb

import numpy as np
import pytest
from scipy import integrate
from scipy.special import ndtr
from scipy.stats import chi2, t

from holdzero.outlier import FALSE_ALARMS, LEAST_FOR_NOTE, OutlierLimits, false_alarm_rate, looked_at, outlier_limits


class TestWhenAPlaceIsLookedAt:
    def test_after_each_of_a_dozen_readings_and_then_more_and_more_rarely(self) -> None:
        found = [size for size in range(1200) if looked_at(size)]
        assert found == [*range(2, 13), 16, 24, 32, 48, 64, 96, 128, 256, 512, 1024]
        assert looked_at(2**20)
        assert not looked_at(2**20 + 1)


def looks(counts: list[int], *, own: bool) -> Counter[int]:
    """One after each reading that is looked at, and after the last; of a run's own scatter once more at the end."""
    sizes = [2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 16, 24]
    found: Counter[int] = Counter()
    for count in counts:
        found.update({size for size in sizes if size <= count} | ({count} if count > 1 else set()))
        if own and count > 1:
            found[count] += 1
    return found


class TestAllLooksTogether:
    """Of a dial without steps a limit is a whole number of tenths of a standard deviation, and a tenth for safety."""

    @pytest.mark.parametrize("own", [False, True])
    @pytest.mark.parametrize("counts", [[2], [3, 1], [2, 4], [5] * 3, [13], [16, 3]])
    @pytest.mark.parametrize("dof", [6.0, 20.0, math.inf])
    def test_have_the_rate_that_is_told(self, counts: list[int], dof: float, own: bool) -> None:
        known = 2000.0 if own and math.isinf(dof) else dof  # of a run's own scatter more are not counted
        limits = outlier_limits(counts, 3.0, dof, 0.0, own=own)
        shared = looks(counts, own=own)
        assert limits.least.keys() == shared.keys()
        tenths = {size: round(float(least) / 3.0 * 10.0) - 1 for size, least in limits.least.items()}
        rates = {size: shared[size] * false_alarm_rate(size, tenths[size], 10.0, known) for size in shared}
        assert limits.rate == pytest.approx(math.fsum(rates.values()), rel=1e-12)
        assert 0.0 < limits.rate <= FALSE_ALARMS
        for size, own_rate in rates.items():
            nearer = shared[size] * false_alarm_rate(size, tenths[size] - 1, 10.0, known)
            assert limits.rate - own_rate + nearer > FALSE_ALARMS  # a tenth less would be too often

    def test_of_readings_that_nothing_repeats_there_are_none(self) -> None:
        limits = outlier_limits([1, 1], 1.0, 10.0, 0.0, own=True)
        assert (dict(limits.least), limits.rate) == ({}, 0.0)

    def test_a_limit_holds_for_the_next_number_that_is_looked_at(self) -> None:
        limits = OutlierLimits(least={2: 5.0, 12: 4.0, 16: 3.0}, rate=0.01)
        assert [limits.of(size) for size in (2, 3, 12, 13, 16)] == [5.0, 4.0, 4.0, 3.0, 3.0]

    # Degrees of freedom for which limits are worked out; others stand for the next fewer.
    @pytest.mark.parametrize(
        ("dof", "like"),
        [(d + 0.5, float(d)) for d in (6, 7, 8, 9, 10, 12, 14, 17, 20, 25, 30, 40, 60, 100, 200, 500, 2000)]
        + [(11.9, 10.0), (59.9, 40.0), (1999.0, 500.0), (1e9, 2000.0)],
    )
    def test_a_scatter_of_its_own_is_taken_to_be_known_no_better_than_it_is(self, dof: float, like: float) -> None:
        found, expected = (outlier_limits([3], 1.0, number, 0.0, own=True) for number in (dof, like))
        assert found == expected
        if dof < 1000.0:  # and one that is accepted as it is
            assert outlier_limits([3], 1.0, dof, 0.0, own=False).rate != expected.rate
        assert outlier_limits([3], 1.0, like - 0.01, 0.0, own=True).rate != expected.rate

    def test_the_fewest_degrees_of_freedom_are_enough(self) -> None:
        assert LEAST_FOR_NOTE == 3.0
        assert outlier_limits([3], 1.0, 3.0, 0.0, own=True).rate <= FALSE_ALARMS
        with pytest.raises(ValueError, match="9 degrees of freedom"):
            outlier_limits([3], 1.0, 2.9, 0.0, own=True)


class TestTheDial:
    def tenths(self, *, own: bool, dof: float = 8.0) -> int:
        return round(float(outlier_limits([3], 1.0, dof, 0.0, own=own).least[3]) * 10.0)

    @pytest.mark.parametrize("scatter", [10.0, 15.0, 25.0, 31.7, 45.0])
    def test_of_ten_steps_to_the_standard_deviation_or_more_adds_half_a_step(self, scatter: float) -> None:
        plain = self.tenths(own=False) * scatter / 10.0 + 0.5
        limits = outlier_limits([3], 2.0 * scatter, 8.0, 2.0, own=False)
        assert limits.least[3] == 2.0 * math.ceil(round(plain, 6))  # in whole steps

    @pytest.mark.parametrize("scatter", [0.0, 0.2, 0.29, 0.5, 1.0, 5.0])
    def test_in_a_scatter_of_its_own_has_rounded_already(self, scatter: float) -> None:
        # JCGM 100:2008, F.2.2.1: step²/12 is taken off, and it counts as no less than that
        s = math.sqrt(max(scatter**2 - 0.25 / 12.0, 0.25 / 12.0))
        plain = (self.tenths(own=True) * s / 10.0 + 0.25) / 0.5
        limits = outlier_limits([3], scatter, 8.0, 0.5, own=True)
        assert limits.least[3] == 0.5 * math.ceil(round(plain, 6))

    @pytest.mark.parametrize("dial", [0.11, 0.5, 2.0, 10.0])
    def test_of_fewer_steps_is_counted_in_them(self, dial: float) -> None:
        limits = outlier_limits([3], 1.0, 8.0, dial, own=False)
        steps = round(float(limits.least[3]) / dial)
        assert limits.least[3] == pytest.approx(steps * dial)
        rates = [sum(false_alarm_rate(n, round(float(limits.least[n]) / dial), 1.0 / dial, 8.0) for n in (2, 3))]
        assert limits.rate == pytest.approx(rates[0], rel=1e-12)


def chance(count: int, distance: float) -> float:
    """That the highest of readings lies so far above the middle one of the others, or the lowest below."""

    def at(x: float) -> float:
        far, near = ndtr(x - distance), ndtr(x) - ndtr(x - distance)
        others = count - 1
        # of an even number of others the nearer of both in the middle
        below = sum(comb(others, j) * far**j * near ** (others - j) for j in range(others // 2 + 1, others + 1))
        return float(math.exp(-x * x / 2.0) / math.sqrt(2.0 * math.pi) * below)

    return 2.0 * count * float(integrate.quad(at, -9.0, 9.0, epsabs=1e-13, epsrel=1e-9)[0])


class TestRates:
    @pytest.mark.parametrize("count", [3, 4, 5, 6, 9, 12])
    @pytest.mark.parametrize("distance", [3.0, 4.5])
    def test_of_a_fine_dial_are_those_of_the_order_statistics(self, count: int, distance: float) -> None:
        # two readings that show so many steps are half a step less apart, or half a step more, or between
        scatter = 200.0
        found = false_alarm_rate(count, round(distance * scatter), scatter)
        assert chance(count, distance + 0.5 / scatter) < found < chance(count, distance - 0.51 / scatter)

    @pytest.mark.parametrize("dof", [3.0, 6.0, 20.0, 200.0, 9999.0])
    @pytest.mark.parametrize("scatter", [9.9, 10.0, 300.0])
    def test_of_two_readings_are_those_of_student(self, dof: float, scatter: float) -> None:
        # The difference of two over √2·s is distributed as Student's t; half a per cent for the sum over χ². Where the
        # true scatter is larger than the distance the rate counts as one: it is an upper bound.
        for rate in (0.05, 0.01, 0.001):
            steps = math.ceil(t.isf(rate / 2.0, dof) * math.sqrt(2.0) * scatter)
            low, high = (2.0 * t.sf((steps + end) / scatter / math.sqrt(2.0), dof) for end in (0.5, -0.5))
            larger = chi2.cdf(dof * (scatter / (steps - 1.0)) ** 2, dof)
            assert low * 0.995 < false_alarm_rate(2, steps, scatter, dof) < high * 1.005 + larger

    @pytest.mark.parametrize("count", [2, 3])
    def test_do_not_jump_where_a_scatter_comes_to_be_as_good_as_known(self, count: int) -> None:
        known, estimate = (false_alarm_rate(count, 40, 10.0, dof) for dof in (math.inf, 1e4))
        assert estimate == pytest.approx(known, rel=0.02)
        assert false_alarm_rate(count, 40, 10.0, 1.01e4) == known

    # By hand: a true value half way between two counts shows either by the toss of a coin. Of five readings one or two
    # are high in 15 of 32 cases, and low in as many; of seven up to three in 63 of 128.
    @pytest.mark.parametrize(("count", "rate"), [(4, 1.0), (5, 30.0 / 32.0), (7, 126.0 / 128.0)])
    def test_are_those_of_the_worst_place_between_two_counts(self, count: int, rate: float) -> None:
        assert false_alarm_rate(count, 1, 1e-6) == pytest.approx(rate, rel=1e-9)
        assert false_alarm_rate(count, 2, 1e-6) == pytest.approx(0.0, abs=1e-12)

    @pytest.mark.parametrize(("scatter", "dof"), [(0.4, math.inf), (0.4, 6.0), (3.0, 6.0), (30.0, 6.0)])
    def test_never_exceed_one_and_fall_with_the_distance(self, scatter: float, dof: float) -> None:
        rates = [
            false_alarm_rate(4, math.ceil(part * scatter), scatter, dof) for part in (0.01, 1, 2, 3, 5, 10, 20, 60)
        ]
        assert max(rates) <= 1.0
        assert all(np.diff(rates) <= 0.0)
        assert 0.0 <= rates[-1] < 1e-7
