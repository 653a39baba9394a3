"""What residuals tell of a fit: runs, a change, and what rounding leaves of it."""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
import pytest

from holdzero.fades import fit_fades
from holdzero.residuals import Doubts, doubts_of, rounding_bias, swing_of


def mean_error(place: float, noise: float) -> float:
    """Mean error of rounding to whole numbers what has normal noise about a place: the sum itself, not its series."""
    normal = NormalDist(place, noise)
    shown = range(math.floor(place - 9.0 * noise) - 1, math.ceil(place + 9.0 * noise) + 2)
    return math.fsum(k * (normal.cdf(k + 0.5) - normal.cdf(k - 0.5)) for k in shown) - place


class TestRounding:
    @pytest.mark.parametrize("noise", [0.05, 0.2, 0.35, 0.5, 0.7, 1.0])
    def test_leaves_no_more_than_is_told(self, noise: float) -> None:
        worst = max(abs(mean_error(place, noise)) for place in np.linspace(0.0, 1.0, 101))
        random = np.random.default_rng(5)
        for place in (0.0, 0.2, 0.45):
            shown = np.round(place + noise * random.standard_normal(400))
            assert rounding_bias(shown, 1.0) >= worst - 1e-12

    def test_leaves_next_to_nothing_where_noise_is_as_large_as_the_step(self) -> None:
        random = np.random.default_rng(6)
        assert rounding_bias(np.round(random.standard_normal(400)), 1.0) < 1e-3

    @pytest.mark.parametrize("few", [np.zeros(400), np.array([0.0, 5.0, -3.0]), np.repeat([0.0, 1.0], 200)])
    def test_leaves_half_a_step_where_nothing_shows_that_there_is_noise(self, few: np.ndarray) -> None:
        assert rounding_bias(few, 1.0) == 0.5

    def test_leaves_half_a_step_where_only_one_spike_is_seen(self) -> None:
        assert rounding_bias(np.where(np.arange(200) == 150, 40.0, 0.0), 1.0) == 0.5

    def test_of_what_is_not_rounded_leaves_nothing(self) -> None:
        assert rounding_bias(np.arange(50.0), 0.0) == 0.0


def doubts(values: np.ndarray, every_s: float = 5.0, systematic: float = 0.0) -> Doubts:
    times = np.asarray(every_s * np.arange(values.size), dtype=np.float64)
    fades = fit_fades(times, values)
    spread = max(math.sqrt(float(fades.left @ fades.left) / (values.size - 5)), 1e-9)
    return doubts_of(times, fades.left, fades.taken, spread=spread, systematic=systematic, dof=values.size - 5.0)


class TestAFit:
    def test_that_holds_is_hardly_ever_refused(self) -> None:
        random = np.random.default_rng(7)
        times = 5.0 * np.arange(120)
        fades = [3.0 * np.exp(-times / tau) - np.exp(-times / 1500.0) for tau in (60.0, 150.0, 240.0)]
        refused = sum(
            doubts(fades[number % 3] + 0.1 * random.standard_normal(times.size)).refused for number in range(300)
        )
        # Two tests of one in a thousand each: three or more of three hundred come once in forty times.
        assert refused < 4

    @pytest.mark.parametrize("after", [2, 6, 20, 60, 100])
    def test_is_refused_after_a_jump_and_begins_anew_behind_it(self, after: int) -> None:
        random = np.random.default_rng(8)
        values = 0.05 * random.standard_normal(120)
        values[-after:] += np.exp(-5.0 * np.arange(after) / 200.0)
        found = doubts(values)
        assert found.refused
        # Nearly: what is left of it before the jump is found when it is fitted anew.
        assert 0.7 * after <= found.newest <= 1.6 * after

    def test_is_refused_for_a_bend_that_the_slowest_fade_takes_up_by_half(self) -> None:
        # 22 min of rest, then a ramp for 13 min: 0.4 noises a reading are ten standard deviations of its slope (worked
        # out).
        random = np.random.default_rng(10)
        ramp = 0.4 * np.maximum(np.arange(53.0) - 33.0, 0.0)
        refused = sum(doubts(ramp + random.standard_normal(ramp.size), every_s=40.0).refused for _ in range(50))
        assert refused >= 45

    def test_is_refused_where_the_room_swings(self) -> None:
        times = 5.0 * np.arange(720)
        random = np.random.default_rng(9)
        assert doubts(np.sin(2.0 * np.pi * times / 900.0) + 0.1 * random.standard_normal(720)).refused

    def test_is_not_refused_for_the_stairs_of_a_coarse_dial(self) -> None:
        times = 5.0 * np.arange(300)
        shown = np.round(8.0 * np.exp(-times / 300.0) / 0.5) * 0.5
        assert not doubts(shown, systematic=rounding_bias(shown, 0.5)).refused
        assert doubts(shown).refused


def test_a_swing_is_as_far_as_residuals_go_together() -> None:
    alternating = np.tile([1.0, -1.0], 60)
    assert swing_of(alternating) == 0.0
    assert swing_of(np.repeat([1.0, -1.0], 60)) == 1.0
