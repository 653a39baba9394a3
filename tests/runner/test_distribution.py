"""What is told of simulated values: one by one while they are few, in fine bins beyond that."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import norm

from holdzero import distribution
from holdzero.distribution import Distribution, MonteCarlo

Array = NDArray[np.float64]


def of(*blocks: Array | Sequence[float], limits: tuple[float | None, float | None] = (None, None)) -> Distribution:
    whole = Distribution(limits)
    for block in blocks:
        whole.add(np.asarray(block, dtype=float))
    return whole


def one_to(last: int) -> Array:
    """1, 2, 3 …, in no order."""
    return np.random.default_rng(1).permutation(np.arange(1.0, last + 1.0))


class TestMoments:
    """JCGM 101:2008, 7.6, eq. (16), (17): whatever the blocks are, as numpy has them of all values together."""

    @pytest.mark.parametrize("sizes", [[1], [2], [7], [1, 1], [3, 5], [5, 1, 4]])
    def test_are_those_of_all_values(self, sizes: list[int]) -> None:
        rng = np.random.default_rng(2)
        blocks = [10.0 * number + rng.standard_normal(size) for number, size in enumerate(sizes)]
        whole = of(*blocks)
        together = np.concatenate(blocks)
        assert whole.count == together.size
        assert whole.mean_um == pytest.approx(together.mean(), rel=1e-12)
        assert whole.standard_um == pytest.approx(together.std(ddof=1) if together.size > 1 else 0.0, rel=1e-12)

    def test_of_one_value_are_that_value_to_the_last_digit(self) -> None:
        assert of([0.1]).mean_um == 0.1


class TestValuesOneByOne:
    # JCGM 101:2008, 7.7.2: q = pM where that is whole, else the whole part of pM + 1/2; the interval from y(r) to
    # y(r + q). Of equal gaps the first of the shortest.
    @pytest.mark.parametrize(
        ("last", "coverage", "low", "high"),
        [
            (100, 0.95, 3, 98),  # q = 95, r = (M − q + 1)/2 = 3
            (20, 0.93, 1, 20),  # pM = 18.6, q = 19, r = 1
            (10, 0.5, 3, 8),  # q = 5, r = 3
            (100, 0.9, 5, 95),  # q = 90, r = (M − q)/2 = 5, as that is whole
            (10, 0.6, 2, 8),  # q = 6, r = 2
        ],
    )
    def test_the_symmetric_interval_is_from_rank_to_rank(self, last: int, coverage: float, low: int, high: int) -> None:
        assert of(one_to(last)).intervals_um(coverage)[1] == (low, high)

    @pytest.mark.parametrize(("last", "coverage"), [(10, 0.95), (10, 1.0), (3, 0.9), (1, 0.5)])
    def test_where_all_are_asked_for_it_is_from_the_least_to_the_greatest(self, last: int, coverage: float) -> None:
        whole = (1.0, float(last))
        assert of(one_to(last)).intervals_um(coverage) == (whole, whole)

    def test_the_shortest_interval_is_where_values_lie_closest(self) -> None:
        # ten values a tenth apart among ten that are one apart
        values = [*np.arange(0.0, 5.0), *np.arange(5.0, 6.0, 0.1), *np.arange(6.0, 11.0)]
        shortest, symmetric = of(values).intervals_um(0.45)  # q = 9
        assert shortest == pytest.approx((5.0, 5.9))
        assert symmetric == pytest.approx((5.0, 5.9))
        assert of([-value for value in values[:15]]).intervals_um(0.6)[0] == pytest.approx((-5.9, -5.0))

    def test_the_median_is_the_value_that_half_of_them_lie_up_to(self) -> None:
        assert of(one_to(100)).median_um == 50.0
        assert of(one_to(101)).median_um == 51.0

    def test_what_is_added_later_counts(self) -> None:
        whole = of([1.0, 2.0])
        assert whole.intervals_um(1.0)[0] == (1.0, 2.0)
        whole.add(np.array([5.0, -4.0]))
        assert whole.intervals_um(1.0)[0] == (-4.0, 5.0)
        assert whole.ordered()[1].tolist() == [1.0, 2.0, 3.0, 4.0]


class TestShares:
    """A value on a limit is within it (JCGM 106:2012, 3.3.8: a tolerance interval holds its limits)."""

    VALUES = (1.0, 2.0, 2.0, 3.0, 4.0)

    @pytest.mark.parametrize(
        ("lower", "upper", "share"),
        [(2.0, 3.0, 0.6), (2.0, None, 0.8), (None, 3.0, 0.8), (None, 2.0, 0.6), (2.5, None, 0.4), (3.0, 2.0, 0.0)],
    )
    def test_are_counted_with_the_limits(self, lower: float | None, upper: float | None, share: float) -> None:
        whole = of(self.VALUES[:2], self.VALUES[2:], limits=(lower, upper))
        assert whole.conformance_probability == pytest.approx(share)
        assert whole.share_within(lower, upper) == pytest.approx(share)

    def test_without_limits_nothing_conforms_or_not(self) -> None:
        assert of(self.VALUES).conformance_probability is None
        assert of(self.VALUES).share_within(None, None) == 1.0

    def test_of_many_limits_are_those_of_each(self) -> None:
        many = of(self.VALUES).share_within(np.array([0.0, 2.0, 3.5]), None)
        assert np.asarray(many).tolist() == [1.0, 0.8, 0.2]
        assert isinstance(of(self.VALUES).share_within(0.0, 2.0), float)


class TestValuesInBins:
    """More values than `EXACT`: the bins are so fine that nobody sees them."""

    FINE = 1.0 / 20_000.0  # a bin is no wider, in standard deviations of normal values

    @pytest.fixture(autouse=True)
    def few(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(distribution, "EXACT", 1000)

    def normal(self, size: int, centre: float = 0.0, s: float = 1.0) -> Array:
        """Values at equal steps of probability, in no order."""
        ranks = np.random.default_rng(3).permutation(size)
        values: Array = centre + s * norm.ppf((ranks + 0.5) / size)
        return values

    def test_so_many_are_kept_one_by_one_and_no_more(self) -> None:
        values = self.normal(1001)
        assert of(values[:1000]).ordered()[0].tolist() == sorted(values[:1000])
        assert of(values).ordered()[0].tolist() != sorted(values)

    @pytest.mark.parametrize(("centre", "s"), [(0.0, 1.0), (5.0, 1.0), (1.0, 0.001), (0.0, 1000.0)])
    def test_everything_is_told_to_the_width_of_a_bin(self, centre: float, s: float) -> None:
        values = self.normal(4000, centre, s)
        whole = of(values[:700], values[700:1500], values[1500:])
        near = self.FINE * s
        ordered, ranks = whole.ordered()
        assert ranks[-1] == whole.count == 4000
        assert np.all(np.diff(ranks, prepend=0.0) >= 1.0)  # each is a value that came
        own = np.sort(values)
        assert np.abs(np.repeat(ordered, np.diff(ranks, prepend=0.0).astype(int)) - own).max() <= near / 2.0
        assert whole.median_um == pytest.approx(own[1999], abs=near)
        for coverage in (0.5, 0.9, 0.9545):
            within = math.floor(coverage * 4000 + 0.5)
            first = (4000 - within) // 2 - 1  # y(r), r = (M − q)/2: JCGM 101:2008, 7.7.2
            shortest, symmetric = whole.intervals_um(coverage)
            assert symmetric == pytest.approx((own[first], own[first + within]), abs=near)
            assert shortest[1] - shortest[0] == pytest.approx(
                (own[within - 1 :] - own[: 1 - within]).min(), abs=2 * near
            )
        assert whole.share_within(centre - s, None) == pytest.approx(1.0 - norm.cdf(-1.0), abs=1e-3)

    def test_beyond_the_bins_each_value_is_kept(self) -> None:
        far = [-1e6, 1e6, 2e6]
        ordered, ranks = of(self.normal(2000), far).ordered()
        assert [ordered[0], *ordered[-2:]] == far
        assert (ranks[0], ranks[-3], ranks[-1]) == (1.0, 2001.0, 2003.0)

    def test_a_value_at_the_very_end_of_the_bins_is_beyond_them(self) -> None:
        # halves at 0 and 1, and as much again on either side: the bins reach from −0.5 to 1.5
        halves = np.repeat([0.0, 1.0], 1000)
        ordered, ranks = of(halves, [-0.5, 1.5]).ordered()
        assert ordered[-1] == 1.5
        assert -0.5 < ordered[0] < -0.5 + self.FINE  # the first is in a bin, and told by the middle of it
        assert ranks.tolist() == [1.0, 1001.0, 2001.0, 2002.0]

    def test_of_two_values_half_each_the_shortest_interval_has_no_width(self) -> None:
        halves = of(np.repeat([0.0, 1.0], 1000))
        (low, high), _ = halves.intervals_um(0.4)
        assert low == high == pytest.approx(0.0, abs=self.FINE)
        assert halves.intervals_um(0.9)[0] == pytest.approx((0.0, 1.0), abs=self.FINE)

    def test_where_nearly_all_values_are_the_greatest_the_shortest_interval_is_there(self) -> None:
        low, high = of(np.repeat([0.0, 1.0], [100, 1900])).intervals_um(0.5)[0]
        assert low == high == pytest.approx(1.0, abs=self.FINE)

    def test_the_shortest_interval_of_what_falls_off_begins_at_the_least(self) -> None:
        own = -np.log1p(-(np.arange(4000) + 0.5) / 4000)
        assert of(own).intervals_um(0.95)[0] == pytest.approx((own[0], own[3799]), abs=self.FINE)

    def test_where_all_values_are_equal_they_are_told(self) -> None:
        for interval in of(np.full(2000, 7.0)).intervals_um(0.95):
            assert interval == pytest.approx((7.0, 7.0), abs=5e-6)

    def test_all_of_them_reach_from_the_least_to_the_greatest(self) -> None:
        values = self.normal(2000)
        whole = (values.min(), values.max())
        assert of(values).intervals_um(1.0)[0] == pytest.approx(whole, abs=self.FINE)


class TestWithoutAMean:
    """Student's t has a mean above one degree of freedom: JCGM 101:2008, 6.4.9.4."""

    @pytest.mark.parametrize(
        ("tails", "value_is", "value"),
        [
            ({}, "mean", 4.0),
            ({"x": 2.0}, "mean", 4.0),
            ({"x": 1.0}, "median", 2.0),
            ({"x": 2.0, "y": 1.0}, "median", 2.0),
        ],
    )
    def test_the_value_is_the_median(self, tails: dict[str, float], value_is: str, value: float) -> None:
        result = of([1.0, 2.0, 9.0]).result(0.9, heavy_tails=tails)
        assert (result.value_is, result.value_um) == (value_is, value)
        assert (result.standard_uncertainty_um is None) is bool(tails)

    def test_a_result_is_stable_unless_it_is_said(self) -> None:
        assert of([1.0, 2.0]).result(0.9).stable
        assert MonteCarlo.__dataclass_fields__["stable"].default is True
        assert not of([1.0, 2.0]).result(0.9, stable=False).stable
